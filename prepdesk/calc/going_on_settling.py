"""What settling needs of a sheet that goes on from another bottle."""

import copy
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from prepdesk.calc.going_on_bottles import Bottle
from prepdesk.calc.going_on_case import Case, Step, group_of
from prepdesk.calc.model import Amount
from prepdesk.calc.planner.account import as_shown
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.mixed import inputs_of
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.writer import portions_of
from prepdesk.calc.rest import moved_to
from prepdesk.calc.uncertainty import Input

Json = dict[str, Any]
StepsOf = Callable[[Bottle], list[list[float]]]


@dataclass(frozen=True, slots=True)
class Taking:
    """What the other bottle gives at one place of the sheet.

    Attributes:
        at: number of the step before, in the old sheet, whose rest it is; or which it takes the place of.
        measure: how much, and with what.
        exact: what is wanted exactly [g or mL].
        margin: how far a reading may lie from that [1].
        is_rest: whether it follows a step that fell short.
    """

    at: int
    measure: Measure
    exact: float
    margin: float = 0.0
    is_rest: bool = False

    @property
    def key(self) -> float:
        """Where it stands among the old steps: half a step after the one that fell short."""
        return self.at + 0.5 if self.is_rest else self.at

    @property
    def portions(self) -> list[tuple[Amount, float]]:
        """Each portion as shown and exactly."""
        return [(as_shown(self.measure, amount), exact) for amount, exact in portions_of(self.measure)]


def numbering(case: Case, takings: Sequence[Taking]) -> dict[float, list[int]]:
    """The numbers of the new sheet, by those of the old one; a taking in portions has several."""
    by_key = {one.key: one for one in takings}
    found: dict[float, list[int]] = {}
    last = 0
    for key in sorted({*(step["number"] for step in case.steps), *by_key}):
        count = len(by_key[key].portions) if key in by_key else 1
        found[key] = list(range(last + 1, last + count + 1))
        last += count
    return found


def as_planned(case: Case, takings: Sequence[Taking]) -> list[Step]:
    """The figures of the new sheet's steps, as settling reads them."""
    by_key = {one.key: one for one in takings}
    water = water_moved(case, takings)
    found: list[Step] = []
    for key, numbers in numbering(case, takings).items():
        if key in by_key:
            shown = [amount.text for amount, _ in by_key[key].portions]
        else:
            step = case.steps[int(key) - 1]
            if water is not None and key == water["number"]:
                step = water
            shown = [step["quantity"]["value"]] if step.get("quantity") else []
            if key == case.number:
                shown = [str(case.gave.value)]
        found += [
            {"number": number, "quantity": {"value": value}}
            for number, value in zip(numbers, shown, strict=False)
        ]
    return found


def new_settling(case: Case, bottles: Sequence[Bottle], takings: Sequence[Taking]) -> Json:
    """The settling of the new sheet: both bottles by their own strength and their own readings."""
    numbers = numbering(case, takings)
    settling: Json = copy.deepcopy(case.plan["settling"])
    exact = {one.key: one.portions for one in takings}

    def steps_of(bottle: Bottle) -> list[list[float]]:
        found: list[list[float]] = []
        for key in sorted(bottle.shares):
            parts = exact.get(key) if bottle.supply is case.other else None
            amounts = [one for _, one in parts] if parts else [bottle.shares[key]]
            found += [[number, amount] for number, amount in zip(numbers[key], amounts, strict=True)]
        return found

    apart = len(takings) > 1 or len(takings[0].portions) > 1 or bool(case.filling_of(case.number))
    terms = settling["components"][case.component]
    variance = (terms["rest_percent"] / 100.0) ** 2 + _change_of_variance(case, bottles)
    if case.by_mass:
        _set_sources(case, settling, bottles, steps_of, apart=apart)
        _set_water(case, settling, takings)
    else:
        variance -= _set_readings(case, terms, bottles, steps_of, apart=apart)
    terms["rest_percent"] = 100.0 * math.sqrt(max(variance, 0.0))
    _renumber(settling, numbers)
    return settling


def _set_readings(
    case: Case, terms: Json, bottles: Sequence[Bottle], steps_of: StepsOf, *, apart: bool
) -> float:
    """Set the entry of the amount; the variance of a tool that counted among the rest before [1]."""
    old = group_of(case.plan, case.component, case.number)
    entry: Json = {
        "exact_mol": sum(one.mol for one in case.bottles),
        "bottles": [
            {
                "steps": steps_of(one) if one.is_read else [],
                "planned": sum(one.planned.values()),
                "mol_per_unit": one.per_unit,
                "standard_uncertainty": one.standard,
                "unit": case.unit,
            }
            for one in bottles
        ],
        "own": True,
    }
    if apart:
        entry["apart"] = True
    if old is not None:
        if "exact_mol" in old:
            entry["exact_mol"] = old["exact_mol"]
        terms["readings"] = [entry if one == old else one for one in terms["readings"]]
        return 0.0
    terms["readings"].append(entry)
    # A single mark missed the target by a known part; now what is really taken counts.
    mine = case.mine
    terms["fixed"] /= sum(mine.planned.values()) / mine.exact
    per_filling = [number for bottle, number in case.together(case.number) if bottle is mine]
    amount = sum(mine.shares[number] for number in per_filling)
    return mine.tool.variance(len(per_filling)) / amount**2


def _set_sources(
    case: Case, settling: Json, bottles: Sequence[Bottle], steps_of: StepsOf, *, apart: bool
) -> None:
    sources: list[Json] = settling["sources"]
    place = next(i for i, one in enumerate(sources) if one["component"] == case.component)
    kept = [one for one in sources if one["component"] != case.component]
    own: list[Json] = []
    for one in bottles:
        density = one.supply.density
        per_unit = 1.0 if case.weighed or density is None else density.g_per_ml
        own.append(
            {
                "component": case.component,
                "steps": steps_of(one) if one.is_read else [],
                "planned_g": sum(one.planned.values()) * per_unit,
                "g_per_unit": per_unit,
                "standard_uncertainty_g": one.standard * per_unit,
                "mol_per_g": one.supply.mol_per_g,
                "solvent_part": one.supply.solvent_part,
                "unit": case.unit,
                "own": True,
                **({"apart": True} if apart else {}),
            }
        )
    settling["sources"] = [*kept[:place], *own, *kept[place:]]


def _set_water(case: Case, settling: Json, takings: Sequence[Taking]) -> None:
    less = _water_less(case, takings)
    if less is None:
        return
    for source in settling["sources"]:
        if source["component"] is None and source["steps"]:
            number, exact = source["steps"][-1]
            source["steps"][-1] = [number, exact - less / source["g_per_unit"]]
            source["planned_g"] -= less


def planned_source_g(source: Mapping[str, Any]) -> float:
    """What a source of a solution by mass gives, exactly where it is read [g]."""
    if not source["steps"]:
        return float(source["planned_g"])
    return float(sum(exact for _, exact in source["steps"]) * source["g_per_unit"])


def water_to_come(case: Case) -> Json | None:
    """The solvent of a solution by mass, where its last portion is still to be weighed or measured."""
    for source in case.plan["settling"].get("sources", ()):
        if source["component"] is None and source["steps"] and source["steps"][-1][0] > case.number:
            return dict(source)
    return None


def water_moved(case: Case, takings: Sequence[Taking]) -> Step | None:
    """The step that weighs the last of the solvent, with its new figure; None where it stays."""
    source, less = water_to_come(case), _water_less(case, takings)
    if source is None or less is None:
        return None
    number, exact = source["steps"][-1]
    return moved_to(case.steps[int(number) - 1], exact - less / source["g_per_unit"])


def _water_less(case: Case, takings: Sequence[Taking]) -> float | None:
    """How much less solvent is added, because the other bottle brings more of it or weighs more [g].

    Where parts of the mass are asked for the whole stays what it was, else the solvent does.
    """
    if water_to_come(case) is None:
        return None
    terms = case.plan["settling"]["components"][case.component]
    fraction = terms["kind"] == "fraction"

    def counted(supply: Supply, amount: float) -> float:
        density = supply.density.g_per_ml if supply.density and not case.weighed else 1.0
        return amount * density * (1.0 if fraction else supply.solvent_part)

    before = sum(counted(one.supply, one.exact) for one in case.bottles)
    kept = sum(
        counted(one.supply, share)
        for one in case.bottles
        for number, share in one.shares.items()
        if one is not case.mine or number < case.number
    )
    after = kept + counted(case.first, float(case.gave.value))
    return after + sum(counted(case.other, one.exact) for one in takings) - before


# --- what the labels leave in doubt ---------------------------------------------------------------
def label_inputs(case: Case, bottles: Sequence[Bottle]) -> tuple[Input, ...]:
    """The relative inputs of the bottles themselves: assay, density, molar mass [1]."""

    def own(supply: Supply) -> tuple[Input, ...]:
        return supply.by_g if case.weighed else supply.by_ml

    mol: dict[str, float] = {}
    supplies: dict[str, Supply] = {}
    for one in bottles:
        lot_id = one.supply.lot.id if one.supply.lot else ""
        supplies[lot_id] = one.supply
        mol[lot_id] = mol.get(lot_id, 0.0) + one.mol
    giving = [key for key, amount in mol.items() if amount > 0.0]
    if len(giving) == 1:
        return own(supplies[giving[0]])
    total = sum(mol.values())
    return inputs_of([(own(supplies[key]), mol[key] / total, supplies[key]) for key in giving])


def _change_of_variance(case: Case, bottles: Sequence[Bottle]) -> float:
    after, before = label_inputs(case, bottles), label_inputs(case, case.bottles)
    return sum(one.standard**2 for one in after) - sum(one.standard**2 for one in before)


def _renumber(settling: Json, numbers: Mapping[float, Sequence[int]]) -> None:
    """Every other entry names its steps by the numbers of the new sheet."""
    entries = list(settling.get("sources", ()))
    for terms in settling["components"]:
        for group in terms.get("readings", ()):
            if not group.pop("own", False):
                entries += group.get("bottles", [group])
    for entry in entries:
        if not entry.pop("own", False):
            entry["steps"] = [[numbers[number][0], exact] for number, exact in entry["steps"]]
