"""One shape for every error of the API: ``{"errors": [{"field", "code", "text"}]}``."""

from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import set_rollback

from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.core.errors import DomainError, InvalidInput


def _entry(field: str, code: str, text: str) -> dict[str, str]:
    return {"field": field, "code": code, "text": text}


def _flatten(detail: Any, field: str = "") -> list[dict[str, str]]:
    if isinstance(detail, dict):
        return [
            entry
            for key, value in detail.items()
            for entry in _flatten(value, f"{field}.{key}" if field else str(key))
        ]
    if isinstance(detail, list):
        return [entry for value in detail for entry in _flatten(value, field)]
    return [_entry(field, getattr(detail, "code", "invalid"), str(detail))]


def error_answer(error: Exception, context: dict[str, Any]) -> Response | None:
    """Turn a refusal into its answer; anything unknown stays a server error."""
    headers: dict[str, str] = {}
    if isinstance(error, RequestRefused):
        status, errors = 400, [_entry(e.field, e.code, e.text) for e in error.errors]
    elif isinstance(error, InputError):
        status, errors = 400, [_entry(error.field, error.code, error.text)]
    elif isinstance(error, InvalidInput):
        status, errors = 400, [_entry(field, "invalid", text) for field, text in error.errors.items()]
    elif isinstance(error, DomainError):
        status, errors = error.status, [_entry("", error.code, error.text)]
    elif isinstance(error, Http404):
        status, errors = 404, [_entry("", "not_found", "There is nothing at this address.")]
    elif isinstance(error, PermissionDenied):
        status, errors = 403, [_entry("", "forbidden", "You may not do this.")]
    elif isinstance(error, exceptions.APIException):
        status, errors = error.status_code, _flatten(error.detail)
        if getattr(error, "auth_header", None):
            headers["WWW-Authenticate"] = error.auth_header  # type: ignore[attr-defined]  # set by DRF
        if getattr(error, "wait", None):
            headers["Retry-After"] = str(int(error.wait))  # type: ignore[attr-defined]  # set by DRF
    else:
        return None
    set_rollback()
    return Response({"errors": errors}, status=status, headers=headers)
