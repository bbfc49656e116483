"""Many bottles, counts or substances at once: by the same checks, the same ledger, in few statements."""

import copy
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Final

from django.db import IntegrityError, connection, transaction

from inventory import codes, ledger, states
from inventory.models import Lot, LotEvent, Movement, Place, Substance
from inventory.selectors import Shelves
from inventory.services.lots import check_receipt, follow_balance
from inventory.services.shelf_life import expiry_on_receipt
from inventory.services.standing import check_standing_among
from inventory.services.stock import check_count
from inventory.services.substance_facts import edit_substance
from inventory.services.transactions import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict

_BATCH: Final = 500


def _silent(_done: int) -> None:
    """Nobody waits to be told."""


# --- bottles --------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Receipt:
    """One bottle that comes in; the fields are those of ``receive_lot``, as typed.

    ``read`` is what ``check_receipt`` made of them, where the caller has asked it before.
    """

    substance: Substance
    kind: str
    amount: str
    unit: str
    received_on: date
    idempotency_key: str
    figures: Mapping[str, str] = field(default_factory=dict)
    words: Mapping[str, str] = field(default_factory=dict)
    place: Place | None = None
    storage_reason: str = ""
    opened_on: date | None = None
    expires_on: date | None = None
    cost: str = ""
    read: tuple[Lot, int] | None = None


@atomic_with_retries
def receive_lots_in_bulk(
    *, actor: User, receipts: Sequence[Receipt], reason: str, tick: Callable[[int], None] = _silent
) -> list[Lot]:
    """Put many bottles on the shelf, each with a code of its own; all of them or none.

    Each is read by the same check as ``receive_lot``, and comes in by a movement of the ledger.

    Args:
        reason: stands in the ledger, as "Received, from file “shelf.csv”".
        tick: told how many are done.

    Raises:
        NotAllowed.
        InvalidInput: of the first bottle that can't be received.
        Conflict: when one of the keys was used before.
    """
    policy.require(actor, "receive_lot")
    lots: list[Lot] = []
    amounts: list[int] = []
    told: list[LotEvent] = []
    shelves = Shelves()
    for receipt in receipts:
        lot, base = _read(receipt)
        lot.expires_on, because = expiry_on_receipt(lot)
        if because:
            told.append(_event(lot, "expiry", actor, because))
        against = check_standing_among(shelves, lot, lot.place, receipt.storage_reason)
        if against:
            told.append(_event(lot, "against", actor, against))
        lots.append(lot)
        amounts.append(base)
    for done, batch in _batches(lots):
        Lot.objects.bulk_create(batch)
        tick(done)
    _give_codes(lots)
    entries = [
        ledger.Entry(lot.pk, Movement.Kind.RECEIVED, base, reason, receipt.idempotency_key)
        for lot, base, receipt in zip(lots, amounts, receipts, strict=True)
    ]
    keys = [entry.idempotency_key for entry in entries]
    if len(set(keys)) != len(keys):
        raise Conflict("Two of these bottles share a key. Nothing was received.")
    ledger.post_movements(actor=actor, entries=entries)
    LotEvent.objects.bulk_create(told, batch_size=_BATCH)
    return lots


def _event(lot: Lot, event: str, actor: User, reason: str) -> LotEvent:
    where = lot.place if event == "against" else None
    states_of = {"from_state": lot.state, "to_state": lot.state}
    return LotEvent(lot=lot, event=event, actor=actor, reason=reason, to_place=where, **states_of)


def _read(receipt: Receipt) -> tuple[Lot, int]:
    # A copy, because a transaction that is run again must not find the number of its first try on it.
    lot, base = (
        (copy.copy(receipt.read[0]), receipt.read[1])
        if receipt.read
        else check_receipt(
            kind=receipt.kind,
            amount=receipt.amount,
            unit=receipt.unit,
            figures=receipt.figures,
            words=receipt.words,
            received_on=receipt.received_on,
            opened_on=receipt.opened_on,
            expires_on=receipt.expires_on,
            cost=receipt.cost,
        )
    )
    lot.substance, lot.place = receipt.substance, receipt.place
    # Replaced as soon as the database has given it its number.
    lot.code = uuid.uuid4().hex[:16]
    return lot, base


def _give_codes(lots: Sequence[Lot]) -> None:
    """As for a single bottle: the code is made of the number that the database's sequence gave."""
    for lot in lots:
        lot.code = codes.code_of(lot.pk)
    table = connection.ops.quote_name(Lot._meta.db_table)
    with connection.cursor() as cursor:
        pairs = [(lot.code, lot.pk) for lot in lots]
        cursor.executemany(f"UPDATE {table} SET code = %s WHERE id = %s", pairs)  # noqa: S608 (a name of our own)


def _batches(lots: Sequence[Lot]) -> Iterator[tuple[int, list[Lot]]]:
    for begin in range(0, len(lots), _BATCH):
        batch = list(lots[begin : begin + _BATCH])
        yield begin + len(batch), batch


# --- counts ---------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Counted:
    """What was found in one bottle, as typed, and what the ledger said when it was looked at."""

    lot_id: int
    counted: str
    unit: str
    expected_on_hand: int
    reason: str
    idempotency_key: str


@atomic_with_retries
def correct_stock_in_bulk(
    *, actor: User, counts: Sequence[Counted], tick: Callable[[int], None] = _silent
) -> list[Movement]:
    """Make the ledger say what a count of many bottles found; all of them or none.

    Returns:
        The correcting movements, of those that differ.

    Raises:
        NotAllowed, InvalidInput: as ``correct_stock``.
        Conflict: when the stock of one changed since it was looked at, or a bottle is named twice.
    """
    policy.require(actor, "correct_stock")
    lots = ledger.lock_lots(count.lot_id for count in counts)
    if len(lots) != len(counts):
        raise Conflict("One bottle is counted twice here. Nothing was corrected.")
    entries, reasons = [], {}
    for count in counts:
        lot = lots[count.lot_id]
        if lot.on_hand != count.expected_on_hand:
            raise Conflict(f"The stock of {lot.code} changed meanwhile. Nothing was corrected; count again.")
        found, kept = check_count(lot=lot, counted=count.counted, unit=count.unit, reason=count.reason)
        if found != lot.on_hand:
            change = found - lot.on_hand
            entries.append(ledger.Entry(lot.pk, Movement.Kind.CORRECTED, change, kept, count.idempotency_key))
            reasons[lot.pk] = kept
    rows = ledger.post_movements(actor=actor, entries=entries)
    for done, row in enumerate(rows, start=1):
        if row.lot.on_hand == 0 or row.lot.state == states.EMPTY:
            follow_balance(row.lot, actor=actor, reason=reasons[row.lot_id])
        tick(done)
    return rows


# --- substances -----------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class SubstanceChange:
    """What the department keeps about one substance, as typed; the fields are those of ``edit_substance``."""

    substance: Substance
    facts: Mapping[str, str]
    reason: str


@atomic_with_retries
def save_substances_in_bulk(
    *, actor: User, new: Sequence[Substance], changed: Sequence[SubstanceChange]
) -> None:
    """Add substances that ``check_substance`` read, and change what the department keeps about others.

    Args:
        new: not saved yet.

    Raises:
        NotAllowed, InvalidInput.
        Conflict: when a substance of the same name was added at this very moment.
    """
    policy.require(actor, "receive_lot")
    try:
        with transaction.atomic():
            Substance.objects.bulk_create(new, batch_size=_BATCH)
    except IntegrityError as error:
        raise Conflict("A substance of one of these names was added at this very moment.") from error
    for change in changed:
        edit_substance(actor=actor, substance=change.substance, reason=change.reason, **change.facts)
