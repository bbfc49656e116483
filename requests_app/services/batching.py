"""Orders become batches: planned together, held and booked, planned again for who is left.

Everything here runs in the caller's transaction. The caller has locked the batch, if there is one, and the
orders it names; what is locked here comes after those: further orders of the batch, lots, apparatus.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db import transaction

from inventory.models import Hold
from inventory.services import AlreadyBooked, hold_stock, release_holds
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, NotInThisState, OutOfStock
from requests_app import sheets, states
from requests_app.bench_time import GivenBack, plan_in_time
from requests_app.concealing import note_for, owner_of, purpose_of, title_of
from requests_app.drafts import Wanted, draft_of, wanted_together
from requests_app.models import Batch, BatchHold, Order, Sheet
from requests_app.selectors import active_bookings, active_holds
from requests_app.services.approving import ask_where_needed
from requests_app.services.moves import give_reference, move, note_event, unborn_reference
from requests_app.services.reserving import book_for, release_for
from requests_app.services.telling import tell_queued, tell_waits

Reasons = list[dict[str, Any]]

# Somebody held that bottle or booked that flask between the plan and the hold.
LOST: Final = (OutOfStock, NotInThisState, AlreadyBooked)
NOTHING_BACK: Final = GivenBack()
_ROOM_LENGTH: Final = 40
SEVERAL_ROOMS: Final = "several rooms"


@dataclass(frozen=True, slots=True)
class Planned:
    """A plan that can be made, with the question it answers."""

    request: Mapping[str, Any]
    plan: sheets.Plan


class CannotBeMade(Exception):
    """The orders can't be made now; ``reasons`` is what a waiting order keeps."""

    def __init__(self, reasons: Reasons) -> None:
        super().__init__()
        self.reasons = reasons


def wanted_of(orders: Iterable[Order]) -> Wanted:
    """What one batch for these orders is asked for."""
    return wanted_together([draft_of(order) for order in orders])


def open_orders(batch: Batch) -> list[Order]:
    """The orders a batch is made for, locked, in key order."""
    open_ones = batch.orders.select_for_update().filter(state__in=states.OPEN_ORDER_STATES)
    return list(open_ones.order_by("pk"))


# --- a new batch ------------------------------------------------------------------------------
def make_batch(*, actor: User, orders: Sequence[Order], reason: str, or_wait: bool = True) -> Batch | None:
    """Make one batch for locked orders that wait and have none: planned, held, booked and queued.

    Those that a manager has to approve are set aside first, and the batch is made for the rest.

    Returns:
        The batch; None when they can't be made now and go on waiting, with the reasons, or wait for
        approval.

    Raises:
        Conflict: a bottle or flask was lost between plan and hold, and ``or_wait`` is false.
    """
    try:
        planned = plan_orders(orders)
        aside = ask_where_needed(actor=actor, orders=orders, plan=planned.plan)
        if aside:
            orders = [order for order in orders if order not in aside]
            return make_batch(actor=actor, orders=orders, reason=reason, or_wait=or_wait) if orders else None
        with transaction.atomic():
            batch = found_batch(actor=actor, orders=orders, planned=planned)
    except LOST as lost:
        _go_on_waiting(actor, orders, _lost(lost, or_wait))
        return None
    except CannotBeMade as short:
        _go_on_waiting(actor, orders, short.reasons)
        return None
    for order in orders:
        tell_queued(actor=actor, batch=batch, order=order)
        order.waiting_for = []
        move(actor=actor, row=order, event="queue", note=reason)
    return batch


def plan_orders(orders: Iterable[Order], given_back: GivenBack = NOTHING_BACK) -> Planned:
    """Plan orders together on today's shelf.

    Raises:
        CannotBeMade: with the reasons.
    """
    try:
        request, plan = plan_in_time(wanted_of(orders), given_back)
    except RequestRefused as refused:
        raise CannotBeMade(
            [{"text": error.text, "alternatives": []} for error in refused.errors]
        ) from refused
    if not plan["feasible"]:
        raise CannotBeMade(sheets.waiting_reasons(plan))
    return Planned(request, plan)


def found_batch(*, actor: User, orders: Sequence[Order], planned: Planned) -> Batch:
    """A new batch with its first sheet, its stock held and its apparatus booked. The orders' states stay.

    Raises:
        OutOfStock, NotInThisState, AlreadyBooked: somebody was faster.
    """
    batch = Batch(
        reference=unborn_reference(), title=title_of(orders, planned.plan), unknown_of=owner_of(orders)
    )
    describe(batch, orders)
    batch.save()
    give_reference(batch, "B")
    named = ", ".join(order.reference for order in orders)
    note_event(actor=actor, row=batch, event="submit", from_state="", note=f"for {named}")
    for order in orders:
        order.batch = batch
        order.save(update_fields=["batch"])
    sheet = sheets.freeze_sheet(actor=actor, batch=batch, request=planned.request, plan=planned.plan)
    _hold(actor=actor, batch=batch, sheet=sheet)
    return batch


# --- an old one -------------------------------------------------------------------------------
def replan_batch(
    *, actor: User, batch: Batch, reason: str, or_wait: bool = True, or_keep: bool = False
) -> Batch | None:
    """Plan a locked batch of the queue again, for the orders it has now: the next revision of its sheet.

    Its old holds and bookings count as free and go back with it. An order that would now take so much that
    a manager has to approve it leaves the batch first.

    Args:
        or_keep: keep the present sheet where a new plan can't be made; for a batch that lost an order, whose
            sheet makes no more than too much.

    Returns:
        The batch; None when it is dissolved, because nobody wants it any more or it can't be made now and
        its orders wait, with the reasons.

    Raises:
        Conflict: as :func:`make_batch`.
    """
    orders = open_orders(batch)
    if not orders:
        dissolve(actor=actor, batch=batch, reason=reason)
        return None
    held = active_holds(batch)
    try:
        planned = plan_orders(orders, _given_back(batch, held))
        if ask_where_needed(actor=actor, orders=orders, plan=planned.plan, held=held):
            return replan_batch(actor=actor, batch=batch, reason=reason, or_wait=or_wait, or_keep=True)
        with transaction.atomic():
            sheet = sheets.freeze_sheet(
                actor=actor, batch=batch, request=planned.request, plan=planned.plan, reason=reason[:200]
            )
            _hold(actor=actor, batch=batch, sheet=sheet, instead_of=held)
    except LOST as lost:
        return _let_wait(actor, batch, orders, _lost(lost, or_wait), or_keep)
    except CannotBeMade as short:
        return _let_wait(actor, batch, orders, short.reasons, or_keep)
    batch.title = title_of(orders, planned.plan)
    batch.version += 1
    describe(batch, orders)
    batch.save(update_fields=["title", "version", "due_at", "room"])
    note_event(actor=actor, row=batch, event="plan", note=f"revision {sheet.revision}: {reason}")
    for order in orders:
        order.waiting_for = []
        order.save(update_fields=["waiting_for"])
        note_event(actor=actor, row=order, event="plan", note=reason)
    return batch


def take_out(*, actor: User, order: Order, batch: Batch, reason: str) -> None:
    """Let a locked order leave its locked batch of the queue, to wait; the batch is planned for the rest."""
    order.batch = None
    order.waiting_for = [{"text": reason, "alternatives": []}]
    move(actor=actor, row=order, event="wait", note=reason)
    replan_batch(actor=actor, batch=batch, reason=f"{order.reference} was taken out", or_keep=True)


def dissolve(*, actor: User, batch: Batch, reason: str) -> None:
    """End a locked batch of the queue and free all that was promised to it."""
    move(actor=actor, row=batch, event="cancel", note=reason)
    release_holds(actor=actor, holds=active_holds(batch), reason=reason[:300])
    release_for(actor=actor, batches=[batch], reason=reason[:300])


# --- inside -----------------------------------------------------------------------------------
def describe(batch: Batch, orders: Iterable[Order]) -> None:
    """When the first of the orders is due, and where they go."""
    listed = list(orders)
    rooms = ", ".join(sorted({order.room for order in listed}))
    batch.due_at = min(order.due_at for order in listed)
    batch.room = rooms if len(rooms) <= _ROOM_LENGTH else SEVERAL_ROOMS


def _hold(*, actor: User, batch: Batch, sheet: Sheet, instead_of: Iterable[Hold] = ()) -> None:
    draws = sheets.draws_of(sheet.plan)
    holds = hold_stock(
        actor=actor,
        draws={draw.lot_id: draw.amount for draw in draws},
        purpose=purpose_of(batch)[:120],
        idempotency_key=f"sheet-{sheet.pk}",
        instead_of=instead_of,
    )
    BatchHold.objects.bulk_create(
        BatchHold(batch=batch, sheet=sheet, hold=holds[draw.lot_id], component=draw.component)
        for draw in draws
    )
    # After the lots, always: so no two can wait for each other's locks.
    book_for(actor=actor, batch=batch, sheet=sheet, instead_of=active_bookings(batch))


def _given_back(batch: Batch, held: Iterable[Hold]) -> GivenBack:
    return GivenBack(tuple(hold.pk for hold in held), tuple(booking.pk for booking in active_bookings(batch)))


def _go_on_waiting(actor: User, orders: Sequence[Order], reasons: Reasons) -> None:
    note = note_for(orders, _said(reasons))
    for order in orders:
        # A batch that came to nothing is gone with its savepoint.
        order.batch = None
        order.waiting_for = reasons
        order.save(update_fields=["waiting_for"])
        note_event(actor=actor, row=order, event="plan", note=note)


def _let_wait(
    actor: User, batch: Batch, orders: Sequence[Order], reasons: Reasons, or_keep: bool
) -> Batch | None:
    note = note_for(orders, _said(reasons))
    if or_keep:
        note_event(actor=actor, row=batch, event="plan", note=f"sheet kept: {note}")
        return batch
    for order in orders:
        order.waiting_for = reasons
        order.batch = None
        move(actor=actor, row=order, event="wait", note=note)
        tell_waits(actor=actor, batch=batch, order=order)
    named = ", ".join(order.reference for order in orders)
    dissolve(actor=actor, batch=batch, reason=f"{named} has to wait")
    return None


def _lost(lost: OutOfStock | NotInThisState | AlreadyBooked, or_wait: bool) -> Reasons:
    if not or_wait:
        raise Conflict(f"{lost.text} Nothing was changed; look again at what would serve.") from lost
    return [{"text": lost.text, "alternatives": []}]


def _said(reasons: Reasons) -> str:
    return " ".join(reason["text"] for reason in reasons)
