"""What would speak against putting many lots away, with the shelves asked once for all of them."""

from collections import Counter
from collections.abc import Hashable
from typing import Final

from inventory import states
from inventory.models import Lot, Place, Substance
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.places import cabinets, standing
from inventory.selectors.storage import kept_lot
from prepdesk.calc.storage import Kept, Verdict, unsuited_place, verdict

_LOOKED_AT: Final = (
    "code",
    "substance",
    "kind",
    "title",
    "place",
    "mass_percent",
    "concentration_mol_per_l",
    "composition",
)
_CLOSED: Final = frozenset({Place.Kind.CABINET, Place.Kind.COLD})


class Shelves:
    """The cabinets and what stands in them, as they are now and as lots are put there one after another.

    The rules are those of :func:`inventory.selectors.conflicts_if_put`.
    """

    def __init__(self) -> None:
        self._catalogue = calc_catalogue()
        self._cabinet_of = cabinets()
        self._kind_of: dict[int, str] = dict(Place.objects.values_list("pk", "kind"))
        self._expected: dict[str, int] = {}
        self._kept: dict[Hashable, Kept] = {}
        self._verdicts: dict[tuple[Kept, Kept], Verdict] = {}
        # By cabinet, what stands in it: how many of each name in each place.
        self._there: dict[int, dict[Kept, Counter[tuple[int, str]]]] = {}
        # Thousands of bottles hold a few dozen substances; so each of those is read once.
        substances = Substance.objects.in_bulk()
        for lot in standing().only(*_LOOKED_AT).order_by("code").iterator(chunk_size=2_000):
            lot.substance = substances[lot.substance_id]
            self._count(lot, lot.place_id or 0, 1)

    def expect(self, way: str, inside: int | None) -> int:
        """Count on a place that is only to be created, and give the key it goes by here.

        Args:
            way: its whole name; the same way is the same place.
            inside: the innermost place on that way that is there already.
        """
        if way not in self._expected:
            key = self._expected[way] = -1 - len(self._expected)
            around = self._cabinet_of.get(inside or 0)
            closed = around is not None and self._kind_of[around] in _CLOSED
            # Until somebody says what it is, it counts as a cabinet of its own, as new places do.
            self._cabinet_of[key] = around if closed else key
            self._kind_of[key] = Place.Kind.OTHER
        return self._expected[way]

    def move(self, lot: Lot, place_id: int | None) -> str:
        """Count a lot as standing there from now on, and no longer where it was.

        Returns:
            What speaks against it, in words; empty where no rule does.
        """
        counted = lot.pk is not None and lot.on_hand > 0 and lot.state != states.EMPTY
        if lot.place_id is not None and counted:
            self._count(lot, lot.place_id, -1)
        if place_id is None:
            return ""
        rules = self.against(lot, place_id)
        if counted or lot.pk is None:
            self._count(lot, place_id, 1)
        return rules

    def _count(self, lot: Lot, place_id: int, more: int) -> None:
        cabinet = self._cabinet_of.get(place_id)
        if cabinet is not None:
            name = lot.title or lot.substance.name
            there = self._there.setdefault(cabinet, {}).setdefault(self._kept_of(lot), Counter())
            there[place_id, name] += more

    def against(self, lot: Lot, place_id: int) -> str:
        """What speaks against putting a lot there, in words; empty where no rule does."""
        cabinet = self._cabinet_of.get(place_id)
        if cabinet is None:
            return ""
        kept, name = self._kept_of(lot), lot.title or lot.substance.name
        told = []
        wrong = unsuited_place(kept, self._kind_of[cabinet])
        if wrong:
            told.append(f"{name}: {wrong.reason}")
        for other, here in self._there.get(cabinet, {}).items():
            found = self._verdict(kept, other)
            if found.forbids:
                near = (
                    beside
                    for (where, beside), count in here.items()
                    if count > 0 and (found.apart == "cabinet" or where == place_id)
                )
                beside = next(near, "")
                if beside:
                    told.append(f"{name} beside {beside}: {found.reason}")
        return " ".join(told)

    def _kept_of(self, lot: Lot) -> Kept:
        asked = (
            lot.substance_id,
            lot.kind,
            lot.mass_percent,
            lot.concentration_mol_per_l,
            str(lot.composition) if len(lot.composition) > 1 else "",
        )
        if asked not in self._kept:
            self._kept[asked] = kept_lot(lot, self._catalogue)
        return self._kept[asked]

    def _verdict(self, one: Kept, other: Kept) -> Verdict:
        if (one, other) not in self._verdicts:
            self._verdicts[one, other] = verdict(one, other)
        return self._verdicts[one, other]
