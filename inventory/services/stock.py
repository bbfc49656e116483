"""What is in the bottles changes: promised, drawn, counted, disposed of, put right."""

from collections.abc import Iterable, Mapping

from inventory import ledger
from inventory.amounts import as_text
from inventory.models import Hold, Lot, Movement, WasteStream
from inventory.selectors import waste_streams
from inventory.services.lots import follow_balance, note
from inventory.services.sending import held_for, kept_reason, refuse_stale, sent_before
from inventory.services.transactions import (
    atomic_with_retries,
    in_transaction_with_retries,
    with_retries,
)
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


# --- holds ------------------------------------------------------------------------------------
def hold_stock(
    *,
    actor: User,
    draws: ledger.Draws,
    purpose: str,
    idempotency_key: str,
    instead_of: Iterable[Hold | int] = (),
) -> dict[int, Hold]:
    """Hold stock so that nobody else can be promised it: all of it or nothing.

    Args:
        draws: base units by lot key, or pairs of them; a lot named twice is summed.
        purpose: for whom or what, at most 120 characters, shown beside the hold.
        idempotency_key: the same key holds once; later calls return the first holds.
        instead_of: holds given back in the same stroke, when a plan replaces another one. Read the
            shelf for that plan with ``calc_shelf(as_if_released=…)``.

    Returns:
        The holds by lot key.

    Raises:
        NotAllowed: for those who may neither order nor work.
        OutOfStock: naming the lots and the missing amounts (``ledger.NotEnough``).
        NotInThisState: when a lot is quarantined, recalled or empty.
        Conflict: when the key was used for other amounts.
    """
    policy.require(actor, "hold_stock")
    reader = Reader()
    kept = reader.words("purpose", purpose, 120)
    reader.done()
    # What may be read only once is read once here, since the work below may run again.
    pairs = tuple(draws.items() if isinstance(draws, Mapping) else draws)
    old = _keys(instead_of)
    if not old:
        made = with_retries(
            lambda: ledger.place_holds_at_once(
                actor=actor, draws=pairs, purpose=kept, idempotency_key=idempotency_key
            )
        )
        if made is not None:
            return made
    return in_transaction_with_retries(
        lambda: ledger.place_holds(
            actor=actor, draws=pairs, purpose=kept, idempotency_key=idempotency_key, instead_of=old
        )
    )


@atomic_with_retries
def release_holds(*, actor: User, holds: Iterable[Hold | int], reason: str) -> None:
    """Give back what is still held; what was drawn or released before stays as it is.

    Raises:
        NotAllowed: for those who may not hold either.
    """
    policy.require(actor, "hold_stock")
    ledger.release_holds(actor=actor, hold_ids=_keys(holds), reason=kept_reason(reason))


@atomic_with_retries
def draw_holds(
    *, actor: User, amounts: Mapping[int, int], reason: str, idempotency_key: str
) -> list[Movement]:
    """Draw what was held, with what was really taken.

    Args:
        amounts: base units really drawn, by hold key; 0 gives the hold back.
        reason: shown in the ledger, as "Batch B-2601".
        idempotency_key: the same key draws once; later calls return the first movements.

    Returns:
        One movement for each hold that something was drawn of.

    Raises:
        NotAllowed: for those who don't work batches.
        OutOfStock: when more was drawn than held and the rest of the lot is held by others.
        Conflict: when a hold was closed by another call.
    """
    policy.require(actor, "work_batch")
    kept = kept_reason(reason)
    rows = ledger.draw_holds(actor=actor, amounts=amounts, reason=kept, idempotency_key=idempotency_key)
    for lot in {row.lot_id: row.lot for row in rows}.values():
        # Drawn to the last drop it is an empty bottle, and says so.
        if lot.on_hand == 0:
            follow_balance(lot, actor=actor, reason=kept)
    return rows


def _keys(holds: Iterable[Hold | int]) -> list[int]:
    return [hold.pk if isinstance(hold, Hold) else hold for hold in holds]


# --- counts and disposals -------------------------------------------------------------------------
@atomic_with_retries
def correct_stock(
    *,
    actor: User,
    lot: Lot,
    counted: str,
    unit: str,
    reason: str,
    idempotency_key: str,
    expected_on_hand: int | None = None,
) -> Movement | None:
    """Make the ledger say what a count found.

    Args:
        counted: what is there, as typed, in ``unit``; 0 marks the lot as empty.
        reason: why they differ, or how it was counted.
        expected_on_hand: base units the page showed; a count taken before somebody drew is stale.

    Returns:
        The correcting movement; ``None`` when the count agrees, which is noted as well.

    Raises:
        NotAllowed, InvalidInput.
        Conflict: when the stock changed since the page was shown.
    """
    policy.require(actor, "correct_stock")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.posted(idempotency_key)
    if first:
        return sent_before(first, locked, Movement.Kind.CORRECTED)
    refuse_stale(locked, expected_on_hand)
    found, kept = check_count(lot=locked, counted=counted, unit=unit, reason=reason)
    if found == locked.on_hand:
        note(locked, "count", actor=actor, reason=kept)
        return None
    row = ledger.post_movement(
        actor=actor,
        lot_id=locked.pk,
        kind=Movement.Kind.CORRECTED,
        amount=found - locked.on_hand,
        reason=kept,
        idempotency_key=idempotency_key,
    )
    follow_balance(row.lot, actor=actor, reason=kept)
    return row


def check_count(*, lot: Lot, counted: str, unit: str, reason: str) -> tuple[int, str]:
    """Read a count without saving it.

    Returns:
        The base units counted, and the reason.

    Raises:
        InvalidInput: by field; also when less was counted than is held.
    """
    reader = Reader()
    found = reader.amount("counted", counted, unit, counted_in=lot.unit, zero=True)
    kept = reader.reason("reason", reason, ask="Say how it was counted, or why it differs.")
    if "counted" not in reader.errors and found < lot.held:
        reader.refuse("counted", held_for(lot, f"only {as_text(found, lot.unit)} were counted", "correct"))
    reader.done()
    return found, kept


@atomic_with_retries
def dispose(
    *,
    actor: User,
    lot: Lot,
    amount: str,
    unit: str,
    reason: str,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
    expected_on_hand: int | None = None,
) -> Movement:
    """Write off what goes to waste; the lot is empty when nothing is left.

    Args:
        waste_stream: which of the department's waste streams takes it; must be said once there are any.

    Raises:
        NotAllowed.
        InvalidInput: by field; also when part of it is held.
        Conflict: when the stock changed since the page was shown.
    """
    policy.require(actor, "correct_stock")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.posted(idempotency_key)
    if first:
        return sent_before(first, locked, Movement.Kind.DISPOSED)
    refuse_stale(locked, expected_on_hand)
    gone, kept = check_disposal(
        lot=locked, amount=amount, unit=unit, reason=reason, waste_stream=waste_stream
    )
    row = ledger.post_movement(
        actor=actor,
        lot_id=locked.pk,
        kind=Movement.Kind.DISPOSED,
        amount=-gone,
        reason=kept,
        waste_stream=waste_stream,
        idempotency_key=idempotency_key,
    )
    follow_balance(row.lot, actor=actor, reason=kept)
    return row


def check_disposal(
    *, lot: Lot, amount: str, unit: str, reason: str, waste_stream: WasteStream | None = None
) -> tuple[int, str]:
    """Read what is to be disposed of without saving it.

    Returns:
        The base units, and the reason.

    Raises:
        InvalidInput: by field; also when more is named than is there and not held.
    """
    reader = Reader()
    gone = reader.amount("amount", amount, unit, counted_in=lot.unit)
    kept = reader.reason("reason", reason, ask="Say why it is disposed of.")
    if waste_stream is None and waste_streams(in_use=True).exists():
        reader.refuse("waste_stream", "Choose where it goes, by the local rules.")
    if waste_stream is not None and not waste_stream.in_use:
        reader.refuse("waste_stream", f"“{waste_stream}” is no longer in use. Choose another one.")
    if gone > lot.on_hand:
        reader.refuse("amount", f"The lot has only {as_text(lot.on_hand, lot.unit)}. Count it first.")
    elif gone > lot.free:
        reader.refuse(
            "amount", held_for(lot, f"only {as_text(lot.free, lot.unit)} are free", "dispose of it")
        )
    reader.done()
    return gone, kept


@atomic_with_retries
def reverse_movement(*, actor: User, movement: Movement, reason: str, idempotency_key: str) -> Movement:
    """Undo a mistaken entry by one that adds its opposite; both stay readable.

    What was poured over is undone in all the bottles it went through.

    Raises:
        NotAllowed, InvalidInput.
        NotInThisState: when it was reversed before, or is a reversal.
        OutOfStock: when undoing a receipt would take what is held or gone.
    """
    policy.require(actor, "correct_stock")
    kept = kept_reason(reason)
    row = ledger.reverse_movement(
        actor=actor, movement_id=movement.pk, reason=kept, idempotency_key=idempotency_key
    )
    concerned = {row.lot_id, *(each.lot_id for each in ledger.rows_of_pouring(row.pouring))}
    for lot in ledger.lock_lots(concerned).values():
        follow_balance(lot, actor=actor, reason=kept)
    return row
