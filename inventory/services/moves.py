"""Bottles are put elsewhere, one or many at once."""

from collections.abc import Iterable

from inventory import ledger
from inventory.models import Lot, LotEvent, Place
from inventory.services.standing import check_standing, note_standing
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState


@atomic_with_retries
def move_lot(
    *, actor: User, lot: Lot, place: Place | None, reason: str = "", storage_reason: str = ""
) -> Lot:
    """Put one bottle elsewhere; where it stands already changes nothing, so sending twice is harmless.

    Raises:
        NotAllowed.
        InvalidInput, NotInThisState: as :func:`move_lots`.
    """
    moved = move_lots(actor=actor, lots=[lot], place=place, reason=reason, storage_reason=storage_reason)
    return moved[0]


@atomic_with_retries
def move_lots(
    *,
    actor: User,
    lots: Iterable[Lot],
    place: Place | None,
    reason: str = "",
    storage_reason: str = "",
) -> list[Lot]:
    """Put several bottles in one place; each one's history says from where and by whom.

    Args:
        place: ``None`` says that nobody knows where they are.
        storage_reason: why they stand there, where a storage rule speaks against it.

    Returns:
        The bottles as they stand now, in the order of their keys.

    Raises:
        NotAllowed.
        InvalidInput: fields ``lots``, when there is none, ``reason``, and ``storage_reason`` where one of
            them should not stand there and no reason is given.
        NotInThisState: when the place is no longer in use.
    """
    policy.require(actor, "receive_lot")
    reader = Reader()
    wanted = [lot.pk for lot in lots]
    if not wanted:
        reader.refuse("lots", "Tick the bottles that were put elsewhere.")
    kept = reader.words("reason", reason, MAX_REASON)
    reader.done()
    # Against a retiring at the same moment.
    there = place and Place.objects.select_for_update(no_key=True).get(pk=place.pk)
    if there and not there.in_use:
        raise NotInThisState(f"{there.name} is no longer in use. Take it into use again, or choose another.")
    locked = ledger.lock_lots(wanted)
    for lot in locked.values():
        write_move(lot, there, actor=actor, reason=kept, storage_reason=storage_reason)
    return list(locked.values())


def write_move(
    lot: Lot, place: Place | None, *, actor: User, reason: str = "", storage_reason: str = ""
) -> None:
    """Write a bottle's place and its history. The lot is locked; nothing happens where it is there.

    Raises:
        InvalidInput: field ``storage_reason``, where it should not stand there and no reason is given.
    """
    if lot.place_id == (place.pk if place else None):
        return
    against = check_standing(lot, place, storage_reason)
    event_of_move(lot, place, actor=actor, reason=reason).save(force_insert=True)
    lot.place = place
    lot.save(update_fields=["place"])
    note_standing(lot, against, actor=actor)


def event_of_move(lot: Lot, place: Place | None, *, actor: User, reason: str = "") -> LotEvent:
    """The entry in a bottle's history that it was put elsewhere, not saved yet."""
    # In words too, because a place may be renamed or put into another room later.
    told = f"From {lot.place or 'nowhere'} to {place or 'nowhere'}"
    return LotEvent(
        lot=lot,
        event="move",
        from_state=lot.state,
        to_state=lot.state,
        actor=actor,
        reason=f"{told}. {reason}" if reason else told,
        from_place=lot.place,
        to_place=place,
    )
