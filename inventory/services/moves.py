"""Bottles are put elsewhere, one or many at once."""

from collections.abc import Iterable

from inventory import ledger
from inventory.models import Lot, Place
from inventory.services.lots import note
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


@atomic_with_retries
def move_lot(*, actor: User, lot: Lot, place: Place | None, reason: str = "") -> Lot:
    """Put one bottle elsewhere; where it stands already changes nothing, so sending twice is harmless.

    Raises:
        NotAllowed.
        InvalidInput: field ``reason``, when it is too long.
    """
    return move_lots(actor=actor, lots=[lot], place=place, reason=reason)[0]


@atomic_with_retries
def move_lots(*, actor: User, lots: Iterable[Lot], place: Place | None, reason: str = "") -> list[Lot]:
    """Put several bottles in one place; each one's history says from where and by whom.

    Args:
        place: ``None`` says that nobody knows where they are.

    Returns:
        The bottles as they stand now, in the order of their keys.

    Raises:
        NotAllowed.
        InvalidInput: fields ``lots``, when there is none, and ``reason``.
    """
    policy.require(actor, "receive_lot")
    reader = Reader()
    wanted = [lot.pk for lot in lots]
    if not wanted:
        reader.refuse("lots", "Tick the bottles that were put elsewhere.")
    kept = reader.words("reason", reason, MAX_REASON)
    reader.done()
    locked = ledger.lock_lots(wanted)
    for lot in locked.values():
        write_move(lot, place, actor=actor, reason=kept)
    return list(locked.values())


def write_move(lot: Lot, place: Place | None, *, actor: User, reason: str = "") -> None:
    """Write a bottle's place and its history. The lot is locked; nothing happens where it is there."""
    if lot.place_id == (place.pk if place else None):
        return
    before = lot.place
    # In words too, because a place may be renamed or put into another room later.
    told = f"From {before or 'nowhere'} to {place or 'nowhere'}"
    note(
        lot,
        "move",
        actor=actor,
        reason=f"{told}. {reason}" if reason else told,
        from_place=before,
        to_place=place,
    )
    lot.place = place
    lot.save(update_fields=["place"])
