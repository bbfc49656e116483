"""The preview of a preparation over HTTP: reads the shelf, computes, saves nothing."""

from collections.abc import Mapping
from typing import IO, Any, Final, cast

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework.exceptions import ParseError
from rest_framework.parsers import JSONParser
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from inventory.selectors import calc_catalogue, calc_shelf
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.calc.preview import preview
from requests_app import api_documents as documents

LARGEST_BODY: Final = 64 * 1024


class BoundedJSONParser(JSONParser):
    """JSON of a bounded length and depth."""

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        # The declared length may be missing or wrong, so what is really sent is counted.
        body = stream.read(LARGEST_BODY + 1)
        if len(body) > LARGEST_BODY:
            raise RequestRefused((too_large(),))
        try:
            return super().parse(_Read(body), media_type, parser_context)  # type: ignore[arg-type]  # reads once
        except RecursionError:
            raise ParseError("JSON is nested too deeply.") from None


class _Read:
    """A stream that was already read."""

    def __init__(self, body: bytes) -> None:
        self._body = body

    def read(self, size: int = -1) -> bytes:
        """Return what is left, up to ``size`` bytes."""
        size = len(self._body) if size is None or size < 0 else size
        part, self._body = self._body[:size], self._body[size:]
        return part


def too_large() -> InputError:
    """The refusal of a body that is longer than any preparation needs."""
    return InputError(
        "", "too_large", f"Send at most {LARGEST_BODY // 1024} KiB; a preparation needs far less."
    )


class PreparationPreview(APIView):
    """Compute one preparation without saving anything."""

    parser_classes = [BoundedJSONParser]

    @extend_schema(
        operation_id="preview_preparation",
        summary="Compute one preparation without saving anything",
        description=documents.DESCRIPTION,
        request=documents.PreparationRequest,
        responses={200: documents.Preparation, 400: documents.Refusal},
        examples=[OpenApiExample("Salt solution", value=documents.EXAMPLE, request_only=True)],
    )
    def post(self, request: Request) -> Response:
        """Answer with the plan, or with every field that can't be read."""
        policy.require(cast(User, request.user), "preview_preparation")
        declared = request.META.get("CONTENT_LENGTH") or "0"
        if declared.isdigit() and int(declared) > LARGEST_BODY:
            raise RequestRefused((too_large(),))
        return Response(preview(request.data, catalogue=calc_catalogue(), shelf=calc_shelf()))
