"""A solution made for several orders, divided: each order's share is held, and handed over by itself.

What is made beyond the shares stays on the shelf as a leftover, free for whoever can use it. A solution
made for one order alone is that order's to the last drop.
"""

from collections.abc import Sequence

from inventory.amounts import to_base_upwards
from inventory.models import Hold
from inventory.services import draw_holds, hold_stock, in_transaction_with_retries, release_holds
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState
from requests_app import states
from requests_app.drafts import draft_of, volume_of
from requests_app.models import Batch, Order, OrderHold
from requests_app.selectors import prepared_holds
from requests_app.selectors.changes import unseen_changes
from requests_app.selectors.recalls import stopped_lots
from requests_app.services.moves import move, note_event
from requests_app.services.orders import lock_order
from requests_app.services.portion_moves import deliver_rest, pour_rest_back
from requests_app.services.telling import tell_handed_over


class ChangeUnseen(NotInThisState):
    """An order of the batch was changed, and nobody at the bench has said that they saw it."""

    title = "Look at the change first"


def hold_shares(*, actor: User, batch: Batch, orders: Sequence[Order]) -> None:
    """Hold the finished solution for the locked orders it was made for, each its volume.

    Where less was made than they add up to, the last due get less.
    """
    lot = batch.prepared_lot
    if lot is None:
        return
    left = lot.on_hand
    for order in sorted(orders, key=lambda one: (one.due_at, one.pk)):
        volume = volume_of(draft_of(order))
        share = left if len(orders) == 1 else min(left, to_base_upwards(volume.millilitres, "mL"))
        if share <= 0:
            continue
        left -= share
        holds = hold_stock(
            actor=actor,
            draws={lot.pk: share},
            purpose=f"{batch.reference}, ready for {order.reference} in {order.room}"[:120],
            idempotency_key=f"ready-{batch.pk}-order-{order.pk}",
        )
        OrderHold.objects.create(order=order, batch=batch, hold=holds[lot.pk])


def hand_over_batch(*, actor: User, batch: Batch, note: str = "") -> Batch:
    """Hand the solution to all its sections that have not got theirs: it leaves the shelf.

    Doing it twice is the same as once.

    Raises:
        NotInThisState: it isn't ready, or the solution is quarantined or recalled.
    """
    policy.require(actor, "hand_over_batch")

    def hand_over() -> Batch:
        locked = Batch.objects.select_for_update().get(pk=batch.pk)
        if locked.state == states.HANDED_OVER:
            return locked
        require_changes_seen(locked)
        require_nothing_stopped(locked)
        move(actor=actor, row=locked, event="hand_over", note=note)
        open_ones = locked.orders.select_for_update().filter(state__in=states.OPEN_ORDER_STATES)
        orders = list(open_ones.order_by("pk"))
        for order in orders:
            move(actor=actor, row=order, event="hand_over", note=note)
        draw_holds(
            actor=actor,
            amounts={hold.pk: hold.amount for hold in prepared_holds(locked)},
            reason=f"{locked.reference} handed over",
            idempotency_key=f"hand-over-{locked.pk}",
        )
        deliver_rest(actor=actor, batch=locked, orders=orders, note=note or "handed over with its batch")
        for order in orders:
            tell_handed_over(actor=actor, order=order)
        return locked

    return in_transaction_with_retries(hand_over)


def hand_over_order(*, actor: User, order: Order, note: str = "") -> Order:
    """Hand one order its share; with the last open one the batch is handed over. Twice is the same as once.

    Raises:
        NotInThisState: it isn't ready, or the solution is quarantined or recalled.
    """
    policy.require(actor, "hand_over_batch")

    def hand_over() -> Order:
        batch, locked = lock_order(order)
        if locked.state == states.HANDED_OVER:
            return locked
        if batch is None or locked.state != states.READY:
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}”; only what stands ready is handed"
                " over."
            )
        require_changes_seen(batch)
        require_nothing_stopped(batch)
        draw_holds(
            actor=actor,
            amounts={hold.pk: hold.amount for hold in share_of(batch, locked)},
            reason=f"{batch.reference} handed over for {locked.reference}",
            idempotency_key=f"hand-over-{batch.pk}-order-{locked.pk}",
        )
        deliver_rest(actor=actor, batch=batch, orders=[locked], note=note or "handed over with its order")
        close_order(actor=actor, batch=batch, order=locked, note=note)
        return locked

    return in_transaction_with_retries(hand_over)


def close_order(*, actor: User, batch: Batch, order: Order, note: str = "") -> None:
    """A locked order has all of its share; with the last open one its locked batch is handed over."""
    move(actor=actor, row=order, event="hand_over", note=note)
    said = f"{order.reference} for {order.room}" + (f": {note}" if note else "")
    if batch.orders.filter(state__in=states.OPEN_ORDER_STATES).exists():
        batch.version += 1
        batch.save(update_fields=["version"])
        note_event(actor=actor, row=batch, event="hand_out", note=said)
    else:
        move(actor=actor, row=batch, event="hand_over", note=f"the last of it, {said}")
    tell_handed_over(actor=actor, order=order)


def free_shares(*, actor: User, batch: Batch, reason: str) -> None:
    """Free what of a locked batch's solution is held for orders that don't want it any more.

    Bottles poured for them are poured back.
    """
    gone = OrderHold.objects.filter(batch=batch).exclude(order__state__in=states.OPEN_ORDER_STATES)
    release_holds(actor=actor, holds=list(gone.values_list("hold_id", flat=True)), reason=reason[:300])
    waiting = batch.portions.select_for_update(of=("self",)).filter(state__in=states.WAITING_PORTIONS)
    unwanted = waiting.exclude(order__state__in=states.OPEN_ORDER_STATES, order__batch=batch)
    pour_rest_back(actor=actor, portions=unwanted.order_by("pk"), reason=reason)


def share_of(batch: Batch, order: Order) -> list[Hold]:
    """What is held of a batch's solution for one of its orders, and has not left."""
    held = {hold.pk: hold for hold in prepared_holds(batch)}
    links = OrderHold.objects.filter(batch=batch, order=order, hold__in=held)
    return [held[pk] for pk in links.order_by("hold_id").values_list("hold_id", flat=True)]


def require_nothing_stopped(batch: Batch) -> None:
    """Refuse to go on with a locked batch while a bottle it holds, or what it made, is stopped.

    Raises:
        NotInThisState: naming the bottle.
    """
    # A recall locks the batch before it marks the bottles, so under that lock their state can be read.
    stopped = stopped_lots([batch.pk]).get(batch.pk)
    if stopped:
        said = ". ".join(one.words.rstrip(".") for one in stopped)
        raise NotInThisState(
            f"{batch.reference} stands still. {said}. Give it up and have it planned again, or have the "
            "bottle released."
        )


def require_changes_seen(batch: Batch) -> None:
    """Refuse to go on with a locked batch that is wanted otherwise since somebody looked.

    Raises:
        ChangeUnseen: what was changed.
    """
    # A change locks the batch before it is written down, so under that lock all of them are there.
    unseen = list(unseen_changes(batch).select_related("order"))
    if unseen:
        said = " ".join(f"{change.order.reference}: {' '.join(change.words)}" for change in unseen)
        raise ChangeUnseen(f"{batch.reference} is wanted otherwise since you looked. {said}")
