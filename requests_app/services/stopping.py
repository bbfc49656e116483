"""A batch is given up, at the bench or on the ready shelf, and its orders are planned again, together."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django.db.models import Sum

from inventory.models import Hold, Lot, Movement
from inventory.services import (
    change_lot_state,
    draw_holds,
    in_transaction_with_retries,
    leave_nothing,
    release_holds,
)
from inventory.states import AVAILABLE
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets, states
from requests_app.concealing import holds_unknown
from requests_app.models import Batch, Mishap, Order, Sheet
from requests_app.selectors import active_holds, bench_steps, prepared_holds, readings_of
from requests_app.services.finishing import drawn_amounts, strike_from_key
from requests_app.services.mishaps import Sending, lost_rows, write_mishap
from requests_app.services.moves import move, note_event
from requests_app.services.orders import replan_order
from requests_app.services.portion_moves import pour_rest_back
from requests_app.services.reserving import end_for
from requests_app.services.second_check import withdraw_check
from requests_app.services.telling import tell_waits
from requests_app.services.together import put_together


def stop_batch(*, actor: User, batch: Batch, reason: str) -> Batch:
    """Give up a batch that is being made or stands ready, and plan its orders again at once.

    What the recorded steps took is drawn, since it is gone from its bottles; the rest is free again. A
    finished solution stays on the shelf, quarantined, for whoever disposes of it. What it cost is kept with
    what went wrong. Orders that shared it are made together again where they can be; the history of the
    batch says as which. Stopping twice is the same as once.

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
        withdraw_check(actor=actor, batch=locked, why="given up")
        mine = locked.orders.select_for_update().filter(state__in=states.OPEN_ORDER_STATES).order_by("pk")
        orders.extend(mine)
        said = f"{locked.reference} was given up: {why}"
        sheet = sheets.current_sheet(locked)
        held = active_holds(locked) if at_bench else []
        gone = gone_by_hold(locked, sheet, held)
        write_mishap(
            Sending(actor, locked, None, Mishap.Kind.FAILED, f"stop-{locked.pk}"),
            sheet=sheet,
            text=why,
            rows=lost_rows(_by_lot(gone) if at_bench else _drawn_before(locked)),
        )
        locked.paused_at = None
        locked.pause_note = ""
        send_back(actor=actor, batch=locked, orders=orders, event="stop", reason=said)
        _say_who_has_theirs(actor, locked, orders)
        for order in orders:
            tell_waits(actor=actor, batch=locked, order=order)
        # What somebody typed of an unknown may say how much it was; the ledger is read by all.
        because = "stopped" if holds_unknown(locked) else f"stopped: {why}"
        if at_bench:
            draw_holds(
                actor=actor,
                amounts=gone,
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
            waiting = locked.portions.select_for_update().filter(state__in=states.WAITING_PORTIONS)
            pour_rest_back(actor=actor, portions=waiting.order_by("pk"), reason=because)
            _set_aside(actor, locked, because)
        end_for(actor=actor, batch=locked)
        return locked

    stopped = in_transaction_with_retries(stop)
    reason = f"{stopped.reference} was stopped"
    (plan_again if len(orders) == 1 else plan_again_together)(actor=actor, orders=orders, reason=reason)
    _say_as_which(actor, stopped, orders)
    return stopped


def _say_who_has_theirs(actor: User, batch: Batch, orders: Sequence[Order]) -> None:
    """An order is planned again for all its sections; whoever has a bottle already is named to its people."""
    for order in orders:
        gone = batch.portions.filter(order=order, state__in=states.LEFT_PORTIONS).order_by("pk")
        if not gone:
            continue
        named = ", ".join(f"{one.code} for {one.section or order.reference}" for one in gone)
        said = f"{named} left before that. It is planned again in full; change it if less is enough."
        order.waiting_for = [*order.waiting_for, {"text": said, "alternatives": []}]
        order.save(update_fields=["waiting_for"])
        note_event(actor=actor, row=order, event="hand_out", note=said)


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


def plan_again_together(*, actor: User, orders: Sequence[Order], reason: str) -> None:
    """Plan waiting orders that shared a batch as one batch again, as far as days and vessels allow."""
    why = {order.pk: order.waiting_for for order in orders}
    try:
        outcome = put_together(actor=actor, orders=orders, reason=reason)
    except (Conflict, NotInThisState):
        # As above: they wait in plain sight.
        return
    for order in outcome.waiting:
        _keep_saying(order, why[order.pk])


def _say_as_which(actor: User, stopped: Batch, orders: Sequence[Order]) -> None:
    """Let the history of a batch that was given up name the batch its orders are in now."""
    now = Order.objects.filter(pk__in=[order.pk for order in orders]).select_related("batch").order_by("pk")
    batches = sorted({order.batch.reference for order in now if order.batch is not None})
    waiting = [order.reference for order in now if order.batch is None]
    parts = [f"made again as {', '.join(batches)}"] if batches else []
    parts += [f"{', '.join(waiting)} {'waits' if len(waiting) == 1 else 'wait'}"] if waiting else []
    if parts:
        note_event(actor=actor, row=stopped, event="plan", note="; ".join(parts))


def _keep_saying(order: Order, why: list[dict[str, Any]]) -> None:
    """What an order lacks now is no reason to forget what became of its first bottle."""

    def add() -> None:
        locked = Order.objects.select_for_update().get(pk=order.pk)
        # Somebody may have planned or cancelled it since; then what they found counts.
        if locked.state == states.WAITING and locked.waiting_for == order.waiting_for:
            locked.waiting_for = [*why, *locked.waiting_for]
            locked.save(update_fields=["waiting_for"])

    in_transaction_with_retries(add)


def _set_aside(actor: User, batch: Batch, reason: str) -> None:
    """Quarantine a finished solution that was given up: left free, the very next plan would draw from it."""
    lot = batch.prepared_lot
    if lot is not None and Lot.objects.get(pk=lot.pk).state == AVAILABLE:
        said = f"{batch.reference} {reason}"[:300]
        change_lot_state(actor=actor, lot=lot, event="quarantine", reason=said)


def _by_lot(gone: Mapping[int, int]) -> dict[int, int]:
    """Base units by lot key, of what is gone by hold."""
    lots = dict(Hold.objects.filter(pk__in=gone).values_list("pk", "lot"))
    return {lots[pk]: amount for pk, amount in gone.items() if amount}


def _drawn_before(batch: Batch) -> dict[int, int]:
    """Base units by lot key, of what a finished batch was made of."""
    rows = Movement.objects.filter(kind=Movement.Kind.DRAWN, hold__in=batch.batch_holds.values("hold"))
    drawn = rows.order_by().values("lot").annotate(base=Sum("amount"))
    return {row["lot"]: -row["base"] for row in drawn}


def gone_by_hold(batch: Batch, sheet: Sheet, holds: list[Hold]) -> dict[int, int]:
    """Base units that the recorded steps took, by hold."""
    steps = bench_steps(sheet, batch.step_records.all())
    begun = {
        int(one.step["lot"]["id"])
        for one in steps
        if one.is_done and one.step.get("lot") and Decimal(str(one.step.get("quantity", {}).get("value", 0)))
    }
    used = drawn_amounts(sheet.plan, readings_of(steps), holds)
    return {hold.pk: used[hold.pk] if hold.lot_id in begun else 0 for hold in holds}
