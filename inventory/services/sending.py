"""What every change of a bottle asks first: was it sent before, is the page stale, is it held, and why."""

from django.db.models import Q

from inventory.amounts import as_text
from inventory.models import Lot, Movement
from inventory.selectors import active_holds_of
from inventory.services.typed import Reader
from prepdesk.core.errors import Conflict


def was_sent(idempotency_key: str, lot: Lot) -> bool:
    """Whether an earlier sending of the same form is in this lot's ledger already."""
    mine = Q(idempotency_key=idempotency_key) | Q(pouring=idempotency_key)
    return bool(idempotency_key) and lot.movements.filter(mine).exists()


def kept_reason(text: str) -> str:
    """A reason for the ledger.

    Raises:
        InvalidInput: field ``reason``, when it says nothing.
    """
    reader = Reader()
    kept = reader.reason("reason", text, ask="Say why, for whoever reads the ledger.")
    reader.done()
    return kept


def sent_before(first: Movement, lot: Lot, kind: str) -> Movement:
    """The row that the same form posted before.

    Raises:
        Conflict: when the key belongs to something else.
    """
    if first.lot_id != lot.pk or first.kind != kind:
        raise Conflict(
            f"This form was sent before and recorded as “{first}” on {first.lot.code}. "
            "Nothing was changed; open the page afresh."
        )
    return first


def refuse_stale(lot: Lot, expected_on_hand: int | None) -> None:
    """Refuse what was decided by a balance that has changed since.

    Raises:
        Conflict: with both balances.
    """
    if expected_on_hand is not None and expected_on_hand != lot.on_hand:
        raise Conflict(
            f"When the page was shown {lot.code} had {as_text(expected_on_hand, lot.unit)}; now it has "
            f"{as_text(lot.on_hand, lot.unit)}, because somebody drew, received or counted. Nothing was "
            "saved. Look at the bottle again."
        )


def held_for(lot: Lot, but: str, then: str) -> str:
    """Why what is held stands in the way, and for whom it is held."""
    purposes = sorted({hold.purpose or "an unnamed purpose" for hold in active_holds_of(lot)})
    return (
        f"{as_text(lot.held, lot.unit)} of it are held for {', '.join(purposes)}, and {but}. "
        f"Plan that work again from other stock, then {then}."
    )
