"""The screen on the wall of the prep room: looked at from afar, touched by nobody."""

from datetime import datetime
from typing import Final

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from requests_app.selectors.wall import COLUMNS, wall_for

# What the screen writes beside the day after each look, on the department's clock.
LOOKED_AT: Final = "X-Looked-At"


@require_safe
def wall(request: SignedInRequest) -> HttpResponse:
    """Show the day; the screen asks again by itself, and is told so when nothing has changed."""
    policy.require(request.user, "see_queue")
    now = timezone.now()
    found = wall_for(request.user, now)
    asks_again = bool(getattr(request, "htmx", False))
    if asks_again and request.GET.get("seen") == found.mark:
        answer = HttpResponse(status=204)
    else:
        template = "requests_app/_wall.html" if asks_again else "requests_app/wall.html"
        lines = [(line, [(name, line.counts[name]) for name in COLUMNS]) for line in found.lines]
        totals = [(label, found.totals[name]) for name, label in COLUMNS.items()]
        context = {"wall": found, "lines": lines, "totals": totals, "looked_at": _clock(now)}
        answer = render(request, template, context)
    answer[LOOKED_AT] = _clock(now)
    return answer


def _clock(now: datetime) -> str:
    return f"{timezone.localtime(now, timezone.get_default_timezone()):%H:%M}"
