"""A bottle comes back from a room: what is left of it, in which condition, and where it goes.

What was never opened goes back into the solution it was poured from. What was opened is never mixed back
(common practice): kept clean it stands apart as a lot of its own until somebody has checked it, anything
else goes into a named waste stream. Into a reagent bottle goes nothing at all.
"""

from datetime import date
from typing import Final

from inventory import states as stock
from inventory.amounts import as_text, from_base
from inventory.models import Lot, Place, WasteStream
from inventory.services import (
    change_lot_state,
    correct_label,
    dispose,
    in_transaction_with_retries,
    lock_lots,
    return_to_lot,
    split_lot,
)
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.drafts import plain
from requests_app.models import Portion
from requests_app.services.portion_moves import locked_portions, move_portion

TO_LOT: Final = "lot"
APART: Final = "apart"
WASTE: Final = "waste"
# Where what came back may go, by its condition; the first is offered first.
MAY_GO: Final[dict[str, tuple[str, ...]]] = {
    "unopened": (TO_LOT, WASTE),
    "clean": (APART, WASTE),
    "soiled": (WASTE,),
}
WHERE_WORDS: Final = {
    TO_LOT: "Back into its own solution",
    APART: "Kept apart, in its own bottle",
    WASTE: "Into a waste stream",
}


def take_back(
    *,
    actor: User,
    portion: Portion,
    amount: str,
    condition: str,
    where: str,
    unit: str = "mL",
    stream: WasteStream | None = None,
    place: Place | None = None,
    keep_until: date | None = None,
) -> Portion:
    """Take back what is left in a delivered bottle. Twice is the same as once.

    Args:
        amount: what is left, as typed, in ``unit``.
        condition: one of ``states.CONDITIONS``.
        where: one of what :data:`MAY_GO` allows for it.
        stream: where it is disposed of, for ``waste``.
        place: where it stands, for ``apart``.
        keep_until: the last day it is kept, for ``apart``; never later than the solution itself.

    Raises:
        InvalidInput: by field: more than was delivered, a condition or a place that doesn't go together.
        NotInThisState: it was never delivered, or came back empty.
    """
    policy.require(actor, "take_back_portion")

    def back() -> Portion:
        _, (locked,) = locked_portions([portion])
        if locked.state == states.RETURNED:
            return locked
        lot = lock_lots([locked.lot_id])[locked.lot_id]
        locked.lot = lot
        left = 0
        if locked.state == states.DELIVERED:
            left = _checked(locked, amount=amount, unit=unit, condition=condition, where=where, stream=stream)
            locked.returned_amount, locked.condition = left, condition
        words = states.CONDITIONS.get(condition, "").lower()
        move_portion(actor=actor, portion=locked, event="take_back", note=words)
        reason = f"{locked.code} came back from {locked.room}: {words}"[:300]
        typed = plain(from_base(left, lot.unit))
        return_to_lot(
            actor=actor,
            lot=lot,
            amount=typed,
            unit=lot.unit,
            reason=reason,
            idempotency_key=f"back-{locked.pk}",
        )
        if where == WASTE:
            _to_waste(actor, locked, typed, reason, stream)
        else:
            reopened_as_it_was(actor=actor, before=lot, reason=reason)
            locked.returned_to = lot
            if where == APART:
                locked.returned_to = _kept_apart(
                    actor, locked, typed=typed, reason=reason, place=place, keep_until=keep_until
                )
        locked.save(update_fields=["returned_to", "waste_stream"])
        return locked

    return in_transaction_with_retries(back)


def mark_empty(*, actor: User, portion: Portion) -> Portion:
    """Say that a delivered bottle came back empty, or need not come back. Twice is the same as once.

    Raises:
        NotInThisState: it was never delivered, or came back with something in it.
    """
    policy.require(actor, "take_back_portion")

    def empty() -> Portion:
        _, (locked,) = locked_portions([portion])
        if locked.state != states.EMPTY:
            move_portion(actor=actor, portion=locked, event="mark_empty")
        return locked

    return in_transaction_with_retries(empty)


def may_go(portion: Portion, condition: str) -> tuple[str, ...]:
    """Where a bottle in this condition may go now; of a stopped solution nothing is kept apart for use."""
    allowed = MAY_GO.get(condition, ())
    if portion.lot.state in stock.STOPPED:
        return tuple(one for one in allowed if one != APART)
    return allowed


def _checked(
    portion: Portion, *, amount: str, unit: str, condition: str, where: str, stream: WasteStream | None
) -> int:
    reader = Reader()
    lot = portion.lot
    left = reader.amount("amount", amount, unit, counted_in=lot.unit)
    if left > portion.amount:
        most = as_text(portion.amount, lot.unit)
        reader.refuse("amount", f"{most} were delivered in {portion.code}, so no more can come back.")
    if condition not in states.CONDITIONS:
        reader.refuse("condition", "Say how it comes back; what is not known is soiled.")
    elif where not in may_go(portion, condition):
        said = states.CONDITIONS[condition].lower()
        ways = " or ".join(WHERE_WORDS[one].lower() for one in may_go(portion, condition))
        stopped = f" {lot.code} is {lot.get_state_display().lower()}." if lot.state in stock.STOPPED else ""
        reader.refuse("where", f"What is {said} goes {ways}.{stopped}")
    if where == WASTE and stream is None:
        reader.refuse("stream", "Choose the waste stream it goes into, by the local rules.")
    reader.done()
    return left


def _to_waste(actor: User, portion: Portion, typed: str, reason: str, stream: WasteStream | None) -> None:
    portion.waste_stream = stream
    dispose(
        actor=actor,
        lot=portion.lot,
        amount=typed,
        unit=portion.lot.unit,
        reason=reason,
        waste_stream=stream,
        idempotency_key=f"back-{portion.pk}-waste",
    )


def reopened_as_it_was(*, actor: User, before: Lot, reason: str) -> None:
    """A lot that was emptied by delivering it is as good as it was; one that was stopped then stays so.

    Coming back reopens an emptied lot into quarantine, for it may have been stopped before it was emptied.
    """
    if before.state != stock.EMPTY:
        return
    emptied = before.events.filter(event="mark_empty").last()
    if emptied is not None and emptied.from_state == stock.AVAILABLE:
        change_lot_state(actor=actor, lot=before, event="release", reason=reason)


def _kept_apart(
    actor: User, portion: Portion, *, typed: str, reason: str, place: Place | None, keep_until: date | None
) -> Lot:
    lot = portion.lot
    (kept,) = split_lot(
        actor=actor,
        lot=lot,
        amounts=[typed],
        unit=lot.unit,
        place=place,
        reason=reason,
        idempotency_key=f"back-{portion.pk}-apart",
        storage_reason=reason,
    )
    last = min((day for day in (keep_until, kept.expires_on) if day), default=None)
    kept = correct_label(
        actor=actor,
        lot=kept,
        figures={},
        words={
            "lot_number": kept.lot_number,
            "grade": kept.grade,
            "note": f"Came back opened from {portion.room} as {portion.code}",
        },
        expires_on=last,
        place=kept.place,
        reason=reason,
    )
    # It was open in a room: nobody plans with it until somebody has checked it and released it.
    return change_lot_state(actor=actor, lot=kept, event="quarantine", reason=reason)
