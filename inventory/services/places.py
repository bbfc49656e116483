"""Rooms, cabinets, shelves: they are named, moved, retired, and lots are put there."""

import uuid
from collections.abc import Iterable
from typing import Final

from inventory import codes, ledger
from inventory.models import Lot, LotEvent, Place
from inventory.selectors import conflicts_if_put, places, standing_in, within
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState

# The field that a refusal stands beside, and in which a reason for all the same is typed.
AGAINST: Final = "storage_reason"


# --- the tree -----------------------------------------------------------------------------------
@atomic_with_retries
def add_place(
    *, actor: User, name: str, parent: Place | None = None, kind: str = Place.Kind.OTHER, note: str = ""
) -> Place:
    """Add a place, perhaps inside another one, with a code for its label.

    Raises:
        NotAllowed.
        InvalidInput: by field; ``name`` when it is empty or there already.
    """
    policy.require(actor, "receive_lot")
    place = check_place(name=name, parent=parent, kind=kind, note=note)
    # The key comes from the database's own sequence, so the code is made of it.
    place.code = uuid.uuid4().hex[:16]
    place.save(force_insert=True)
    place.code = codes.code_of(place.pk, codes.PLACE)
    place.save(update_fields=["code"])
    return place


@atomic_with_retries
def change_place(
    *, actor: User, place: Place, name: str, parent: Place | None, kind: str, note: str = ""
) -> Place:
    """Rename a place, say what it is, or move it, with all that is in it, into another one.

    Raises:
        NotAllowed.
        InvalidInput: by field; ``parent`` when it would stand inside itself.
    """
    policy.require(actor, "receive_lot")
    # Two moves at once could put two places into each other; so the tree changes one at a time.
    rows = {row.pk: row for row in Place.objects.select_for_update().order_by("pk")}
    locked = rows[place.pk]
    new = check_place(name=name, parent=parent, kind=kind, note=note, instead_of=locked)
    locked.name, locked.parent, locked.kind, locked.note = new.name, new.parent, new.kind, new.note
    locked.save(update_fields=["name", "parent", "kind", "note"])
    return locked


def check_place(
    *,
    name: str,
    parent: Place | None,
    kind: str = Place.Kind.OTHER,
    note: str = "",
    instead_of: Place | None = None,
) -> Place:
    """Read what was typed about a place, without saving it.

    Args:
        instead_of: the place as it is now, where it is changed.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    kept = reader.words("name", " ".join(name.split()), 80)
    own = instead_of.pk if instead_of else None
    if not kept:
        reader.refuse("name", "Type what stands on the door or the shelf.")
    elif Place.objects.filter(parent=parent, name__iexact=kept).exclude(pk=own or 0).exists():
        reader.refuse("name", f"There is a “{kept}” {'in ' + parent.name if parent else 'already'}.")
    if kind not in Place.Kind.values:
        reader.refuse("kind", "Say what kind of place it is.")
    if parent and own and parent.pk in within(own):
        reader.refuse("parent", f"{parent.name} is inside it, so it can't stand in there.")
    if parent and not parent.in_use and (instead_of is None or instead_of.parent_id != parent.pk):
        reader.refuse("parent", f"{parent.name} is no longer in use.")
    words = reader.words("note", note, 300)
    reader.done()
    return Place(name=kept, parent=parent, kind=kind, note=words)


@atomic_with_retries
def retire_place(*, actor: User, place: Place) -> Place:
    """Take an empty place out of the lists; its name stays in every history.

    Raises:
        NotAllowed.
        NotInThisState: when something stands there, or a place inside is in use.
    """
    policy.require(actor, "receive_lot")
    locked = Place.objects.select_for_update().get(pk=place.pk)
    lots = [lot.code for lot in standing_in({locked.pk})[:6]]
    there = [
        f"{', '.join(lots[:5])}{' and more' if len(lots) > 5 else ''} stand there" if lots else "",
        "apparatus stands there" if locked.apparatus.exists() else "",
        "places inside it are in use" if locked.children.filter(in_use=True).exists() else "",
    ]
    if any(there):
        raise NotInThisState(
            f"{locked.name} can't be retired: {'; '.join(filter(None, there))}. Move that elsewhere first."
        )
    locked.in_use = False
    locked.save(update_fields=["in_use"])
    return locked


@atomic_with_retries
def reopen_place(*, actor: User, place: Place) -> Place:
    """Take a retired place, and what it is in, into use again.

    Raises:
        NotAllowed.
    """
    policy.require(actor, "receive_lot")
    row: Place | None = Place.objects.select_for_update().get(pk=place.pk)
    while row is not None and not row.in_use:
        row.in_use = True
        row.save(update_fields=["in_use"])
        row = row.parent
    place.refresh_from_db()
    return place


# --- putting lots there ---------------------------------------------------------------------------
@atomic_with_retries
def put_lots(*, actor: User, lots: Iterable[Lot], place: Place, reason: str = "") -> list[Lot]:
    """Put lots at a place; what stands there already stays.

    Args:
        reason: needed where a storage rule speaks against it, and written down beside the lot.

    Returns:
        The lots that were moved.

    Raises:
        NotAllowed.
        InvalidInput: field ``storage_reason``, with the rule, when it should not stand there.
        NotInThisState: when the place is no longer in use.
    """
    policy.require(actor, "receive_lot")
    # Against a retiring at the same moment.
    place = Place.objects.select_for_update(no_key=True).get(pk=place.pk)
    if not place.in_use:
        raise NotInThisState(f"{place.name} is no longer in use. Take it into use again, or choose another.")
    locked = ledger.lock_lots(lot.pk for lot in lots)
    moved = [lot for lot in locked.values() if lot.place_id != place.pk]
    names = dict(places())
    for lot in moved:
        kept = check_standing(lot, place, reason)
        before = lot.place
        lot.place = place
        lot.save(update_fields=["place"])
        words = f"From {names.get(before.pk, before.name) if before else 'nowhere'} to {names[place.pk]}"
        _write(lot, "move", actor=actor, reason=words, before=before, after=place)
        if kept:
            _write(lot, "against", actor=actor, reason=kept, after=place)
    return moved


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
    reader = Reader()
    kept = reader.words(AGAINST, reason, MAX_REASON)
    rules = " ".join(dict.fromkeys(conflict.words for conflict in conflicts))
    if not kept:
        reader.refuse(
            AGAINST,
            f"It should not stand there. {rules} Choose another place, or say why it stands there all the "
            "same; your local rules and the safety data sheets decide.",
        )
    reader.done()
    return f"{kept}. {rules}"[:1200]


def note_standing(lot: Lot, kept: str, *, actor: User) -> None:
    """Write down once that a lot stands where a rule speaks against it, and why."""
    if kept and not lot.events.filter(event="against", to_place=lot.place).exists():
        _write(lot, "against", actor=actor, reason=kept, after=lot.place)


def _write(
    lot: Lot, event: str, *, actor: User, reason: str, before: Place | None = None, after: Place | None
) -> None:
    LotEvent.objects.create(
        lot=lot,
        event=event,
        from_state=lot.state,
        to_state=lot.state,
        actor=actor,
        reason=reason,
        from_place=before,
        to_place=after,
    )
