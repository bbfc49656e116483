"""Batches arranged by hand: an order pulled out of one, several merged into one."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from django.db import transaction

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Batch, Order
from requests_app.selectors.together import loaded, why_not_one
from requests_app.services.batching import (
    LOST,
    CannotBeMade,
    dissolve,
    found_batch,
    open_orders,
    plan_orders,
    replan_batch,
    take_out,
)
from requests_app.services.moves import move, note_event
from requests_app.services.orders import lock_order

_NOTE: Final = 300


def may_pull_out(actor: User, order: Order) -> bool:
    """Whether this person may take an order out of its batch: the stockroom, and who ordered it."""
    return policy.may(actor, "arrange_batches") or (
        order.ordered_by_id == actor.pk and policy.may(actor, "submit_order")
    )


def pull_out(*, actor: User, order: Order, reason: str, seen_version: int | None = None) -> Order:
    """Let an order be made by itself: out of its batch into one of its own, or to wait where it can't be.

    It stays apart until somebody merges it by hand. Doing it twice is the same as once.

    Args:
        seen_version: of the batch on the page; an older one is told.

    Raises:
        NotAllowed: neither of the stockroom nor who ordered it.
        InvalidInput: field ``reason``, when nothing says why.
        Conflict: the batch changed since the page was shown.
        NotInThisState: it is claimed, being made or made.
    """
    if not may_pull_out(actor, order):
        raise NotAllowed("Only the stockroom and whoever ordered it take an order out of its batch.")
    why = reason.strip()
    if not why:
        raise InvalidInput({"reason": "Say why it is made by itself, for whoever made it part of the batch."})

    def pull() -> Order:
        batch, locked = lock_order(order)
        others = [one for one in open_orders(batch) if one.pk != locked.pk] if batch is not None else []
        if locked.made_alone and not others:
            return locked
        if locked.state not in (states.WAITING, states.QUEUED):
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}”: somebody has begun its batch, and"
                " what is begun is made together. Ask whoever makes it to put it back first."
            )
        if batch is not None and seen_version is not None and seen_version != batch.version:
            raise Conflict(
                f"{batch.reference} was changed since this page was shown. Nothing was saved; look"
                " at it again."
            )
        locked.made_alone = True
        locked.save(update_fields=["made_alone"])
        said = f"pulled out, to be made by itself: {why}"[:_NOTE]
        if batch is None or not others:
            note_event(actor=actor, row=locked, event="plan", note=said)
            return locked
        take_out(actor=actor, order=locked, batch=batch, reason=said)
        _its_own(actor=actor, order=locked, reason=said)
        return locked

    return in_transaction_with_retries(pull)


def _its_own(*, actor: User, order: Order, reason: str) -> None:
    """A batch of its own for a locked order that was just taken out, else it waits with the reasons."""
    try:
        planned = plan_orders([order])
        with transaction.atomic():
            batch = found_batch(actor=actor, orders=[order], planned=planned)
    except LOST as lost:
        order.batch = None
        order.waiting_for = [{"text": lost.text, "alternatives": []}]
    except CannotBeMade as short:
        order.waiting_for = short.reasons
    else:
        order.waiting_for = []
        move(actor=actor, row=order, event="queue", note=f"{batch.reference}: {reason}"[:_NOTE])
        return
    order.save(update_fields=["waiting_for"])
    note_event(actor=actor, row=order, event="plan", note=" ".join(one["text"] for one in order.waiting_for))


def merge_batches(
    *, actor: User, batches: Sequence[Batch], reason: str, seen_versions: Mapping[int, int] | None = None
) -> Batch:
    """Make the orders of several queued batches as one; the first of them stays, the others end.

    Orders that were pulled out before take part again, since a person says so. Doing it twice is the same
    as once.

    Args:
        seen_versions: of the batches on the page, by key; an older one is told.

    Raises:
        NotAllowed: not of the stockroom.
        InvalidInput: fewer than two batches, or no reason.
        NotInThisState: one is claimed, being made, made or cancelled.
        Conflict: they are not the same solution, too far apart, too much for any vessel, can't be made
            together now, or changed since the page was shown. Nothing was changed.
    """
    policy.require(actor, "arrange_batches")
    keys = sorted({batch.pk for batch in batches})
    if len(keys) < 2:
        raise InvalidInput({"batches": "Choose at least two batches."})

    def merge() -> Batch:
        locked = list(Batch.objects.select_for_update().filter(pk__in=keys).order_by("pk"))
        first, *rest = sorted(locked, key=lambda one: one.pk)
        if all(_went_into(one, first) for one in rest):
            return first
        for one in locked:
            if one.state != states.QUEUED:
                raise NotInThisState(
                    f"{one.reference} is “{one.get_state_display()}”; only what stands in the queue is put"
                    " together."
                )
            if seen_versions is not None and seen_versions.get(one.pk, one.version) != one.version:
                raise Conflict(f"{one.reference} was changed since this page was shown. Look at it again.")
        orders = list(
            Order.objects.select_for_update()
            .filter(batch__in=keys, state__in=states.OPEN_ORDER_STATES)
            .order_by("pk")
        )
        why_not = why_not_one(
            list(loaded(Order.objects.filter(pk__in=[one.pk for one in orders]))),
            whatever_was_pulled_out=True,
        )
        if why_not:
            raise Conflict(f"They can't be made together. {why_not} Nothing was changed.")
        said = f"made together: {_named(orders)}. {reason.strip()}".strip()
        for order in orders:
            moved = order.batch_id != first.pk
            if moved or order.made_alone:
                order.batch, order.made_alone = first, False
                order.save(update_fields=["batch", "made_alone"])
        for one in rest:
            dissolve(actor=actor, batch=one, reason=_went_words(first))
        replan_batch(actor=actor, batch=first, reason=said[:200], or_wait=False)
        return first

    return in_transaction_with_retries(merge)


def _went_words(into: Batch) -> str:
    return f"made together in {into.reference}"


def _went_into(batch: Batch, into: Batch) -> bool:
    last = batch.events.order_by("-pk").first()
    return batch.state == states.CANCELLED and last is not None and last.note == _went_words(into)


def _named(orders: Iterable[Order]) -> str:
    return ", ".join(order.reference for order in orders)
