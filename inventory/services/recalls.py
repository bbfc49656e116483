"""Several bottles are recalled in one stroke: the one that is faulty and what was made of it."""

from collections.abc import Iterable

from inventory import ledger, states
from inventory.models import Lot
from inventory.services.lots import move_state
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


@atomic_with_retries
def recall_lots(*, actor: User, lots: Iterable[int], reason: str) -> list[Lot]:
    """Recall these lots, all or none; one that is recalled already stays as it is.

    What is held of them stays held: whoever knows for what releases it in the same transaction.

    Args:
        lots: keys.
        reason: why, for the history of each of them.

    Returns:
        The lots that were moved now, by code.

    Raises:
        NotAllowed: for those who may not.
        InvalidInput: field ``reason``, when it is missing.
    """
    policy.require(actor, "change_lot_state")
    reader = Reader()
    kept = reader.reason("reason", reason, ask="Say why it is recalled, for whoever holds the bottle next.")
    reader.done()
    moved = []
    for lot in ledger.lock_lots(lots).values():
        if lot.state != states.RECALLED:
            move_state(lot, "recall", actor=actor, reason=kept)
            moved.append(lot)
    return sorted(moved, key=lambda lot: lot.code)
