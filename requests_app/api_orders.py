"""Orders over HTTP: read with their revisions and comments, changed and commented on."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from typing import Any, Final, cast

from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.views import APIView

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.core.errors import InvalidInput
from requests_app.api import BoundedJSONParser
from requests_app.api_documents import Quantity, Refusal
from requests_app.drafts import draft_of, volume_of
from requests_app.models import Order
from requests_app.selectors import order_with_everything
from requests_app.services.changes import change_order
from requests_app.services.comments import comment_order

_KEY_LENGTH: Final = 64


# --- what it looks like, for the API's own documentation ----------------------------------------------
class OrderRevisionAnswer(serializers.Serializer[Any]):
    """One change after the order was sent."""

    number = serializers.IntegerField()
    at = serializers.DateTimeField()
    by = serializers.CharField()
    reason = serializers.CharField(allow_blank=True)
    changes = serializers.DictField(
        child=serializers.ListField(child=serializers.CharField()), help_text="By field: before, after."
    )
    words = serializers.ListField(child=serializers.CharField())
    waits_to_be_seen = serializers.BooleanField()


class OrderCommentAnswer(serializers.Serializer[Any]):
    """What somebody said about the order."""

    at = serializers.DateTimeField()
    by = serializers.CharField()
    text = serializers.CharField()


class OrderAnswer(serializers.Serializer[Any]):
    """An order as it is wanted now."""

    reference = serializers.CharField()
    title = serializers.CharField()
    state = serializers.CharField()
    revision = serializers.IntegerField(help_text="Send it back with a change.")
    batch = serializers.CharField(allow_null=True)
    due_at = serializers.DateTimeField()
    room = serializers.CharField()
    groups_per_section = serializers.IntegerField()
    volume = Quantity()
    revisions = OrderRevisionAnswer(many=True)
    comments = OrderCommentAnswer(many=True)


class WantedOtherwise(serializers.Serializer[Any]):
    """The fields that may change; only those that are sent do."""

    groups_per_section = serializers.IntegerField(required=False)
    spare_groups = serializers.IntegerField(required=False)
    volume_per_group = serializers.CharField(required=False, help_text="Decimal in a string.")
    volume_unit = serializers.ChoiceField(choices=["mL", "L"], required=False)
    per_section = serializers.CharField(required=False, allow_blank=True)
    overage_percent = serializers.CharField(required=False, allow_blank=True)
    tolerance_percent = serializers.CharField(required=False, allow_blank=True)
    targets = serializers.ListField(
        child=serializers.CharField(),
        required=False,
        help_text="The concentrations in the order of the components, in their own units.",
    )
    due_at = serializers.DateTimeField(required=False, help_text="With its offset.")
    room = serializers.CharField(required=False)
    container = serializers.CharField(required=False, allow_blank=True)
    notes = serializers.CharField(required=False, allow_blank=True)


class OrderChange(serializers.Serializer[Any]):
    """A change of an order."""

    revision = serializers.IntegerField(help_text="The one that was read; an older one is answered with 409.")
    key = serializers.CharField(max_length=_KEY_LENGTH, help_text="The same key changes once.")
    reason = serializers.CharField(required=False, allow_blank=True)
    changes = WantedOtherwise()


class OrderCommentSent(serializers.Serializer[Any]):
    """A comment."""

    text = serializers.CharField()
    key = serializers.CharField(max_length=_KEY_LENGTH, help_text="The same key says it once.")


# --- the addresses -----------------------------------------------------------------------------------------
class OrderOverApi(APIView):
    """One order: as it is wanted now, and a change of it."""

    parser_classes = [BoundedJSONParser]

    @extend_schema(
        operation_id="order", summary="An order with its revisions and comments", responses={200: OrderAnswer}
    )
    def get(self, request: Request, reference: str) -> Response:
        """Answer with the order."""
        user = cast(User, request.user)
        policy.require(user, "see_own_orders")
        return Response(_answer(order_with_everything(user, reference)))

    @extend_schema(
        operation_id="change_order",
        summary="Change an order",
        description="In the queue its batch is planned again and the stock held anew. What is begun stays as "
        "it is: whoever makes it has to see the change, and more is ordered as a further order. The revision "
        "that was read is sent back; when somebody changed the order meanwhile, the answer is 409 and says "
        "what.",
        request=OrderChange,
        responses={200: OrderAnswer, 400: Refusal, 409: Refusal},
        examples=[
            OpenApiExample(
                "Three more groups",
                value={
                    "revision": 1,
                    "key": "enrolment-4711",
                    "reason": "three more groups enrolled",
                    "changes": {"groups_per_section": 15},
                },
                request_only=True,
            )
        ],
    )
    def patch(self, request: Request, reference: str) -> Response:
        """Change it, and answer with how it is now."""
        user = cast(User, request.user)
        policy.require(user, "change_order")
        order = order_with_everything(user, reference)
        body = _object(request.data, "")
        revision = body.get("revision")
        if not isinstance(revision, int) or isinstance(revision, bool):
            raise InvalidInput({"revision": "Send the revision that was read, a whole number."})
        change_order(
            actor=user,
            order=order,
            draft_changes=_wanted(order, _object(body.get("changes"), "changes")),
            reason=_text(body.get("reason", ""), "reason"),
            expected_revision=revision,
            idempotency_key=_key(body),
        )
        return Response(_answer(order_with_everything(user, reference)))


class OrderCommentsOverApi(APIView):
    """What is said about an order."""

    parser_classes = [BoundedJSONParser]

    @extend_schema(
        operation_id="comment_order",
        summary="Say something about an order",
        request=OrderCommentSent,
        responses={201: OrderCommentAnswer, 400: Refusal},
    )
    def post(self, request: Request, reference: str) -> Response:
        """Say it; whoever is concerned is told."""
        user = cast(User, request.user)
        policy.require(user, "comment_order")
        order = order_with_everything(user, reference)
        body = _object(request.data, "")
        said = comment_order(
            actor=user, order=order, text=_text(body.get("text", ""), "text"), idempotency_key=_key(body)
        )
        return Response({"at": said.at, "by": str(said.author), "text": said.text}, status=201)


# --- reading and answering ------------------------------------------------------------------------------
def _answer(order: Order) -> dict[str, Any]:
    volume = volume_of(draft_of(order))
    return {
        "reference": order.reference,
        "title": order.title,
        "state": order.state,
        "revision": order.revision,
        "batch": order.batch.reference if order.batch else None,
        "due_at": order.due_at,
        "room": order.room,
        "groups_per_section": order.groups_per_section,
        "volume": {"value": volume.text, "unit": volume.unit},
        "revisions": [
            {
                "number": one.number,
                "at": one.at,
                "by": str(one.actor),
                "reason": one.reason,
                "changes": one.changes,
                "words": one.words,
                "waits_to_be_seen": one.needs_seeing and one.seen_at is None,
            }
            for one in order.revisions.select_related("actor")
        ],
        "comments": [
            {"at": one.at, "by": str(one.author), "text": one.text}
            for one in order.comments.select_related("author")
        ],
    }


def _wanted(order: Order, changes: Mapping[str, Any]) -> dict[str, Any]:
    """The fields of the draft, every one that can't be read named in one refusal."""
    read: dict[str, Callable[[Any], Any]] = {
        "groups_per_section": _whole,
        "spare_groups": _whole,
        "volume_per_group": _number,
        "per_section": _number_or_none,
        "overage_percent": _number_or_none,
        "tolerance_percent": _number_or_none,
        "due_at": _moment,
    }
    wanted: dict[str, Any] = {}
    errors: dict[str, str] = {}
    for name, value in changes.items():
        try:
            if name == "targets":
                wanted["components"] = _targets(order, value)
            else:
                reader: Callable[[Any], Any] = read.get(name, _string)
                wanted[name] = reader(value)
        except (InputError, ValueError) as error:
            errors[f"changes.{name}"] = getattr(error, "text", str(error))
    if errors:
        raise InvalidInput(errors)
    return wanted


def _targets(order: Order, value: Any) -> tuple[Any, ...]:
    components = draft_of(order).components
    if not isinstance(value, list) or len(value) != len(components):
        raise ValueError(f"Send a list of {len(components)}, one for each component.")
    return tuple(replace(one, target=_number(text)) for one, text in zip(components, value, strict=True))


def _whole(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool):
        raise ValueError("Send a whole number.")
    return value


def _number(value: Any) -> TypedNumber:
    if not isinstance(value, str):
        raise ValueError("Send a decimal in a string, so that its digits survive.")
    return parse_number(value)


def _number_or_none(value: Any) -> TypedNumber | None:
    return None if value in ("", None) else _number(value)


def _moment(value: Any) -> datetime:
    moment = datetime.fromisoformat(_string(value))
    if moment.tzinfo is None:
        raise ValueError("Send the time with its offset, as 2027-02-28T09:00:00+01:00.")
    return moment


def _string(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError("Send a text.")
    return value


def _text(value: Any, field: str) -> str:
    if not isinstance(value, str):
        raise InvalidInput({field: "Send a text."})
    return value


def _key(body: Mapping[str, Any]) -> str:
    key = body.get("key")
    if not isinstance(key, str) or not 0 < len(key) <= _KEY_LENGTH:
        raise InvalidInput(
            {"key": f"Send a key of 1 to {_KEY_LENGTH} characters, a new one for each change."}
        )
    return key


def _object(value: Any, field: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise InvalidInput({field: "Send a JSON object."})
    return value
