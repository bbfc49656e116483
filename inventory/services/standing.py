"""Whether a lot may stand at a place; against a rule only with a reason, which is written down."""

from typing import Final

from inventory.models import Lot, LotEvent, Place
from inventory.selectors import AGAINST_RULES, Shelves, conflicts_if_put
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.accounts.models import User

# The field that a refusal stands beside, and in which a reason for all the same is typed.
AGAINST: Final = "storage_reason"


def check_standing(lot: Lot, place: Place | None, reason: str) -> str:
    """What is to be written down when a lot is put there: the rules against it and the reason typed.

    Returns:
        Empty where no rule speaks against it.

    Raises:
        InvalidInput: field ``storage_reason``, where one does and no reason is given.
    """
    conflicts = conflicts_if_put(lot, place)
    if not conflicts:
        return ""
    return _kept(" ".join(dict.fromkeys(conflict.words for conflict in conflicts)), reason)


def _kept(rules: str, reason: str) -> str:
    reader = Reader()
    kept = reader.words(AGAINST, reason, MAX_REASON)
    if not kept:
        reader.refuse(
            AGAINST,
            f"It should not stand there. {rules} Choose another place, or say why it stands there all the "
            "same; your local rules and the safety data sheets decide.",
        )
    reader.done()
    return f"{kept}{AGAINST_RULES}{rules}"[:1200]


def check_standing_among(shelves: Shelves, lot: Lot, place: Place | None, reason: str) -> str:
    """As :func:`check_standing`, for one of many lots that are put away together, each after the other.

    Args:
        shelves: as they are once those before it stand where they belong; this one is counted in.
        lot: still where it stood before.
    """
    rules = shelves.move(lot, place.pk if place else None)
    return _kept(rules, reason) if rules else ""


def note_standing(lot: Lot, kept: str, *, actor: User) -> None:
    """Write down once that a lot stands where a rule speaks against it, and why."""
    if kept and not lot.events.filter(event="against", to_place=lot.place).exists():
        LotEvent.objects.create(
            lot=lot,
            event="against",
            from_state=lot.state,
            to_state=lot.state,
            actor=actor,
            reason=kept,
            to_place=lot.place,
        )
