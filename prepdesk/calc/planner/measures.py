"""The ways to measure one mass or one volume with the apparatus there is."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.planner.bench import SMALLEST_PART, TARE_G, TARE_PART, Bench, Tool
from prepdesk.calc.planner.supply import Supply

# More portions than this and people lose count (common practice).
MAX_PORTIONS: Final = 5
MAX_ALIQUOTS: Final = 3
# A drop weighs some 0.05 g, so less than twenty of them can't be brought to a figure (common practice).
SMALLEST_LIQUID_G: Final = 1.0


@dataclass(frozen=True, slots=True)
class Measure:
    """One amount measured with one tool.

    Attributes:
        tool: balance or measuring ware.
        times: portions it takes.
        exact: amount that gives exactly the target [g or mL].
        amount: amount the tool can be brought to [g or mL].
        offset: relative deviation of ``amount`` from ``exact`` [1].
        variance: relative variance of measuring it [1].
        minutes: at the bench.
        parts: what each bottle gives, where one alone holds too little; the figures above are then those of
            all of them together, and ``tool`` is the coarsest one.
    """

    tool: Tool
    times: int
    exact: float
    amount: float
    offset: float
    variance: float
    minutes: float
    parts: tuple["Part", ...] = ()

    @property
    def weighed(self) -> bool:
        """Whether a balance measures it."""
        return self.tool.apparatus.type == "balance"

    @property
    def room(self) -> float:
        """What a reading may take it away from the exact amount by: rounding, and one step on a balance [1].

        Nobody brings a display to a single figure: it must be allowed a step to either side. A meniscus is
        set to a line, and how well is part of the uncertainty already. Several bottles share what is left
        in equal amounts of solute, so the coarsest of them decides for all.
        """
        if self.parts:
            rooms = [part.weight * part.measure.room for part in self.parts if part.measure.is_read]
            return len(rooms) * max(rooms, default=0.0)
        if not self.weighed:
            return abs(self.offset)
        return abs(self.offset) + self.tool.step * self.times / self.exact

    @property
    def shift(self) -> float:
        """What single marks and settings miss the exact amount by, which no reading can take back [1]."""
        if self.parts:
            return sum(part.weight * part.measure.shift for part in self.parts)
        return 0.0 if self.is_read else abs(self.offset)

    @property
    def is_read(self) -> bool:
        """Whether somebody takes a reading: of a display or a scale, not of a single mark or a setting."""
        if self.parts:
            return any(part.measure.is_read for part in self.parts)
        return self.tool.step > 0.0 and self.tool.apparatus.type != "piston pipette"


@dataclass(frozen=True, slots=True)
class Part:
    """What one of several bottles gives of an amount.

    Attributes:
        supply: the bottle.
        measure: how much of it, and with what.
        weight: its part of the solute [1]; those of all bottles add up to 1.
        per_unit: solute per unit measured [mol/g or mol/mL].
    """

    supply: Supply
    measure: Measure
    weight: float
    per_unit: float


def weighings(mass_g: float, bench: Bench, extra_minutes: float = 0.0) -> Iterator[Measure]:
    """Every balance that can weigh a mass [g], coarse ones first; a large mass in up to five portions."""
    for tool in bench.balances:
        room = (tool.size - TARE_G) / (1.0 + TARE_PART)
        if room <= 0.0 or mass_g > room * MAX_PORTIONS:
            continue
        times = max(1, math.ceil(mass_g / room - 1e-9))
        amount = round(mass_g / tool.step) * tool.step
        if amount <= 0.0:
            continue
        yield Measure(
            tool=tool,
            times=times,
            exact=mass_g,
            amount=amount,
            offset=amount / mass_g - 1.0,
            variance=tool.variance(times) / (mass_g * mass_g),
            minutes=times * (tool.minutes + extra_minutes),
        )


def volumes(
    volume_ml: float, bench: Bench, room_variance: float, tolerance: float, *, by_scale: bool = True
) -> Iterator[Measure]:
    """Every ware that can measure a volume [mL].

    Args:
        volume_ml: to be measured.
        room_variance: relative variance of a volume by the room's temperature [1].
        tolerance: one-mark pipettes whose mark misses by more than this are left out [1].
        by_scale: whether scales may serve too, or only single marks.
    """
    for tool in bench.pipettes:
        times = round(volume_ml / tool.size)
        if 1 <= times <= MAX_ALIQUOTS and abs(times * tool.size - volume_ml) <= tolerance * volume_ml:
            yield _volume(tool, times, volume_ml, times * tool.size, room_variance)
    if not by_scale:
        return
    for tools, most in (
        (bench.cylinders, MAX_PORTIONS),
        (bench.graduated, 1),
        (bench.burettes, 1),
        (bench.pistons, MAX_ALIQUOTS),
    ):
        yield from _by_scale(volume_ml, tools, most, room_variance)


def _by_scale(
    volume_ml: float, tools: tuple[Tool, ...], most: int, room_variance: float
) -> Iterator[Measure]:
    """The smallest scale that holds the volume, in each class there is; the largest repeatedly."""
    if not tools or volume_ml > tools[-1].size * most:
        return
    size = next((tool.size for tool in tools if tool.size >= volume_ml * 0.9999999), tools[-1].size)
    for tool in tools:
        if tool.size != size:
            continue
        times = max(1, math.ceil(volume_ml / tool.size - 1e-9))
        amount = round(volume_ml / tool.step) * tool.step
        if amount > 0.0 and volume_ml >= tool.size * SMALLEST_PART:
            yield _volume(tool, times, volume_ml, amount, room_variance)


def _volume(tool: Tool, times: int, exact: float, amount: float, room_variance: float) -> Measure:
    return Measure(
        tool=tool,
        times=times,
        exact=exact,
        amount=amount,
        offset=amount / exact - 1.0,
        variance=tool.variance(times) / (exact * exact) + room_variance,
        minutes=times * tool.minutes,
    )
