"""What every request passes through besides Django's own."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from prepdesk.core.errors import DomainError

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


class DomainErrorMiddleware:
    """A refusal of a service becomes a page with its status, or a fragment for a live part."""

    def __init__(self, get_response: GetResponse) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not isinstance(exception, DomainError):
            return None
        template = "core/_refusal.html" if getattr(request, "htmx", False) else "core/refusal.html"
        return render(request, template, {"refusal": exception}, status=exception.status)
