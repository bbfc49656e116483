"""One substance from several bottles, where none alone holds enough.

The bottle that expires first gives what it has, in a round amount; the last one gives the rest. Each has its
own strength and its own reading, and what counts is the solute they bring together.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc.planner.bench import Bench, Tool
from prepdesk.calc.planner.cost import FUMING_ON_BALANCE, LIQUID_ON_BALANCE, SECOND_BOTTLE
from prepdesk.calc.planner.measures import (
    MAX_ALIQUOTS,
    SMALLEST_LIQUID_G,
    Measure,
    Part,
    volumes,
    weighings,
)
from prepdesk.calc.planner.mixed import mean_of
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.uncertainty import COVERAGE

# A bottle gives at least this part of the whole, as long as there is another way: nobody opens a second
# bottle for a few grains, and they could not be weighed to a figure (common practice) [1].
LEAST_SHARE: Final = 0.05
# What a bottle gives is a figure of so many digits, so that it can be kept in mind (common practice).
ROUND_DIGITS: Final = 3
EXACT_DIGITS: Final = 6
_CLOSE: Final = 1e-9

Share = tuple[Supply, float]


# --- how much each bottle gives -----------------------------------------------------------------
def together(bottles: Sequence[Supply], moles: float) -> Supply | None:
    """Bottles of one kind as one source, with their mean strength; None where they don't hold enough.

    Args:
        bottles: of the same form, first expired first.
        moles: of solute that are needed at least [mol].
    """
    weighed = bottles[0].kind == "solid"
    there = [(one, _there(one, weighed)) for one in bottles]
    if sum(amount * _per_unit(one, weighed) for one, amount in there) < moles * (1.0 - _CLOSE):
        return None
    split = next(shares(bottles, moles, 1, weighed=weighed), there)
    parts = [(supply, amount, _per_unit(supply, weighed)) for supply, amount in split]
    return mean_of(parts, bottles, weighed=weighed)


def shares(
    bottles: Sequence[Supply],
    moles: float,
    fillings: int,
    *,
    weighed: bool,
    marks: Sequence[float] = (),
) -> Iterator[list[Share]]:
    """What each bottle gives to one filling [g where it is weighed, else mL], in a few sensible ways.

    Args:
        bottles: of the same form, first expired first.
        moles: needed in one filling [mol].
        fillings: each takes the same from every bottle, so that they turn out equal.
        weighed: whether amounts are masses.
        marks: volumes that single marks deliver, where the bottles are measured by volume [mL].
    """
    there = [(one, _there(one, weighed) / fillings) for one in bottles]
    used = _used(there, moles, weighed)
    if len(used) < 2:
        return
    found: list[list[Share]] = []
    roundings: list[Callable[[float], float]] = [lambda amount: _rounded_down(amount, ROUND_DIGITS)]
    if marks:
        roundings.append(lambda amount: max((one for one in marks if one <= amount), default=0.0))
    roundings.append(lambda amount: _rounded_down(amount, EXACT_DIGITS))
    for rounding in roundings:
        split = _split(used, moles, weighed, rounding)
        if split is not None and split not in found:
            found.append(split)
            yield split


def _used(there: Sequence[Share], moles: float, weighed: bool) -> list[Share]:
    """The bottles that give something: as they expire, until there is enough; hardly any from a dreg."""
    brings = {id(one): amount * _per_unit(one, weighed) for one, amount in there}
    worth = [pair for pair in there if brings[id(pair[0])] >= LEAST_SHARE * moles]
    for candidates in (worth, there):
        used, total = [], 0.0
        for one, amount in candidates:
            used.append((one, amount))
            total += brings[id(one)]
            if total >= moles * (1.0 - _CLOSE):
                return used
    return []


def _split(
    used: Sequence[Share], moles: float, weighed: bool, rounding: Callable[[float], float]
) -> list[Share] | None:
    *earlier, (last, most) = used
    amounts = [rounding(amount) for _, amount in earlier]
    given = sum(amount * _per_unit(one, weighed) for amount, (one, _) in zip(amounts, earlier, strict=True))
    per_unit = _per_unit(last, weighed)
    least = min(LEAST_SHARE * moles, most * per_unit)
    if moles - given < least * (1.0 - _CLOSE):
        # So much is in the bottles before that the last one would give a few grains: they leave it more.
        before = _per_unit(earlier[-1][0], weighed)
        reduced = rounding(amounts[-1] - (given + least - moles) / before)
        given += (reduced - amounts[-1]) * before
        amounts[-1] = reduced
    rest = (moles - given) / per_unit
    if min(amounts) <= 0.0 or rest > most * (1.0 + _CLOSE):
        return None
    return [*((one, amount) for (one, _), amount in zip(earlier, amounts, strict=True)), (last, rest)]


def _there(supply: Supply, weighed: bool) -> float:
    """What is free of a bottle [g where it is weighed, else mL]."""
    if weighed and supply.kind != "solid" and supply.density is not None:
        return supply.free * supply.density.g_per_ml
    return supply.free


def _per_unit(supply: Supply, weighed: bool) -> float:
    return supply.mol_per_g if weighed else supply.mol_per_ml


def _rounded_down(amount: float, digits: int) -> float:
    """The next lower figure of so many digits.

    >>> _rounded_down(312.47, 3), _rounded_down(300.0, 3), _rounded_down(0.0, 3)
    (312.0, 300.0, 0.0)
    """
    if amount <= 0.0:
        return 0.0
    decimals = digits - 1 - math.floor(math.log10(amount))
    return round(math.floor(amount * 10.0**decimals + 1e-6) * 10.0**-decimals, max(decimals, 0))


# --- how it is measured -------------------------------------------------------------------------
def joint_ways(
    supply: Supply,
    moles: float,
    bench: Bench,
    *,
    fillings: int,
    room_variance: float,
    tolerance: float,
) -> Iterator[tuple[Supply, Measure]]:
    """Every sensible way to take an amount from several bottles, with their mean.

    Args:
        supply: with its ``bottles``.
        moles: needed in one filling [mol].
        fillings: how often it is taken.
        room_variance: relative variance of a volume by the room's temperature [1].
        tolerance: single marks that miss by more are left out [1].
    """
    bottles = supply.bottles

    def on_balance(one: Supply, grams: float) -> Iterator[Measure]:
        if one.kind == "solid":
            return weighings(grams, bench)
        fuming = "fume_hood" in one.substance.hazards
        extra = FUMING_ON_BALANCE if fuming else LIQUID_ON_BALANCE
        return weighings(grams, bench, extra) if grams >= SMALLEST_LIQUID_G else iter(())

    def by_volume(_: Supply, volume: float) -> Iterator[Measure]:
        return volumes(volume, bench, room_variance, tolerance)

    if supply.kind != "solid":
        marks = [tool.size * times for tool in bench.pipettes for times in range(1, MAX_ALIQUOTS + 1)]
        for split in shares(bottles, moles, fillings, weighed=False, marks=marks):
            yield from _measured(
                split, bottles, moles, by_volume, fillings=fillings, room_variance=room_variance
            )
    if all(one.mol_per_g for one in bottles):
        for split in shares(bottles, moles, fillings, weighed=True):
            yield from _measured(split, bottles, moles, on_balance, fillings=fillings, room_variance=None)


Ways = Callable[[Supply, float], Iterator[Measure]]


def _measured(
    split: Sequence[Share],
    bottles: Sequence[Supply],
    moles: float,
    ways: Ways,
    *,
    fillings: int,
    room_variance: float | None,
) -> Iterator[tuple[Supply, Measure]]:
    """The cheapest tool for each bottle, for every fineness that one of them could have.

    ``room_variance`` is that of a volume [1]; None where masses are weighed.
    """
    weighed, room = room_variance is None, room_variance or 0.0
    options = [[(way, _coarseness(way, one, room)) for way in ways(one, amount)] for one, amount in split]
    *earlier, (last, _) = split
    most = _there(last, weighed) / fillings
    seen = set()
    for level in sorted({coarse for found in options for _, coarse in found}):
        parts = []
        given = 0.0
        for (one, amount), found in zip(earlier, options, strict=False):
            fits = [way for way, coarse in found if coarse <= level]
            way = _kept_below(min(fits, key=_minutes), amount) if fits else None
            if way is None:
                break
            parts.append((one, way, _per_unit(one, weighed)))
            given += way.exact * parts[-1][2]
        if len(parts) < len(earlier):
            continue
        per_unit = _per_unit(last, weighed)
        rest = [
            way
            for way in ways(last, (moles - given) / per_unit)
            if way.amount <= most * (1.0 + _CLOSE) and _coarseness(way, last, room) <= level * (1.0 + _CLOSE)
        ]
        if not rest:
            continue
        parts.append((last, min(rest, key=_minutes), per_unit))
        key = tuple((id(way.tool), way.times) for _, way, _ in parts)
        if key not in seen:
            seen.add(key)
            exact = [(one, way.exact, part) for one, way, part in parts]
            yield mean_of(exact, bottles, weighed=weighed), _joined(parts, moles, room)


def _minutes(way: Measure) -> float:
    return way.minutes


def _coarseness(way: Measure, supply: Supply, room_variance: float) -> float:
    """What measuring one bottle may leave in doubt, in moles: the same for every bottle is fair [mol]."""
    tool = math.sqrt(max(way.variance - room_variance, 0.0))
    return (
        _per_unit(supply, way.weighed)
        * way.exact
        * (COVERAGE * tool + (way.room if way.is_read else way.shift))
    )


def _kept_below(way: Measure, amount: float) -> Measure | None:
    """The same with an amount the tool can show and the bottle has; the last bottle makes up for it."""
    step = way.tool.step
    shown = way.amount
    if step > 0.0 and shown > amount * (1.0 + _CLOSE):
        shown = math.floor(amount / step + _CLOSE) * step
    if shown <= 0.0 or shown > amount * (1.0 + _CLOSE):
        return None
    return replace(
        way, exact=shown, amount=shown, offset=0.0, variance=way.variance * (way.exact / shown) ** 2
    )


def _joined(parts: Sequence[tuple[Supply, Measure, float]], moles: float, room_variance: float) -> Measure:
    """The measures of all bottles as one."""
    each = tuple(Part(one, way, way.exact * per_unit / moles, per_unit) for one, way, per_unit in parts)
    ways = [one.measure for one in each]
    return Measure(
        tool=max((one.tool for one in ways), key=_step),
        times=sum(one.times for one in ways),
        exact=sum(one.exact for one in ways),
        amount=sum(one.amount for one in ways),
        offset=sum(one.weight * one.measure.offset for one in each),
        variance=sum(spread(each)) + room_variance,
        minutes=sum(one.minutes for one in ways) + SECOND_BOTTLE * (len(ways) - 1),
        parts=each,
    )


def _step(tool: Tool) -> float:
    return tool.step or tool.size


def spread(parts: Sequence[Part], fillings: int = 1) -> list[float]:
    """What measuring each bottle adds to the relative variance of the whole [1].

    The same tool errs the same way at every bottle, so its systematic part adds up over the bottles; each
    is given its part of that sum, and the parts add up to the whole.

    Source: GUM 5.2.2 (full correlation) and 5.1.2 (none).
    """
    reach: dict[int, float] = {}
    for part in parts:
        way = part.measure
        reach[id(way.tool)] = reach.get(id(way.tool), 0.0) + part.weight * way.times / way.exact
    found = []
    for part in parts:
        way = part.measure
        own = part.weight * way.times / way.exact
        averages = way.tool.averages * part.weight**2 * way.times / (way.exact**2 * fillings)
        found.append(way.tool.adds * own * reach[id(way.tool)] + averages)
    return found
