"""What every request passes through besides Django's own."""

from collections.abc import Callable
from typing import Final

from django.conf import settings
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render

from prepdesk.core.errors import DomainError, InvalidInput, TooLarge
from prepdesk.core.views import not_found

FORMS: Final = frozenset({"application/x-www-form-urlencoded", "multipart/form-data"})
GetResponse = Callable[[HttpRequest], HttpResponse]


class PrivatePagesMiddleware:
    """Pages behind the sign-in are not kept by browsers or proxies on a shared bench tablet."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        if request.user.is_authenticated and not response.has_header("Cache-Control"):
            response["Cache-Control"] = "no-store, private"
        return response


class BoundedUploadsMiddleware:
    """A form with a file is refused by its announced size, before any of it is read onto the disk.

    The server reads no further than that announcement; without one it reads nothing. The forms
    themselves say more narrowly, beside the field, what fits.
    """

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        announced = request.META.get("CONTENT_LENGTH") or "0"
        if (
            request.content_type in FORMS
            and announced.isdecimal()
            and int(announced) > settings.UPLOAD_MAX_BYTES
        ):
            most = settings.UPLOAD_MAX_BYTES // 1_000_000
            return _refused(request, TooLarge(f"More than {most} MB were sent. Send a smaller file."))
        return self.get_response(request)


class NoNullCharactersMiddleware:
    """A null character is never typed by a person, and PostgreSQL can't even be asked about one."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if "\0" in request.path or "%00" in request.META.get("QUERY_STRING", ""):
            return not_found(request)
        if request.content_type in FORMS and _has_null(request.POST):
            return _refused(request, InvalidInput({"": "What was sent holds a character nobody can type."}))
        return self.get_response(request)


def _has_null(posted: QueryDict) -> bool:
    return any("\0" in name or any("\0" in value for value in values) for name, values in posted.lists())


class DomainErrorMiddleware:
    """A refusal of a service becomes a page with its status, or a fragment for a live part."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not isinstance(exception, DomainError):
            return None
        return _refused(request, exception)


def _refused(request: HttpRequest, refusal: DomainError) -> HttpResponse:
    template = "core/_refusal.html" if getattr(request, "htmx", False) else "core/refusal.html"
    return render(request, template, {"refusal": refusal}, status=refusal.status)
