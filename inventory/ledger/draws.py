"""Draws: what holds promised leaves the lots, with what was really taken."""

from collections import Counter
from collections.abc import Mapping

from django.db import IntegrityError

from inventory import states
from inventory.ledger.holds import close_holds, lock_holds, promised_by
from inventory.ledger.locks import Missing, NotEnough, shift_all
from inventory.ledger.movements import refuse_other_use
from inventory.models import Hold, Lot, Movement
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput


def draw_holds(
    *, actor: User, amounts: Mapping[int, int], reason: str, idempotency_key: str
) -> list[Movement]:
    """Draw what holds promised, with the base units really drawn; 0 gives the hold back.

    Less than was held leaves the rest free; more takes from what is free of the lot, also from what
    another hold of the same call leaves.

    Raises:
        NotEnough: naming every lot where the extra isn't free.
        Conflict: when a hold was drawn or released before by another call.
    """
    if any(amount < 0 for amount in amounts.values()):
        raise InvalidInput({"amount": "An amount drawn can't be less than zero."})
    lots, holds = lock_holds(amounts)
    rows = [
        Movement(
            lot=lots[hold.lot_id],
            kind=Movement.Kind.DRAWN,
            amount=-amounts[hold.pk],
            hold=hold,
            actor=actor,
            reason=reason,
            idempotency_key=f"{idempotency_key}#{hold.pk}",
        )
        for hold in holds
        if amounts[hold.pk] or hold.state == states.DRAWN
    ]
    first = _posted(rows)
    new = [row for row in rows if row.idempotency_key not in first]
    for row in new:
        _require_active(row)
    unused = [hold for hold in holds if amounts[hold.pk] == 0 and hold.state == states.ACTIVE]
    _post(lots, new, unused, actor=actor, reason=reason)
    return [first.get(row.idempotency_key, row) for row in rows]


def _posted(rows: list[Movement]) -> dict[str, Movement]:
    """What an earlier call under the same key posted, by key."""
    wanted = {row.idempotency_key: row for row in rows}
    if not wanted:
        return {}
    first = Movement.objects.select_related("lot").filter(idempotency_key__in=wanted)
    found = {row.idempotency_key: row for row in first}
    for key, row in found.items():
        refuse_other_use(row, wanted[key])
    return found


def _require_active(row: Movement) -> None:
    hold = row.hold
    if hold is not None and hold.state != states.ACTIVE:
        raise Conflict(
            f"What was held of {row.lot.code} is already {hold.get_state_display().lower()}. "
            "Look at the ledger of the lot."
        )


def _post(
    lots: Mapping[int, Lot], rows: list[Movement], unused: list[Hold], *, actor: User, reason: str
) -> None:
    """Close the holds, write the rows and both balances of locked lots: four statements at most."""
    drawn = [row.hold for row in rows if row.hold is not None]
    on_hand: Counter[int] = Counter()
    for row in rows:
        on_hand[row.lot_id] += row.amount
    promised = promised_by(drawn + unused)
    missing = tuple(
        # What the holds of this call promised counts as free for what is drawn of them.
        Missing(pk, lots[pk].code, lots[pk].unit, -amount, lots[pk].free + promised[pk])
        for pk, amount in sorted(on_hand.items())
        if -amount > lots[pk].free + promised[pk]
    )
    if missing:
        raise NotEnough(missing)
    try:
        close_holds(drawn, states.DRAWN, actor=actor, reason=reason)
        close_holds(unused, states.RELEASED, actor=actor, reason=reason)
        Movement.objects.bulk_create(rows)
        shift_all(lots, on_hand=on_hand, held={pk: -amount for pk, amount in promised.items()})
    except IntegrityError as error:
        # The lots are locked, so this is a constraint, or the key just used for something else.
        raise Conflict("The stock changed at this very moment; nothing was saved. Try again.") from error
