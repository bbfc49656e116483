"""The sheet that goes on from another bottle: its steps, drawing, draws, budget and working."""

import copy
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal

from prepdesk.calc import sentences
from prepdesk.calc.answer import apparatus_of
from prepdesk.calc.cautions import caution
from prepdesk.calc.going_on_bottles import Bottle, parts_of
from prepdesk.calc.going_on_case import Case, Step, handled
from prepdesk.calc.going_on_figures import new_budget, set_result, working_of
from prepdesk.calc.going_on_settling import (
    Json,
    Taking,
    numbering,
    water_moved,
)
from prepdesk.calc.model import Amount
from prepdesk.calc.planner.account import decimals_of
from prepdesk.calc.planner.cost import FUMING_ON_BALANCE, LIQUID_ON_BALANCE
from prepdesk.calc.planner.draft import draw_of
from prepdesk.calc.planner.entries import Entry
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.mixed import named
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.working import part_working
from prepdesk.calc.planner.writer import handling, ordered, window_of


@dataclass(frozen=True, slots=True)
class GoneOn:
    """A sheet that goes on from another bottle.

    Attributes:
        plan: in the form of the contract.
        steps: those that take the rest, in order; one, or several portions.
        substance: what the other bottle holds.
    """

    plan: Json
    steps: tuple[Step, ...]
    substance: str

    @property
    def rest(self) -> Amount:
        """What the other bottle gives of the step that fell short [g or mL]."""
        values = [Decimal(one["quantity"]["value"]) for one in self.steps]
        exponent = values[0].as_tuple().exponent
        assert isinstance(exponent, int)
        return Amount(float(sum(values)), self.steps[0]["quantity"]["unit"], max(-exponent, 0))


def write_sheet(
    case: Case, takings: Sequence[Taking], settling: Json, bottles: Sequence[Bottle], free: float
) -> GoneOn:
    """Put the new plan together.

    Args:
        case: the run-out.
        takings: what the other bottle gives, with their windows' margins.
        settling: of the new sheet.
        bottles: all of the amount, as the new sheet has them.
        free: of the other bottle [g or mL].
    """
    plan: Json = copy.deepcopy(dict(case.plan))
    plan["settling"] = settling
    plan["steps"], rest = _steps(case, takings, free, bottles)
    plan["draws"] = _draws(case, takings)
    plan["route"] = _route(case, takings)
    plan["budget"] = new_budget(case, bottles)
    plan["working"] = [*plan["working"], *working_of(case, takings)]
    plan["minutes"] = round(plan["minutes"] + _minutes(case, takings[0].measure))
    for note in case.other.notes:
        row = {"code": note.code, "text": note.text, "severity": note.severity}
        plan["problems"] = [*(one for one in plan["problems"] if one != row), row]
    _set_cautions(plan)
    set_result(plan, case, takings)
    return GoneOn(plan, tuple(rest), case.other.substance.name)


# --- steps --------------------------------------------------------------------------------------
def _steps(
    case: Case, takings: Sequence[Taking], free: float, bottles: Sequence[Bottle]
) -> tuple[list[Step], list[Step]]:
    by_key = {one.key: one for one in takings}
    numbers = numbering(case, takings)
    water = water_moved(case, takings)
    parts = parts_of(bottles)
    place = next(i for i, one in enumerate(parts, 1) if one.supply is case.other)
    shown = part_working(parts, place) if len(parts) > 1 and place == len(parts) else ""
    steps: list[Step] = []
    rest: list[Step] = []
    for key, own in numbers.items():
        if key in by_key:
            written = _taking_steps(case, by_key[key], own, free, shown)
            steps += written
            if by_key[key].is_rest:
                rest = written
            continue
        # Figures that only follow earlier readings are moved anew whenever a sheet is shown.
        step = dict(case.plan["steps"][int(key) - 1])
        if water is not None and key == water["number"]:
            step = {name: value for name, value in water.items() if name != "planned"}
        if key == case.number:
            step = _fell_short(case, step, numbers[case.number + 0.5])
        if key > case.number and step["action"] in ("dissolve", "mix"):
            step = _named_as_it_is(case, step)
        steps.append({**step, "number": own[0]})
    return steps, rest


def _fell_short(case: Case, step: Step, after: Sequence[int]) -> Step:
    """The step at which the bottle ran out: its quantity is what it gave."""
    gave, unit, code = case.gave, case.unit, step["lot"]["code"]
    said = f"{gave.text} {unit}" if gave.value else "nothing"
    which = f"step {after[0]}" if len(after) == 1 else f"steps {after[0]} to {after[-1]}"
    lot = case.other.lot
    text = (
        f"{case.filling_of(case.number)}{handled(case.first)[:1].upper()}{handled(case.first)[1:]}:"
        f" {said} of {step['quantity']['value']} {unit}; then the bottle was empty."
        f" The rest comes from lot {lot.code if lot else ''} at {which}."
    )
    found = {name: value for name, value in step.items() if name != "window"}
    return {
        **found,
        "text": text,
        "quantity": {"value": f"{gave.value:f}", "unit": unit},
        "ran_out": {"lot": code, "planned": step["quantity"]},
    }


def _taking_steps(case: Case, taking: Taking, numbers: Sequence[int], free: float, shown: str) -> list[Step]:
    old = case.steps[taking.at - 1]
    measure, other = taking.measure, case.other
    entry = Entry(case.component, other, measure, taking.margin, "")
    traits = other.substance.traits
    into = _into(case, old)
    found: list[Step] = []
    for place, ((quantity, exact), number) in enumerate(zip(taking.portions, numbers, strict=True), 1):
        portion = f"portion {place} of {len(numbers)}: " if len(numbers) > 1 else ""
        item = measure.tool.apparatus
        if other.kind == "solid":
            text = sentences.weigh_solid(
                quantity, entry.what, item, portion=portion,
                coarse="coarse" in traits, damp="takes-up-water" in traits,
            )  # fmt: skip
        elif measure.weighed:
            text = sentences.weigh_liquid(quantity, entry.what, item, portion=portion)
        else:
            text = sentences.measure(quantity, entry.what, item, times=1, portion=portion, into=into)
        if taking.is_rest:
            text = f"{sentences.rest_of_it()} {text}"
            if not into and case.gave.value:
                text = f"{text} {sentences.to_what_is_there()}"
        most = free if len(numbers) == 1 and measure.weighed == (other.kind == "solid") else math.inf
        if measure.tool.step and math.isfinite(most):
            most = math.floor(most / measure.tool.step + 1e-6) * measure.tool.step
        window = window_of(measure, quantity.value, exact, taking.margin, most)
        step: Step = {
            "number": number,
            "action": "weigh" if measure.weighed else "measure",
            "text": f"{case.filling_of(taking.at)}{text}",
            "equipment": apparatus_of(item),
            "cautions": _said(handling(other.substance, "weigh" if measure.weighed else "measure")),
            "shown": shown if taking.is_rest else "",
            "substance": other.substance.name,
            "component": case.component,
            "quantity": {"value": quantity.text, "unit": quantity.unit},
        }
        if window is not None:
            step["window"] = {"low": window.low.text, "high": window.high.text, "unit": quantity.unit}
        if old.get("stage") is not None:
            step["stage"] = old["stage"]
        if other.lot is not None:
            step["lot"] = {"id": other.lot.id, "code": other.lot.code}
        found.append(step)
    return found


def _into(case: Case, step: Step) -> str:
    """The vessel that a liquid is measured into, as the step's sentence names it."""
    _, _, after = step["text"].partition(f" {handled(case.first)} into ")
    if not after or case.weighed:
        return ""
    for end in (" with the ", " from the ", " (", ";", "."):
        # The class stands in brackets and belongs to the name: "500 mL one-mark flask (class A)".
        before, found, _ = after.partition(end)
        if found and (end != " (" or not after[len(before) :].startswith(" (class")):
            return str(before)
    return ""


def _named_as_it_is(case: Case, step: Step) -> Step:
    """What is dissolved or mixed of another form is named too, with what that form asks for."""
    first, other = case.first.substance.name, case.other.substance.name
    if first == other or f"the {first}" not in step["text"]:
        return step
    both = case.filling_of(step["number"]) == case.filling_of(case.number) and _gave_before(case)
    text = f"the {first} and the {other}" if both else f"the {other}"
    inside = f"{first} and {other}" if both else other
    codes = {one["code"] for one in step["cautions"]} | handling(case.other.substance, step["action"])
    return {
        **step,
        "text": step["text"].replace(f"the {first}", text),
        "substance": (step.get("substance") or first).replace(first, inside),
        "cautions": _said(codes),
    }


def _gave_before(case: Case) -> bool:
    """Whether the empty bottle gave anything to this filling."""
    mine = case.mine.planned
    words = case.filling_of(case.number)
    return bool(case.gave.value) or any(
        number < case.number and case.filling_of(number) == words for number in mine
    )


def _said(codes: Iterable[str]) -> list[Json]:
    return [{"code": one.code, "text": one.text} for one in map(caution, ordered(codes))]


def _set_cautions(plan: Json) -> None:
    codes = {one["code"] for one in plan["cautions"]}
    codes |= {one["code"] for step in plan["steps"] for one in step["cautions"]}
    plan["cautions"] = _said(codes)


# --- draws and drawing ----------------------------------------------------------------------------
def _draws(case: Case, takings: Sequence[Taking]) -> list[Json]:
    """What each bottle gives: the empty one what it gave, the other one the rest."""
    lot_id = str(case.step["lot"]["id"])
    taken = float(case.gave.value)
    for bottle in case.bottles:
        if bottle.supply is case.first:
            for number, amount in bottle.planned.items():
                if number < case.number:
                    read = case.readings.get(int(number))
                    taken += float(read.value) if read is not None else amount
    rows = []
    for row in case.plan["draws"]:
        if row["component"] != case.component or not row["lot"] or str(row["lot"]["id"]) != lot_id:
            rows.append(dict(row))
            continue
        if taken > 0.0:
            rows.append({**row, "amount": _drawn(case, case.first, taken, case.mine.tool.step)})
        total = sum(one.measure.amount for one in takings)
        step = min((one.measure.tool.step or one.measure.tool.size) for one in takings)
        lot = case.other.lot
        rows.append(
            {
                "component": case.component,
                "substance": case.other.substance.name,
                "substance_key": case.other.substance.key,
                "lot": None if lot is None else {"id": lot.id, "code": lot.code},
                "amount": _drawn(case, case.other, total, step),
            }
        )
    return rows


def _drawn(case: Case, supply: Supply, amount: float, step: float) -> Json:
    decimals = decimals_of(step or case.mine.tool.size)
    if case.weighed and supply.kind != "solid":
        amount, decimals = supply.drawn_by_mass(amount), 2
    found = draw_of(case.component, supply, amount, decimals).amount
    return {"value": found.text, "unit": found.unit}


def _route(case: Case, takings: Sequence[Taking]) -> list[Json]:
    """The drawing: the bottle that ran out with what it gave, the other one beside it."""
    stages: list[Json] = copy.deepcopy(case.plan["route"])
    wanted = int(case.step.get("stage") or 1)
    labels = {case.first.label, named(case.first.label, case.first)}
    for stage in stages:
        if stage["stage"] != wanted:
            continue
        for place, one in enumerate(stage["inputs"]):
            if one["label"] not in labels:
                continue
            rest, other = takings[0].measure, case.other
            gave = {**one, "label": named(case.first.label, case.first)}
            gave["amount"] = {"value": case.gave.text, "unit": case.unit}
            added = {
                "kind": other.kind,
                "label": named(other.label, other),
                "amount": {
                    "value": f"{rest.amount:.{decimals_of(rest.tool.step or rest.tool.size)}f}",
                    "unit": case.unit,
                },
                "measured_by": apparatus_of(rest.tool.apparatus),
            }
            stage["inputs"][place : place + 1] = [gave, added] if case.gave.value else [added]
            return stages
    return stages


def _minutes(case: Case, measure: Measure) -> float:
    liquid = case.weighed and case.other.kind != "solid"
    fuming = "fume_hood" in case.other.substance.hazards
    extra = (FUMING_ON_BALANCE if fuming else LIQUID_ON_BALANCE) if liquid else 0.0
    return measure.minutes + extra * measure.times
