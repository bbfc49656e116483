"""The queue of the stockroom: what is to be made, what is due first, who has it."""

from datetime import datetime

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from requests_app.booked import booked_for
from requests_app.selectors import QUEUE_FILTERS, queue_counts, queue_rows, waiting_orders
from requests_app.selectors.changes import recent_changes
from requests_app.views.serving import with_choices

_FIRST_FILTER = "open"
_LOOKED = "queue-looked-at"


@require_safe
def queue(request: SignedInRequest) -> HttpResponse:
    """Show the batches by due time; the filter stands in the address, so that it can be kept."""
    policy.require(request.user, "see_queue")
    chosen = request.GET.get("show", _FIRST_FILTER)
    if chosen not in QUEUE_FILTERS:
        chosen = _FIRST_FILTER
    now = timezone.now()
    rows = queue_rows(request.user, chosen, now)
    changes = recent_changes((row.batch for row in rows), now=now, looked_at=_looked_at(request))
    apparatus = booked_for((row.batch, row.plan) for row in rows)
    counts = queue_counts(request.user, now)
    context = {
        "rows": [(row, apparatus.get(row.batch.pk), changes.get(row.batch.pk, ())) for row in rows],
        "new_changes": sum(line.is_new for lines in changes.values() for line in lines),
        "order_count": sum(len(row.orders) for row in rows),
        "fewer": sum(len(row.orders) - 1 for row in rows if row.orders),
        "late_count": sum(row.late for row in rows),
        "chosen": chosen,
        "filters": [(name, label, counts[name]) for name, label in QUEUE_FILTERS.items()],
        "waiting": with_choices(request.user, waiting_orders(request.user))
        if chosen == _FIRST_FILTER
        else (),
    }
    request.session[_LOOKED] = now.isoformat()
    return render(request, "requests_app/queue.html", context)


def _looked_at(request: SignedInRequest) -> datetime | None:
    """When this person looked at the queue last, in this session."""
    text = request.session.get(_LOOKED, "")
    return datetime.fromisoformat(text) if text else None
