"""Apparatus that a batch was planned with can't be counted on any more: who makes it is told.

The inventory knows nothing of batches; :mod:`requests_app.apps` registers this with it. Whoever ordered
hears of it only if the batch can't be made any more: then its order waits, and that is told by itself.
"""

from django.urls import reverse

from inventory.models import ApparatusEvent, ApparatusItem
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from requests_app import states
from requests_app.booked import booked_for
from requests_app.cards import items_of
from requests_app.models import Batch
from requests_app.selectors.recalls import stockroom

_UNFINISHED = (states.QUEUED, states.CLAIMED, states.IN_WORK)


def tell_makers(actor: User, item: ApparatusItem, event: ApparatusEvent) -> None:
    """Tell the maker of every unfinished batch that relies on an item which can't be used as planned.

    A batch nobody has claimed is the whole stockroom's. Nobody is told of what they did themselves.
    """
    batches = Batch.objects.filter(state__in=_UNFINISHED).select_related("claimed_by")
    # Sheets come newest first.
    plans = [(batch, batch.sheets.all()[0].plan) for batch in batches.prefetch_related("sheets")]
    booked = set(
        Batch.objects.filter(batch_bookings__booking__item=item, state__in=_UNFINISHED).values_list(
            "pk", flat=True
        )
    )
    relying = [(batch, plan) for batch, plan in plans if batch.pk in booked or item.pk in items_of(plan)]
    found = booked_for(relying)
    for batch, _ in relying:
        faults = found[batch.pk].faults_of.get(item.pk)
        if not faults:
            continue
        people = [batch.claimed_by] if batch.claimed_by is not None else list(stockroom())
        tell(
            people=[person for person in people if person.pk != actor.pk],
            kind=kinds.APPARATUS_LOST,
            text=f"{batch.reference} {batch.title}: {' '.join(faults)} {found[batch.pk].remedy}",
            path=reverse("requests_app:batch", args=[batch.reference]),
            key=f"apparatus-event-{event.pk}-batch-{batch.pk}",
        )
