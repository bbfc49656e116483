"""The calendar of one person, for the programs that subscribe to it (RFC 5545)."""

import hashlib

from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.utils.cache import get_conditional_response
from django.utils.http import quote_etag
from django.views.decorators.http import require_safe

from prepdesk.accounts.calendar_keys import owner_of_calendar
from requests_app.calendar_feed import calendar_of

_LONGEST_SECRET = 100


@login_not_required
@require_safe
def feed(request: HttpRequest, secret: str) -> HttpResponseBase:
    """What a person's calendar shows; a wrong or ended address is no page at all."""
    owner = owner_of_calendar(secret) if len(secret) <= _LONGEST_SECRET else None
    if owner is None:
        raise Http404("There is no calendar here.")
    body = calendar_of(owner)
    etag = quote_etag(hashlib.sha256(body).hexdigest())
    full = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    full["ETag"] = etag
    answer = get_conditional_response(request, etag=etag, response=full) or full
    # Nobody but the one who asks keeps it, and they ask each time whether it changed.
    answer["Cache-Control"] = "private, no-cache"
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex"
    return answer
