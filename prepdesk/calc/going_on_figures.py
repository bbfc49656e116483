"""Budget, result and working of a sheet that goes on from another bottle."""

import math
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any, Final

from prepdesk.calc.answer import plain, trust_of
from prepdesk.calc.digits import last_place
from prepdesk.calc.found import Taken, rounded_up
from prepdesk.calc.going_on_bottles import Bottle, parts_of
from prepdesk.calc.going_on_case import Case
from prepdesk.calc.going_on_settling import Json, Taking, as_planned, label_inputs
from prepdesk.calc.measuring import Room
from prepdesk.calc.model import Amount, Contribution
from prepdesk.calc.planner.account import measure_inputs
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.settle import found_by
from prepdesk.calc.uncertainty import Input

# A solution by mass whose whole changes by more is said to be less or more than was planned [1].
_WHOLE_CHANGED: Final = 0.005


def working_of(case: Case, takings: Sequence[Taking]) -> list[str]:
    """The line of the working that says how the rest follows from what was missing."""
    step, gave, rest = case.step, case.gave, takings[0]
    lot = case.other.lot
    code = lot.code if lot else ""
    per = case.per_unit(case.other)
    moles = rest.exact * per
    name = case.wants[case.component].name
    return [
        f"{name}: lot {step['lot']['code']} gave {gave.text} {case.unit} at step {case.number}."
        f" {moles:.5g} mol are missing; ÷ {per:.6g} mol/{case.unit} of lot {code} ="
        f" {rest.exact:.6g} {case.unit}."
    ]


def new_budget(case: Case, bottles: Sequence[Bottle]) -> list[Json]:
    """The rows of the component with both bottles in the place of one; those of the others stay."""
    rows: list[Json] = [dict(one) for one in case.plan["budget"] if one["component"] == case.component]
    for one in _bottle_inputs(case, case.bottles, before=True):
        percent = 100.0 * one.standard
        same = [
            row
            for row in rows
            if row["input"].removesuffix(", into intermediate").removesuffix(", into intermediate 1")
            == one.name
        ]
        if same:
            rows.remove(
                min(same, key=lambda row: abs(row["relative_standard_uncertainty_percent"] - percent))
            )
    substance = case.plan["components"][case.component]["substance"]
    for one in _bottle_inputs(case, bottles, before=False):
        percent = 100.0 * one.standard
        if percent <= 0.0:
            continue
        freedom = one.degrees_of_freedom
        rows.append(
            {
                "component": case.component,
                "substance": substance,
                "input": one.name,
                "relative_standard_uncertainty_percent": float(f"{percent:.3g}"),
                "share_percent": 0.0,
                "distribution": one.distribution,
                "source": one.source,
                "degrees_of_freedom": None if math.isinf(freedom) else freedom,
            }
        )
    total = sum(one["relative_standard_uncertainty_percent"] ** 2 for one in rows)
    for row in rows:
        row["share_percent"] = round(
            100.0 * row["relative_standard_uncertainty_percent"] ** 2 / total if total else 0.0, 2
        )
    rows.sort(key=lambda row: -row["relative_standard_uncertainty_percent"])
    found: list[Json] = []
    for index in range(len(case.plan["components"])):
        found += (
            rows
            if index == case.component
            else [dict(one) for one in case.plan["budget"] if one["component"] == index]
        )
    return found


def _bottle_inputs(case: Case, bottles: Sequence[Bottle], *, before: bool) -> list[Input]:
    """Labels and measuring of all bottles of the amount, relative [1]."""
    parts = parts_of(bottles)
    room = Room(case.plan["temperature_c"])
    whole = Measure(
        tool=parts[0].measure.tool,
        times=parts[0].measure.times,
        exact=parts[0].measure.exact,
        amount=parts[0].measure.amount,
        offset=0.0,
        variance=0.0,
        minutes=0.0,
        parts=parts if len(parts) > 1 else (),
    )
    volume = {one.name for one in measure_inputs(whole, room) if not case.weighed and "measured" in one.name}
    factor = 1.0 - _share(case) if case.by_mass else 1.0
    measured = [one for one in measure_inputs(whole, room) if one.name not in volume]
    return [*(_scaled(one, factor) for one in measured), *label_inputs(case, bottles)]


def _scaled(one: Input, factor: float) -> Input:
    return Input(
        one.name, one.standard * factor, one.distribution, one.source, one.systematic, one.degrees_of_freedom
    )


def _share(case: Case) -> float:
    """The part of a solution by mass, or of its solvent, that the component's own bottles are [1]."""
    terms = case.plan["settling"]["components"][case.component]
    sources = case.plan["settling"]["sources"]
    weights = [
        one["planned_g"] * (1.0 if terms["kind"] == "fraction" else one["solvent_part"]) for one in sources
    ]
    own = sum(
        weight for weight, one in zip(weights, sources, strict=True) if one["component"] == case.component
    )
    return float(own / sum(weights))


def set_result(plan: Json, case: Case, takings: Sequence[Taking]) -> None:
    """The concentrations as they are planned now, with their uncertainty."""
    figures = {**plan, "steps": as_planned(case, takings)}
    found = found_by(figures, Taken(figures, case.read_before))
    result = plan["result"]
    for index, (one, row) in enumerate(zip(found, result["concentrations"], strict=True)):
        if index != case.component and not case.by_mass:
            continue
        expanded = one.expanded_uncertainty_percent
        least = Decimal(repr(max(one.value * expanded / 100.0, one.value * 1e-6)))
        row["value"] = Amount(one.value, one.unit, max(-last_place(least), 0)).text
        row["expanded_uncertainty_percent"] = float(f"{expanded:.3g}")
        if index == case.component:
            row.update(
                trust_of(tuple(_contribution(each) for each in plan["budget"] if each["component"] == index))
            )
    if case.by_mass:
        _set_whole(plan, case)
    own = found[case.component]
    lot = case.other.lot
    source = f"lot {lot.code}" if lot else "the other bottle"
    plan["explanation"] = (
        f"{plan['explanation']} Then lot {case.step['lot']['code']} ran out: with {source} it is"
        f" ± {rounded_up(own.expanded_uncertainty_percent)} % of the {own.tolerance_percent:.3g} % allowed"
        " (k = 2)."
    ).strip()


def _contribution(row: Mapping[str, Any]) -> Contribution:
    freedom = row["degrees_of_freedom"]
    return Contribution(
        row["input"],
        row["relative_standard_uncertainty_percent"],
        row["share_percent"],
        row["distribution"],
        row["source"],
        math.inf if freedom is None else freedom,
    )


def _set_whole(plan: Json, case: Case) -> None:
    before, after = (
        sum(one["planned_g"] for one in each["settling"]["sources"]) for each in (case.plan, plan)
    )
    if plan["result"].get("mass_of_solution"):
        plan["result"]["mass_of_solution"] = {"value": plain(after, 5), "unit": "g"}
    if abs(after / before - 1.0) > _WHOLE_CHANGED:
        less = "less" if after < before else "more"
        plan["problems"].append(
            {
                "code": "makes_other_amount",
                "text": f"From the other bottle it becomes {after:.4g} g in all, {less} than the"
                f" {before:.4g} g that were planned; the concentration is what was asked.",
                "severity": "warn",
            }
        )
