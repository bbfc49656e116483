"""The bottles that give one amount together, and the tools that measure them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from prepdesk.calc.apparatus import usual_balances
from prepdesk.calc.model import Apparatus
from prepdesk.calc.planner.bench import Bench, Tool, bench_of
from prepdesk.calc.planner.bottles import spread
from prepdesk.calc.planner.measures import Measure, Part
from prepdesk.calc.planner.supply import Supply


@dataclass(slots=True)
class Bottle:
    """One bottle of an amount that several give together.

    Attributes:
        supply: what is in it.
        tool: what measures it.
        is_read: whether its steps take readings.
        shares: what each of its steps is to give exactly, by step number [g or mL]; what follows a step as
            its rest stands at that number and a half.
        planned: what each is planned with, at the digits of the tool [g or mL].
        per_unit: solute per unit [mol/g or mol/mL].
        standard: standard uncertainty of all its steps together [g or mL].
    """

    supply: Supply
    tool: Tool
    is_read: bool
    shares: dict[float, float]
    planned: dict[float, float]
    per_unit: float
    standard: float = 0.0

    @property
    def exact(self) -> float:
        """What all its steps give exactly [g or mL]."""
        return sum(self.shares.values())

    @property
    def mol(self) -> float:
        """The solute in that [mol]."""
        return self.exact * self.per_unit


# --- apparatus ----------------------------------------------------------------------------------
def tool_of(bench: Bench, equipment: Mapping[str, Any]) -> Tool:
    """The apparatus a step names, as it is known now; from the sheet's own figures where it is gone."""
    tools = all_tools(bench)
    item = str(equipment.get("item") or "")
    if item:
        found = next((one for one in tools if one.apparatus.id == item), None)
        if found is not None:
            return found
    size = equipment.get("nominal") or equipment.get("readability")
    for one in tools:
        ware = one.apparatus
        own = ware.nominal_ml if ware.nominal_ml is not None else ware.readability_g
        if (
            not item
            and ware.type == equipment["type"]
            and size is not None
            and own == float(size["value"])
            and ware.apparatus_class == equipment.get("class", "")
        ):
            return one
    return all_tools(bench_of((_apparatus(equipment),)))[0]


def all_tools(bench: Bench) -> list[Tool]:
    """Everything that measures an amount from a bottle."""
    ware = (bench.pipettes, bench.cylinders, bench.graduated, bench.burettes, bench.pistons)
    return [*bench.balances, *(tool for tools in ware for tool in tools)]


def _apparatus(equipment: Mapping[str, Any]) -> Apparatus:
    def figure(name: str) -> float | None:
        return float(equipment[name]["value"]) if equipment.get(name) else None

    usual = next(
        (one for one in usual_balances() if one.readability_g == figure("readability")), Apparatus("balance")
    )
    balance = equipment["type"] == "balance"
    return Apparatus(
        type=equipment["type"],
        nominal_ml=figure("nominal"),
        tolerance_ml=figure("tolerance"),
        division_ml=figure("division"),
        readability_g=figure("readability"),
        capacity_g=(usual.capacity_g or 1e4) if balance else None,
        repeatability_g=usual.repeatability_g if balance else None,
        linearity_g=usual.linearity_g if balance else None,
        apparatus_class=equipment.get("class") or "",
        standard=equipment.get("standard") or "",
        id=str(equipment.get("item") or ""),
    )


def parts_of(bottles: Sequence[Bottle]) -> tuple[Part, ...]:
    """The bottles as parts of one amount, each with its tool; those that gave nothing left out."""
    giving = [one for one in bottles if one.exact > 0.0]
    total = sum(one.mol for one in giving)
    return tuple(
        Part(
            supply=one.supply,
            measure=Measure(
                tool=one.tool,
                times=sum(amount > 0.0 for amount in one.shares.values()),
                exact=one.exact,
                amount=sum(one.planned.values()),
                offset=sum(one.planned.values()) / one.exact - 1.0,
                variance=0.0,
                minutes=0.0,
            ),
            weight=one.mol / total,
            per_unit=one.per_unit,
        )
        for one in giving
    )


def with_standards(bottles: Sequence[Bottle]) -> list[Bottle]:
    """Set what measuring each bottle leaves in doubt; the same tool errs the same way at every bottle."""
    giving = [one for one in bottles if one.exact > 0.0]
    parts = parts_of(giving)
    for one, part, own in zip(giving, parts, spread(parts), strict=True):
        one.standard = own**0.5 * one.exact / part.weight
    return giving
