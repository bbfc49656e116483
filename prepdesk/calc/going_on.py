"""A bottle runs out in the middle of the work, and another lot gives the rest by its own strength.

What the first bottle gave stays as it was read. What is still missing, as amount of substance, is divided
by the strength of the other bottle; the uncertainty is that of both weighings and of both labels, and the
sheet goes on only where the whole is still inside the tolerance.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.found import SettledConcentration, Taken
from prepdesk.calc.going_on_bottles import Bottle, with_standards
from prepdesk.calc.going_on_case import CannotGoOn, Case, Plan, case_of, group_of
from prepdesk.calc.going_on_settling import (
    Taking,
    as_planned,
    new_settling,
    planned_source_g,
    water_to_come,
)
from prepdesk.calc.going_on_sheet import GoneOn, write_sheet
from prepdesk.calc.model import Apparatus, ShelfLot
from prepdesk.calc.planner.bench import Bench, Tool, bench_of
from prepdesk.calc.planner.measures import SMALLEST_LIQUID_G, Measure, volumes, weighings
from prepdesk.calc.sentences import a as article
from prepdesk.calc.sentences import tool as tool_words
from prepdesk.calc.settle import found_by, judge_reading
from prepdesk.calc.typed import TypedNumber

__all__ = ["CannotGoOn", "GoneOn", "go_on_from"]

# A single mark serves for the rest where it misses by no more than this part of the tolerance [1].
_MARK_PART: Final = 0.25
_CLOSE: Final = 1e-9


def go_on_from(
    plan: Plan,
    readings: Mapping[int, TypedNumber],
    *,
    step_number: int,
    gave: TypedNumber,
    other: ShelfLot,
    lots: Sequence[ShelfLot],
    catalogue: Catalogue,
    apparatus: tuple[Apparatus, ...],
) -> GoneOn:
    """The sheet of a batch that goes on from another bottle.

    Steps up to the present one keep their numbers; those that weigh or measure the rest follow it, and the
    later ones are numbered on. Where later portions or fillings were to come from the empty bottle, they
    come from the other one, by its strength.

    Args:
        plan: a frozen answer of the service.
        readings: what was read so far, by step number, without the present step.
        step_number: the step at which the bottle ran out.
        gave: what it gave at this step, in the step's unit [g or mL], 0 or more.
        other: the bottle to go on from, with its own label, and with what of it is free [g or mL].
        lots: the bottles the plan draws from, as their labels are.
        catalogue: the substances and their forms.
        apparatus: what there is to measure with.

    Returns:
        The new plan in the form of the contract, and the steps that take the rest.

    Raises:
        CannotGoOn: nothing is missing, the other bottle does not serve, or nothing there measures the rest
            within the tolerance; the text says what would serve.

    Source: JCGM 100:2008 (GUM) 5.1.2 and 5.2.2; EURACHEM/CITAC Guide CG 4 (QUAM), example A1.
    """
    case = case_of(
        plan,
        readings,
        step_number=step_number,
        gave=gave,
        other=other,
        lots=lots,
        catalogue=catalogue,
        apparatus=apparatus,
    )
    _require_something_missing(case)
    rest = _rest(case)
    if rest <= 0.0:
        raise CannotGoOn("nothing_missing", "Together with what was taken before, nothing is missing.")
    found = _first_that_fits(case, rest, case.bench)
    if found is None:
        raise _nothing_fits(case, rest)
    _require_enough(case, found, other)
    _require_room(case, found)
    return write_sheet(case, found.takings, found.settling, found.parts, other.free)


# --- how much is missing ------------------------------------------------------------------------
def _require_something_missing(case: Case) -> None:
    step, gave, unit = case.step, case.gave, case.unit
    if not step.get("window"):
        # A single mark or a setting delivers all or nothing that anybody could put a figure to.
        if gave.value:
            raise CannotGoOn(
                "no_part_volume",
                f"The {step['equipment']['type']} measures only its full volume. Give back what is in it and"
                " enter 0; all of it then comes from the other bottle.",
            )
        return
    if not gave.value:
        return
    judged = judge_reading(step, gave)
    if judged.inside:
        raise CannotGoOn(
            "nothing_more_needed",
            f"{gave.text} {unit} is inside {step['window']['low']} to {step['window']['high']} {unit}: less"
            " is missing than the window allows. Record it as the reading; nothing more is needed.",
        )
    if judged.code == "above":
        raise CannotGoOn(
            "more_than_needed",
            f"{gave.text} {unit} is more than the step asks for. Record it as the reading.",
        )


def _rest(case: Case) -> float:
    """What the other bottle must give at this step, exactly [g or mL]."""
    same = case.together(case.number)
    later = any(number > case.number and bottle.supply is not case.first for bottle, number in same)
    earlier = [(bottle, number) for bottle, number in same if number < case.number]
    if not later:
        # Nothing after this makes up for what was read before, so the rest does.
        for bottle, number in earlier:
            if int(number) in case.readings and bottle.is_read:
                missing = bottle.shares[number] - float(case.readings[int(number)].value)
                case.mine.shares[case.number] += missing * bottle.per_unit / case.mine.per_unit
                bottle.shares[number] -= missing
    per_unit = case.per_unit(case.other)
    gave = float(case.gave.value)
    missing_mol = (case.mine.shares[case.number] - gave) * case.mine.per_unit
    if not case.by_mass:
        return missing_mol / per_unit
    return _rest_by_mass(case, missing_mol, gave)


def _rest_by_mass(case: Case, missing_mol: float, gave: float) -> float:
    """The same for a solution that is weighed together.

    Water that is still to be weighed makes up for what the other bottle brings more or less of it; where it
    is in already, the rest is worked out for the mixture that results.
    """
    first, other = case.first, case.other
    if water_to_come(case) is not None:
        return missing_mol / case.per_unit(other)
    terms = case.plan["settling"]["components"][case.component]
    grams = [planned_source_g(source) for source in case.plan["settling"]["sources"]]
    solvent = sum(
        gram * one["solvent_part"] for gram, one in zip(grams, case.plan["settling"]["sources"], strict=True)
    )
    # What the mixture weighs, or its solvent, without the amount that is still missing of the first bottle.
    per_gram_1 = first.mol_per_g
    missing_g = missing_mol / per_gram_1
    if terms["kind"] == "fraction":
        # exact × (total − missing + m) = named × (present + m × strength)
        part, mass = terms["exact"] / terms["named_g_per_mol"], 1.0
        whole = sum(grams) - missing_g
    else:
        part, mass = terms["exact"] / 1000.0, other.solvent_part
        whole = solvent - missing_g * first.solvent_part
    own = sum(bottle.mol for bottle in case.bottles) - missing_mol
    grams_of_other = (part * whole - own) / (other.mol_per_g - part * mass)
    density = other.density.g_per_ml if other.density and not case.weighed else 1.0
    return float(grams_of_other / density)


# --- how it is measured -------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class _Found:
    """A way that fits: what is taken at which step, and what settling needs for it."""

    takings: tuple[Taking, ...]
    settling: dict[str, Any]
    parts: tuple[Bottle, ...]


def _first_that_fits(case: Case, rest: float, bench: Bench) -> _Found | None:
    for measure in _ways(case, rest, bench):
        found = _try(case, rest, measure, bench)
        if found is not None:
            return found
    return None


def _ways(case: Case, amount: float, bench: Bench, like: Tool | None = None) -> Iterator[Measure]:
    """Ways to measure an amount: the same tool, then finer ones, then any other from fine to coarse."""
    tool = like or case.mine.tool
    tolerance = case.wants[case.component].tolerance
    if case.weighed:
        least = SMALLEST_LIQUID_G if case.other.kind != "solid" else 0.0
        there = list(weighings(amount, bench)) if amount >= least else []
    else:
        there = list(volumes(amount, bench, 0.0, tolerance * _MARK_PART))

    def place(way: Measure) -> tuple[int, float]:
        own, known = way.tool.variance(1), tool.variance(1)
        if way.tool is tool or way.tool.apparatus == tool.apparatus:
            return 0, 0.0
        return (1, -own) if own <= known * (1.0 + _CLOSE) else (2, own)

    return iter(sorted(there, key=place))


def _try(case: Case, rest: float, measure: Measure, bench: Bench) -> _Found | None:
    """The new settling with one way to measure the rest; None where it leaves the tolerance."""
    takings = [Taking(case.number, measure, rest, is_rest=True)]
    for number in sorted(case.mine.shares):
        if number > case.number:
            exact = case.mine.shares[number] * case.mine.per_unit / case.per_unit(case.other)
            way = next(_ways(case, exact, bench, like=case.mine.tool), None)
            if way is None:
                return None
            takings.append(Taking(int(number), way, exact))
    bottles = with_standards(_new_bottles(case, takings))
    settling = new_settling(case, bottles, takings)
    changed = {**case.plan, "settling": settling, "steps": as_planned(case, takings)}
    after = found_by(changed, Taken(changed, case.read_before))
    before = found_by(case.plan, Taken(case.plan, {}))
    own = case.component
    shift = 100.0 * abs(settling["components"][own].get("fixed", 1.0) - 1.0)
    left = after[own].tolerance_percent - after[own].expanded_uncertainty_percent - shift
    left = (left - _for_other_readings(case, before[own])) / 100.0
    # Of a solution that is too weak the same doubt is a larger part, so the window ends a little sooner.
    left /= 1.0 + after[own].expanded_uncertainty_percent / 50.0
    fitted = []
    for taking in takings:
        same = [one for one in takings if case.filling_of(one.at) == case.filling_of(taking.at)]
        weights = {one.at: _weight(case, one) for one in same}
        needed = sum(weights[one.at] * one.measure.room for one in same)
        if needed > left * (1.0 + 1e-6):
            return None
        read = sum(weights[one.at] for one in same if one.measure.is_read)
        marks = sum(weights[one.at] * one.measure.shift for one in same)
        fitted.append(replace(taking, margin=(left - marks) / read if read else 0.0))
    if any(now.inside < then.inside for now, then in zip(after, before, strict=True)):
        return None
    return _Found(tuple(fitted), settling, tuple(bottles))


def _weight(case: Case, taking: Taking) -> float:
    """The part of one filling's solute that a step gives [1]."""
    whole = sum(bottle.shares[number] * bottle.per_unit for bottle, number in case.together(taking.at))
    return taking.exact * case.per_unit(case.other) / whole


def _for_other_readings(case: Case, before: SettledConcentration) -> float:
    """What of the tolerance the windows of the component's other readings may use up [%]."""
    terms = case.plan["settling"]["components"][case.component]
    left = before.tolerance_percent - before.expanded_uncertainty_percent
    if case.by_mass:
        return max(left / 2.0, 0.0)
    left = max(left - 100.0 * abs(terms["fixed"] - 1.0), 0.0)
    groups = terms["readings"]
    if not groups:
        return 0.0
    own = 1 if group_of(case.plan, case.component, case.number) is not None else 0
    return float(left * (len(groups) - own) / len(groups))


def _new_bottles(case: Case, takings: Sequence[Taking]) -> list[Bottle]:
    found = []
    for bottle in case.bottles:
        if bottle is case.mine:
            gave = float(case.gave.value)
            shares = {number: one for number, one in bottle.shares.items() if number < case.number}
            planned = {number: one for number, one in bottle.planned.items() if number < case.number}
            bottle = replace(  # noqa: PLW2901
                bottle, shares={**shares, case.number: gave}, planned={**planned, case.number: gave}
            )
        elif bottle.supply is case.first:
            bottle = replace(bottle)  # noqa: PLW2901
        found.append(bottle)
    return [*found, *_others(case, takings)]


def _others(case: Case, takings: Sequence[Taking]) -> list[Bottle]:
    """What the other bottle gives, one entry for each tool; numbered by the steps it takes the place of."""
    found: list[Bottle] = []
    for taking in takings:
        tool = taking.measure.tool
        known = next((one for one in found if one.tool is tool), None)
        # The rest stands beside the step that fell short, so it gets a number between two others.
        key = taking.key
        if known is None:
            known = Bottle(case.other, tool, taking.measure.is_read, {}, {}, case.per_unit(case.other))
            found.append(known)
        known.shares[key] = taking.exact
        known.planned[key] = taking.measure.amount
    return found


# --- refusals -----------------------------------------------------------------------------------
def _require_enough(case: Case, found: _Found, other: ShelfLot) -> None:
    needed = sum(one.measure.amount for one in found.takings)
    drawn = case.other.drawn_by_mass(needed) if case.weighed else needed
    if drawn > other.free * (1.0 + _CLOSE):
        unit = case.other.drawn_unit
        raise CannotGoOn(
            "not_enough",
            f"{drawn:.4g} {unit} are needed of lot {other.code}, and {other.free:.4g} {unit} of it are free.",
        )


def _require_room(case: Case, found: _Found) -> None:
    """A weaker liquid takes more room, and the vessel ends at its mark."""
    if case.by_mass or case.other.kind == "solid":
        return
    number = case.number
    mark = next(one for one in case.steps if one["number"] > number and one["action"] == "make_up")
    before = [one["number"] for one in case.steps if one["number"] < number and one["action"] == "make_up"]
    taken = 0.0
    for one in case.steps:
        if max(before, default=0) < one["number"] < mark["number"] and one.get("component") is not None:
            liquid = one["action"] == "measure" and one["number"] != number
            taken += float(one["quantity"]["value"]) if liquid else 0.0
    density = case.other.density.g_per_ml if case.other.density and case.weighed else 1.0
    taken += (float(case.gave.value) + found.takings[0].measure.amount) / density
    if taken >= float(mark["quantity"]["value"]):
        raise CannotGoOn(
            "no_room",
            f"The liquids would fill {taken:.4g} mL of the {mark['quantity']['value']} mL: the other bottle"
            " is too weak. A stronger one would serve.",
        )


def _nothing_fits(case: Case, rest: float) -> CannotGoOn:
    """Why no way fits: the apparatus, and what would serve; or the bottle itself."""
    figure, unit = f"{rest:.3g}", case.unit
    ideal = _first_that_fits(case, rest, bench_of(standard_set()))
    if ideal is not None:
        ware = tool_words(ideal.takings[0].measure.tool.apparatus)
        return CannotGoOn(
            "nothing_measures_the_rest",
            f"{figure} {unit} are missing, and nothing here measures that within the tolerance:"
            f" {article(ware)} would serve. Or record what it gave with the reason.",
        )
    if not list(_ways(case, rest, bench_of(standard_set()))):
        return CannotGoOn(
            "rest_too_small",
            f"{figure} {unit} are missing, which is too little to be measured. Record what it gave with the"
            " reason; the result says whether it serves.",
        )
    return CannotGoOn(
        "tolerance_not_reachable",
        f"With {case.other.label}, however it is measured, the whole can't be held inside the tolerance of"
        f" {100.0 * case.wants[case.component].tolerance:.3g} %. A bottle whose label or certificate states"
        " its strength more closely would serve, or give the batch up and have it planned again.",
    )
