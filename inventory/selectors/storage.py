"""What stands beside what it should not stand beside, by the storage table of the calculation service."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Final

from inventory.models import Lot, LotEvent, Place, Substance
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.places import cabinets, places, standing_in
from prepdesk.calc import model
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.storage import (
    Kept,
    Verdict,
    kept_liquid,
    kept_solution,
    kept_substance,
    unsuited_place,
    verdict,
)
from prepdesk.calc.typed import parse_number

# In a lot's history: what stands between the reason that was typed and the rules it stands against.
AGAINST_RULES: Final = ". Against the rule: "


@dataclass(frozen=True, slots=True)
class Conflict:
    """Lots that should not stand where they stand, with the rule and what was said when they were put there.

    ``other`` is empty where the place itself is wrong for them.
    """

    place: Place
    where: str
    one: tuple[Lot, ...]
    other: tuple[Lot, ...]
    verdict: Verdict
    accepted: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The conflict as one sentence."""
        names = ", ".join(dict.fromkeys(lot.title or lot.substance.name for lot in self.one))
        if not self.other:
            return f"{names}: {self.verdict.reason}"
        beside = ", ".join(dict.fromkeys(lot.title or lot.substance.name for lot in self.other))
        return f"{names} beside {beside}: {self.verdict.reason}"


def kept_row(substance: Substance, catalogue: Catalogue) -> Kept:
    """The storage groups of one substance, with the department's own decision."""
    return kept_substance(_facts(substance, catalogue), substance.storage_group)


def kept_lot(lot: Lot, catalogue: Catalogue) -> Kept:
    """The storage groups of what is in one bottle; weak solutions by the stated rule."""
    if lot.kind == Lot.Kind.ITEM:
        return Kept(group="general", belongs=frozenset({"general"}))
    pure = kept_row(lot.substance, catalogue)
    if lot.kind == Lot.Kind.SOLUTION:
        return kept_solution(_solutes(lot, pure, catalogue), _mol_per_l(lot))
    if lot.kind == Lot.Kind.LIQUID:
        facts = _facts(lot.substance, catalogue)
        mass_percent = _number(lot.mass_percent)
        return kept_liquid(pure, mass_percent, facts.solute_formula or facts.formula)
    return pure


def storage_conflicts(lots: Iterable[Lot]) -> list[Conflict]:
    """Every conflict among lots that stand somewhere, cabinet by cabinet.

    Lots in one cabinet must pass the rules for a cabinet; lots in one and the same place also those for
    a shelf. What stands in a room without a shelf being said is not judged.
    """
    catalogue, cabinet_of, names = calc_catalogue(), cabinets(), dict(places())
    rows = {place.pk: place for place in Place.objects.all()}
    by_cabinet: dict[int, dict[Kept, list[Lot]]] = {}
    found: list[Conflict] = []
    kept_by_lot: dict[int, Kept] = {}
    for lot in lots:
        cabinet = cabinet_of.get(lot.place_id or 0)
        if cabinet is None:
            continue
        kept = kept_by_lot[lot.pk] = kept_lot(lot, catalogue)
        by_cabinet.setdefault(cabinet, {}).setdefault(kept, []).append(lot)
    for cabinet, groups in by_cabinet.items():
        place = rows[cabinet]
        for kept, members in groups.items():
            wrong = unsuited_place(kept, place.kind)
            if wrong:
                found.append(Conflict(place, names[cabinet], tuple(members), (), wrong))
        for (kept, one), (beside, other) in combinations(groups.items(), 2):
            told = verdict(kept, beside)
            if told.apart == "cabinet":
                found.append(Conflict(place, names[cabinet], tuple(one), tuple(other), told))
            elif told.apart == "shelf":
                found += _on_one_shelf(rows, names, one, other, told)
    return _with_reasons(sorted(_merged(found), key=lambda each: (each.where.lower(), each.words)))


def conflicts_in(keys: set[int]) -> list[Conflict]:
    """The conflicts among what stands in these places and what shares a cabinet with it."""
    cabinet_of = cabinets()
    around = {cabinet_of.get(key) for key in keys} - {None}
    shared = {pk for pk, cabinet in cabinet_of.items() if cabinet in around}
    return [
        conflict
        for conflict in storage_conflicts(standing_in(shared))
        if any(lot.place_id in keys for lot in (*conflict.one, *conflict.other))
    ]


def conflicts_if_put(lot: Lot, place: Place | None) -> list[Conflict]:
    """What would speak against putting this lot there; nothing where no place is said."""
    if place is None:
        return []
    cabinet_of = cabinets()
    cabinet = cabinet_of[place.pk]
    if cabinet is None:
        return []
    shared = {pk for pk, each in cabinet_of.items() if each == cabinet}
    catalogue = calc_catalogue()
    kept = kept_lot(lot, catalogue)
    name, home = dict(places())[place.pk], Place.objects.get(pk=cabinet)
    found = []
    wrong = unsuited_place(kept, home.kind)
    if wrong:
        found.append(Conflict(place, name, (lot,), (), wrong))
    by_kept: dict[Kept, list[Lot]] = {}
    for other in standing_in(shared):
        if other.pk != lot.pk:
            by_kept.setdefault(kept_lot(other, catalogue), []).append(other)
    for beside, others in by_kept.items():
        told = verdict(kept, beside)
        near = others if told.apart == "cabinet" else [each for each in others if each.place_id == place.pk]
        if told.forbids and near:
            found.append(Conflict(place, name, (lot,), tuple(near), told))
    return _merged(found)


def _merged(conflicts: list[Conflict]) -> list[Conflict]:
    """One conflict where the same lots stand wrongly beside several others by the same rule."""
    merged: dict[tuple[object, ...], Conflict] = {}
    for each in conflicts:
        # The side that stands against more of the others leads: "ethanol beside nine oxidisers" is one row.
        one, other = each.one, each.other
        if other and _meets(conflicts, each, other) > _meets(conflicts, each, one):
            one, other = other, one
        key = (each.where, each.verdict, tuple(lot.pk for lot in one))
        before = merged[key].other if key in merged else ()
        together = {lot.pk: lot for lot in (*before, *other)}
        merged[key] = replace(each, one=one, other=tuple(together.values()))
    return list(merged.values())


def _meets(conflicts: list[Conflict], like: Conflict, lots: tuple[Lot, ...]) -> int:
    """In how many conflicts at this place by this rule these lots stand on either side."""
    return sum(
        lots in (each.one, each.other)
        for each in conflicts
        if (each.where, each.verdict) == (like.where, like.verdict)
    )


def _on_one_shelf(
    rows: Mapping[int, Place], names: Mapping[int, str], one: list[Lot], other: list[Lot], told: Verdict
) -> list[Conflict]:
    found = []
    for key in sorted({lot.place_id for lot in one if lot.place_id} & {lot.place_id for lot in other}):
        here = tuple(lot for lot in one if lot.place_id == key)
        beside = tuple(lot for lot in other if lot.place_id == key)
        found.append(Conflict(rows[key], names[key], here, beside, told))
    return found


def _with_reasons(conflicts: list[Conflict]) -> list[Conflict]:
    """Beside each conflict what was typed when one of its lots was put there all the same."""
    keys = {lot.pk for conflict in conflicts for lot in (*conflict.one, *conflict.other)}
    said: dict[tuple[int, int | None], str] = {}
    events = LotEvent.objects.filter(lot__in=keys, event="against").select_related("actor").order_by("id")
    for event in events:
        typed = event.reason.split(AGAINST_RULES)[0]
        said[event.lot_id, event.to_place_id] = f"{typed} ({event.actor}, {event.at:%d %B %Y})"
    return [
        Conflict(
            conflict.place,
            conflict.where,
            conflict.one,
            conflict.other,
            conflict.verdict,
            tuple(
                said[lot.pk, lot.place_id]
                for lot in (*conflict.one, *conflict.other)
                if (lot.pk, lot.place_id) in said
            ),
        )
        for conflict in conflicts
    ]


def _facts(substance: Substance, catalogue: Catalogue) -> model.Substance:
    try:
        return catalogue.by_key(substance.key)
    except InputError:
        # Neither in the catalogue nor with a record of its own: only its formula can speak.
        return model.Substance(key=substance.key, name=substance.name, formula=substance.formula)


def _solutes(lot: Lot, pure: Kept, catalogue: Catalogue) -> list[Kept]:
    keys = [str(entry.get("substance", "")) for entry in lot.composition]
    if len(keys) <= 1:
        return [pure]
    rows = Substance.objects.in_bulk(keys, field_name="key")
    return [
        kept_row(rows[key], catalogue) if key in rows else Kept("", frozenset(), known=False) for key in keys
    ]


def _mol_per_l(lot: Lot) -> float | None:
    return _number(lot.concentration_mol_per_l) if len(lot.composition) <= 1 else None


def _number(text: str) -> float | None:
    return float(parse_number(text).value) if text else None
