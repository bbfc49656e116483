"""Collects the steps of a sheet in bench order, with numbers, stages and cautions."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from prepdesk.calc.cautions import caution, caution_codes
from prepdesk.calc.model import (
    Action,
    Amount,
    Apparatus,
    Caution,
    PreparationRequest,
    RouteInput,
    RouteStage,
    Step,
    Substance,
    Window,
)
from prepdesk.calc.planner.account import as_shown
from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.sentences import rinse_for_reuse, size

# Which caution a fact of the catalogue calls for, and at which action it matters.
TRAIT_CAUTIONS: Final = {
    "coarse": ("grind_coarse", "weigh"),
    "takes-up-water": ("takes_up_water", "weigh"),
    "dissolves-hot": ("heat_of_solution", "dissolve"),
    "flammable": ("flammable_no_flame", "measure"),
    "takes-up-carbon-dioxide": ("takes_up_carbon_dioxide", "make_up"),
    "light-sensitive": ("light_sensitive", "store"),
    "attacks-glass": ("attacks_glass", "store"),
}
ADDING: Final = frozenset({"acid_into_water", "fume_hood", "eye_protection", "gloves"})
LAST_CAUTION: Final = "local_rules"


@dataclass(slots=True)
class Group:
    """The readings that together measure one amount, for settling afterwards.

    Attributes:
        component: index of the component.
        steps: numbers of the steps, each with its exact share [g or mL].
        planned: what the steps add up to as planned [g or mL].
        standard: standard uncertainty of the sum [g or mL].
        unit: of the readings.
        exact: what the steps would add up to without rounding [g or mL].
        per_unit: solute per unit [mol/g or mol/mL], where it is one of several bottles, else 0.
        is_read: whether its steps take readings.
    """

    component: int
    steps: list[tuple[int, float]]
    planned: float
    standard: float
    unit: str
    exact: float
    per_unit: float
    is_read: bool


@dataclass(slots=True)
class Writer:
    """The sheet being written."""

    request: PreparationRequest
    bench: Bench
    staged: bool
    steps: list[Step] = field(default_factory=list)
    route: list[RouteStage] = field(default_factory=list)
    groups: list[Group] = field(default_factory=list)
    stage: int = 1
    # Flasks with something in them, and those of them whose intermediate has served, with its name.
    filled: list[Apparatus] = field(default_factory=list)
    served: list[tuple[Apparatus, str]] = field(default_factory=list)

    @property
    def next_number(self) -> int:
        """Number the next step will have."""
        return len(self.steps) + 1

    @property
    def temperature(self) -> str:
        """The temperature of making up, as ``20 °C``."""
        return f"{self.request.temperature_c:g} °C"

    @property
    def solvent(self) -> str:
        """What is made up with."""
        return self.request.solvent

    def add(
        self,
        action: Action,
        text: str,
        *,
        substance: str = "",
        component: int | None = None,
        quantity: Amount | None = None,
        equipment: Apparatus | None = None,
        window: Window | None = None,
        lot: tuple[str, str] | None = None,
        cautions: Iterable[str] = (),
        shown: str = "",
    ) -> int:
        """Write one step and return its number."""
        self.steps.append(
            Step(
                number=self.next_number,
                action=action,
                text=text,
                substance=substance,
                component=component,
                quantity=quantity,
                equipment=equipment,
                window=window,
                stage=self.stage if self.staged else None,
                lot=lot,
                cautions=tuple(caution(code) for code in ordered(cautions)),
                shown=shown,
            )
        )
        return len(self.steps)

    def take_clean(self, flask: Apparatus) -> None:
        """Take a flask for the next stage; when none of its kind is clean any more, empty one first."""
        if self.filled.count(flask) >= flask.count:
            # No route is chosen that has more in use at once than there are, so one of them has served.
            used, what = next(one for one in self.served if one[0] == flask)
            self.served.remove((used, what))
            self.add("transfer", rinse_for_reuse(f"the {size(flask)}", what, self.solvent), equipment=flask)
            self.filled.remove(flask)
        self.filled.append(flask)

    def draw(self, inputs: Sequence[RouteInput], vessel: Apparatus, count: int, gives: str) -> None:
        """Add one stage to the drawing of the route."""
        self.route.append(RouteStage(self.stage, tuple(inputs), vessel, count, gives))


def ordered(codes: Iterable[str]) -> list[str]:
    """Caution codes once each, in the order of the table."""
    wanted = set(codes)
    return [code for code in caution_codes() if code in wanted]


def handling(substance: Substance, action: Action) -> set[str]:
    """The cautions of a substance that matter at an action."""
    codes = {
        code
        for trait in substance.traits
        for code, at in [TRAIT_CAUTIONS.get(trait, ("", ""))]
        if at == action
    }
    if action in ("weigh", "measure"):
        codes |= set(substance.hazards) - {"acid_into_water"} or {"not_reviewed"}
    if action == "mix":
        codes |= set(substance.hazards) & ADDING
    return codes


def is_hot(supply: Supply) -> bool:
    """Whether it heats the water it goes into, so that it goes in slowly and cools before the mark."""
    heats = "acid_into_water" in supply.substance.hazards or "dissolves-hot" in supply.substance.traits
    return heats and supply.kind != "solution"


def general_cautions(steps: Iterable[Step]) -> tuple[Caution, ...]:
    """Every caution of the steps once, the deferring sentence last."""
    codes = {one.code for step in steps for one in step.cautions} | {LAST_CAUTION}
    return tuple(caution(code) for code in ordered(codes))


def portions_of(measure: Measure) -> list[tuple[float, float]]:
    """The portions an amount is measured in: ``(amount, exact share)`` each."""
    if measure.times == 1:
        return [(measure.amount, measure.exact)]
    step = measure.tool.step
    each = measure.amount / measure.times
    if step > 0.0:
        # Upwards, so that the last portion is the smallest and none is more than the tool holds.
        each = math.ceil(each / step - 1e-9) * step
    amounts = [each] * (measure.times - 1)
    amounts.append(measure.amount - sum(amounts))
    return [(amount, measure.exact * amount / measure.amount) for amount in amounts]


def window_of(
    measure: Measure, amount: float, exact: float, margin: float, most: float = math.inf
) -> Window | None:
    """The readings that stay inside the tolerance: rounded inwards, but never without the planned one.

    No reading is more than ``most``, what is in the bottle [g or mL].
    """
    step = measure.tool.step
    if not measure.is_read:
        return None
    low = math.ceil(exact * (1.0 - margin) / step - 1e-7) * step
    high = math.floor(exact * (1.0 + margin) / step + 1e-7) * step
    if not measure.weighed:
        high = min(high, measure.tool.size)
    high = min(high, most)
    low, high = min(max(low, step), amount), max(high, amount)
    return Window(as_shown(measure, low), as_shown(measure, high))
