"""The queue of the stockroom: what is to be made, what is due first, who has it."""

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from requests_app.booked import booked_for
from requests_app.selectors import QUEUE_FILTERS, queue_counts, queue_rows, waiting_orders
from requests_app.views.serving import with_choices

_FIRST_FILTER = "open"


@require_safe
def queue(request: SignedInRequest) -> HttpResponse:
    """Show the batches by due time; the filter stands in the address, so that it can be kept."""
    policy.require(request.user, "see_queue")
    chosen = request.GET.get("show", _FIRST_FILTER)
    if chosen not in QUEUE_FILTERS:
        chosen = _FIRST_FILTER
    now = timezone.now()
    rows = queue_rows(request.user, chosen, now)
    apparatus = booked_for((row.batch, row.plan) for row in rows)
    counts = queue_counts(request.user, now)
    context = {
        "rows": [(row, apparatus.get(row.batch.pk)) for row in rows],
        "late_count": sum(row.late for row in rows),
        "chosen": chosen,
        "filters": [(name, label, counts[name]) for name, label in QUEUE_FILTERS.items()],
        "waiting": with_choices(request.user, waiting_orders(request.user))
        if chosen == _FIRST_FILTER
        else (),
    }
    return render(request, "requests_app/queue.html", context)
