"""Many movements at once, by the same guards as one: lock, check, add in the database."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from django.db import IntegrityError, connection, transaction

from inventory.ledger.locks import Missing, NotEnough, lock_lots
from inventory.models import Lot, Movement
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput

_BATCH: Final = 1_000


@dataclass(frozen=True, slots=True)
class Entry:
    """One movement to be posted: what is added to which lot, why, under which key."""

    lot_id: int
    kind: str
    amount: int
    reason: str
    idempotency_key: str


def post_movements(*, actor: User, entries: Sequence[Entry]) -> list[Movement]:
    """Post all entries or none, in a number of statements that hardly grows with theirs.

    The same keys post once: when every entry was posted before, the first rows are returned.

    Raises:
        NotEnough: naming every lot that an entry would take more of than is free.
        Conflict: when a key was used for something else, or only some were posted before.
    """
    if any(entry.amount == 0 for entry in entries):
        raise InvalidInput({"amount": "A movement must move something."})
    lots = lock_lots(entry.lot_id for entry in entries)
    first = _replayed(entries)
    if first:
        return first
    change: Counter[int] = Counter()
    for entry in entries:
        change[entry.lot_id] += entry.amount
    missing = tuple(
        Missing(lot.pk, lot.code, lot.unit, -change[lot.pk], lot.free)
        for lot in lots.values()
        if lot.on_hand + change[lot.pk] < lot.held
    )
    if missing:
        raise NotEnough(missing)
    rows = [
        Movement(
            lot=lots[entry.lot_id],
            kind=entry.kind,
            amount=entry.amount,
            actor=actor,
            reason=entry.reason,
            idempotency_key=entry.idempotency_key,
        )
        for entry in entries
    ]
    try:
        with transaction.atomic():
            Movement.objects.bulk_create(rows, batch_size=_BATCH)
            _shift_on_hand(change)
    except IntegrityError as error:
        raise Conflict("The stock changed at this very moment; nothing was saved. Try again.") from error
    for lot_id, amount in change.items():
        lots[lot_id].on_hand += amount
    return rows


def _replayed(entries: Sequence[Entry]) -> list[Movement]:
    found: dict[str, Movement] = {}
    keys = [entry.idempotency_key for entry in entries]
    for begin in range(0, len(keys), _BATCH):
        known = Movement.objects.select_related("lot").filter(
            idempotency_key__in=keys[begin : begin + _BATCH]
        )
        found.update((row.idempotency_key, row) for row in known)
    if not found:
        return []
    wanted = {entry.idempotency_key: (entry.lot_id, entry.kind, entry.amount) for entry in entries}
    if {key: (row.lot_id, row.kind, row.amount) for key, row in found.items()} != wanted:
        raise Conflict("Some of this was posted before, and not the same. Nothing was added.")
    return [found[key] for key in keys]


def _shift_on_hand(change: Counter[int]) -> None:
    # F() for thousands of lots with a number of its own each: the addition is the database's, in one go.
    table, column = (connection.ops.quote_name(name) for name in (Lot._meta.db_table, "on_hand"))
    pairs = [(amount, lot_id) for lot_id, amount in sorted(change.items()) if amount]
    with connection.cursor() as cursor:
        cursor.executemany(f"UPDATE {table} SET {column} = {column} + %s WHERE id = %s", pairs)  # noqa: S608 (names of our own)
