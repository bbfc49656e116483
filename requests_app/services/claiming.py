"""Who has a batch: taken off the queue, put back into it."""

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict
from requests_app import states
from requests_app.models import Batch
from requests_app.services.at_work import AT_WORK, clock, locked_batch, move_with_orders, require_holder
from requests_app.services.batching import dissolve, replan_batch


def claim_batch(*, actor: User, batch: Batch) -> Batch:
    """Take a batch off the queue; of several who press at once exactly one gets it.

    Claiming what one has already is the same as once.

    Raises:
        Conflict: somebody else has it; the text says who.
        NotInThisState: it is made, handed over or cancelled.
    """
    policy.require(actor, "work_batch")

    def claim() -> Batch:
        locked = locked_batch(batch)
        if locked.state in AT_WORK:
            if locked.claimed_by_id == actor.pk:
                return locked
            raise Conflict(f"{locked.claimed_by} has {locked.reference} since {clock(locked)}.")
        locked.claimed_by = actor
        locked.claimed_at = timezone.now()
        move_with_orders(actor=actor, batch=locked, event="claim")
        return locked

    return in_transaction_with_retries(claim)


def put_back_batch(*, actor: User, batch: Batch, reason: str = "") -> Batch:
    """Give a claimed batch back to the queue, as long as no step is recorded.

    Raises:
        Conflict: somebody else has it, and the actor is no manager.
        NotInThisState: work on it has begun, or it isn't claimed.
    """
    policy.require(actor, "work_batch")

    def put_back() -> Batch:
        locked = locked_batch(batch)
        if locked.state == states.QUEUED:
            return locked
        if locked.state == states.CLAIMED:
            require_holder(actor, locked)
        locked.claimed_by = None
        locked.claimed_at = None
        move_with_orders(actor=actor, batch=locked, event="put_back", note=reason)
        if not locked.orders.filter(state__in=states.OPEN_ORDER_STATES).exists():
            # Nobody wants it any more, so it does not stand in the queue again.
            dissolve(actor=actor, batch=locked, reason="no order asks for it any more")
        elif locked.changes.filter(needs_seeing=True).exists():
            # While it was claimed its sheet could not follow.
            replan_batch(actor=actor, batch=locked, reason="changed while it was claimed", or_keep=True)
        return locked

    return in_transaction_with_retries(put_back)
