"""Rooms, cabinets, shelves."""

from inventory.models import Place
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


@atomic_with_retries
def add_place(*, actor: User, name: str, parent: Place | None = None) -> Place:
    """Add a place, perhaps inside another one.

    Raises:
        NotAllowed.
        InvalidInput: field ``name``, when it is empty or there already.
    """
    policy.require(actor, "receive_lot")
    place = check_place(name=name, parent=parent)
    place.save(force_insert=True)
    return place


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
