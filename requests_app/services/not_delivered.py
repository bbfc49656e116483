"""A delivery noted by mistake is taken back: the bottle never left, and is delivered when it does.

Nothing is erased. The draw is reversed by a movement of its own, the bottle is held for its order again, and
the histories of bottle, order and batch keep both lines.
"""

from typing import Final

from inventory import states as stock
from inventory.models import Lot, Movement
from inventory.services import in_transaction_with_retries, lock_lots, reverse_movement
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState
from requests_app import states
from requests_app.models import Batch, Order, OrderHold, Portion
from requests_app.services.moves import move, note_event
from requests_app.services.portion_moves import locked_portions, move_portion, wanted_where
from requests_app.services.portions import hold_each
from requests_app.services.returning import reopened_as_it_was
from requests_app.services.telling import tell_not_delivered

_STILL_THEIRS: Final = (states.READY, states.HANDED_OVER)


def undo_delivery(*, actor: User, portion: Portion) -> Portion:
    """Say that a bottle never left: it stands on the cart again and is held for its order.

    An order or a batch that was handed over with it is ready again. Twice is the same as once.

    Raises:
        NotInThisState: it came back or was used up, its solution is quarantined or recalled, its batch was
            given up, or its movement was reversed by hand.
    """
    policy.require(actor, "deliver_portion")

    def undo() -> Portion:
        batches, (locked,) = locked_portions([portion])
        if locked.state in states.WAITING_PORTIONS:
            return locked
        batch = batches[locked.batch_id]
        order = Order.objects.select_for_update().get(pk=locked.order_id)
        lot = lock_lots([locked.lot_id])[locked.lot_id]
        locked.batch, locked.order, locked.lot = batch, order, lot
        if locked.state == states.DELIVERED:
            _require_still_wanted(locked)
            _require_good(locked)
        locked.received_by, locked.received_name, locked.delivered_at = None, "", None
        locked.room, locked.due_at = wanted_where(order, locked.section_id)
        move_portion(actor=actor, portion=locked, event="undo_delivery")
        _back_into_the_books(actor, locked)
        said = f"{locked.code} was noted as delivered by mistake"
        _ready_again(actor, order, said)
        _ready_again(actor, batch, said)
        tell_not_delivered(actor=actor, order=order)
        return locked

    return in_transaction_with_retries(undo)


def _require_still_wanted(portion: Portion) -> None:
    order, batch = portion.order, portion.batch
    if order.batch_id == batch.pk and order.state in _STILL_THEIRS and batch.state in _STILL_THEIRS:
        return
    raise NotInThisState(
        f"{order.reference} is “{order.get_state_display()}” and {batch.reference} is "
        f"“{batch.get_state_display()}”, so {portion.code} is not delivered again. Take it back instead."
    )


def _require_good(portion: Portion) -> None:
    lot = portion.lot
    if lot.state in stock.STOPPED or _was_stopped_when_emptied(lot):
        raise NotInThisState(
            f"{lot.code} is quarantined or recalled, so {portion.code} may not go out again. Take it back "
            "instead; the page says where it may go."
        )


def _was_stopped_when_emptied(lot: Lot) -> bool:
    if lot.state != stock.EMPTY:
        return False
    emptied = lot.events.filter(event="mark_empty").last()
    return emptied is None or emptied.from_state != stock.AVAILABLE


def _back_into_the_books(actor: User, portion: Portion) -> None:
    reason = f"{portion.code} was noted as delivered by mistake"
    before = Lot.objects.get(pk=portion.lot_id)
    drawn = Movement.objects.get(hold=portion.hold_id, kind=Movement.Kind.DRAWN)
    turn = portion.events.count()
    reverse_movement(
        actor=actor,
        movement=drawn,
        reason=reason,
        idempotency_key=f"not-delivered-{portion.pk}-{turn}",
    )
    reopened_as_it_was(actor=actor, before=before, reason=reason)
    gone = portion.hold_id
    hold_each(actor=actor, portions=[portion], instead_of=[], key=f"again-{turn}")
    # The link says what is held for an order now, as where bottles take the place of a share.
    OrderHold.objects.filter(hold=gone).delete()


def _ready_again(actor: User, row: Order | Batch, note: str) -> None:
    if row.state == states.HANDED_OVER:
        move(actor=actor, row=row, event="undo_delivery", note=note)
        return
    if isinstance(row, Batch):
        row.version += 1
        row.save(update_fields=["version"])
    note_event(actor=actor, row=row, event="undo_delivery", note=note)
