"""A bottle that ran out, as the calculation sees it: what it was to give, what it gave, what is missing."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import CalcError, InputError
from prepdesk.calc.going_on_bottles import Bottle, tool_of
from prepdesk.calc.model import Apparatus, Shelf, ShelfLot
from prepdesk.calc.planner.bench import Bench, Tool, bench_of
from prepdesk.calc.planner.entries import Entry
from prepdesk.calc.planner.instead import counts_the_same
from prepdesk.calc.planner.making import SupplyMaker
from prepdesk.calc.planner.mass_composition import per_volume
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.refusal import Impossible
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want, wants_of
from prepdesk.calc.request import read_request
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.typed import TypedNumber

Plan = Mapping[str, Any]
Step = dict[str, Any]

# The frozen figures and the label agree to this, or the label was changed since [1].
SAME_STRENGTH: Final = 2e-6
_FILLING: Final = re.compile(r"^Filling \d+ of \d+\. ")


class CannotGoOn(CalcError):
    """The rest can't be taken from that bottle.

    Attributes:
        code: stable machine word, as ``rest_too_small``.
        text: what stands in the way, and what would serve.
    """

    def __init__(self, code: str, text: str) -> None:
        super().__init__(text)
        self.code = code
        self.text = text


@dataclass(slots=True)
class Case:
    """Everything about one run-out that does not depend on how the rest is measured."""

    plan: Plan
    steps: list[Step]
    step: Step
    readings: Mapping[int, TypedNumber]
    gave: TypedNumber
    wants: Sequence[Want]
    bench: Bench
    first: Supply
    other: Supply
    bottles: list[Bottle] = field(default_factory=list)

    @property
    def number(self) -> int:
        """Of the step at which the bottle ran out."""
        return int(self.step["number"])

    @property
    def component(self) -> int:
        """Index of the component concerned."""
        return int(self.step["component"])

    @property
    def weighed(self) -> bool:
        """Whether it is measured as a mass."""
        return bool(self.step["action"] == "weigh")

    @property
    def unit(self) -> str:
        """Of the step."""
        return str(self.step["quantity"]["unit"])

    @property
    def by_mass(self) -> bool:
        """Whether the solution is weighed together."""
        return bool(self.plan["settling"]["kind"] == "mass")

    @property
    def mine(self) -> Bottle:
        """The bottle that ran out, with what it was to give."""
        return next(one for one in self.bottles if self.number in one.shares)

    def per_unit(self, supply: Supply) -> float:
        """Solute per gram or millilitre, as the step measures [mol/g or mol/mL]."""
        return supply.mol_per_g if self.weighed else supply.mol_per_ml

    @property
    def through_intermediate(self) -> bool:
        """Whether the bottle goes into an intermediate solution that aliquots are taken of."""
        return any(
            one.get("component") == self.component
            and not one.get("lot")
            and one["action"] in ("weigh", "measure")
            for one in self.steps
        )

    @property
    def read_before(self) -> dict[int, TypedNumber]:
        """What was read of the component's bottles so far."""
        own = {number for bottle in self.bottles for number in bottle.shares}
        return {number: one for number, one in self.readings.items() if number in own}

    def filling_of(self, number: float) -> str:
        """The words before a step that say which filling it belongs to; empty for a single one."""
        found = _FILLING.match(self.steps[int(number) - 1]["text"])
        return found.group() if found else ""

    def together(self, number: float) -> list[tuple[Bottle, float]]:
        """The steps that give one amount into one vessel together with this one."""
        words = self.filling_of(number)
        return [
            (bottle, each)
            for bottle in self.bottles
            for each in sorted(bottle.shares)
            if self.filling_of(each) == words
        ]


def case_of(
    plan: Plan,
    readings: Mapping[int, TypedNumber],
    *,
    step_number: int,
    gave: TypedNumber,
    other: ShelfLot,
    lots: Sequence[ShelfLot],
    catalogue: Catalogue,
    apparatus: tuple[Apparatus, ...],
) -> Case:
    """Read a run-out from a frozen plan; the arguments are those of ``going_on.go_on_from``.

    Raises:
        CannotGoOn: the step takes from no bottle, or the other one is not the like of the first.
    """
    steps = steps_with_rest(plan, readings)
    step = next((one for one in steps if one["number"] == step_number), None)
    if step is None or not step.get("lot") or step["action"] not in ("weigh", "measure"):
        raise CannotGoOn(
            "no_bottle",
            "This step takes from no bottle of the shelf. Where an intermediate solution does not suffice,"
            " it is made again; what is left of it is never made up with something else.",
        )
    if all(one["action"] != "make_up" for one in steps) and plan["settling"]["kind"] == "volume":
        raise CannotGoOn(
            "used_as_it_is",
            "This solution is used as it is, and another bottle has another strength: give the batch up and"
            " have it planned again.",
        )
    wants = _wants(plan, catalogue)
    want = wants[step["component"]]
    maker = SupplyMaker(want, _request(plan, catalogue), catalogue)
    known = {lot.id: lot for lot in lots}
    _require_another(steps, step, other)
    first = _supply(maker, known.get(str(step["lot"]["id"])), step["lot"]["code"])
    _require_same_label(first, step)
    try:
        inside = catalogue.by_key(other.substance_key)
    except InputError as error:
        raise CannotGoOn("other_substance", f"Lot {other.code} holds something unknown.") from error
    if not counts_the_same(want.component.substance, inside):
        raise CannotGoOn(
            "other_substance",
            f"Lot {other.code} holds {inside.name}: a mole of it does not put the same into solution as"
            f" {want.name}.",
        )
    second = _supply(maker, other, other.code)
    if second.kind != first.kind:
        raise CannotGoOn(
            "other_kind",
            f"Lot {other.code} is a {_KINDS[second.kind]}, and this sheet handles a {_KINDS[first.kind]}."
            f" A further {_KINDS[first.kind]} would serve.",
        )
    case = Case(plan, steps, step, readings, gave, wants, bench_of(apparatus), first, second)
    for supply in (first, second):
        if not case.per_unit(supply) > 0.0:
            raise CannotGoOn(
                "no_density",
                f"The density of {supply.label} is missing, so it can't be weighed by its strength. Write"
                " what its label says into the stock; it is never guessed.",
            )
    case.bottles = _bottles(case, maker, known)
    return case


_KINDS: Final = {"solid": "solid", "liquid": "liquid reagent", "solution": "solution"}


# --- reading the frozen plan --------------------------------------------------------------------
def _request(plan: Plan, catalogue: Catalogue) -> Any:
    asked = {
        "components": [
            {
                "substance": one["key"],
                "target": one["target"],
                **({"equivalents": one["equivalents"]} if one.get("equivalents") else {}),
            }
            for one in plan["components"]
        ],
        "volume": plan["volume"],
        "temperature_c": str(plan["temperature_c"]),
        "solvent": plan["solvent"],
    }
    if plan["tolerance_basis"] == "stated":
        asked["tolerance_percent"] = str(plan["tolerance_percent"])
    return read_request(asked, catalogue, Shelf())


def _wants(plan: Plan, catalogue: Catalogue) -> Sequence[Want]:
    request = _request(plan, catalogue)
    wants = wants_of(request)
    by_mass = [want.by_mass for want in wants]
    if any(by_mass) and not all(by_mass):
        wants, _ = per_volume(wants, request.temperature_c)
    return wants


def _supply(maker: SupplyMaker, lot: ShelfLot | None, code: str) -> Supply:
    if lot is None:
        raise CannotGoOn("lot_unknown", f"What is in lot {code} is not known any more.")
    try:
        return maker.lot(lot)
    except Impossible as refused:
        raise CannotGoOn(refused.problem.code, refused.problem.text) from refused


def _require_another(steps: Sequence[Step], step: Step, other: ShelfLot) -> None:
    if str(step["lot"]["id"]) == other.id:
        raise CannotGoOn("same_lot", f"{other.code} is the bottle that ran out. Take another one.")
    for one in steps:
        if (one.get("ran_out") or {}).get("lot") == other.code:
            raise CannotGoOn("was_empty", f"{other.code} ran out before, at step {one['number']}.")
        later = one["number"] > step["number"] and one.get("component") == step["component"]
        if later and one.get("lot") and str(one["lot"]["id"]) == other.id:
            raise CannotGoOn(
                "already_on_sheet",
                f"{other.code} gives its part at step {one['number']} anyway. Record what"
                f" {step['lot']['code']} gave, with the reason, and step {one['number']} asks for the rest.",
            )


def _require_same_label(first: Supply, step: Step) -> None:
    """The sheet counted with what the label said then; a sentence on it names that."""
    if handled(first) not in step["text"]:
        raise _label_changed(step["lot"]["code"])


def _label_changed(code: str) -> CannotGoOn:
    return CannotGoOn(
        "label_changed",
        f"What the stock says of lot {code} is not what this sheet was worked out with."
        " Give the batch up and have it planned again.",
    )


def handled(supply: Supply) -> str:
    """What is handled, as the sentences of a sheet name it, with its strength and lot."""
    return Entry(0, supply, _NO_MEASURE, 0.0, "").what


# Only what is handled is asked of an entry made with it.
_NO_MEASURE: Final = Measure(Tool(Apparatus("balance"), 0, 1, 0, 0, 0, 0, ()), 1, 1, 1, 0, 0, 0)


# --- the bottles of the amount ----------------------------------------------------------------
def group_of(plan: Plan, component: int, number: int) -> dict[str, Any] | None:
    """The settling entry of a solution by volume that a step belongs to, if its amount is read or split."""
    readings: list[dict[str, Any]] = plan["settling"]["components"][component]["readings"]
    for group in readings:
        if any(number == own for one in group.get("bottles", [group]) for own, _ in one["steps"]):
            return group
    # The single marks of several bottles take no readings; they stand in the only such entry there is.
    return next((group for group in readings if "bottles" in group), None)


def _bottles(case: Case, maker: SupplyMaker, known: Mapping[str, ShelfLot]) -> list[Bottle]:
    """Every bottle of the component's amount, in the order of the sheet."""
    by_lot: dict[str, list[Step]] = {}
    for one in case.plan["steps"]:
        if one.get("lot") and one.get("component") == case.component:
            by_lot.setdefault(str(one["lot"]["id"]), []).append(one)
    exact = _exact_shares(case.plan, case.component)
    found = []
    for lot_id, steps in by_lot.items():
        supply = case.first if lot_id == str(case.step["lot"]["id"]) else None
        supply = supply or _supply(maker, known.get(lot_id), steps[0]["lot"]["code"])
        for tool, own in _by_tool(case.bench, steps):
            planned: dict[float, float] = {one["number"]: float(one["quantity"]["value"]) for one in own}
            shares = {number: exact.get(int(number), amount) for number, amount in planned.items()}
            is_read = tool.step > 0.0 and tool.apparatus.type != "piston pipette"
            found.append(Bottle(supply, tool, is_read, shares, planned, case.per_unit(supply)))
    _require_frozen_strength(case, found)
    _set_to_target(case, found)
    return found


def _set_to_target(case: Case, bottles: Sequence[Bottle]) -> None:
    """A single mark seldom gives exactly what is wanted; the rest from a finer scale need not miss it too."""
    [*_, only] = bottles
    if len(bottles) > 1 or only.is_read or case.by_mass or case.through_intermediate:
        return
    terms = case.plan["settling"]["components"][case.component]
    scale = terms["mol_per_l"] * case.plan["settling"]["volume_ml"] / 1000.0 / only.mol
    only.shares = {number: amount * scale for number, amount in only.shares.items()}


def _exact_shares(plan: Plan, component: int) -> dict[int, float]:
    """The exact amount of every step of a component that takes a reading [g or mL]."""
    settling = plan["settling"]
    if settling["kind"] == "mass":
        entries = [one for one in settling["sources"] if one["component"] == component]
    else:
        entries = [
            one
            for group in settling["components"][component]["readings"]
            for one in group.get("bottles", [group])
        ]
    return {int(number): float(exact) for one in entries for number, exact in one["steps"]}


def _by_tool(bench: Bench, steps: Sequence[Step]) -> list[tuple[Tool, list[Step]]]:
    found: list[tuple[Tool, list[Step]]] = []
    for one in steps:
        tool = tool_of(bench, one["equipment"])
        same = next((own for known, own in found if known is tool), None)
        if same is None:
            found.append((tool, [one]))
        else:
            same.append(one)
    return found


def _require_frozen_strength(case: Case, bottles: Sequence[Bottle]) -> None:
    """What the sheet says a bottle was to bring is what its label brings, where the sheet says it."""
    settling = case.plan["settling"]
    if case.by_mass:
        frozen = {
            int(number): source["mol_per_g"] * source["g_per_unit"]
            for source in settling["sources"]
            for number, _ in source["steps"]
        }
    else:
        frozen = {
            int(number): bottle["mol_per_unit"]
            for group in settling["components"][case.component]["readings"]
            for bottle in group.get("bottles", ())
            for number, _ in bottle["steps"]
        }
    for bottle in bottles:
        for number in map(int, bottle.shares):
            if number in frozen and abs(frozen[number] / bottle.per_unit - 1.0) > SAME_STRENGTH:
                raise _label_changed(case.steps[number - 1]["lot"]["code"])
