"""Rooms, cabinets, shelves: they are named, moved into each other, retired."""

import uuid

from django.db import IntegrityError, transaction

from inventory import codes
from inventory.models import Place
from inventory.selectors import standing_in, within
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, NotInThisState


@atomic_with_retries
def add_place(
    *,
    actor: User,
    name: str,
    parent: Place | None = None,
    kind: str = Place.Kind.OTHER,
    note: str = "",
    idempotency_key: str | None = None,
) -> Place:
    """Add a place, perhaps inside another one, with a code for its label.

    Args:
        idempotency_key: the same key adds once; later calls return the first place.

    Raises:
        NotAllowed.
        InvalidInput: by field; ``name`` when it is empty or there already.
        Conflict: when the key was used for another place.
    """
    policy.require(actor, "receive_lot")
    first = added_place(idempotency_key, name=name)
    if first:
        return first
    place = check_place(name=name, parent=parent, kind=kind, note=note)
    place.idempotency_key = idempotency_key
    place.code = uuid.uuid4().hex[:16]
    reader = Reader()
    try:
        with transaction.atomic():
            place.save(force_insert=True)
    except IntegrityError:
        first = added_place(idempotency_key, name=name)
        if first:
            return first
        reader.refuse("name", "A place of this name was added at this very moment.")
    reader.done()
    # The key comes from the database's own sequence, so the code is made of it.
    place.code = codes.code_of(place.pk, codes.PLACE)
    place.save(update_fields=["code"])
    return place


def added_place(idempotency_key: str | None, *, name: str) -> Place | None:
    """The place that an earlier sending of the same form added.

    Raises:
        Conflict: when it was sent with another name.
    """
    if not idempotency_key:
        return None
    first = Place.objects.filter(idempotency_key=idempotency_key).first()
    if first and first.name != " ".join(name.split()):
        raise Conflict(f"This form was sent before and added {first.name}. Open the page afresh for another.")
    return first


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
    # Two moves at once could put two places into each other; so the tree changes one at a time. NO KEY:
    # a bottle being moved, whose history names two places, need not wait for that.
    rows = {row.pk: row for row in Place.objects.select_for_update(no_key=True).order_by("pk")}
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
