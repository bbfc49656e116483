"""Solutions asked for by mass (% w/w, mg/kg, mol/kg): everything is weighed, no volume needs a mark."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from prepdesk.calc.measuring import Room
from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.bottles import joint_ways
from prepdesk.calc.planner.chains import NEARLY
from prepdesk.calc.planner.cost import DISSOLVING, FUMING_ON_BALANCE, LIQUID_ON_BALANCE, WATER_ON_BALANCE
from prepdesk.calc.planner.measures import SMALLEST_LIQUID_G, Measure, volumes, weighings
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import COVERAGE

ROUNDING_ROOM: Final = 1e-9
# A pipette whose mark misses the water by more than this is no way to measure it [1].
WATER_OFFSET: Final = 0.01


@dataclass(frozen=True, slots=True)
class Composition:
    """What must be brought together [g].

    Attributes:
        sources_g: of each component's bottle.
        water_g: to add.
        solvent_g: water in all, hydrate water and the water of reagents included.
        total_g: the solution.
    """

    sources_g: tuple[float, ...]
    water_g: float
    solvent_g: float
    total_g: float


def composition_of(
    wants: Sequence[Want], supplies: Sequence[Supply], *, total_g: float = 0.0, solvent_g: float = 0.0
) -> Composition:
    """The masses that give every target exactly, for a total mass or a mass of solvent [g].

    A mass fraction takes its share of the total, a molality its share of the solvent, and each bottle
    brings solvent of its own; total and solvent then follow from each other.

    Raises:
        Impossible: the bottles already bring more water than the targets leave room for.
    """
    per_total = per_solvent = 0.0
    for want, supply in zip(wants, supplies, strict=True):
        dry = _per_part(want, supply) * (1.0 - supply.solvent_part)
        if want.fraction:
            per_total += dry
        else:
            per_solvent += dry
    if per_total >= 1.0:
        raise Impossible(stop("above_source", "The parts asked for add up to more than the whole solution."))
    if total_g:
        solvent_g = total_g * (1.0 - per_total) / (1.0 + per_solvent)
    else:
        total_g = solvent_g * (1.0 + per_solvent) / (1.0 - per_total)
    sources = tuple(
        _per_part(want, supply) * (total_g if want.fraction else solvent_g)
        for want, supply in zip(wants, supplies, strict=True)
    )
    brought = sum(mass * supply.solvent_part for mass, supply in zip(sources, supplies, strict=True))
    water = solvent_g - brought
    if water < -ROUNDING_ROOM * total_g:
        names = ", ".join(supply.label for supply in supplies)
        raise Impossible(
            stop(
                "above_source",
                f"The target is more concentrated than {names} can give; nothing can be diluted.",
            )
        )
    return Composition(sources, max(water, 0.0), solvent_g, total_g)


def _per_part(want: Want, supply: Supply) -> float:
    """Grams of source per gram of solution (mass fractions) or of solvent (molalities)."""
    if want.fraction:
        return want.fraction / want.named.g_per_mol / supply.mol_per_g
    return want.molality / 1000.0 / supply.mol_per_g


@dataclass(frozen=True, slots=True)
class MassRoute:
    """One way of bringing the masses together.

    Attributes:
        composition: the exact masses.
        supplies: bottle of each component.
        measures: how each is measured; by volume the amounts are in mL.
        water: how the water is measured; None when none is added.
        water_g_per_ml: density of water [g/mL].
        offsets: relative deviation of each target by rounding [1].
        shifts: what unread marks change of each target [1].
        rooms: the same, with what readings a step beside the planned ones may change [1].
        variances: relative variance of each target [1].
        minutes: at the bench.
        worst: largest part of a tolerance that is spent [1].
    """

    composition: Composition
    supplies: tuple[Supply, ...]
    measures: tuple[Measure, ...]
    water: Measure | None
    water_g_per_ml: float
    offsets: tuple[float, ...]
    shifts: tuple[float, ...]
    rooms: tuple[float, ...]
    variances: tuple[float, ...]
    minutes: float
    worst: float

    def spends(self, index: int) -> float:
        """Rounding, readings a step beside it and expanded uncertainty of one component [1]."""
        return self.rooms[index] + COVERAGE * math.sqrt(self.variances[index])


def sensitivity(want: Want, composition: Composition, mass_g: float, solvent_part: float) -> float:
    """How strongly a target answers to another mass, relative to relative: its share in the denominator."""
    if want.fraction:
        return mass_g / composition.total_g
    return solvent_part * mass_g / composition.solvent_g


@dataclass(frozen=True, slots=True)
class MassQuestion:
    """What is searched: targets, bottles, exact masses, density of water [g/mL], temperature."""

    wants: Sequence[Want]
    supplies: Sequence[Supply]
    composition: Composition
    water_g_per_ml: float
    room: Room

    def share(self, index: int, other: int) -> float:
        """How strongly target ``index`` answers to the mass of bottle ``other``."""
        mass, part = self.composition.sources_g[other], self.supplies[other].solvent_part
        return sensitivity(self.wants[index], self.composition, mass, part)

    def water_share(self, index: int) -> float:
        """How strongly target ``index`` answers to the mass of the water added."""
        return sensitivity(self.wants[index], self.composition, self.composition.water_g, 1.0)

    def shift_and_room(self, index: int, own: Measure, water: Measure | None) -> tuple[float, float]:
        """What unread marks change of target ``index``, and what readings may add to it [1].

        Own reading and water share what is left of the tolerance, half and half.
        """
        parts = [(1.0 - self.share(index, index), own)]
        if water is not None:
            parts.append((self.water_share(index), water))
        shift = sum(part * one.shift for part, one in parts)
        return shift, shift + 2.0 * max((part * one.room for part, one in parts if one.is_read), default=0.0)


@dataclass(slots=True)
class MassFound:
    """The cheapest fitting route, the next one, and the closest when none fits."""

    best: MassRoute | None = None
    runner_up: MassRoute | None = None
    closest: MassRoute | None = None

    def offer(self, route: MassRoute) -> None:
        """Keep a route in the place it deserves."""
        if route.worst > 1.0 + ROUNDING_ROOM:
            if self.closest is None or route.worst < self.closest.worst:
                self.closest = route
        elif self.best is None or route.minutes < self.best.minutes:
            self.best, self.runner_up = route, self.best
        elif self.runner_up is None or route.minutes < self.runner_up.minutes:
            self.runner_up = route


def find_mass_route(question: MassQuestion, bench: Bench) -> MassFound:
    """Find the cheapest way to weigh or measure everything.

    For each way to measure the water, every component takes its cheapest way that fits, with the other
    components' errors counted at the most their own tolerances let them have.
    """
    found = MassFound()
    room_variance = question.room.variance
    options = [
        sorted(_source_ways(supply, mass, bench, room_variance, want.tolerance), key=_minutes)
        for want, supply, mass in zip(
            question.wants, question.supplies, question.composition.sources_g, strict=True
        )
    ]
    if any(not ways for ways in options):
        return found
    for water in _water_ways(question, bench, room_variance):
        picked = tuple(_pick(question, index, ways, water) for index, ways in enumerate(options))
        found.offer(_route(question, picked, water))
    return found


def nearest_mass_route(question: MassQuestion, bench: Bench, closest: MassRoute) -> MassRoute:
    """The route to show when none fits: about as close as the closest, with the least work.

    Where a label's mass percent spends far more than the tolerance, tenths of milligrams gain nothing.
    """
    wants = [
        replace(want, tolerance=max(want.tolerance, NEARLY * closest.spends(index)))
        for index, want in enumerate(question.wants)
    ]
    best = find_mass_route(replace(question, wants=wants), bench).best
    if best is None:
        return closest
    worst = max(best.spends(index) / want.tolerance for index, want in enumerate(question.wants))
    return replace(best, worst=worst)


def _minutes(measure: Measure) -> float:
    return measure.minutes


def _water_ways(question: MassQuestion, bench: Bench, room_variance: float) -> Iterator[Measure | None]:
    water_g = question.composition.water_g
    if water_g <= 0.0:
        yield None
        return
    # It is weighed into the vessel it is mixed in: a balance that needs portions can't carry all of it.
    yield from (way for way in weighings(water_g, bench, WATER_ON_BALANCE) if way.times == 1)
    yield from volumes(water_g / question.water_g_per_ml, bench, room_variance, WATER_OFFSET)


def _source_ways(
    supply: Supply, mass_g: float, bench: Bench, room_variance: float, tolerance: float
) -> Iterator[Measure]:
    if supply.bottles:
        joint = joint_ways(
            supply,
            mass_g * supply.mol_per_g,
            bench,
            fillings=1,
            room_variance=room_variance,
            tolerance=tolerance,
        )
        yield from (way for _, way in joint)
        return
    if supply.kind == "solid":
        yield from weighings(mass_g, bench)
        return
    fuming = "fume_hood" in supply.substance.hazards
    if mass_g >= SMALLEST_LIQUID_G:
        yield from weighings(mass_g, bench, FUMING_ON_BALANCE if fuming else LIQUID_ON_BALANCE)
    if supply.density is not None:
        yield from volumes(mass_g / supply.density.g_per_ml, bench, room_variance, tolerance)


def _pick(question: MassQuestion, index: int, ways: Sequence[Measure], water: Measure | None) -> Measure:
    """The cheapest way of one component that fits, else the one that comes nearest."""
    want, supply = question.wants[index], question.supplies[index]
    own = 1.0 - question.share(index, index)
    by_water = question.water_share(index)
    fixed = (by_water**2 * water.variance) if water else 0.0
    shift = 0.0
    for other, wanted in enumerate(question.wants):
        if other != index:
            share = question.share(index, other)
            fixed += (share * wanted.tolerance / COVERAGE) ** 2
            shift += share * wanted.tolerance
    nearest, least = ways[0], math.inf
    for way in ways:
        spent = (
            question.shift_and_room(index, way, water)[1]
            + shift
            + COVERAGE * math.sqrt(own**2 * way.variance + _supply_variance(supply, way) + fixed)
        )
        if spent <= want.tolerance:
            return way
        if spent < least:
            nearest, least = way, spent
    return nearest


def _supply_variance(supply: Supply, way: Measure) -> float:
    return supply.variance_g if way.weighed else supply.variance_ml


def _route(question: MassQuestion, measures: tuple[Measure, ...], water: Measure | None) -> MassRoute:
    wants, supplies, composition = question.wants, question.supplies, question.composition
    kept = [1.0 + one.offset for one in measures]
    sources = [mass * part for mass, part in zip(composition.sources_g, kept, strict=True)]
    water_g = composition.water_g * (1.0 + water.offset if water else 1.0)
    total = water_g + sum(sources)
    solvent = water_g + sum(
        mass * supply.solvent_part for mass, supply in zip(sources, supplies, strict=True)
    )
    offsets, variances, shifts, rooms = [], [], [], []
    worst = 0.0
    for index, want in enumerate(wants):
        whole = total / composition.total_g if want.fraction else solvent / composition.solvent_g
        offsets.append(kept[index] / whole - 1.0)
        variance = question.water_share(index) ** 2 * water.variance if water else 0.0
        for other, (measure, supply) in enumerate(zip(measures, supplies, strict=True)):
            share = question.share(index, other)
            part = (1.0 - share) if other == index else share
            variance += part**2 * measure.variance
            if other == index:
                variance += _supply_variance(supply, measure)
        variances.append(variance)
        shift, room = question.shift_and_room(index, measures[index], water)
        shifts.append(shift)
        rooms.append(room)
        spent = room + COVERAGE * math.sqrt(variance)
        worst = max(worst, spent / want.tolerance)
    return MassRoute(
        composition=composition,
        supplies=tuple(supplies),
        measures=measures,
        water=water,
        water_g_per_ml=question.water_g_per_ml,
        offsets=tuple(offsets),
        shifts=tuple(shifts),
        rooms=tuple(rooms),
        variances=tuple(variances),
        minutes=DISSOLVING + sum(one.minutes for one in measures) + (water.minutes if water else 0.0),
        worst=worst,
    )
