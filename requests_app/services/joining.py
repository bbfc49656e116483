"""An order joins a batch of the same solution that stands in the queue, where days and vessels allow it.

Runs in the caller's transaction. The locks are those of :mod:`requests_app.services.batching`: the batch,
then orders, then lots and apparatus. Before them stands a gate by substance, so that of two people who send
the same solution at one moment the second finds the batch of the first.
"""

from collections.abc import Sequence
from typing import Final

from django.db import transaction
from django.utils import timezone

from inventory.models import Substance
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict
from requests_app import sheets, states
from requests_app.consolidating import Want, may_be_one
from requests_app.drafts import draft_of, tolerance_of
from requests_app.models import Batch, Order
from requests_app.selectors.together import loaded, most_ml, queued_batches, together_days, want_of
from requests_app.services.batching import CannotBeMade, open_orders, plan_orders, replan_batch
from requests_app.services.moves import move

_REASON_LENGTH: Final = 200


class _Dearer(Exception):
    """Together it takes longer than apart, because the tightest tolerance counts for all of it."""


def wait_at_the_gate(substance_key: str) -> None:
    """Let orders of the same substance in one after the other, until the end of the transaction."""
    # Weak enough for rows that refer to the substance to be written meanwhile.
    list(Substance.objects.select_for_update(no_key=True).filter(key=substance_key).values_list("pk"))


def join_queued(*, actor: User, order: Order, alone_minutes: float | None = None) -> bool:
    """Let a locked order without a batch join the first queued batch that takes it.

    Args:
        alone_minutes: of the order's plan by itself, where it is known already.

    Returns:
        Whether it joined one; else everything is as it was.
    """
    [fresh] = loaded(Order.objects.filter(pk=order.pk))
    want = want_of(fresh, timezone.localdate())
    if want.alone:
        return False
    candidates = [
        one for one in queued_batches([fresh.components.all()[0].substance.key]) if one.orders.all()
    ]
    if not candidates:
        return False
    most, days = most_ml(), together_days()

    def takes(others: Sequence[Order]) -> bool:
        wants = [*(_want(one) for one in others), want]
        return len(wants) > 1 and not may_be_one(wants, most_ml=most, together_days=days)

    for candidate in candidates:
        if not takes(list(candidate.orders.all())):
            continue
        locked = lock_queued(candidate)
        if locked is None:
            continue
        others = list(loaded(Order.objects.filter(pk__in=[one.pk for one in open_orders(locked)])))
        if takes(others) and join(
            actor=actor, batch=locked, orders=[order], others=others, alone_minutes=alone_minutes
        ):
            return True
    return False


def join(
    *,
    actor: User,
    batch: Batch,
    orders: Sequence[Order],
    others: Sequence[Order],
    alone_minutes: float | None = None,
) -> bool:
    """Let locked orders without a batch join a locked batch of the queue, planned again for all of them.

    Args:
        others: the orders the batch is made for already.
        alone_minutes: of the new orders' plan by themselves, where it is known already.

    Returns:
        Whether they did; not where all can't be made together now, nor where a tighter tolerance makes it
        more work than apart. Then everything is as it was.
    """
    named = ", ".join(order.reference for order in sorted((*others, *orders), key=lambda one: one.pk))
    reason = f"made together: {named}"[:_REASON_LENGTH]
    apart = _minutes_apart(batch, orders, others, alone_minutes)
    try:
        with transaction.atomic():
            for order in orders:
                order.batch = batch
                if order.state == states.WAITING:
                    order.waiting_for = []
                    move(actor=actor, row=order, event="queue", note=reason)
                else:
                    order.save(update_fields=["batch"])
            replan_batch(actor=actor, batch=batch, reason=reason, or_wait=False)
            if apart is not None and sheets.current_sheet(batch).plan["minutes"] > apart:
                raise _Dearer
    except (Conflict, _Dearer):
        batch.refresh_from_db()
        for order in orders:
            order.refresh_from_db()
        return False
    return True


def lock_queued(batch: Batch) -> Batch | None:
    """The batch, locked, if it still stands in the queue."""
    return Batch.objects.select_for_update().filter(pk=batch.pk, state=states.QUEUED).first()


def _want(order: Order) -> Want:
    return want_of(order, timezone.localdate())


def _minutes_apart(
    batch: Batch, orders: Sequence[Order], others: Sequence[Order], alone_minutes: float | None
) -> float | None:
    """What the batch as it is and the new orders by themselves take [min], where the tolerances differ."""
    if len({tolerance_of(draft_of(order)) for order in (*orders, *others)}) == 1:
        return None
    if alone_minutes is None:
        try:
            alone_minutes = plan_orders(orders).plan["minutes"]
        except CannotBeMade:
            return None
    return float(sheets.current_sheet(batch).plan["minutes"]) + alone_minutes
