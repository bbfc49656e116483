"""Holds: what is promised of a lot, until it is drawn or given back."""

from collections import Counter
from collections.abc import Iterable, Mapping

from django.db import IntegrityError, connection
from django.utils import timezone

from inventory import states
from inventory.ledger.locks import Missing, NotEnough, lock_lots, lock_lots_of, shift_all
from inventory.models import Hold, Lot
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState

Draws = Mapping[int, int] | Iterable[tuple[int, int]]


# --- placing ----------------------------------------------------------------------------------
def place_holds_at_once(
    *, actor: User, draws: Draws, purpose: str, idempotency_key: str
) -> dict[int, Hold] | None:
    """Hold by one statement where the database has a function for it, as PostgreSQL here.

    One statement is a transaction of its own, so this alone may be called without one: the lots are
    locked for no longer than the database itself takes.

    Returns:
        The holds by lot key, or ``None``: nothing is changed, and :func:`place_holds` can say why, or
        find the holds that were placed before under this key.
    """
    wanted = _summed(draws)
    if connection.vendor != "postgresql" or not wanted:
        return None
    rows = _rows(wanted, actor=actor, purpose=purpose, idempotency_key=idempotency_key)
    with connection.cursor() as cursor:
        # Arrays as text: the driver would look at every element of a list on each call.
        cursor.execute(
            "SELECT inventory_place_holds(%s::bigint[], %s::bigint[], %s, %s, %s, %s)",
            [_array(wanted), _array(wanted.values()), purpose, actor.pk, rows[0].at, idempotency_key],
        )
        (made,) = cursor.fetchone()
    if made is None:
        return None
    for row, pk in zip(rows, made, strict=True):
        row.pk, row._state.adding, row._state.db = pk, False, connection.alias
    return {row.lot_id: row for row in rows}


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
    old = Hold.objects.filter(pk__in=set(instead_of))
    lots = lock_lots([*wanted, *old.values_list("lot_id", flat=True)])
    first = _holds_replayed(wanted, idempotency_key)
    if first is not None:
        return first
    _release(lots, old, actor, f"Replaced: {purpose}")
    _check_free(lots, wanted)
    rows = _rows(wanted, actor=actor, purpose=purpose, idempotency_key=idempotency_key)
    for row in rows:
        row.lot = lots[row.lot_id]
    try:
        Hold.objects.bulk_create(rows)
        shift_all(lots, on_hand={}, held=wanted)
    except IntegrityError as error:
        # The same call on the same lots waits for their locks and finds its rows above. So this key
        # is just being used for other lots, or a constraint stopped what the check should have seen.
        raise Conflict("The stock changed at this very moment; nothing was held. Try again.") from error
    return {row.lot_id: row for row in rows}


def _summed(draws: Draws) -> dict[int, int]:
    pairs = draws.items() if isinstance(draws, Mapping) else draws
    total: Counter[int] = Counter()
    for lot_id, amount in pairs:
        if amount <= 0:
            raise InvalidInput({"amount": "An amount to hold must be more than zero."})
        total[lot_id] += amount
    return dict(sorted(total.items()))


def _rows(wanted: Mapping[int, int], *, actor: User, purpose: str, idempotency_key: str) -> list[Hold]:
    now = timezone.now()
    return [
        Hold(
            lot_id=lot_id,
            amount=amount,
            purpose=purpose,
            actor=actor,
            at=now,
            # Numbered in lot order, so that the same call finds its own rows again.
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (lot_id, amount) in enumerate(wanted.items())
    ]


def _array(numbers: Iterable[int]) -> str:
    return f"{{{','.join(map(str, numbers))}}}"


def _holds_replayed(wanted: Mapping[int, int], idempotency_key: str) -> dict[int, Hold] | None:
    # Holds of one call are numbered from 0; one number more shows a longer first call.
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


# --- giving back ------------------------------------------------------------------------------
def release_holds(*, actor: User, hold_ids: Iterable[int], reason: str) -> None:
    """Give back what is still held; a hold that was closed before stays as it is."""
    lots, holds = lock_holds(hold_ids)
    _release(lots, holds, actor, reason)


def lock_holds(hold_ids: Iterable[int]) -> tuple[dict[int, Lot], list[Hold]]:
    """Lock the lots of these holds; return both as they are now.

    Raises:
        Conflict: when a hold does not exist.
    """
    ids = set(hold_ids)
    lots = lock_lots_of(ids)
    holds = list(Hold.objects.filter(pk__in=ids))
    if len(holds) != len(ids):
        raise Conflict("One of the holds is no longer there. Look at the stock again.")
    return lots, holds


def close_holds(holds: Iterable[Hold], state: str, *, actor: User, reason: str) -> None:
    """Write down that holds of locked lots ended; the caller changes the balances."""
    closed = [hold.pk for hold in holds]
    if closed:
        Hold.objects.filter(pk__in=closed).update(
            state=state, closed_at=timezone.now(), closed_by=actor, closing_reason=reason
        )


def promised_by(holds: Iterable[Hold]) -> Counter[int]:
    """What these holds hold: base units by lot key."""
    total: Counter[int] = Counter()
    for hold in holds:
        total[hold.lot_id] += hold.amount
    return total


def _release(lots: Mapping[int, Lot], holds: Iterable[Hold], actor: User, reason: str) -> None:
    active = [hold for hold in holds if hold.state == states.ACTIVE]
    close_holds(active, states.RELEASED, actor=actor, reason=reason)
    shift_all(lots, on_hand={}, held={pk: -amount for pk, amount in promised_by(active).items()})
