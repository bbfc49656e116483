"""A batch is given up, at the bench or on the ready shelf, and its orders are planned again."""

from collections.abc import Sequence
from decimal import Decimal
from typing import Any

from inventory.models import Hold
from inventory.services import draw_holds, in_transaction_with_retries, leave_nothing, release_holds
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets, states
from requests_app.concealing import holds_unknown
from requests_app.models import Batch, Order
from requests_app.selectors import active_holds, bench_steps, prepared_holds, readings_of
from requests_app.services.finishing import drawn_amounts, strike_from_key
from requests_app.services.moves import move
from requests_app.services.orders import replan_order
from requests_app.services.reserving import end_for
from requests_app.services.telling import tell_waits


def stop_batch(*, actor: User, batch: Batch, reason: str) -> Batch:
    """Give up a batch that is being made or stands ready, and plan its orders again at once.

    What the recorded steps took is drawn, since it is gone from its bottles; the rest is free again. A
    finished solution stays on the shelf for whoever disposes of it. Stopping twice is the same as once.

    Raises:
        InvalidInput: field ``reason``, when nothing says why.
        Conflict: somebody else has the batch, and the actor is no manager.
        NotInThisState: it isn't claimed, being made or ready.
    """
    policy.require(actor, "work_batch")
    why = reason.strip()
    if not why:
        raise InvalidInput({"reason": "Say why it is given up, for whoever ordered it."})
    orders: list[Order] = []

    def stop() -> Batch:
        orders.clear()
        locked = Batch.objects.select_for_update().get(pk=batch.pk)
        if locked.state == states.CANCELLED:
            return locked
        if (locked.state, "stop") not in states.BATCH_NEXT:
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}” and can't be stopped."
            )
        at_bench = locked.state != states.READY
        if at_bench and locked.claimed_by_id != actor.pk and actor.role != policy.MANAGER:
            raise Conflict(f"{locked.claimed_by} has {locked.reference}. Ask them to stop it.")
        mine = locked.orders.select_for_update().filter(state__in=states.OPEN_ORDER_STATES).order_by("pk")
        orders.extend(mine)
        said = f"{locked.reference} was given up: {why}"
        send_back(actor=actor, batch=locked, orders=orders, event="stop", reason=said)
        for order in orders:
            tell_waits(actor=actor, batch=locked, order=order)
        # What somebody typed of an unknown may say how much it was; the ledger is read by all.
        because = "stopped" if holds_unknown(locked) else f"stopped: {why}"
        if at_bench:
            held = active_holds(locked)
            draw_holds(
                actor=actor,
                amounts=_gone(locked, held),
                reason=f"{locked.reference} {because}"[:300],
                idempotency_key=f"stop-{locked.pk}",
            )
            leave_nothing(
                actor=actor,
                lots=[hold.lot_id for hold in held],
                reason=f"{locked.reference} is given up; the bottle is empty.",
                idempotency_key=f"stop-{locked.pk}-empty",
            )
        else:
            release_holds(actor=actor, holds=prepared_holds(locked), reason=because[:300])
        end_for(actor=actor, batch=locked)
        return locked

    stopped = in_transaction_with_retries(stop)
    plan_again(actor=actor, orders=orders, reason=f"{stopped.reference} was stopped")
    return stopped


def send_back(*, actor: User, batch: Batch, orders: Sequence[Order], event: str, reason: str) -> None:
    """Take locked orders out of their locked batch, to wait with ``reason``; the batch ends.

    Args:
        event: ``wait`` for a batch in the queue, ``stop`` for one that is begun.
    """
    waits: list[dict[str, Any]] = [{"text": reason, "alternatives": []}]
    for order in orders:
        order.batch = None
        order.waiting_for = waits
        move(actor=actor, row=order, event=event, note=reason)
    strike_from_key(orders)
    move(actor=actor, row=batch, event="cancel" if event == "wait" else event, note=reason)


def plan_again(*, actor: User, orders: Sequence[Order], reason: str) -> None:
    """Plan waiting orders on today's shelf, each in a transaction of its own.

    Planning takes locks on other bottles than the change before it, so it comes after that one's commit.
    Should it not come to that, the orders wait in plain sight and are planned again by hand.
    """
    for order in orders:
        why = order.waiting_for
        try:
            planned = replan_order(actor=actor, order=order, reason=reason)
        except (Conflict, NotInThisState):
            # Somebody planned or cancelled it at this very moment, which is as good.
            continue
        if planned.state == states.WAITING:
            _keep_saying(planned, why)


def _keep_saying(order: Order, why: list[dict[str, Any]]) -> None:
    """What an order lacks now is no reason to forget what became of its first bottle."""

    def add() -> None:
        locked = Order.objects.select_for_update().get(pk=order.pk)
        # Somebody may have planned or cancelled it since; then what they found counts.
        if locked.state == states.WAITING and locked.waiting_for == order.waiting_for:
            locked.waiting_for = [*why, *locked.waiting_for]
            locked.save(update_fields=["waiting_for"])

    in_transaction_with_retries(add)


def _gone(batch: Batch, holds: list[Hold]) -> dict[int, int]:
    """Base units that the recorded steps took, by hold."""
    sheet = sheets.current_sheet(batch)
    steps = bench_steps(sheet, batch.step_records.all())
    begun = {
        int(one.step["lot"]["id"])
        for one in steps
        if one.is_done and one.step.get("lot") and Decimal(str(one.step.get("quantity", {}).get("value", 0)))
    }
    used = drawn_amounts(sheet.plan, readings_of(steps), holds)
    return {hold.pk: used[hold.pk] if hold.lot_id in begun else 0 for hold in holds}
