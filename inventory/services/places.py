"""Rooms, cabinets, shelves."""

from django.db import IntegrityError, transaction

from inventory.models import Place
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict


@atomic_with_retries
def add_place(
    *, actor: User, name: str, parent: Place | None = None, idempotency_key: str | None = None
) -> Place:
    """Add a place, perhaps inside another one.

    Args:
        idempotency_key: the same key adds once; later calls return the first place.

    Raises:
        NotAllowed.
        InvalidInput: field ``name``, when it is empty or there already.
        Conflict: when the key was used for another place.
    """
    policy.require(actor, "receive_lot")
    first = added_place(idempotency_key, name=name)
    if first:
        return first
    place = check_place(name=name, parent=parent)
    place.idempotency_key = idempotency_key
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


def check_place(*, name: str, parent: Place | None) -> Place:
    """Read what was typed about a place, without saving it.

    Raises:
        InvalidInput: field ``name``.
    """
    reader = Reader()
    kept = reader.words("name", " ".join(name.split()), 80)
    if not kept:
        reader.refuse("name", "Type what stands on the door or the shelf.")
    elif Place.objects.filter(parent=parent, name__iexact=kept).exists():
        reader.refuse("name", f"There is a “{kept}” {'in ' + parent.name if parent else 'already'}.")
    reader.done()
    return Place(name=kept, parent=parent)
