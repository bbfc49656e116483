"""What an order is made from, where somebody chooses: another form, another grade, a leftover.

Nothing of this happens by itself. A choice names its bottle, is planned again at once, and stands in the
order's history with what it took the place of.
"""

from inventory.models import Lot
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.concealing import may_read_order
from requests_app.drafts import draft_of
from requests_app.models import Batch, Order, OrderComponent
from requests_app.selectors import active_holds, choice_words, source_words
from requests_app.services.moves import note_event
from requests_app.services.orders import apply_plan, lock_order, require_own


def choose_source(
    *,
    actor: User,
    order: Order,
    component: int,
    lot: Lot | None,
    seen_event: int | None,
    idempotency_key: str,
) -> Order:
    """Let a component of a waiting or queued order be made from a bottle, and plan it again.

    The order is queued with the new plan and its stock held, or goes on waiting where another component
    is still short. Pressing twice chooses once.

    Args:
        component: its position in the order.
        lot: the bottle; None takes an earlier choice back.
        seen_event: key of the newest entry of the history that the page showed; an older one is told.
        idempotency_key: the same key chooses once.

    Raises:
        NotAllowed: neither the one who ordered it nor the stockroom; of an unknown, who may not read it.
        InvalidInput: the order has no such component, or there is no choice to take back.
        NotInThisState: it is being made, made or cancelled.
        Conflict: somebody changed the order meanwhile, or the bottle does not serve any more.
    """
    policy.require(actor, "choose_source")

    def choose() -> Order:
        batch, locked = lock_order(order)
        require_own(actor, locked)
        if not may_read_order(actor, locked):
            raise NotAllowed("An unknown is made from what whoever ordered it chooses. Ask them.")
        chosen = _component(locked, component)
        if idempotency_key and chosen.choice_key == idempotency_key:
            return locked
        if locked.state not in (states.WAITING, states.QUEUED):
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}”; what it is made from is settled."
            )
        _require_fresh(locked, seen_event)
        if lot is None and chosen.from_lot is None:
            raise InvalidInput(
                {"lot": f"{locked.reference} is made as ordered; there is nothing to take back."}
            )
        before = source_words(chosen)
        chosen.from_lot = lot
        chosen.chosen_by = actor if lot is not None else None
        chosen.choice_key = idempotency_key
        chosen.save(update_fields=["from_lot", "chosen_by", "choice_key"])
        if lot is not None:
            _require_it_serves(locked, batch, component, lot)
        note_event(actor=actor, row=locked, event="choose", note=choice_words(chosen, before))
        reason = f"Made from {source_words(chosen)}"[:200]
        apply_plan(actor=actor, order=locked, batch=batch, reason=reason, or_wait=lot is None)
        return locked

    try:
        return in_transaction_with_retries(choose)
    except Conflict:
        # The other press of a double click may have been in between reading the order and locking it.
        if (
            idempotency_key
            and order.components.filter(position=component, choice_key=idempotency_key).exists()
        ):
            return Order.objects.get(pk=order.pk)
        raise


def _component(order: Order, position: int) -> OrderComponent:
    found = (
        order.components.select_related("substance", "from_lot__substance").filter(position=position).first()
    )
    if found is None:
        raise InvalidInput({"component": f"{order.reference} has no substance number {position + 1}."})
    return found


def _require_fresh(order: Order, seen_event: int | None) -> None:
    """Of two people who choose at the same time, the second is told by whom the order was changed."""
    newest = order.events.select_related("actor").order_by("-id").first()
    if newest is not None and newest.pk != seen_event:
        raise Conflict(
            f"{order.reference} has changed since this page was shown: {newest.words.lower()} by"
            f" {newest.actor}. Look at it again before you choose."
        )


def _require_it_serves(order: Order, batch: Batch | None, component: int, lot: Lot) -> None:
    """Refuse a bottle with which the component can't be made now; other components may still be short."""
    held = active_holds(batch) if batch is not None else []
    try:
        _, plan = sheets.plan_for(draft_of(order), as_if_released=[hold.pk for hold in held])
    except RequestRefused as refused:
        reasons = " ".join(error.text for error in refused.errors)
        raise Conflict(f"{reasons} Nothing was changed.") from refused
    missing = sheets.missing_components(plan)
    # Another component may still be short, and apparatus be booked: then it waits for that.
    if plan["feasible"] or (sheets.only_the_shelf_is_short(plan) and component not in missing):
        return
    reasons = " ".join(reason["text"] for reason in sheets.waiting_reasons(plan))
    raise Conflict(f"{lot.code} does not serve any more. {reasons} Nothing was changed; look again.")
