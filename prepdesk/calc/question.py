"""What is asked: which solution, and what it is to be made from. Frozen records, no behaviour.

Units are part of the names, as in :mod:`prepdesk.calc.model`, which offers these too.
"""

from dataclasses import dataclass
from typing import Literal

from prepdesk.calc.typed import TypedNumber

LotKind = Literal["solid", "liquid", "solution"]


@dataclass(frozen=True, slots=True)
class TypedQuantity:
    """A number as typed, with a unit of the contract."""

    number: TypedNumber
    unit: str


@dataclass(frozen=True, slots=True)
class Substance:
    """One form of one substance: the pentahydrate and the anhydrous salt are two of these.

    Attributes:
        key: stable word for it, as ``copper-sulfate-pentahydrate``.
        name: what the label says.
        formula: plain ASCII with hydrate water after a point, as ``CuSO4.5H2O``.
        cas: CAS number of this form, empty where it has none.
        family: shared by the forms of one substance (``copper-sulfate``), the key itself otherwise.
        form: ``anhydrous``, ``pentahydrate``, ``free acid`` …, empty where only one form is usual.
        solute_formula: what dissolves and is counted, as ``CuSO4``; equals ``formula`` without its
            hydrate water.
        state: of the pure substance at room temperature.
        synonyms: other names that mean exactly this form.
        grade: usual grade on the shelf.
        assay_percent: usual assay of the solid or mass percent of the liquid reagent, if there is a
            usual one.
        density_g_per_ml: of the pure or usual liquid at 20 °C, if it has a source.
        density_source: where that comes from.
        hazards: caution codes that hold whenever it is handled (see ``cautions.toml``).
        traits: facts that change the way of working: ``coarse`` (comes in pieces, grind first),
            ``takes-up-water``, ``takes-up-carbon-dioxide``, ``dissolves-hot`` (gives off heat),
            ``light-sensitive``, ``attacks-glass``, ``flammable``, ``primary-standard`` …
        storage: one sentence for the bottle of the prepared solution.
    """

    key: str
    name: str
    formula: str
    cas: str = ""
    family: str = ""
    form: str = ""
    solute_formula: str = ""
    state: LotKind = "solid"
    synonyms: tuple[str, ...] = ()
    grade: str = ""
    assay_percent: float | None = None
    density_g_per_ml: float | None = None
    density_source: str = ""
    hazards: tuple[str, ...] = ()
    traits: tuple[str, ...] = ()
    storage: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class SolidSource:
    """A solid off the shelf: which form it is and how pure; without an assay 100 % is taken, and said.

    With a density of the crystals [g/mL] the weighing is corrected for the buoyancy of air.
    """

    formula: str
    assay_percent: float | None = None
    assay_tolerance_percent: float | None = None
    density_g_per_ml: float | None = None


@dataclass(frozen=True, slots=True)
class LiquidSource:
    """A liquid reagent by mass percent; the density is looked up when it isn't given.

    ``mass_percent_tolerance`` is the half-width of the mass percent in percentage points, where a
    certificate or a standardisation states one.
    """

    mass_percent: float
    density_g_per_ml: float | None = None
    mass_percent_tolerance: float | None = None


@dataclass(frozen=True, slots=True)
class SolutionSource:
    """A stock solution of stated concentration."""

    concentration: TypedQuantity
    relative_uncertainty_percent: float | None = None
    density_g_per_ml: float | None = None


@dataclass(frozen=True, slots=True)
class LotSource:
    """A lot of the inventory, by its id or its code."""

    lot_id: str


Source = SolidSource | LiquidSource | SolutionSource | LotSource


@dataclass(frozen=True, slots=True)
class Component:
    """One solute of the wanted solution."""

    substance: Substance
    target: TypedQuantity
    source: Source | None = None
    equivalents: int | None = None


@dataclass(frozen=True, slots=True)
class PreparationRequest:
    """What is wanted, read and checked, before any planning."""

    components: tuple[Component, ...]
    volume: TypedQuantity
    tolerance_percent: float | None = None
    temperature_c: float = 20.0
    solvent: str = "water"
    equipment: Literal["shelf", "standard"] = "shelf"
