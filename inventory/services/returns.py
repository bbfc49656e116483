"""What came back unused goes back into its bottle, where that does the bottle no harm.

What was taken out of a reagent bottle is never put back into it (common practice in every teaching
laboratory): it may be soiled, and it would soil the rest. So a reagent comes back as unopened packs only.
"""

from inventory import ledger
from inventory.amounts import as_text
from inventory.models import Lot, Movement
from inventory.selectors import gone_from
from inventory.services.lots import follow_balance
from inventory.services.sending import refuse_stale, sent_before
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


def takes_back_opened(lot: Lot) -> bool:
    """Whether what was taken out may come back: of solutions made here and of pieces."""
    return lot.prepared_by_id is not None or lot.kind == Lot.Kind.ITEM


@atomic_with_retries
def return_to_lot(
    *,
    actor: User,
    lot: Lot,
    amount: str,
    unit: str,
    reason: str,
    idempotency_key: str,
    unopened: bool = False,
    expected_on_hand: int | None = None,
) -> Movement:
    """Put back what came back unused and unspoiled.

    An emptied bottle is reopened by it, into quarantine, until somebody has checked it.

    Args:
        amount: as typed, in ``unit``.
        unopened: that unopened packs come back, without which no reagent is taken back.
        expected_on_hand: base units the page showed; anything else now is stale.

    Raises:
        NotAllowed.
        InvalidInput: by field; also when more comes back than ever left the bottle.
        Conflict: when the stock changed since the page was shown.
    """
    policy.require(actor, "correct_stock")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.posted(idempotency_key)
    if first:
        return sent_before(first, locked, Movement.Kind.RETURNED)
    refuse_stale(locked, expected_on_hand)
    back, kept = check_return(lot=locked, amount=amount, unit=unit, reason=reason, unopened=unopened)
    row = ledger.post_movement(
        actor=actor,
        lot_id=locked.pk,
        kind=Movement.Kind.RETURNED,
        amount=back,
        reason=kept,
        idempotency_key=idempotency_key,
    )
    follow_balance(row.lot, actor=actor, reason=kept)
    return row


def check_return(*, lot: Lot, amount: str, unit: str, reason: str, unopened: bool) -> tuple[int, str]:
    """Read what came back without saving it.

    Returns:
        The base units, and the reason.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    back = reader.amount("amount", amount, unit, counted_in=lot.unit)
    kept = reader.reason(
        "reason", reason, ask="Say from whom it came back, and how you know it is unspoiled."
    )
    if not takes_back_opened(lot) and not unopened:
        reader.refuse(
            "unopened",
            "What was taken out of a reagent bottle never goes back into it. Tick this for packs that were "
            "never opened; dispose of anything else.",
        )
    gone = gone_from(lot)
    if back > gone:
        reader.refuse(
            "amount",
            f"By the ledger {as_text(gone, lot.unit) if gone else 'nothing'} has left this lot, so no more "
            "can come back. If there is more in it, correct it after a count.",
        )
    reader.done()
    return back, kept
