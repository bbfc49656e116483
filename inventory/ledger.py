"""The ledger: the only writer of movements, of holds, and of a lot's two balances.

Movements are the truth; ``Lot.on_hand`` and ``Lot.held`` are caches of them and of the active holds.
Three guards work together, because each alone lets something through:

1. the lots concerned are locked, in key order, once, before anything is checked. Unsorted locks
   deadlock, and a check before the lock reads a balance that somebody else is changing;
2. the balances change by ``F()`` in the database, never by saving a number read earlier;
3. constraints (0 <= held <= on_hand) stop whatever the first two should miss.

A hold's state changes only under the lock of its lot, so that lock guards the holds too.

Every function runs inside the caller's transaction; :mod:`inventory.services` opens it, retries it
and decides who may do what. Amounts are whole base units, see :mod:`inventory.amounts`.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.utils import timezone

from inventory import states
from inventory.amounts import as_text
from inventory.models import Hold, Lot, Movement, WasteStream
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState, OutOfStock

Draws = Mapping[int, int] | Iterable[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Missing:
    """What one lot lacks: base units wanted and free."""

    lot_id: int
    code: str
    unit: str
    wanted: int
    free: int

    def __str__(self) -> str:
        return (
            f"{self.code} has {as_text(self.free, self.unit)} free of the {as_text(self.wanted, self.unit)} "
            f"wanted: {as_text(self.wanted - self.free, self.unit)} missing."
        )


class NotEnough(OutOfStock):
    """Lots can't give what is asked; ``missing`` says which and how much."""

    def __init__(self, missing: tuple[Missing, ...]) -> None:
        super().__init__(" ".join(map(str, missing)))
        self.missing = missing


def lock_lots(lot_ids: Iterable[int]) -> dict[int, Lot]:
    """Lock these lots in key order until the transaction ends and return them as they are now.

    Raises:
        Conflict: when one does not exist.
    """
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("The ledger is used inside a transaction only.")
    wanted = sorted(set(lot_ids))
    # NO KEY: writing a row that refers to a lot (a hold, an ancestry link) need not wait for its lock.
    lots = Lot.objects.select_for_update(no_key=True).filter(pk__in=wanted).order_by("pk")
    found = {lot.pk: lot for lot in lots}
    if len(found) != len(wanted):
        raise Conflict("One of the lots is no longer there. Look at the stock again.")
    return found


# --- movements --------------------------------------------------------------------------------
def posted(idempotency_key: str) -> Movement | None:
    """The movement that was posted under this key, if there is one."""
    return Movement.objects.select_related("lot").filter(idempotency_key=idempotency_key).first()


def post_movement(
    *,
    actor: User,
    lot_id: int,
    kind: str,
    amount: int,
    reason: str,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
) -> Movement:
    """Add ``amount`` (signed base units) to a lot, with the row that says so.

    The same key posts once; later calls return the first row.

    Args:
        waste_stream: where it went, of what is disposed of.

    Raises:
        NotEnough: when it takes more than is free.
        Conflict: when the key was used for something else.
    """
    if amount == 0:
        raise InvalidInput({"amount": "A movement must move something."})
    lot = lock_lots([lot_id])[lot_id]
    row = Movement(
        lot=lot,
        kind=kind,
        amount=amount,
        actor=actor,
        reason=reason,
        waste_stream=waste_stream,
        idempotency_key=idempotency_key,
    )
    return _replayed(row) or _post(row)


def reverse_movement(*, actor: User, movement_id: int, reason: str, idempotency_key: str) -> Movement:
    """Undo a movement by a row that adds its opposite; a pouring is undone in all its bottles.

    The hold of a draw stays drawn: what comes back is free for anybody.

    Raises:
        NotInThisState: when it was reversed before, or is itself a reversal.
        NotEnough: when undoing a receipt would take what is held or gone.
        Conflict: when the key was used for something else.
    """
    lot_id, pouring = Movement.objects.values_list("lot_id", "pouring").get(pk=movement_id)
    if pouring:
        return _reverse_pouring(
            actor=actor,
            movement_id=movement_id,
            pouring=pouring,
            reason=reason,
            idempotency_key=idempotency_key,
        )
    lot = lock_lots([lot_id])[lot_id]
    mistake = Movement.objects.select_related("hold").get(pk=movement_id)
    row = Movement(
        lot=lot,
        kind=Movement.Kind.REVERSED,
        amount=-mistake.amount,
        hold=mistake.hold,
        reverses=mistake,
        actor=actor,
        reason=reason,
        idempotency_key=idempotency_key,
    )
    first = _replayed(row)
    if first:
        return first
    if mistake.kind == Movement.Kind.REVERSED:
        raise NotInThisState("A reversal can't be reversed. Correct the stock after a count instead.")
    if Movement.objects.filter(reverses=mistake).exists():
        raise NotInThisState("This entry was reversed before; look at the ledger of the lot.")
    return _post(row)


def _replayed(row: Movement) -> Movement | None:
    """The row an earlier call posted under the same key, refusing a key used for something else."""
    first = posted(row.idempotency_key)
    if first and (first.lot_id, first.kind, first.amount) != (row.lot_id, row.kind, row.amount):
        raise Conflict(
            f"This form was sent before and recorded as “{first}” on {first.lot.code}. "
            "Nothing was added; open the page afresh if this is something new."
        )
    return first


def _post(row: Movement, held: int = 0) -> Movement:
    """Write ``row`` and both balances. Its lot is locked; ``held`` changes what is held of it."""
    lot = row.lot
    if lot.on_hand + row.amount < lot.held + held:
        # What the row takes itself out of a hold counts as free for it.
        raise NotEnough((Missing(lot.pk, lot.code, lot.unit, -row.amount, lot.free - held),))
    try:
        with transaction.atomic():
            row.save(force_insert=True)
            _shift(lot, on_hand=row.amount, held=held)
    except IntegrityError as error:
        # Another lot's transaction may have used the key: its row is committed now, so it can be read.
        first = _replayed(row)
        if first is None:
            raise Conflict("The stock changed at this very moment; nothing was saved. Try again.") from error
        return first
    return row


def _shift(lot: Lot, *, on_hand: int = 0, held: int = 0) -> None:
    Lot.objects.filter(pk=lot.pk).update(on_hand=F("on_hand") + on_hand, held=F("held") + held)
    lot.on_hand += on_hand
    lot.held += held


# --- pouring over -----------------------------------------------------------------------------
def rows_of_pouring(pouring: str) -> list[Movement]:
    """Every row of one pouring, or of its undoing, in the order in which they were posted."""
    return list(Movement.objects.filter(pouring=pouring).exclude(pouring="").select_related("lot"))


def post_pouring(
    *, actor: User, amounts: Mapping[int, int], reason: str, idempotency_key: str
) -> list[Movement]:
    """Pour from bottles into others: rows that share one pouring and add up to zero, all or none.

    The same key pours once; later calls return the first rows.

    Args:
        amounts: signed base units by lot key, less than zero of what gives.

    Raises:
        NotEnough: when a bottle gives more than is free of it.
        Conflict: when the key was used for something else.
    """
    if sum(amounts.values()) or not all(amounts.values()) or len(amounts) < 2:
        raise InvalidInput({"amount": "What is poured leaves one bottle and comes whole into others."})
    lots = lock_lots(amounts)
    if len({lot.unit for lot in lots.values()}) > 1:
        raise InvalidInput({"amount": "These bottles are counted in different units."})
    # Those that give come first, so that the ledger reads as it was done.
    wanted = sorted(amounts.items(), key=lambda pair: (pair[1] > 0, pair[0]))
    rows = [
        Movement(
            lot=lots[lot_id],
            kind=Movement.Kind.POURED,
            amount=amount,
            actor=actor,
            reason=reason,
            pouring=idempotency_key,
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (lot_id, amount) in enumerate(wanted)
    ]
    return _post_together(rows)


def _reverse_pouring(
    *, actor: User, movement_id: int, pouring: str, reason: str, idempotency_key: str
) -> Movement:
    # Rows never change their lot, so it may be read before the lock.
    lots = lock_lots(Movement.objects.filter(pouring=pouring).values_list("lot_id", flat=True))
    mistakes = rows_of_pouring(pouring)
    if any(mistake.kind == Movement.Kind.REVERSED for mistake in mistakes):
        raise NotInThisState("A reversal can't be reversed. Correct the stock after a count instead.")
    rows = [
        Movement(
            lot=lots[mistake.lot_id],
            kind=Movement.Kind.REVERSED,
            amount=-mistake.amount,
            reverses=mistake,
            actor=actor,
            reason=reason,
            pouring=idempotency_key,
            idempotency_key=idempotency_key
            if mistake.pk == movement_id
            else f"{idempotency_key}#{mistake.pk}",
        )
        for mistake in mistakes
    ]
    asked = next(row for row in rows if row.idempotency_key == idempotency_key)
    first = _replayed(asked)
    if first:
        return first
    if Movement.objects.filter(reverses__in=mistakes).exists():
        raise NotInThisState("This pouring was reversed before; look at the ledger of the lot.")
    posted_rows = _post_together(rows)
    return next(row for row in posted_rows if row.idempotency_key == idempotency_key)


def _post_together(rows: list[Movement]) -> list[Movement]:
    """Write rows of one pouring and every balance, or nothing. Their lots are locked."""
    first = rows_of_pouring(rows[0].pouring)
    if not first:
        missing = tuple(
            Missing(row.lot.pk, row.lot.code, row.lot.unit, -row.amount, row.lot.free)
            for row in rows
            if row.lot.free + row.amount < 0
        )
        if missing:
            raise NotEnough(missing)
        try:
            with transaction.atomic():
                for row in rows:
                    row.save(force_insert=True)
                    _shift(row.lot, on_hand=row.amount)
        except IntegrityError as error:
            # Used at this very moment for other bottles: its rows are committed now.
            first = rows_of_pouring(rows[0].pouring)
            if not first:
                raise Conflict(
                    "The stock changed at this very moment; nothing was poured. Try again."
                ) from error
        else:
            return rows
    if {(row.lot_id, row.amount) for row in first} != {(row.lot_id, row.amount) for row in rows}:
        raise Conflict("This was sent before, for something else. Nothing was poured; open the page afresh.")
    return first


# --- holds ------------------------------------------------------------------------------------
def place_holds(
    *, actor: User, draws: Draws, purpose: str, idempotency_key: str, instead_of: Iterable[int] = ()
) -> dict[int, Hold]:
    """Hold base units of several lots, all or nothing; a lot named twice is summed.

    Args:
        draws: base units by lot key.
        purpose: for whom or what, shown beside the hold.
        idempotency_key: the same key holds once; later calls return the first holds.
        instead_of: holds released under the same locks, so what they held can be held again.

    Returns:
        The holds by lot key.

    Raises:
        NotEnough: naming every lot that can't give enough, and how much is missing.
        NotInThisState: when a lot is quarantined, recalled or empty.
        Conflict: when the key was used for something else.
    """
    wanted = _summed(draws)
    old = list(Hold.objects.filter(pk__in=set(instead_of)).values_list("pk", "lot_id"))
    lots = lock_lots([*wanted, *(lot_id for _, lot_id in old)])
    first = _holds_replayed(wanted, idempotency_key)
    if first is not None:
        return first
    _release(lots, [pk for pk, _ in old], actor, f"Replaced: {purpose}")
    _check_free(lots, wanted)
    rows = [
        Hold(
            lot=lots[lot_id],
            amount=amount,
            purpose=purpose,
            actor=actor,
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (lot_id, amount) in enumerate(wanted.items())
    ]
    try:
        with transaction.atomic():
            Hold.objects.bulk_create(rows)
            for row in rows:
                _shift(row.lot, held=row.amount)
    except IntegrityError as error:
        first = _holds_replayed(wanted, idempotency_key)
        if first is None:
            raise Conflict("The stock changed at this very moment; nothing was held. Try again.") from error
        return first
    return {row.lot_id: row for row in rows}


def _summed(draws: Draws) -> dict[int, int]:
    pairs = draws.items() if isinstance(draws, Mapping) else draws
    total: Counter[int] = Counter()
    for lot_id, amount in pairs:
        if amount <= 0:
            raise InvalidInput({"amount": "An amount to hold must be more than zero."})
        total[lot_id] += amount
    return dict(sorted(total.items()))


def _holds_replayed(wanted: Mapping[int, int], idempotency_key: str) -> dict[int, Hold] | None:
    # Holds of one call are numbered from 0 in lot order; one number more shows a longer first call.
    keys = [f"{idempotency_key}#{position}" for position in range(len(wanted) + 1)]
    first = {hold.lot_id: hold for hold in Hold.objects.filter(idempotency_key__in=keys)}
    if first and {lot_id: hold.amount for lot_id, hold in first.items()} != wanted:
        raise Conflict(
            "This was sent before, for other amounts. Nothing more was held; open the page afresh."
        )
    return first or None


def _check_free(lots: Mapping[int, Lot], wanted: Mapping[int, int]) -> None:
    for lot_id in wanted:
        lot = lots[lot_id]
        if lot.state != states.AVAILABLE:
            raise NotInThisState(f"{lot.code} is {lot.get_state_display().lower()}. Choose another lot.")
    missing = tuple(
        Missing(lot_id, lots[lot_id].code, lots[lot_id].unit, amount, lots[lot_id].free)
        for lot_id, amount in wanted.items()
        if amount > lots[lot_id].free
    )
    if missing:
        raise NotEnough(missing)


def draw_holds(
    *, actor: User, amounts: Mapping[int, int], reason: str, idempotency_key: str
) -> list[Movement]:
    """Draw what holds promised, with the base units really drawn; 0 gives the hold back.

    Less than was held leaves the rest free; more takes from what is free of the lot.

    Raises:
        NotEnough: when the extra isn't free.
        Conflict: when a hold was drawn or released before by another call.
    """
    if any(amount < 0 for amount in amounts.values()):
        raise InvalidInput({"amount": "An amount drawn can't be less than zero."})
    lots, holds = _lock_holds(amounts)
    rows: list[Movement] = []
    # Those that give back come first, so that what they leave serves those that take more.
    for hold in sorted(holds, key=lambda hold: amounts[hold.pk] - hold.amount):
        drawn = amounts[hold.pk]
        if drawn == 0 and hold.state != states.DRAWN:
            _release(lots, [hold.pk], actor, reason)
            continue
        row = Movement(
            lot=lots[hold.lot_id],
            kind=Movement.Kind.DRAWN,
            amount=-drawn,
            hold=hold,
            actor=actor,
            reason=reason,
            idempotency_key=f"{idempotency_key}#{hold.pk}",
        )
        first = _replayed(row)
        if first is None:
            if hold.state != states.ACTIVE:
                raise Conflict(
                    f"What was held of {row.lot.code} is already {hold.get_state_display().lower()}. "
                    "Look at the ledger of the lot."
                )
            _close([hold.pk], states.DRAWN, actor, reason)
            first = _post(row, held=-hold.amount)
        rows.append(first)
    return rows


def release_holds(*, actor: User, hold_ids: Iterable[int], reason: str) -> None:
    """Give back what is still held; a hold that was closed before stays as it is."""
    ids = set(hold_ids)
    lots, _ = _lock_holds(ids)
    _release(lots, ids, actor, reason)


def _lock_holds(hold_ids: Iterable[int]) -> tuple[dict[int, Lot], list[Hold]]:
    ids = set(hold_ids)
    # The lot of a hold never changes, so it may be read before the lock; the state may not.
    lots = lock_lots(Hold.objects.filter(pk__in=ids).values_list("lot_id", flat=True))
    holds = list(Hold.objects.filter(pk__in=ids))
    if len(holds) != len(ids):
        raise Conflict("One of the holds is no longer there. Look at the stock again.")
    return lots, holds


def _release(lots: Mapping[int, Lot], hold_ids: Iterable[int], actor: User, reason: str) -> None:
    active = Hold.objects.filter(pk__in=set(hold_ids), state=states.ACTIVE)
    for hold in list(active):
        _shift(lots[hold.lot_id], held=-hold.amount)
        _close([hold.pk], states.RELEASED, actor, reason)


def _close(hold_ids: Iterable[int], state: str, actor: User, reason: str) -> None:
    Hold.objects.filter(pk__in=list(hold_ids)).update(
        state=state, closed_at=timezone.now(), closed_by=actor, closing_reason=reason
    )
