"""What was taken at the bench, and what is found of each component: shared by settling and its remedies."""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from prepdesk.calc.digits import settled_figure
from prepdesk.calc.typed import TypedNumber

ROOM: Final = 1e-6

Plan = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class SettledConcentration:
    """One component as it is in the bottle.

    Attributes:
        substance: as asked for.
        value: concentration found, in ``unit``.
        unit: of the target.
        deviation_percent: from the target.
        expanded_uncertainty_percent: k = 2, relative.
        tolerance_percent: allowed.
        mol_per_l: the same in mol/L; None where only masses are known.
    """

    substance: str
    value: float
    unit: str
    deviation_percent: float
    expanded_uncertainty_percent: float
    tolerance_percent: float
    mol_per_l: float | None

    @property
    def inside(self) -> bool:
        """Whether deviation and uncertainty together stay inside the tolerance."""
        spent = abs(self.deviation_percent) + self.expanded_uncertainty_percent
        return spent <= self.tolerance_percent * (1.0 + ROOM)

    @property
    def value_text(self) -> str:
        """The concentration at the digits its uncertainty supports."""
        return settled_figure(self.value, self.expanded_uncertainty_percent)

    @property
    def mol_per_l_text(self) -> str:
        """What plans count with [mol/L], at six significant digits; empty where unknown."""
        return "" if self.mol_per_l is None else plain(self.mol_per_l, 6)

    @property
    def expanded_uncertainty_percent_text(self) -> str:
        """The expanded uncertainty at two significant digits, rounded up."""
        return rounded_up(self.expanded_uncertainty_percent)

    def as_dict(self) -> dict[str, Any]:
        """For freezing and showing."""
        return {
            "substance": self.substance,
            "value": self.value_text,
            "unit": self.unit,
            "expanded_uncertainty_percent": float(self.expanded_uncertainty_percent_text),
            "deviation_percent": round(self.deviation_percent, 3),
            "tolerance_percent": self.tolerance_percent,
            "inside": self.inside,
            "mol_per_l": self.mol_per_l_text or None,
        }


class Taken:
    """What was taken at each step: as read, else as planned."""

    def __init__(self, plan: Plan, readings: Mapping[int, TypedNumber]) -> None:
        self._planned = {
            step["number"]: float(step["quantity"]["value"]) for step in plan["steps"] if "quantity" in step
        }
        self._read = {number: float(reading.value) for number, reading in readings.items()}

    def total(self, numbers: Iterable[int]) -> float:
        """Sum over steps, in their unit."""
        return sum(self._read.get(number, self._planned[number]) for number in numbers)


def bottle_mol(bottle: Mapping[str, Any], taken: Taken) -> float:
    """Solute that one of several bottles gave, as read or else as planned [mol]."""
    numbers = [number for number, _ in bottle["steps"]]
    amount = taken.total(numbers) if numbers else bottle["planned"]
    return float(amount * bottle["mol_per_unit"])


def source_g(source: Mapping[str, Any], taken: Taken) -> float:
    """What was taken of a source of a solution by mass, as read or else as planned [g]."""
    if not source["steps"]:
        return float(source["planned_g"])
    return taken.total(number for number, _ in source["steps"]) * float(source["g_per_unit"])


def thinned_against(plan: Plan, taken: Taken) -> float:
    """What an addition is compared with: volume made up [mL], mass of solution or of solvent [g]."""
    settling = plan["settling"]
    if settling["kind"] == "volume":
        return float(settling["volume_ml"])
    masses = [source_g(source, taken) for source in settling["sources"]]
    if settling["components"][0]["kind"] != "molality":
        return sum(masses)
    return sum(
        mass * float(source["solvent_part"]) for mass, source in zip(masses, settling["sources"], strict=True)
    )


def decimals_for(value: float, digits: int) -> int:
    """Decimals that show so many significant digits [1] of a positive value, at most 12."""
    return min(max(digits - 1 - math.floor(math.log10(value)), 0), 12) if value > 0.0 else 0


def plain(value: float, digits: int) -> str:
    """A value at so many significant digits [1], never with an exponent."""
    return f"{value:.{decimals_for(value, digits)}f}"


def rounded_up(percent: float) -> str:
    """An uncertainty [%] at two significant digits, rounded up."""
    if percent <= 0.0:
        return "0"
    scale = 10.0 ** (1 - math.floor(math.log10(percent)))
    value = math.ceil(percent * scale - 1e-9) / scale
    return plain(value, 2)
