"""What would speak against putting many lots away, with the shelves asked once for all of them."""

from collections.abc import Hashable

from inventory.models import Lot, Place
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.places import cabinets, standing_in
from inventory.selectors.storage import kept_lot
from prepdesk.calc.storage import Kept, Verdict, unsuited_place, verdict


class Shelves:
    """The cabinets and what stands in them, as they are now and as lots are put there one after another.

    The rules are those of :func:`inventory.selectors.conflicts_if_put`.
    """

    def __init__(self) -> None:
        self._catalogue = calc_catalogue()
        self._cabinet_of = cabinets()
        self._kind_of = dict(Place.objects.values_list("pk", "kind"))
        self._kept: dict[Hashable, Kept] = {}
        self._verdicts: dict[tuple[Kept, Kept], Verdict] = {}
        # By cabinet, what stands in it: a name to call it by, and in which places.
        self._there: dict[int, dict[Kept, tuple[str, set[int]]]] = {}
        for lot in standing_in(set(self._cabinet_of)):
            if lot.place_id is not None:
                self.put(lot, lot.place_id)

    def put(self, lot: Lot, place_id: int) -> None:
        """Count a lot as standing there from now on."""
        cabinet = self._cabinet_of.get(place_id)
        if cabinet is not None:
            name = lot.title or lot.substance.name
            self._there.setdefault(cabinet, {}).setdefault(self._kept_of(lot), (name, set()))[1].add(place_id)

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
        for other, (beside, standing) in self._there.get(cabinet, {}).items():
            found = self._verdict(kept, other)
            if found.forbids and (found.apart == "cabinet" or place_id in standing):
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
