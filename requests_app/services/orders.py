"""Orders: sent, cancelled, planned again. How they become batches is :mod:`requests_app.services.batching`.

Locks are always taken in the same order, batch, then order, then lots, then apparatus, so that no two of
these can wait for each other.
"""

from collections.abc import Collection
from dataclasses import replace
from typing import Any

from django.db import IntegrityError, transaction

from inventory.models import Substance
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.bench_time import plan_in_time
from requests_app.drafts import OrderDraft, draft_of, solution_of
from requests_app.models import Batch, Order, OrderComponent
from requests_app.selectors import choice_words
from requests_app.selectors.lateness import Lateness, lateness_of
from requests_app.services.approving import (
    Look,
    Point,
    ask_new,
    is_approved_by_sending,
    keep_taken,
    look_at,
)
from requests_app.services.batching import (
    LOST,
    Planned,
    found_batch,
    make_batch,
    open_orders,
    replan_batch,
    take_out,
)
from requests_app.services.checks import check_draft, refusal_of, refused_request
from requests_app.services.joining import join_queued, wait_at_the_gate
from requests_app.services.moves import give_reference, move, note_event
from requests_app.services.new_orders import NewOrder, component_rows, order_row
from requests_app.services.telling import tell_cancelled

_PLANNING_TRIES = 5


def submit_order(*, actor: User, draft: OrderDraft, idempotency_key: str, made_alone: bool = False) -> Order:
    """Take an order: queued with its sheet and its stock held, or waiting when the shelf is short.

    What a manager has to approve waits for that first, with nothing held.
    Where a batch of the same solution stands in the queue and takes it, it is made together with that.
    Sending the same draft again under the same key gives the first order back.

    Args:
        made_alone: keep it out of batches with other orders.

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
        look = look_at(draft, plan)
        late = lateness_of(draft.due_at, plan)
        if look.points and not is_approved_by_sending(actor):
            return _ask_new(
                actor=actor,
                draft=draft,
                idempotency_key=idempotency_key,
                title=plan["title"],
                made_alone=made_alone,
                points=look.points,
                late=late,
            )
        if not plan["feasible"]:
            break
        try:
            return _queue_new(
                actor=actor,
                draft=draft,
                idempotency_key=idempotency_key,
                made_alone=made_alone,
                planned=Planned(request, plan),
                look=look,
                late=late,
            )
        except LOST as lost:
            # Somebody held that bottle or booked that flask after the plan; look at the shelf again.
            reasons = [{"text": lost.text, "alternatives": []}]
    return _wait_new(
        actor=actor,
        draft=draft,
        idempotency_key=idempotency_key,
        made_alone=made_alone,
        title=plan["title"],
        reasons=reasons,
        late=late,
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
        if batch is not None:
            replan_batch(actor=actor, batch=batch, reason=f"{locked.reference} was cancelled", or_keep=True)
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
    *,
    actor: User,
    draft: OrderDraft,
    idempotency_key: str,
    made_alone: bool,
    planned: Planned,
    look: Look,
    late: Lateness,
) -> Order:
    def place() -> Order:
        wait_at_the_gate(draft.components[0].substance_key)
        order, is_new = create_order(
            actor=actor,
            draft=draft,
            idempotency_key=idempotency_key,
            made_alone=made_alone,
            title=planned.plan["title"],
            state=states.QUEUED,
            late=late,
        )
        if is_new:
            keep_taken(actor=actor, order=order, look=look)
        if is_new and not join_queued(actor=actor, order=order, alone_minutes=planned.plan["minutes"]):
            found_batch(actor=actor, orders=[order], planned=planned)
        return order

    return in_transaction_with_retries(place)


def _ask_new(
    *,
    actor: User,
    draft: OrderDraft,
    idempotency_key: str,
    made_alone: bool,
    title: str,
    points: Collection[Point],
    late: Lateness,
) -> Order:
    def place() -> Order:
        order, is_new = create_order(
            actor=actor,
            draft=draft,
            idempotency_key=idempotency_key,
            made_alone=made_alone,
            title=title,
            state=states.APPROVAL,
            late=late,
        )
        if is_new:
            ask_new(actor=actor, order=order, points=points)
        return order

    return in_transaction_with_retries(place)


def _wait_new(
    *,
    actor: User,
    draft: OrderDraft,
    idempotency_key: str,
    made_alone: bool,
    title: str,
    reasons: list[dict[str, Any]],
    late: Lateness,
) -> Order:
    def place() -> Order:
        wait_at_the_gate(draft.components[0].substance_key)
        order, is_new = create_order(
            actor=actor,
            draft=draft,
            idempotency_key=idempotency_key,
            made_alone=made_alone,
            title=title,
            state=states.WAITING,
            waiting_for=reasons,
            late=late,
        )
        if is_new:
            # Together with others it may do with the apparatus that those have booked.
            join_queued(actor=actor, order=order)
        return order

    return in_transaction_with_retries(place)


def create_order(
    *,
    actor: User,
    draft: OrderDraft,
    idempotency_key: str,
    title: str,
    state: str,
    made_alone: bool = False,
    late: Lateness | None = None,
    waiting_for: list[dict[str, Any]] | None = None,
) -> tuple[Order, bool]:
    new = NewOrder(actor, draft, title, idempotency_key, made_alone=made_alone)
    order = order_row(
        new, state=state, waiting_for=waiting_for, lateness=late or lateness_of(draft.due_at, None)
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
    OrderComponent.objects.bulk_create(component_rows(actor, order, draft, keys))
    note_event(actor=actor, row=order, event="submit", from_state="")
    for component in order.components.exclude(from_lot=None).select_related(
        "substance", "from_lot__substance"
    ):
        note_event(actor=actor, row=order, event="choose", note=choice_words(component))
    return order, True


# --- planning again -----------------------------------------------------------------------------
def apply_plan(*, actor: User, order: Order, batch: Batch | None, reason: str, or_wait: bool = True) -> None:
    """Plan a locked order on today's shelf, where what its own batch holds counts as free.

    One that waits for approval is looked at again: where nobody need be asked any more, it is planned.
    Where it shares a batch with orders that it is no longer the same solution as, it gets one of its own.

    Raises:
        Conflict: a bottle was lost between plan and hold, and ``or_wait`` is false.
    """
    if order.state == states.APPROVAL:
        order.approval_reasons = []
        move(actor=actor, row=order, event="wait", note=reason)
    if batch is not None and _is_another(order, batch):
        take_out(actor=actor, order=order, batch=batch, reason=reason)
        batch = None
    if batch is not None:
        replan_batch(actor=actor, batch=batch, reason=reason, or_wait=or_wait)
        order.refresh_from_db()
    else:
        make_batch(actor=actor, orders=[order], reason=reason, or_wait=or_wait)


def _is_another(order: Order, batch: Batch) -> bool:
    others = (one for one in open_orders(batch) if one.pk != order.pk)
    solution = solution_of(draft_of(order))
    return any(solution_of(draft_of(other)) != solution for other in others)


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
