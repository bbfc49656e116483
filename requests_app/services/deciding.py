"""What a manager decides about an order that waits for approval."""

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import states
from requests_app.models import Order
from requests_app.services.batching import make_batch
from requests_app.services.moves import move
from requests_app.services.telling import tell_approved, tell_declined

_NOTE_LENGTH = 300


def approve_order(*, actor: User, order: Order, seen_event: int | None, note: str = "") -> Order:
    """Approve what is asked about an order, and plan it at once: into the queue, or to wait for stock.

    Of two managers who approve at the same moment one does, and the other finds it done.

    Args:
        seen_event: key of the newest entry of the history that the page showed.

    Raises:
        NotAllowed: the role may not.
        NotInThisState: it does not wait for approval any more, and was not approved.
        Conflict: it was changed since the page was shown.
    """
    policy.require(actor, "approve_order")

    def approve() -> Order:
        locked = _locked(order)
        if locked.state != states.APPROVAL and _happened(locked, "approve", seen_event):
            return locked
        _require_waiting(locked, "approve")
        _require_seen(locked, seen_event)
        locked.approved = [*locked.approved, *locked.approval_reasons]
        locked.approval_reasons = []
        move(actor=actor, row=locked, event="approve", note=note)
        make_batch(actor=actor, orders=[locked], reason="approved")
        if locked.state != states.APPROVAL:
            tell_approved(actor=actor, order=locked)
        return locked

    return in_transaction_with_retries(approve)


def decline_order(*, actor: User, order: Order, seen_event: int | None, reason: str) -> Order:
    """Decline an order that waits for approval; it is cancelled, and its orderer is told why.

    Raises:
        NotAllowed, NotInThisState, Conflict: as :func:`approve_order`.
        InvalidInput: field ``reason``, when nothing says why.
    """
    policy.require(actor, "approve_order")
    why = reason.strip()
    if not why:
        raise InvalidInput({"reason": "Say why it is declined, for whoever ordered it."})
    if len(why) > _NOTE_LENGTH:
        raise InvalidInput({"reason": f"That is {len(why)} characters long; {_NOTE_LENGTH} fit."})

    def decline() -> Order:
        locked = _locked(order)
        if locked.state == states.CANCELLED and _happened(locked, "decline", seen_event):
            return locked
        _require_waiting(locked, "decline")
        _require_seen(locked, seen_event)
        move(actor=actor, row=locked, event="decline", note=why)
        tell_declined(actor=actor, order=locked, reason=why)
        return locked

    return in_transaction_with_retries(decline)


def _locked(order: Order) -> Order:
    """The order alone: one that waits for approval has no batch that would have to be locked first."""
    return Order.objects.select_for_update().get(pk=order.pk)


def _happened(order: Order, event: str, since: int | None) -> bool:
    return order.events.filter(event=event, pk__gt=since or 0).exists()


def _require_waiting(order: Order, event: str) -> None:
    if (order.state, event) not in states.ORDER_NEXT:
        raise NotInThisState(
            f"{order.reference} is “{order.get_state_display()}” and does not wait for approval."
        )


def _require_seen(order: Order, seen_event: int | None) -> None:
    """Nobody approves what they have not seen."""
    newest = order.events.select_related("actor").order_by("-id").first()
    if newest is not None and newest.pk != seen_event:
        raise Conflict(
            f"{order.reference} has changed since this page was shown: {newest.words.lower()} by"
            f" {newest.actor}. Look at it again before you decide."
        )
