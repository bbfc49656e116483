"""A bottle turns out to be empty though its ledger says more."""

from collections.abc import Iterable

from inventory import ledger, states
from inventory.amounts import as_text
from inventory.models import Lot, Movement
from inventory.services.lots import move_state
from inventory.services.sending import kept_reason
from inventory.services.transactions import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User


@atomic_with_retries
def empty_bottle(*, actor: User, lot: Lot, reason: str, idempotency_key: str) -> Movement | None:
    """Write off what by the ledger is still free of an empty bottle, and mark it as empty.

    What is held stays: whoever holds it may have taken it already, and it is drawn or given back with their
    work. What is given back is written off by calling this again under another key.

    Args:
        reason: how it was found, for whoever reads the ledger.
        idempotency_key: the same key writes off once.

    Returns:
        The correcting movement; None when the ledger knew.

    Raises:
        NotAllowed: for those who may not correct the stock.
    """
    policy.require(actor, "correct_stock")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.posted(idempotency_key)
    if first is not None:
        return first
    kept = kept_reason(reason)
    row = None
    if locked.free > 0:
        said = f"{kept} The ledger said {as_text(locked.free, locked.unit)} more."
        row = ledger.post_movement(
            actor=actor,
            lot_id=locked.pk,
            kind=Movement.Kind.CORRECTED,
            amount=-locked.free,
            reason=said[:300],
            idempotency_key=idempotency_key,
        )
        locked = row.lot
    if locked.state != states.EMPTY:
        move_state(locked, "mark_empty", actor=actor, reason=kept)
    return row


def leave_nothing(*, actor: User, lots: Iterable[int], reason: str, idempotency_key: str) -> None:
    """Of bottles that are empty, write off what somebody who held of them did not take.

    Args:
        lots: keys; those that are not marked as empty stay as they are.
        idempotency_key: of the whole call.

    Raises:
        NotAllowed: for those who may not correct the stock.
    """
    for lot in Lot.objects.filter(pk__in=set(lots), state=states.EMPTY).order_by("pk"):
        if lot.free > 0:
            empty_bottle(actor=actor, lot=lot, reason=reason, idempotency_key=f"{idempotency_key}-{lot.pk}")
