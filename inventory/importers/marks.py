"""Whether the stockroom still is what it was when rows were checked against it, found out in a few reads.

Checking ten thousand rows takes seconds. While they are brought in nobody else can write on SQLite, so
they are checked before that, and a mark of all that the check looked at is compared inside.
"""

import hashlib
from collections.abc import Iterable
from typing import Final

from django.utils import timezone

from inventory.models import Lot, Place, Substance

# What a check reads of bottles that no row names: beside what others stand, and their lot numbers.
_OF_ALL: Final = (
    "pk",
    "substance_id",
    "kind",
    "state",
    "title",
    "place_id",
    "lot_number",
    "mass_percent",
    "concentration_mol_per_l",
    "composition",
)
_OF_NAMED: Final = [field.attname for field in Lot._meta.concrete_fields]


def mark_of_stock(named: Iterable[Lot]) -> str:
    """The same as long as substances, places, what stands on the shelf and the bottles ``named`` are."""
    return _mark(
        Substance.objects.order_by("pk").values_list().iterator(),
        Place.objects.order_by("pk").values_list().iterator(),
        Lot.objects.filter(on_hand__gt=0).order_by("pk").values_list(*_OF_ALL).iterator(),
        _facts(named),
    )


def mark_of_bottles(named: Iterable[Lot]) -> str:
    """The same as long as the bottles ``named`` and the names of what is in them are."""
    lots = list(named)
    return _mark(_facts(lots), [tuple(lot.substance.name for lot in lots)])


def _facts(lots: Iterable[Lot]) -> Iterable[tuple[object, ...]]:
    return (tuple(getattr(lot, name) for name in _OF_NAMED) for lot in lots)


def _mark(*parts: Iterable[tuple[object, ...]]) -> str:
    seen = hashlib.sha256(str(timezone.localdate()).encode())
    for part in parts:
        for row in part:
            seen.update(repr(row).encode())
        seen.update(b"\0")
    return seen.hexdigest()
