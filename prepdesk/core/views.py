"""The pages for when something is not there, for people and for programs."""

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.template.loader import render_to_string


def _page_or_json(request: HttpRequest, status: int, code: str, text: str) -> HttpResponse:
    if request.path.startswith("/api/"):
        return JsonResponse({"errors": [{"field": "", "code": code, "text": text}]}, status=status)
    return render(request, f"{status}.html", status=status)


def forbidden(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return _page_or_json(request, 403, "forbidden", "You may not do this.")


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    return _page_or_json(request, 404, "not_found", "There is nothing at this address.")


def server_error(request: HttpRequest) -> HttpResponse:
    """Rendered without a request, so that nothing it draws can ask a database that is down."""
    if request.path.startswith("/api/"):
        return _page_or_json(request, 500, "server_error", "The server failed and saved nothing.")
    return HttpResponse(render_to_string("500.html"), status=500)
