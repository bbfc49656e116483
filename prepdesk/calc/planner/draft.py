"""What a plan is put together from, and the parts every kind of route shares."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.density import density_at_mass_concentration, solution_density
from prepdesk.calc.errors import NoDensity, Problem
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
from prepdesk.calc.planner.account import rounded_up, significant
from prepdesk.calc.planner.supplies import Supply
from prepdesk.calc.planner.wanted import Want, target_shown
from prepdesk.calc.planner.writer import general_cautions

_ROUNDS: Final = 20
_SETTLED: Final = 1e-7  # g/mL, far below the error of any table


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

    def note(self, *problems: Problem) -> None:
        """Add problems, each once."""
        self.problems.extend(one for one in problems if one not in self.problems)

    def finished(self) -> Plan:
        """The plan as it stands; feasible unless a problem stops it."""
        tightest = min((want.tolerance for want in self.wants), default=0.05)
        return Plan(
            request=self.request,
            feasible=bool(self.steps) and all(one.severity != "stop" for one in self.problems),
            tolerance_percent=round(100.0 * tightest, 6),
            tolerance_basis="digits" if self.request.tolerance_percent is None else "stated",
            steps=tuple(self.steps),
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


def title_of(wants: Sequence[Want]) -> str:
    """What the bottle is called: "2.00 mol/L sodium chloride"."""
    return sentences.joined([f"{target_shown(one.component)} {one.name}" for one in wants])


def concentration_of(want: Want, offset: float, expanded: float) -> Concentration:
    """What a component will have, shown to the second digit of its uncertainty.

    Args:
        want: the target.
        offset: relative deviation by rounding [1].
        expanded: relative expanded uncertainty, k = 2 [1].
    """
    value = float(want.component.target.number.value) * (1.0 + offset)
    shown = significant(max(value * expanded, value * 1e-6), 2, want.component.target.unit)
    return Concentration(
        substance=want.name,
        amount=Amount(value, want.component.target.unit, shown.decimals),
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
    )


def density_of_mix(g_per_l: Mapping[str, float], temperature_c: float) -> Density:
    """Density of a water solution from the solutes it holds per litre.

    Density and mass fraction depend on each other; w = g/(1000·ρ) settles within a few rounds, and where
    the first guess falls outside a table the slower search by halving decides.

    Args:
        g_per_l: grams of anhydrous solute per litre of solution, by its key or plain formula [g/L].
        temperature_c: [°C].

    Raises:
        NoDensity: no table covers it.
    """
    total = sum(g_per_l.values())
    g_per_ml = 1.0 + 0.0004 * total
    try:
        for _ in range(_ROUNDS):
            scale = 0.001 / g_per_ml
            if total * scale >= 1.0:
                break
            found = solution_density({name: grams * scale for name, grams in g_per_l.items()}, temperature_c)
            if abs(found.g_per_ml - g_per_ml) < _SETTLED:
                return found
            g_per_ml = found.g_per_ml
    except NoDensity:
        pass
    return density_at_mass_concentration(g_per_l, temperature_c)
