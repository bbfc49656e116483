"""Changes of orders as the pages show them: what is not seen yet, and what is recent."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.db.models import Q, QuerySet

from requests_app import states
from requests_app.models import Batch, Order, OrderComment, OrderRevision

# A line in the queue says what changed for so long.
SHOWN_FOR: Final = timedelta(hours=24)


def unseen_changes(batch: Batch) -> QuerySet[OrderRevision]:
    """Changes that met the work on a batch and that nobody at the bench has seen, oldest first."""
    return OrderRevision.objects.filter(batch=batch, needs_seeing=True, seen_at=None).order_by("pk")


def unseen_with_words(batch: Batch) -> list[OrderRevision]:
    """The same with what a banner shows; none once the batch is done with."""
    if batch.state not in states.OPEN_BATCH_STATES:
        return []
    return list(unseen_changes(batch).select_related("order", "actor"))


def changes_of(batch: Batch) -> list[OrderRevision]:
    """All changes that concerned a loaded batch, the newest first."""
    return _shown(batch, OrderRevision.objects.filter(batch=batch))


def changes_since_sent(order: Order) -> list[OrderRevision]:
    """All changes of a loaded order, the newest first."""
    return _shown(order, order.revisions.all())


def _shown(row: Order | Batch, revisions: QuerySet[OrderRevision]) -> list[OrderRevision]:
    found = list(revisions.select_related("order", "actor", "seen_by", "batch").order_by("-pk"))
    if getattr(row, "is_concealed", False):
        # What somebody typed about an unknown may name an amount, and no rule finds that out.
        for one in found:
            one.reason = ""
    return found


def comments_on(batch: Batch) -> QuerySet[OrderComment]:
    """What was said about the orders of a batch, oldest first."""
    return OrderComment.objects.filter(order__batch=batch).select_related("order", "author")


def is_unwanted(batch: Batch) -> bool:
    """Whether a batch is begun or ready and no order asks for it any more."""
    begun = batch.state in (states.CLAIMED, states.IN_WORK, states.READY)
    return begun and not batch.orders.filter(state__in=states.OPEN_ORDER_STATES).exists()


@dataclass(frozen=True, slots=True)
class ChangeLine:
    """One change of an order of a batch, for a line in the queue.

    Attributes:
        revision: with its order and actor loaded.
        is_new: it came since the person looked last.
        waits_to_be_seen: the work stands until somebody at the bench has seen it.
    """

    revision: OrderRevision
    is_new: bool
    waits_to_be_seen: bool


def recent_changes(
    batches: Iterable[Batch], *, now: datetime, looked_at: datetime | None = None
) -> dict[int, list[ChangeLine]]:
    """What changed of the orders of these batches lately, or is not seen yet; by batch, in one query."""
    rows = (
        OrderRevision.objects.filter(batch__in=[batch.pk for batch in batches])
        .filter(Q(at__gte=now - SHOWN_FOR) | Q(needs_seeing=True, seen_at=None))
        .select_related("order", "actor", "seen_by", "batch")
        .order_by("pk")
    )
    found: dict[int, list[ChangeLine]] = defaultdict(list)
    for row in rows:
        assert row.batch is not None
        waits = row.needs_seeing and row.seen_at is None and row.batch.state in states.OPEN_BATCH_STATES
        is_new = looked_at is not None and row.at > looked_at
        found[row.batch.pk].append(ChangeLine(row, is_new, waits))
    return dict(found)
