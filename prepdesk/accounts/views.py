"""Where a signed-in person begins, and the tokens they hand to programs."""

from django.http import HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest

_FIRST_PAGE = {
    policy.INSTRUCTOR: "requests_app:order_list",
    policy.PREP: "requests_app:queue",
    policy.MANAGER: "reports:use",
}


@require_safe
def home(request: SignedInRequest) -> HttpResponse:
    """Take a person to where their day begins."""
    return redirect(_FIRST_PAGE[request.user.role])
