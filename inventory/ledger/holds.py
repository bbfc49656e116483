"""Holds: what is promised of a lot, until it is drawn or given back."""

from collections import Counter
from collections.abc import Iterable, Mapping

from django.db import IntegrityError, connection
from django.utils import timezone

from inventory import states
from inventory.ledger.locks import (
    Missing,
    NotEnough,
    lock_lots,
    lock_lots_of,
    require_transaction,
    shift_all,
)
from inventory.models import Hold, Lot
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState

Draws = Mapping[int, int] | Iterable[tuple[int, int]]


# --- placing ----------------------------------------------------------------------------------
def place_holds(
    *, actor: User, draws: Draws, purpose: str, idempotency_key: str, instead_of: Iterable[int] = ()
) -> dict[int, Hold]:
    """Hold base units of several lots, all or nothing; a lot named twice is summed.

    PostgreSQL does it in one statement. Whatever that statement declines, and any other database,
    goes step by step, which can say why.

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
    require_transaction()
    wanted = _summed(draws)
    old = set(instead_of)
    rows = [
        Hold(
            lot_id=lot_id,
            amount=amount,
            purpose=purpose,
            actor=actor,
            at=timezone.now(),
            # Numbered in lot order, so that the same call finds its own rows again.
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (lot_id, amount) in enumerate(wanted.items())
    ]
    if connection.vendor == "postgresql" and rows and not old and _place_at_once(rows, idempotency_key):
        return {row.lot_id: row for row in rows}
    return _place_step_by_step(
        rows, wanted, actor=actor, purpose=purpose, idempotency_key=idempotency_key, old=old
    )


def _summed(draws: Draws) -> dict[int, int]:
    pairs = draws.items() if isinstance(draws, Mapping) else draws
    total: Counter[int] = Counter()
    for lot_id, amount in pairs:
        if amount <= 0:
            raise InvalidInput({"amount": "An amount to hold must be more than zero."})
        total[lot_id] += amount
    return dict(sorted(total.items()))


def _place_at_once(rows: list[Hold], idempotency_key: str) -> bool:
    """Let one function of the database lock, check, insert and add up; a migration made it.

    Returns:
        Whether the rows are in; otherwise nothing is changed, and the locks taken stay.
    """
    first = rows[0]
    with connection.cursor() as cursor:
        # Arrays as text: the driver would look at every element of a list on each call.
        cursor.execute(
            "SELECT lot, hold FROM inventory_place_holds(%s::bigint[], %s::bigint[], %s, %s, %s, %s)",
            [
                _array(row.lot_id for row in rows),
                _array(row.amount for row in rows),
                first.purpose,
                first.actor_id,
                first.at,
                idempotency_key,
            ],
        )
        made: dict[int, int] = dict(cursor.fetchall())
    if made and len(made) < len(rows):
        raise _sent_for_something_else()
    for row in rows if made else ():
        row.pk = made[row.lot_id]
        row._state.adding = False
        row._state.db = connection.alias
    return bool(made)


def _array(numbers: Iterable[int]) -> str:
    return f"{{{','.join(map(str, numbers))}}}"


def _place_step_by_step(
    rows: list[Hold],
    wanted: Mapping[int, int],
    *,
    actor: User,
    purpose: str,
    idempotency_key: str,
    old: set[int],
) -> dict[int, Hold]:
    lots_of_old = Hold.objects.filter(pk__in=old).values_list("lot_id", flat=True) if old else ()
    lots = lock_lots([*wanted, *lots_of_old])
    first = _holds_replayed(wanted, idempotency_key)
    if first is not None:
        return first
    if old:
        _release(lots, Hold.objects.filter(pk__in=old), actor, f"Replaced: {purpose}")
    _check_free(lots, wanted)
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


def _holds_replayed(wanted: Mapping[int, int], idempotency_key: str) -> dict[int, Hold] | None:
    # Holds of one call are numbered from 0; one number more shows a longer first call.
    keys = [f"{idempotency_key}#{position}" for position in range(len(wanted) + 1)]
    first = {hold.lot_id: hold for hold in Hold.objects.filter(idempotency_key__in=keys)}
    if first and {lot_id: hold.amount for lot_id, hold in first.items()} != wanted:
        raise _sent_for_something_else()
    return first or None


def _sent_for_something_else() -> Conflict:
    return Conflict("This was sent before, for other amounts. Nothing more was held; open the page afresh.")


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
