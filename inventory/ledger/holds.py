"""Holds: what is promised of a lot, until it is drawn or given back."""

from collections import Counter
from collections.abc import Iterable, Mapping

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory import states
from inventory.ledger.locks import Missing, NotEnough, lock_lots, shift
from inventory.ledger.movements import post_row, replayed
from inventory.models import Hold, Lot, Movement
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState

Draws = Mapping[int, int] | Iterable[tuple[int, int]]


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
                shift(row.lot, held=row.amount)
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
        first = replayed(row)
        if first is None:
            if hold.state != states.ACTIVE:
                raise Conflict(
                    f"What was held of {row.lot.code} is already {hold.get_state_display().lower()}. "
                    "Look at the ledger of the lot."
                )
            _close([hold.pk], states.DRAWN, actor, reason)
            first = post_row(row, held=-hold.amount)
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
        shift(lots[hold.lot_id], held=-hold.amount)
        _close([hold.pk], states.RELEASED, actor, reason)


def _close(hold_ids: Iterable[int], state: str, actor: User, reason: str) -> None:
    Hold.objects.filter(pk__in=list(hold_ids)).update(
        state=state, closed_at=timezone.now(), closed_by=actor, closing_reason=reason
    )
