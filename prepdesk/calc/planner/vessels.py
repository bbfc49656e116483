"""What a solution can be made up in: one flask, several fillings, a cylinder, or a marked carboy."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.measuring import LEVEL_MARK_RELATIVE
from prepdesk.calc.model import Apparatus
from prepdesk.calc.planner.bench import SMALLEST_PART, Bench, Tool
from prepdesk.calc.planner.cost import MADE_IN_VAIN, MARK_CARBOY, POOL
from prepdesk.calc.uncertainty import rectangular

MAX_FILLINGS: Final = 12
MAX_PORTIONS: Final = 20
# A flask of the next size is worth more than repeating the work, but not whatever is thrown away.
_CLOSE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Vessel:
    """One way to reach the final volume.

    Attributes:
        tool: flask or cylinder whose mark or scale vouches for the volume.
        fillings: how often the whole preparation is made in it (then poured together).
        portions: how many portions of water the cylinder measures to mark the level of a carboy; 1 where
            the solution is made up in ``tool`` itself.
        pool: vessel in which fillings are poured together or the level is marked, if there is one.
        volume_ml: made in all [mL].
        variance: relative variance of the volume [1].
        minutes: at the bench, dissolving included.
        price: the same with what is made in vain, by which vessels are compared.
    """

    tool: Tool
    fillings: int
    portions: int
    pool: Apparatus | None
    volume_ml: float
    variance: float
    minutes: float
    price: float

    @property
    def filling_ml(self) -> float:
        """Volume of one filling [mL]."""
        return self.volume_ml / self.fillings

    @property
    def is_flask(self) -> bool:
        """Whether a one-mark flask vouches for the volume."""
        return self.tool.step == 0.0


def vessels_for(volume_ml: float, bench: Bench, room_variance: float) -> tuple[Vessel, ...]:
    """Every way to make up at least ``volume_ml`` [mL], least work first.

    Never in a beaker, conical flask or carboy by their own marks: those are approximations.
    """
    found = [*_flasks(volume_ml, bench, room_variance), *_cylinders(volume_ml, bench, room_variance)]
    return tuple(sorted(found, key=lambda one: (one.price, one.volume_ml)))


def _flasks(volume_ml: float, bench: Bench, room_variance: float) -> Iterator[Vessel]:
    sizes = sorted({tool.size for tool in bench.flasks})
    if not sizes:
        return
    counts: dict[float, int] = {}
    larger = next((size for size in sizes if size >= volume_ml * (1 - _CLOSE)), None)
    if larger is not None:
        counts[larger] = 1
    if larger is None or larger > volume_ml * (1 + _CLOSE):
        for size in [one for one in sizes if one < volume_ml][-3:]:
            fillings = math.ceil(volume_ml / size - _CLOSE)
            exact = abs(fillings * size - volume_ml) <= _CLOSE * volume_ml
            if fillings <= MAX_FILLINGS and (exact or larger is None):
                counts[size] = fillings
    for tool in bench.flasks:
        fillings = counts.get(tool.size, 0)
        if fillings:
            variance = tool.variance(1) / (tool.size * tool.size) + room_variance
            yield _filled(tool, fillings, fillings * tool.size, variance, bench, wanted=volume_ml)


def _cylinders(volume_ml: float, bench: Bench, room_variance: float) -> Iterator[Vessel]:
    tools = bench.cylinders
    if not tools:
        return
    size = next((tool.size for tool in tools if tool.size >= volume_ml * (1 - _CLOSE)), None)
    for tool in tools:
        if tool.size == size and volume_ml >= tool.size * SMALLEST_PART:
            volume = math.ceil(volume_ml / tool.step - _CLOSE) * tool.step
            variance = tool.variance(1) / (volume * volume) + room_variance
            yield _filled(tool, 1, volume, variance, bench, wanted=volume_ml)
        elif size is None and tool.size == tools[-1].size:
            yield from _large(volume_ml, tool, bench, room_variance)


def _large(volume_ml: float, tool: Tool, bench: Bench, room_variance: float) -> Iterator[Vessel]:
    """More than the largest cylinder holds: equal fillings, or a carboy whose level it marks."""
    count = math.ceil(volume_ml / tool.size - _CLOSE)
    if count <= MAX_FILLINGS:
        filling = math.ceil(volume_ml / count / tool.step - _CLOSE) * tool.step
        variance = tool.variance(1) / (filling * filling) + room_variance
        yield _filled(tool, count, count * filling, variance, bench, wanted=volume_ml)
    volume = math.ceil(volume_ml / tool.step - _CLOSE) * tool.step
    carboy = bench.carboy(volume)
    if carboy is None or count > MAX_PORTIONS:
        return
    level = rectangular(LEVEL_MARK_RELATIVE * (carboy.nominal_ml or volume) / volume)
    minutes = tool.make_up_minutes + MARK_CARBOY + count * tool.minutes
    yield Vessel(
        tool=tool,
        fillings=1,
        portions=count,
        pool=carboy,
        volume_ml=volume,
        variance=tool.variance(count) / (volume * volume) + level * level + room_variance,
        minutes=minutes,
        price=minutes + _in_vain(volume, volume_ml),
    )


def _filled(
    tool: Tool, fillings: int, volume: float, variance: float, bench: Bench, *, wanted: float
) -> Vessel:
    pool = None
    if fillings > 1:
        pool = bench.carboy(volume) or bench.mixing_vessel(volume)
    minutes = fillings * tool.make_up_minutes + (POOL if fillings > 1 else 0.0)
    return Vessel(
        tool=tool,
        fillings=fillings,
        portions=1,
        pool=pool,
        volume_ml=volume,
        variance=variance,
        minutes=minutes,
        price=minutes + _in_vain(volume, wanted),
    )


def _in_vain(volume_ml: float, wanted_ml: float) -> float:
    return MADE_IN_VAIN * max(volume_ml - wanted_ml, 0.0) / 1000.0


def largest_ml(bench: Bench) -> float:
    """The largest volume that ends up as one solution in one vessel here [mL]; 0 where nothing makes any.

    One flask or cylinder, several fillings poured together in a vessel that holds them all, or a carboy
    whose level a cylinder marks. Whether a tolerance allows it is for the plan to say.
    """
    pools = [one.nominal_ml or 0.0 for one in (*bench.carboys, *bench.mixing)]
    carboys = [one.nominal_ml or 0.0 for one in bench.carboys]
    found = [0.0]
    for tool in (*bench.flasks, *bench.cylinders):
        found.append(tool.size)
        # Flasks are filled to their mark, so a vessel is used for as many as go into it.
        fillings = min(MAX_FILLINGS, math.floor(max(pools, default=0.0) / tool.size + _CLOSE))
        found.append(fillings * tool.size)
    if bench.cylinders:
        most = max(tool.size for tool in bench.cylinders)
        found.append(min(MAX_PORTIONS * most, max(carboys, default=0.0)))
        # Fillings of a cylinder need not be full.
        found.append(min(MAX_FILLINGS * most, max(pools, default=0.0)))
    return max(found)
