"""What a plan is put together from, and the parts every kind of route shares."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from decimal import Decimal

from prepdesk.calc.digits import last_place
from prepdesk.calc.errors import Problem
from prepdesk.calc.model import (
    Amount,
    Concentration,
    Contribution,
    Density,
    Draw,
    Plan,
    PreparationRequest,
    RouteStage,
    Shortage,
    Step,
)
from prepdesk.calc.planner.account import decimals_of, rounded_up
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want, title_for
from prepdesk.calc.planner.writer import general_cautions


@dataclass(slots=True)
class Draft:
    """A plan while it is being put together."""

    request: PreparationRequest
    wants: Sequence[Want] = ()
    problems: list[Problem] = field(default_factory=list)
    shortages: list[Shortage] = field(default_factory=list)
    steps: list[Step] = field(default_factory=list)
    route: list[RouteStage] = field(default_factory=list)
    concentrations: list[Concentration] = field(default_factory=list)
    budget: list[tuple[Contribution, ...]] = field(default_factory=list)
    draws: list[Draw] = field(default_factory=list)
    working: list[str] = field(default_factory=list)
    density: Density | None = None
    mass_of_solution_g: float | None = None
    makes: Amount | None = None
    explanation: str = ""
    runner_up: str = ""
    settling: dict[str, object] = field(default_factory=dict)
    ions: dict[str, float] = field(default_factory=dict)
    minutes: float = 0.0

    @property
    def title(self) -> str:
        """What the bottle is called."""
        return title_for(self.request.components, self.request.solvent)

    def note(self, *problems: Problem) -> None:
        """Add problems, each once."""
        self.problems.extend(one for one in problems if one not in self.problems)

    def finished(self) -> Plan:
        """The plan as it stands; feasible unless a problem stops it."""
        feasible = bool(self.steps) and all(one.severity != "stop" for one in self.problems)
        tightest = min((want.tolerance for want in self.wants), default=0.05)
        return Plan(
            request=self.request,
            feasible=feasible,
            tolerance_percent=round(100.0 * tightest, 6),
            tolerance_basis="digits" if self.request.tolerance_percent is None else "stated",
            steps=tuple(self.steps if feasible else map(_without_empty_window, self.steps)),
            concentrations=tuple(self.concentrations),
            density=self.density,
            mass_of_solution_g=self.mass_of_solution_g,
            budget=tuple(self.budget),
            cautions=general_cautions(self.steps),
            problems=tuple(sorted(self.problems, key=lambda one: one.severity != "stop")),
            draws=tuple(self.draws),
            shortages=tuple(self.shortages),
            route=tuple(self.route),
            explanation=self.explanation,
            runner_up=self.runner_up,
            working=tuple(self.working),
            molar_masses={want.component.substance.key: want.named.g_per_mol for want in self.wants},
            makes=self.makes,
            ions=self.ions,
            settling=self.settling,
            minutes=self.minutes,
        )


def _without_empty_window(step: Step) -> Step:
    """A step of a plan that can't be made: a window of one figure would pass for something to aim at."""
    window = step.window
    if window is None or window.low.value < window.high.value:
        return step
    return replace(step, window=None)


def concentration_of(want: Want, offset: float, expanded: float) -> Concentration:
    """What a component will have, shown to the second digit of its uncertainty.

    Args:
        want: the target.
        offset: relative deviation by rounding [1].
        expanded: relative expanded uncertainty, k = 2 [1].
    """
    value = float(want.component.target.number.value) * (1.0 + offset)
    place = last_place(Decimal(repr(max(value * expanded, value * 1e-6))))
    return Concentration(
        substance=want.name,
        amount=Amount(value, want.component.target.unit, max(-place, 0)),
        expanded_uncertainty_percent=100.0 * expanded,
    )


def draw_of(index: int, supply: Supply, amount: float, decimals: int) -> Draw:
    """What is taken from a bottle, rounded up to what can be shown."""
    return Draw(
        component=index,
        substance_key=supply.substance.key,
        lot_id=supply.lot.id if supply.lot else None,
        lot_code=supply.lot.code if supply.lot else None,
        amount=rounded_up(Amount(amount, supply.drawn_unit, decimals)),
        substance=supply.substance.name,
    )


def draws_of(index: int, supply: Supply, measure: Measure, fillings: int) -> list[Draw]:
    """What is taken from each bottle over all fillings."""
    found = []
    for one, way in [(part.supply, part.measure) for part in measure.parts] or [(supply, measure)]:
        amount, decimals = fillings * way.amount, 2
        if way.weighed == (one.kind == "solid"):
            decimals = decimals_of(way.tool.step or way.tool.size)
        elif one.density is not None:
            amount /= one.density.g_per_ml
        found.append(draw_of(index, one, amount, decimals))
    return found
