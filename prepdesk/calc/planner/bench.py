"""The apparatus there is, sorted and with its uncertainty worked out once.

A plan asks the same apparatus hundreds of times, so limits, readings and minutes are turned into plain
numbers when the shelf is first seen; the sums here are those of :mod:`prepdesk.calc.measuring`.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.measuring import balance_inputs, division_of, ware_inputs
from prepdesk.calc.model import Apparatus
from prepdesk.calc.planner.cost import make_up_minutes, measuring_minutes, weighing_minutes
from prepdesk.calc.uncertainty import Input

# A weighing boat or beaker stands on the pan too (common practice): 5 g and three tenths of the load.
TARE_G: Final = 5.0
TARE_PART: Final = 0.3
# A scale is used from a tenth of its length upwards; below, the next smaller size serves better.
SMALLEST_PART: Final = 0.1
# Piston pipettes are set in thousandths of their nominal volume.
PISTON_STEPS: Final = 1000


@dataclass(frozen=True, slots=True)
class Tool:
    """One measuring apparatus with what a search needs to know.

    Attributes:
        apparatus: the record.
        size: capacity of a balance [g] or nominal volume [mL].
        step: what it can be set or read to [g or mL]; 0 for a single mark.
        adds: variance of the errors that return with every portion [g² or mL²].
        averages: variance of those that don't [g² or mL²].
        minutes: for one use.
        make_up_minutes: for dissolving and making up in it, where it may hold a final volume.
        inputs: the same errors by name.
    """

    apparatus: Apparatus
    size: float
    step: float
    adds: float
    averages: float
    minutes: float
    make_up_minutes: float
    inputs: tuple[Input, ...]

    def variance(self, times: int) -> float:
        """Variance of the sum of ``times`` portions [g² or mL²]."""
        return self.adds * times * times + self.averages * times


@dataclass(frozen=True, slots=True)
class Bench:
    """All apparatus by what it is for, each list from small to large, balances from coarse to fine."""

    balances: tuple[Tool, ...]
    flasks: tuple[Tool, ...]
    cylinders: tuple[Tool, ...]
    pipettes: tuple[Tool, ...]
    graduated: tuple[Tool, ...]
    burettes: tuple[Tool, ...]
    pistons: tuple[Tool, ...]
    mixing: tuple[Apparatus, ...]
    carboys: tuple[Apparatus, ...]

    def mixing_vessel(self, least_ml: float) -> Apparatus | None:
        """The smallest beaker that holds ``least_ml`` with room to stir, else a conical flask, else none."""
        return next((vessel for vessel in self.mixing if (vessel.nominal_ml or 0.0) >= least_ml), None)

    def carboy(self, least_ml: float) -> Apparatus | None:
        """The smallest carboy that holds ``least_ml``."""
        return next((one for one in self.carboys if (one.nominal_ml or 0.0) >= least_ml * 0.999999), None)


def bench_of(apparatus: tuple[Apparatus, ...]) -> Bench:
    """The bench of a shelf; the same tuple is worked out once.

    The cache holds the tuple itself, so its identity can't be given to another one meanwhile.
    """
    known = _CACHE.get(id(apparatus))
    if known is not None and known[0] is apparatus:
        return known[1]
    bench = _build(apparatus)
    if len(_CACHE) >= _CACHE_SIZE:
        _CACHE.pop(next(iter(_CACHE)), None)
    _CACHE[id(apparatus)] = (apparatus, bench)
    return bench


_CACHE_SIZE: Final = 16
_CACHE: dict[int, tuple[tuple[Apparatus, ...], Bench]] = {}


def _build(apparatus: tuple[Apparatus, ...]) -> Bench:
    there = [item for item in apparatus if item.count > 0]
    return Bench(
        balances=_balances(there),
        flasks=_ware(there, "one-mark flask"),
        cylinders=_ware(there, "graduated cylinder"),
        pipettes=_ware(there, "one-mark pipette"),
        graduated=_ware(there, "graduated pipette"),
        burettes=_ware(there, "burette"),
        pistons=_ware(there, "piston pipette"),
        mixing=(*_vessels(there, "beaker"), *_vessels(there, "conical flask")),
        carboys=_vessels(there, "carboy"),
    )


def _balances(there: Iterable[Apparatus]) -> tuple[Tool, ...]:
    found = []
    for item in there:
        if item.type != "balance" or not item.readability_g or not item.capacity_g:
            continue
        inputs = balance_inputs(item)
        minutes = weighing_minutes(item.readability_g)
        found.append(_tool(item, item.capacity_g, item.readability_g, inputs, minutes=minutes))
    return tuple(sorted(found, key=lambda tool: (-tool.step, -tool.size)))


def _ware(there: Iterable[Apparatus], kind: str) -> tuple[Tool, ...]:
    found = []
    for item in there:
        # Without a limit of error nobody vouches for the volume, so it can't be measured with.
        if item.type != kind or not item.nominal_ml or not item.tolerance_ml:
            continue
        if kind in ("one-mark flask", "one-mark pipette"):
            step = 0.0
        elif kind == "piston pipette":
            step = item.nominal_ml / PISTON_STEPS
        else:
            step = division_of(item) / 2
        minutes = 0.0 if kind == "one-mark flask" else measuring_minutes(item)
        made = make_up_minutes(item) if kind in ("one-mark flask", "graduated cylinder") else 0.0
        found.append(_tool(item, item.nominal_ml, step, ware_inputs(item), minutes=minutes, make_up=made))
    return tuple(sorted(found, key=lambda tool: (tool.size, tool.minutes)))


def _tool(
    item: Apparatus,
    size: float,
    step: float,
    inputs: tuple[Input, ...],
    *,
    minutes: float,
    make_up: float = 0.0,
) -> Tool:
    return Tool(
        apparatus=item,
        size=size,
        step=step,
        adds=math.fsum(one.standard**2 for one in inputs if one.systematic),
        averages=math.fsum(one.standard**2 for one in inputs if not one.systematic),
        minutes=minutes,
        make_up_minutes=make_up,
        inputs=inputs,
    )


def _vessels(there: Iterable[Apparatus], kind: str) -> tuple[Apparatus, ...]:
    return tuple(
        sorted(
            (item for item in there if item.type == kind and item.nominal_ml),
            key=lambda item: item.nominal_ml or 0.0,
        )
    )
