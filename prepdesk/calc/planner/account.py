"""What a chosen route is worth: every input of the uncertainty by name, and the numbers as shown."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc.measuring import LEVEL_MARK_RELATIVE, Room
from prepdesk.calc.model import Amount
from prepdesk.calc.planner.bench import Tool
from prepdesk.calc.planner.bottles import spread
from prepdesk.calc.planner.chains import Chain
from prepdesk.calc.planner.measures import Measure, Part
from prepdesk.calc.planner.mixed import named
from prepdesk.calc.planner.vessels import Vessel
from prepdesk.calc.uncertainty import Input, rectangular, relative_to, repeated

_ROUNDING: Final = 1e-9


def decimals_of(step: float) -> int:
    """Decimals that show every multiple of a step: 2 for 0.01 and 0.05, 1 for 2.5.

    >>> [decimals_of(step) for step in (1.0, 0.5, 0.25, 0.01, 0.0001)]
    [0, 1, 2, 2, 4]
    """
    for decimals in range(9):
        scaled = step * 10.0**decimals
        if scaled >= 0.999 and abs(scaled - round(scaled)) < 1e-6:
            return decimals
    return 9


def as_shown(measure: Measure, value: float | None = None) -> Amount:
    """A measured amount at the digits its tool can show or has in its name."""
    unit = "g" if measure.weighed else "mL"
    step = measure.tool.step or measure.tool.size
    return Amount(measure.amount if value is None else value, unit, decimals_of(step))


def volume_shown(volume_ml: float) -> Amount:
    """A volume in mL with as many decimals as it has, at most four."""
    for decimals in range(5):
        if abs(round(volume_ml, decimals) - volume_ml) <= _ROUNDING * max(volume_ml, 1.0):
            return Amount(round(volume_ml, decimals), "mL", decimals)
    return significant(volume_ml, 3, "mL") if volume_ml < 1.0 else Amount(volume_ml, "mL", 4)


def significant(value: float, digits: int, unit: str) -> Amount:
    """A value at so many significant digits.

    >>> significant(0.01234, 2, "g").text
    '0.012'
    """
    if value <= 0.0 or not math.isfinite(value):
        return Amount(value, unit, 0)
    decimals = max(digits - 1 - math.floor(math.log10(value)), 0)
    return Amount(value, unit, min(decimals, 12))


def rounded_up(amount: Amount) -> Amount:
    """The same amount, never less, at its digits: what must be in the bottle."""
    scale = 10.0**amount.decimals
    return replace(amount, value=math.ceil(amount.value * scale - 1e-6) / scale)


def chain_inputs(chain: Chain, room: Room) -> Iterator[Input]:
    """Every relative input of one component but the final vessel; their squares add up to its variance."""
    first = chain.first
    yield from chain.supply.by_g if first.weighed else chain.supply.by_ml
    for number, stage in enumerate(chain.stages, start=1):
        place = "intermediate" if len(chain.stages) == 1 else f"intermediate {number}"
        yield from measure_inputs(stage.measure, room, f"into {place}")
        yield from _named(relative_to(stage.flask.inputs, stage.flask.size), place)
        yield from _named(room.inputs, place)
    yield from measure_inputs(chain.last, room, "aliquot" if chain.stages else "")


def measure_inputs(measure: Measure, room: Room, place: str = "") -> Iterator[Input]:
    """Relative inputs of measuring one amount, bottle by bottle where it comes from several."""
    for one in measure.parts:
        yield from _part_inputs(one, measure.parts, place)
    if measure.parts:
        yield from () if measure.weighed else _named(room.inputs, place or "measured volume")
        return
    inputs = relative_to(repeated(measure.tool.inputs, measure.times), measure.exact)
    yield from _named(inputs, place)
    if not measure.weighed:
        yield from _named(room.inputs, place or "measured volume")


def _part_inputs(part: Part, parts: Sequence[Part], place: str) -> Iterator[Input]:
    """What measuring one of several bottles adds; see :func:`prepdesk.calc.planner.bottles.spread`."""
    way = part.measure
    own = part.weight * way.times / way.exact
    same = sum(
        one.weight * one.measure.times / one.measure.exact for one in parts if one.measure.tool is way.tool
    )
    name = named(place, part.supply).removeprefix(", ")
    for one in way.tool.inputs:
        scale = math.sqrt(own * same) if one.systematic else own / math.sqrt(way.times)
        yield replace(one, name=f"{one.name}, {name}" if name else one.name, standard=one.standard * scale)


def vessel_inputs(vessel: Vessel, room: Room) -> Iterator[Input]:
    """Every relative input of the final volume; their squares add up to the vessel's variance."""
    volume = vessel.filling_ml
    yield from relative_to(repeated(vessel.tool.inputs, vessel.portions), volume)
    if vessel.portions > 1 and vessel.pool is not None:
        yield Input(
            "level marked on the carboy",
            rectangular(LEVEL_MARK_RELATIVE * (vessel.pool.nominal_ml or volume) / volume),
            "rectangular",
            "read to 2 mm of some 40 cm (common practice)",
        )
    yield from _named(room.inputs, "final volume")


def _named(inputs: Sequence[Input], place: str) -> Iterator[Input]:
    for one in inputs:
        yield replace(one, name=f"{one.name}, {place}") if place else one


def tool_standard(tool: Tool, times: int) -> float:
    """Standard uncertainty of one amount in so many portions [g or mL]."""
    return math.sqrt(tool.variance(times))


def tool_variance(measure: Measure) -> float:
    """Relative variance of measuring one amount, the room's temperature left out [1]."""
    if measure.parts:
        return sum(spread(measure.parts))
    return measure.tool.variance(measure.times) / measure.exact**2
