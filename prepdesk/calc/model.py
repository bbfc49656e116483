"""What goes into a plan and what comes out: frozen records, no behaviour.

Units are part of the names: ``_g``, ``_ml``, ``_mol_per_l``, ``_percent``, ``_c`` (degrees Celsius).
Floats are fine here, since their digits lie far below those of any apparatus; what a person typed
stays a :class:`~prepdesk.calc.typed.TypedNumber`. What is asked stands in :mod:`prepdesk.calc.question`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from prepdesk.calc.digits import shown_figure
from prepdesk.calc.errors import Problem
from prepdesk.calc.question import (
    Component,
    LiquidSource,
    LotKind,
    LotSource,
    PreparationRequest,
    SolidSource,
    SolutionSource,
    Source,
    Substance,
    TypedQuantity,
)

__all__ = [
    "Action",
    "Amount",
    "Apparatus",
    "ApparatusType",
    "Caution",
    "Component",
    "Concentration",
    "Contribution",
    "Density",
    "Draw",
    "LiquidSource",
    "LotKind",
    "LotSource",
    "Plan",
    "PreparationRequest",
    "RouteInput",
    "RouteStage",
    "Shelf",
    "ShelfLot",
    "Shortage",
    "SolidSource",
    "SolutionSource",
    "Source",
    "Step",
    "Substance",
    "TypedQuantity",
    "Window",
]

ApparatusType = Literal[
    "balance",
    "one-mark flask",
    "one-mark pipette",
    "graduated pipette",
    "burette",
    "graduated cylinder",
    "piston pipette",
    "beaker",
    "conical flask",
    "carboy",
]
Action = Literal["weigh", "measure", "dissolve", "transfer", "make_up", "mix", "adjust", "store", "label"]


# --- the shelf --------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class ShelfLot:
    """A bottle that may be drawn from, as the inventory sees it now.

    Attributes:
        id: the lot's id in the inventory, as text.
        code: what stands on its label.
        substance_key: of the form in the bottle.
        kind: ``solid`` (drawn in g), ``liquid`` or ``solution`` (drawn in mL).
        free: amount that nobody else holds [g or mL].
        assay_percent: of a solid, from its certificate or label.
        assay_tolerance_percent: half-width of it in percentage points.
        mass_percent: of a liquid reagent.
        density_g_per_ml: of a liquid or solution, measured or from the label.
        concentration_mol_per_l: of a stock solution.
        label_mol_per_l: the same concentration as it is stored or typed, only for showing: its zeros count.
        relative_uncertainty_percent: of that concentration, k = 2.
        expires: ISO date or empty; what expires first is used first.
        opened: whether the bottle was opened before.
        is_prepared: whether it is a solution that was made here for an order, and is left over.
        prepared_by, made_on: who made it and when (ISO date), only for showing.
    """

    id: str
    code: str
    substance_key: str
    kind: LotKind
    free: float
    assay_percent: float | None = None
    assay_tolerance_percent: float | None = None
    mass_percent: float | None = None
    density_g_per_ml: float | None = None
    concentration_mol_per_l: float | None = None
    relative_uncertainty_percent: float | None = None
    expires: str = ""
    grade: str = ""
    opened: bool = False
    is_prepared: bool = False
    prepared_by: str = ""
    made_on: str = ""
    label_mol_per_l: str = ""

    @property
    def strength_shown(self) -> str:
        """Its concentration [mol/L] at the digits its uncertainty supports, empty where it has none."""
        stored = self.label_mol_per_l or self.concentration_mol_per_l
        return shown_figure(stored, self.relative_uncertainty_percent) if stored else ""


@dataclass(frozen=True, slots=True)
class Apparatus:
    """One kind of apparatus that exists, with what it can do.

    Attributes:
        type: the trade's word.
        nominal_ml: size of glassware and vessels [mL], None for a balance.
        tolerance_ml: limit of error at the mark or anywhere on the scale [mL]; None where the marks
            are approximations (beakers, conical flasks).
        division_ml: smallest graduation [mL], for graduated ware.
        readability_g, capacity_g, repeatability_g, linearity_g: of a balance [g].
        apparatus_class: ``A``, ``B``, ``AS`` or empty.
        standard: the document its tolerance comes from, as ``ISO 1042:1998``.
        count: how many there are.
        id: the inventory's key of it, empty in a standard set.
    """

    type: ApparatusType
    nominal_ml: float | None = None
    tolerance_ml: float | None = None
    division_ml: float | None = None
    readability_g: float | None = None
    capacity_g: float | None = None
    repeatability_g: float | None = None
    linearity_g: float | None = None
    apparatus_class: str = ""
    standard: str = ""
    count: int = 1
    id: str = ""


@dataclass(frozen=True, slots=True)
class Shelf:
    """Everything a plan may use: the bottles and the apparatus."""

    lots: tuple[ShelfLot, ...] = ()
    apparatus: tuple[Apparatus, ...] = ()


# --- the answer -------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Amount:
    """A value with its unit, and the digits it is meant to be shown with."""

    value: float
    unit: str
    decimals: int

    @property
    def text(self) -> str:
        """The value at its digits, without the unit."""
        return f"{self.value:.{self.decimals}f}"


@dataclass(frozen=True, slots=True)
class Window:
    """The readings that keep a step inside the tolerance, both bounds allowed."""

    low: Amount
    high: Amount


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning with a stable code and the sentence to show."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do at the bench.

    Attributes:
        number: from 1.
        stage: 1, 2 … when the way goes through an intermediate solution, else None.
        quantity: what to reach.
        window: the readings allowed; present exactly where a reading is taken.
        lot: ``(id, code)`` of the bottle, where one is drawn from.
        cautions: those that matter at this very step.
        shown: the figure's working, one line, for people who check by hand.
    """

    number: int
    action: Action
    text: str
    substance: str = ""
    component: int | None = None
    quantity: Amount | None = None
    equipment: Apparatus | None = None
    window: Window | None = None
    stage: int | None = None
    lot: tuple[str, str] | None = None
    cautions: tuple[Caution, ...] = ()
    shown: str = ""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One input of the uncertainty of one component.

    Attributes:
        input: what it is, in words ("balance, 0.01 g").
        relative_standard_uncertainty_percent: k = 1.
        share_percent: its part of the variance.
        distribution: ``normal``, ``rectangular`` or ``triangular``.
        source: the standard or reason behind the figure.
        degrees_of_freedom: behind the figure; infinite where limits are taken as certain.
    """

    input: str
    relative_standard_uncertainty_percent: float
    share_percent: float
    distribution: str
    source: str
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class Concentration:
    """What one component will have: in the unit that was asked."""

    substance: str
    amount: Amount
    expanded_uncertainty_percent: float


@dataclass(frozen=True, slots=True)
class Density:
    """A density with where it comes from and how far it can be wrong."""

    g_per_ml: float
    standard_uncertainty_g_per_ml: float
    basis: str


@dataclass(frozen=True, slots=True)
class Draw:
    """An amount that the plan takes from one bottle (g for solids, mL for liquids).

    ``substance`` is what the bottle holds, which may be another form than the one asked for.
    """

    component: int
    substance_key: str
    lot_id: str | None
    lot_code: str | None
    amount: Amount
    substance: str = ""


@dataclass(frozen=True, slots=True)
class Shortage:
    """What the shelf lacks for one component and what could serve instead."""

    component: int
    substance: str
    needed: Amount
    free: Amount
    missing: Amount
    alternatives: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class RouteStage:
    """One stage of the route drawing: out of what, measured how, into what, giving what."""

    stage: int
    inputs: tuple["RouteInput", ...]
    vessel: Apparatus
    vessel_count: int
    gives: str


@dataclass(frozen=True, slots=True)
class RouteInput:
    """One bottle on the left of a stage: ``kind`` picks the outline that is drawn."""

    kind: Literal["solid", "liquid", "solution", "intermediate"]
    label: str
    amount: Amount
    measured_by: Apparatus


@dataclass(frozen=True, slots=True)
class Plan:
    """A whole preparation, or the reasons why there is none.

    Attributes:
        makes: volume that results, which may be more than was asked.
        ions: totals of the ions that the salts put into solution [mol/L].
        minutes: of work at the bench, by the planner's round figures.
        settling: what :mod:`prepdesk.calc.settle` needs to turn readings into concentrations.
    """

    request: PreparationRequest
    feasible: bool
    tolerance_percent: float
    tolerance_basis: Literal["stated", "digits"]
    steps: tuple[Step, ...] = ()
    concentrations: tuple[Concentration, ...] = ()
    density: Density | None = None
    mass_of_solution_g: float | None = None
    budget: tuple[tuple[Contribution, ...], ...] = ()
    cautions: tuple[Caution, ...] = ()
    problems: tuple[Problem, ...] = ()
    draws: tuple[Draw, ...] = ()
    shortages: tuple[Shortage, ...] = ()
    route: tuple[RouteStage, ...] = ()
    explanation: str = ""
    runner_up: str = ""
    working: tuple[str, ...] = ()
    molar_masses: Mapping[str, float] = field(default_factory=dict)
    makes: Amount | None = None
    ions: Mapping[str, float] = field(default_factory=dict)
    settling: Mapping[str, object] = field(default_factory=dict)
    minutes: float = 0.0
