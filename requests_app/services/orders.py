"""Orders: sent, cancelled, planned again. One order makes one batch.

Locks are always taken in the same order, batch, then order, then lots, then apparatus, so that no two of
these can wait for each other.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from django.db import IntegrityError, transaction

from inventory.models import Hold, Substance
from inventory.services import AlreadyBooked, hold_stock, in_transaction_with_retries, release_holds
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, NotAllowed, NotInThisState, OutOfStock
from requests_app import sheets, states
from requests_app.bench_time import GivenBack, plan_in_time
from requests_app.drafts import OrderDraft, draft_of
from requests_app.models import Batch, BatchHold, Order, OrderComponent, Sheet
from requests_app.selectors import active_bookings, active_holds, choice_words
from requests_app.services.checks import check_draft, refusal_of, refused_request
from requests_app.services.moves import give_reference, move, note_event, unborn_reference
from requests_app.services.reserving import book_for, release_for
from requests_app.services.telling import tell_cancelled, tell_queued, tell_waits

_PLANNING_TRIES = 5


def submit_order(*, actor: User, draft: OrderDraft, idempotency_key: str) -> Order:
    """Take an order: queued with its sheet and its stock held, or waiting when the shelf is short.

    Sending the same draft again under the same key gives the first order back.

    Raises:
        NotAllowed: the role may not order.
        InvalidInput: by field, for values that can't be, and for what chemistry or apparatus forbids.
        Conflict: the key was used for another draft.
    """
    policy.require(actor, "submit_order")
    first = _sent_before(actor, draft, idempotency_key)
    if first is not None:
        return first
    check_draft(actor, draft)
    reasons: list[dict[str, Any]] = []
    for _ in range(_PLANNING_TRIES):
        request, plan = _planned(draft)
        if not plan["feasible"]:
            if not sheets.only_the_shelf_is_short(plan):
                raise refusal_of(plan)
            reasons = sheets.waiting_reasons(plan)
            break
        try:
            return _queue_new(
                actor=actor, draft=draft, idempotency_key=idempotency_key, request=request, plan=plan
            )
        except (OutOfStock, NotInThisState, AlreadyBooked) as lost:
            # Somebody held that bottle or booked that flask after the plan; look at the shelf again.
            reasons = [{"text": lost.text, "alternatives": []}]
    return _wait_new(
        actor=actor, draft=draft, idempotency_key=idempotency_key, title=plan["title"], reasons=reasons
    )


def plan_order(*, actor: User, draft: OrderDraft) -> sheets.Plan:
    """The plan a draft would get now, with all that would refuse it; saves and holds nothing.

    Raises:
        NotAllowed, InvalidInput: as :func:`submit_order`.
    """
    policy.require(actor, "submit_order")
    check_draft(actor, draft)
    _, plan = _planned(draft)
    if not plan["feasible"] and not sheets.only_the_shelf_is_short(plan):
        raise refusal_of(plan)
    return plan


def order_sent_with(*, actor: User, draft: OrderDraft, idempotency_key: str) -> tuple[Order, bool] | None:
    """The order this form was sent as before, and whether with these very values; saves nothing.

    Raises:
        NotAllowed: the role may not order.
    """
    policy.require(actor, "submit_order")
    first = Order.objects.filter(ordered_by=actor, idempotency_key=idempotency_key).first()
    return None if first is None else (first, _as_sent(first, draft) == draft)


def cancel_order(*, actor: User, order: Order, reason: str = "") -> Order:
    """Cancel an order nobody has begun to make, and free what was held for it.

    Cancelling it twice is the same as once.

    Raises:
        NotAllowed: not the actor's order.
        NotInThisState: it is being made or made.
    """
    policy.require(actor, "cancel_order")

    def cancel() -> Order:
        batch, locked = lock_order(order)
        require_own(actor, locked)
        if locked.state == states.CANCELLED:
            return locked
        if (locked.state, "cancel") not in states.ORDER_NEXT:
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}” and can't be cancelled any more. "
                "Speak to the stockroom."
            )
        move(actor=actor, row=locked, event="cancel", note=reason)
        tell_cancelled(actor=actor, order=locked, reason=reason)
        if batch is not None and not batch.orders.exclude(state=states.CANCELLED).exists():
            _dissolve(actor=actor, batch=batch, reason=f"{locked.reference} was cancelled")
        return locked

    return in_transaction_with_retries(cancel)


def replan_order(*, actor: User, order: Order, reason: str = "") -> Order:
    """Plan an order again on today's shelf.

    A waiting order is queued when it can be made now; a queued one gets a new revision of its sheet,
    its old holds go back and the new ones are taken in the same transaction. An order that can't be
    made now waits, with the reasons.

    Raises:
        NotInThisState: it is being made, made or cancelled.
    """
    policy.require(actor, "replan_order")

    def replan() -> Order:
        batch, locked = lock_order(order)
        if locked.state not in (states.WAITING, states.QUEUED):
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}” and can't be planned again."
            )
        apply_plan(actor=actor, order=locked, batch=batch, reason=reason or "planned again")
        return locked

    return in_transaction_with_retries(replan)


# --- placing ----------------------------------------------------------------------------------
def _planned(draft: OrderDraft) -> tuple[dict[str, Any], sheets.Plan]:
    try:
        return plan_in_time(draft)
    except RequestRefused as refused:
        raise refused_request(refused) from refused


def _sent_before(actor: User, draft: OrderDraft, idempotency_key: str) -> Order | None:
    first = Order.objects.filter(ordered_by=actor, idempotency_key=idempotency_key).first()
    if first is not None and _as_sent(first, draft) != draft:
        raise Conflict(
            f"This form was already sent as {first.reference}, with other values. "
            f"Cancel {first.reference} if it is wrong, and begin a new form for another order."
        )
    return first


def _as_sent(first: Order, draft: OrderDraft) -> OrderDraft:
    """The first order as a draft; a bottle chosen after it was sent is no difference to the form."""
    sent = draft_of(first)
    if not first.components.exclude(choice_key="").exists():
        return sent
    chosen = {component.substance_key: component.from_lot for component in draft.components}
    return replace(
        sent,
        components=tuple(
            replace(component, from_lot=chosen.get(component.substance_key)) for component in sent.components
        ),
    )


def _queue_new(
    *, actor: User, draft: OrderDraft, idempotency_key: str, request: Mapping[str, Any], plan: sheets.Plan
) -> Order:
    def place() -> Order:
        order, is_new = _create_order(
            actor=actor,
            draft=draft,
            idempotency_key=idempotency_key,
            title=plan["title"],
            state=states.QUEUED,
        )
        if is_new:
            _make_batch(actor=actor, order=order, request=request, plan=plan)
        return order

    return in_transaction_with_retries(place)


def _wait_new(
    *, actor: User, draft: OrderDraft, idempotency_key: str, title: str, reasons: list[dict[str, Any]]
) -> Order:
    def place() -> Order:
        order, _ = _create_order(
            actor=actor,
            draft=draft,
            idempotency_key=idempotency_key,
            title=title,
            state=states.WAITING,
            waiting_for=reasons,
        )
        return order

    return in_transaction_with_retries(place)


def _create_order(
    *,
    actor: User,
    draft: OrderDraft,
    idempotency_key: str,
    title: str,
    state: str,
    waiting_for: list[dict[str, Any]] | None = None,
) -> tuple[Order, bool]:
    order = Order(
        reference=unborn_reference(),
        course_id=draft.course_id,
        ordered_by=actor,
        state=state,
        title=title[:200],
        groups_per_section=draft.groups_per_section,
        volume_per_group=draft.volume_per_group.text,
        volume_unit=draft.volume_unit,
        overage_percent=draft.overage_percent.text if draft.overage_percent else "",
        tolerance_percent=draft.tolerance_percent.text if draft.tolerance_percent else "",
        temperature_c=draft.temperature_c.text if draft.temperature_c else "",
        due_at=draft.due_at,
        room=draft.room,
        notes=draft.notes,
        waiting_for=waiting_for or [],
        idempotency_key=idempotency_key,
    )
    try:
        with transaction.atomic():
            order.save()
    except IntegrityError:
        # The same form was sent twice at the same moment, and the other one is in.
        first = _sent_before(actor, draft, idempotency_key)
        if first is None:
            raise
        return first, False
    give_reference(order, "R")
    order.sections.set(draft.section_ids)
    keys = Substance.objects.in_bulk([c.substance_key for c in draft.components], field_name="key")
    OrderComponent.objects.bulk_create(
        OrderComponent(
            order=order,
            position=position,
            substance=keys[component.substance_key],
            target_value=component.target.text,
            target_unit=component.unit,
            equivalents=component.equivalents,
            from_lot_id=component.from_lot,
            chosen_by=actor if component.from_lot else None,
        )
        for position, component in enumerate(draft.components)
    )
    note_event(actor=actor, row=order, event="submit", from_state="")
    for component in order.components.exclude(from_lot=None).select_related(
        "substance", "from_lot__substance"
    ):
        note_event(actor=actor, row=order, event="choose", note=choice_words(component))
    return order, True


# --- batches of orders ------------------------------------------------------------------------
def _make_batch(*, actor: User, order: Order, request: Mapping[str, Any], plan: sheets.Plan) -> Batch:
    batch = Batch.objects.create(
        reference=unborn_reference(), title=plan["title"][:200], due_at=order.due_at, room=order.room
    )
    give_reference(batch, "B")
    note_event(actor=actor, row=batch, event="submit", from_state="", note=f"for {order.reference}")
    order.batch = batch
    order.save(update_fields=["batch"])
    sheet = sheets.freeze_sheet(actor=actor, batch=batch, request=request, plan=plan)
    _hold(actor=actor, batch=batch, sheet=sheet)
    return batch


def _hold(*, actor: User, batch: Batch, sheet: Sheet, instead_of: Iterable[Hold] = ()) -> None:
    draws = sheets.draws_of(sheet.plan)
    holds = hold_stock(
        actor=actor,
        draws={draw.lot_id: draw.amount for draw in draws},
        purpose=f"{batch.reference} {batch.title}"[:120],
        idempotency_key=f"sheet-{sheet.pk}",
        instead_of=instead_of,
    )
    BatchHold.objects.bulk_create(
        BatchHold(batch=batch, sheet=sheet, hold=holds[draw.lot_id], component=draw.component)
        for draw in draws
    )
    # After the lots, always: so no two can wait for each other's locks.
    book_for(actor=actor, batch=batch, sheet=sheet, instead_of=active_bookings(batch))


def _dissolve(*, actor: User, batch: Batch, reason: str) -> None:
    move(actor=actor, row=batch, event="cancel", note=reason)
    release_holds(actor=actor, holds=active_holds(batch), reason=reason)
    release_for(actor=actor, batches=[batch], reason=reason)


def apply_plan(*, actor: User, order: Order, batch: Batch | None, reason: str, or_wait: bool = True) -> None:
    """Plan a locked order on today's shelf, where what it holds itself counts as free.

    Raises:
        Conflict: a bottle was lost between plan and hold, and ``or_wait`` is false.
    """
    held = active_holds(batch) if batch is not None else []
    try:
        request, plan = plan_in_time(draft_of(order), _given_back(batch, held))
    except RequestRefused as refused:
        reasons = [{"text": error.text, "alternatives": []} for error in refused.errors]
        return _let_wait(actor=actor, order=order, batch=batch, reasons=reasons)
    if not plan["feasible"]:
        return _let_wait(actor=actor, order=order, batch=batch, reasons=sheets.waiting_reasons(plan))
    try:
        # A savepoint: when the hold fails, neither sheet nor batch of this attempt stays.
        with transaction.atomic():
            if batch is None:
                _make_batch(actor=actor, order=order, request=request, plan=plan)
            else:
                sheet = sheets.freeze_sheet(
                    actor=actor, batch=batch, request=request, plan=plan, reason=reason
                )
                _hold(actor=actor, batch=batch, sheet=sheet, instead_of=held)
                batch.version += 1
                batch.save(update_fields=["version"])
                note_event(actor=actor, row=batch, event="plan", note=f"revision {sheet.revision}: {reason}")
    except (OutOfStock, NotInThisState, AlreadyBooked) as lost:
        if not or_wait:
            raise Conflict(f"{lost.text} Nothing was changed; look again at what would serve.") from lost
        order.batch = batch
        reasons = [{"text": lost.text, "alternatives": []}]
        return _let_wait(actor=actor, order=order, batch=batch, reasons=reasons)
    order.waiting_for = []
    if order.state == states.WAITING:
        move(actor=actor, row=order, event="queue", note=reason)
        if order.batch is not None:
            tell_queued(actor=actor, batch=order.batch, order=order)
    else:
        note_event(actor=actor, row=order, event="plan", note=reason)
    return None


def _given_back(batch: Batch | None, held: Iterable[Hold]) -> GivenBack:
    bookings = active_bookings(batch) if batch is not None else []
    return GivenBack(tuple(hold.pk for hold in held), tuple(booking.pk for booking in bookings))


def _let_wait(*, actor: User, order: Order, batch: Batch | None, reasons: list[dict[str, Any]]) -> None:
    order.waiting_for = reasons
    note = " ".join(reason["text"] for reason in reasons)
    if batch is not None:
        order.batch = None
        move(actor=actor, row=order, event="wait", note=note)
        tell_waits(actor=actor, batch=batch, order=order)
        _dissolve(actor=actor, batch=batch, reason=f"{order.reference} has to wait")
    else:
        order.save(update_fields=["waiting_for"])
        note_event(actor=actor, row=order, event="plan", note=note)


# --- locks ------------------------------------------------------------------------------------
def lock_order(order: Order) -> tuple[Batch | None, Order]:
    """Lock the order's batch, then the order."""
    batch_id = Order.objects.values_list("batch_id", flat=True).get(pk=order.pk)
    batch = Batch.objects.select_for_update().get(pk=batch_id) if batch_id is not None else None
    locked = Order.objects.select_for_update().get(pk=order.pk)
    if locked.batch_id != batch_id:
        raise Conflict(f"{locked.reference} was changed at the same moment. Look again and repeat.")
    return batch, locked


def require_own(actor: User, order: Order) -> None:
    """Refuse an instructor who did not order it.

    Raises:
        NotAllowed: it is another person's.
    """
    if actor.role == policy.INSTRUCTOR and order.ordered_by_id != actor.pk:
        raise NotAllowed("This order is another person's. Ask them, or a manager.")
