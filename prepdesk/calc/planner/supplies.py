"""What a component can be taken from: a bottle on the shelf, or what the request describes."""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Final

from prepdesk.calc.atoms import MolarMass, molar_mass
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.density import reagent_density
from prepdesk.calc.errors import InputError, NoDensity, Problem
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import (
    Density,
    LiquidSource,
    LotKind,
    LotSource,
    PreparationRequest,
    Shelf,
    ShelfLot,
    SolidSource,
    SolutionSource,
    Substance,
)
from prepdesk.calc.planner.refusal import Impossible, stop, warn
from prepdesk.calc.planner.wanted import Want, mol_per_l
from prepdesk.calc.request import find_lot, same_solute
from prepdesk.calc.uncertainty import Input, rectangular, triangular
from prepdesk.calc.units import UNITS, factor

# Half-widths taken where a label states none, each counted as rectangular and named as assumed.
# A certificate's assay without a tolerance is taken to a tenth of a percentage point (common practice).
ASSAY_POINTS: Final = 0.1
# The assay ranges printed on concentrated reagents reach some 2 % to either side of the round figure
# (hydrochloric acid "37 %" is 36.5 to 38 %); next to 100 % the room upwards is all there is.
LIQUID_RELATIVE: Final = 0.02
# A stock solution of unstated uncertainty: half of its last digit, but no more than 2 %; 1 % without digits.
# Whoever made it aimed at the figure on the label, so that is the likeliest value: triangular (GUM 4.3.9).
STOCK_LOOSEST: Final = 0.02
STOCK_WITHOUT_DIGITS: Final = 0.01
# A density from a label: half of its last digit, within these bounds [g/mL].
LABEL_DENSITY: Final = (0.0005, 0.005)


@dataclass(frozen=True, slots=True)
class Supply:
    """One source of one component, with the moles it gives.

    Attributes:
        kind: ``solid``, ``liquid`` (reagent by mass percent) or ``solution`` (stock).
        substance: the form in the bottle.
        strength: as the label says it, "99.5 %", "37 %", "2.00 mol/L"; empty for a solid taken as pure.
        mol_per_g: solute per gram [mol/g]; 0 where unknown.
        mol_per_ml: solute per millilitre [mol/mL]; 0 for solids.
        solvent_part: grams of water that one gram brings along [1]: hydrate water, the water of a reagent.
        by_g: relative inputs when it is weighed; by_ml: when it is measured by volume [1].
        density: of a liquid or solution, where known.
        lot: the bottle, or None for a source described in the request or assumed.
        notes: what a person must know when this source is used.
        molar_mass: of the form in the bottle [g/mol].
        fraction: mass fraction of that form, where it is known [1].
    """

    kind: LotKind
    substance: Substance
    strength: str
    mol_per_g: float
    mol_per_ml: float
    solvent_part: float
    by_g: tuple[Input, ...]
    by_ml: tuple[Input, ...]
    density: Density | None
    lot: ShelfLot | None
    notes: tuple[Problem, ...]
    molar_mass: float
    fraction: float

    @property
    def variance_g(self) -> float:
        """Relative variance when weighed [1]."""
        return sum(one.standard**2 for one in self.by_g)

    @property
    def variance_ml(self) -> float:
        """Relative variance when measured by volume [1]."""
        return sum(one.standard**2 for one in self.by_ml)

    @property
    def least_variance(self) -> float:
        """Relative variance that no way of measuring avoids [1]."""
        return min(
            [sum(one.standard**2 for one in way) for way in (self.by_g, self.by_ml) if way], default=0.0
        )

    @property
    def mol_per_drawn(self) -> float:
        """Solute per unit that the bottle is drawn in [mol/g for solids, mol/mL for liquids]."""
        return self.mol_per_g if self.kind == "solid" else self.mol_per_ml

    def drawn_by_mass(self, mass_g: float) -> float:
        """What a mass is in the unit the bottle is drawn in [g or mL]."""
        return mass_g if self.kind == "solid" or self.density is None else mass_g / self.density.g_per_ml

    @property
    def drawn_unit(self) -> str:
        """Unit the bottle is drawn in."""
        return "g" if self.kind == "solid" else "mL"

    @property
    def label(self) -> str:
        """Name and strength, as on the bottle."""
        if self.kind == "solution":
            return f"{self.strength} {self.substance.name}"
        return f"{self.substance.name}, {self.strength}" if self.strength else self.substance.name


@dataclass(frozen=True, slots=True)
class Choice:
    """The sources a component may be taken from.

    Attributes:
        supplies: those the planner may use by itself, bottles that expire first in front.
        others: bottles with another form of the same solute, only ever offered.
        on_shelf: whether ``supplies`` are bottles (else described in the request, or assumed).
    """

    supplies: tuple[Supply, ...]
    others: tuple[Supply, ...]
    on_shelf: bool


def with_input(choice: Choice, extra: Input) -> Choice:
    """The same choice with one more relative input in every source."""
    return replace(
        choice,
        supplies=tuple(
            replace(
                one,
                by_g=(*one.by_g, extra) if one.by_g else (),
                by_ml=(*one.by_ml, extra) if one.by_ml else (),
            )
            for one in choice.supplies
        ),
    )


def choice_for(want: Want, request: PreparationRequest, catalogue: Catalogue, shelf: Shelf) -> Choice:
    """Find what one component can be taken from.

    Raises:
        Impossible: the described source lacks a density or a strength that nobody can look up.
    """
    source = want.component.source
    maker = _Maker(want, request, catalogue)
    if isinstance(source, SolidSource):
        return Choice((maker.solid(source),), (), on_shelf=False)
    if isinstance(source, LiquidSource):
        return Choice((maker.liquid(source),), (), on_shelf=False)
    if isinstance(source, SolutionSource):
        return Choice((maker.solution(source),), (), on_shelf=False)
    if isinstance(source, LotSource):
        lot = find_lot(shelf, source.lot_id)
        if lot is None:
            raise Impossible(stop("not_on_shelf", "The lot that was chosen is no longer on the shelf."))
        return Choice((maker.lot(lot),), tuple(maker.others(shelf, besides=lot)), on_shelf=True)
    own = list(maker.same(shelf))
    if not own and maker.refusals:
        # There are bottles, and none can be planned with: the reason is worth more than "none there".
        raise maker.refusals[0]
    if own:
        return Choice(tuple(own), tuple(maker.others(shelf)), on_shelf=True)
    return Choice((maker.assumed(),), tuple(maker.others(shelf)), on_shelf=False)


@dataclass(frozen=True, slots=True)
class _Maker:
    """Makes supplies for one component."""

    want: Want
    request: PreparationRequest
    catalogue: Catalogue
    refusals: list[Impossible] = field(default_factory=list)

    # --- what the request describes ---------------------------------------------------------------
    def solid(self, source: SolidSource) -> Supply:
        substance = self._form(source.formula)
        return self._solid(
            substance, source.formula, source.assay_percent, source.assay_tolerance_percent, None
        )

    def liquid(self, source: LiquidSource) -> Supply:
        return self._liquid(
            self.want.component.substance,
            source.mass_percent,
            source.mass_percent_tolerance,
            source.density_g_per_ml,
            None,
        )

    def solution(self, source: SolutionSource) -> Supply:
        typed = source.concentration
        relative = source.relative_uncertainty_percent
        if relative is not None:
            spread = Input("stock solution", relative / 200.0, "normal", f"stated, {relative:g} % (k = 2)")
        else:
            half = min(float(typed.number.half_last_digit / typed.number.value), STOCK_LOOSEST)
            spread = Input("stock solution", triangular(half), "triangular", "assumed from its digits")
        density = self._given(source.density_g_per_ml)
        strength = f"{typed.number.text} {UNITS[typed.unit].symbol}"
        kind = UNITS[typed.unit].kind
        value = float(typed.number.value) * factor(typed.unit)
        substance = self.want.component.substance
        counts_moles = kind in ("amount per volume", "equivalents per volume", "molality")
        if kind in ("mass fraction", "molality"):
            fraction = value
            if kind == "molality":
                solute_g = value * self.want.solute.g_per_mol / 1000.0
                fraction = (
                    solute_g / (1.0 + solute_g) * self.want.named.g_per_mol / self.want.solute.g_per_mol
                )
            if fraction >= 1.0:
                raise Impossible(stop("above_source", f"No solution holds {strength} of {substance.name}."))
            density = density or self._tabulated(substance, 100.0 * fraction, f"{strength} {substance.name}")
            per_ml = fraction * density.g_per_ml / self.want.named.g_per_mol
        else:
            per_ml = (
                mol_per_l(value, kind, self.want.component, self.want.named, self.request.temperature_c)
                / 1000.0
            )
        return self._stock(
            substance, strength, per_ml, spread, density=density, lot=None, counts_moles=counts_moles
        )

    def _form(self, formula: str) -> Substance:
        """The catalogue's record of a form; a form nobody listed takes over the record it was asked under."""
        named = self.want.component.substance
        wanted = parse_formula(formula)
        for form in self.catalogue.forms_of(named.family or named.key):
            known = parse_formula(form.formula)
            if known.counts == wanted.counts and known.charge == wanted.charge:
                return form
        if parse_formula(named.formula).counts == wanted.counts:
            return named
        return Substance(
            key=named.key,
            name=f"{named.name.split(' (')[0]} as {wanted.pretty}",
            formula=wanted.plain,
            family=named.family,
            solute_formula=wanted.base,
            hazards=named.hazards,
            traits=named.traits,
            storage=named.storage,
        )

    # --- bottles ----------------------------------------------------------------------------------
    def same(self, shelf: Shelf) -> Iterator[Supply]:
        """Bottles of exactly the substance asked for, those that expire first in front."""
        key = self.want.component.substance.key
        yield from self._bottles(lot for lot in shelf.lots if lot.substance_key == key)

    def others(self, shelf: Shelf, besides: ShelfLot | None = None) -> Iterator[Supply]:
        """Bottles with another form of the same solute (or other bottles than the one chosen)."""
        named = self.want.component.substance
        forms = {form.key for form in self.catalogue.forms_of(named.family or named.key)}
        if besides is None:
            forms.discard(named.key)
        yield from self._bottles(
            lot for lot in shelf.lots if lot.substance_key in forms and lot is not besides
        )

    def _bottles(self, lots: Iterator[ShelfLot]) -> Iterator[Supply]:
        for lot in sorted(lots, key=lambda one: (one.expires or "9999", one.id)):
            if lot.free <= 0:
                continue
            try:
                supply = self.lot(lot)
            except Impossible as refused:
                # A bottle without a strength or a density can't be planned with; others may.
                self.refusals.append(refused)
                continue
            yield supply

    def lot(self, lot: ShelfLot) -> Supply:
        try:
            substance = self.catalogue.by_key(lot.substance_key)
        except InputError:
            raise Impossible(stop("not_on_shelf", f"Lot {lot.code} holds something unknown.")) from None
        if not same_solute(self.want.component.substance, substance):
            raise Impossible(stop("not_on_shelf", f"Lot {lot.code} holds {substance.name}."))
        if lot.kind == "solid":
            return self._solid(
                substance, substance.formula, lot.assay_percent, lot.assay_tolerance_percent, lot
            )
        if lot.kind == "liquid":
            percent = lot.mass_percent or substance.assay_percent
            if percent is None:
                raise Impossible(
                    stop("no_strength", f"Lot {lot.code} of {substance.name} states no mass percent.")
                )
            return self._liquid(substance, percent, lot.assay_tolerance_percent, lot.density_g_per_ml, lot)
        if not lot.concentration_mol_per_l:
            raise Impossible(
                stop("no_strength", f"Lot {lot.code} of {substance.name} states no concentration in mol/L.")
            )
        relative = lot.relative_uncertainty_percent
        if relative is not None:
            spread = Input("stock solution", relative / 200.0, "normal", f"label, {relative:g} % (k = 2)")
        else:
            spread = Input(
                "stock solution",
                triangular(STOCK_WITHOUT_DIGITS),
                "triangular",
                "assumed ± 1 %: the label states none",
            )
        return self._stock(
            substance,
            f"{lot.concentration_mol_per_l:g} mol/L",
            lot.concentration_mol_per_l / 1000.0,
            spread,
            density=self._given(lot.density_g_per_ml),
            lot=lot,
            counts_moles=True,
        )

    def assumed(self) -> Supply:
        """The usual form of the catalogue, when no bottle of it stands on the shelf."""
        substance = self.want.component.substance
        if substance.state == "solid":
            return self._solid(substance, substance.formula, substance.assay_percent or 100.0, None, None)
        if substance.assay_percent is None:
            raise Impossible(
                stop("no_strength", f"Say how strong your {substance.name} is: no usual strength is listed.")
            )
        return self._liquid(substance, substance.assay_percent, None, None, None)

    # --- the arithmetic ---------------------------------------------------------------------------
    def _solid(
        self,
        substance: Substance,
        formula: str,
        assay: float | None,
        tolerance: float | None,
        lot: ShelfLot | None,
    ) -> Supply:
        notes: tuple[Problem, ...] = ()
        if assay is None:
            assay = 100.0
            notes = (warn("assay_assumed", f"No assay is stated for {substance.name}; 100 % is taken."),)
        mass = molar_mass(formula)
        points = ASSAY_POINTS if tolerance is None else tolerance
        said = "label or certificate" if tolerance is not None else "assumed: the label states no tolerance"
        inputs = [
            Input(
                f"assay of {substance.name}",
                rectangular(points / assay),
                "rectangular",
                f"{assay:g} % ± {points:g}, {said}",
            ),
            *self._molar(mass, formula, reads_moles=False),
        ]
        water = 1.0 - molar_mass(parse_formula(formula).base).g_per_mol / mass.g_per_mol
        return Supply(
            kind="solid",
            substance=substance,
            strength="" if notes else f"{assay:g} %",
            mol_per_g=assay / 100.0 / mass.g_per_mol,
            mol_per_ml=0.0,
            solvent_part=water * assay / 100.0,
            by_g=tuple(inputs),
            by_ml=(),
            density=None,
            lot=lot,
            notes=notes,
            molar_mass=mass.g_per_mol,
            fraction=assay / 100.0,
        )

    def _liquid(
        self,
        substance: Substance,
        percent: float,
        tolerance: float | None,
        density_g_per_ml: float | None,
        lot: ShelfLot | None,
    ) -> Supply:
        mass = (
            self.want.named if substance is self.want.component.substance else molar_mass(substance.formula)
        )
        if tolerance is not None:
            points, said = tolerance, "label or certificate"
        else:
            points = min(LIQUID_RELATIVE * percent, max(100.0 - percent, ASSAY_POINTS))
            said = "assumed: the usual range of such reagents"
        label = f"{percent:g} % {substance.name}"
        density = self._given(density_g_per_ml) or self._tabulated(substance, percent, label)
        strength = Input(
            f"mass percent of {substance.name}",
            rectangular(points / percent),
            "rectangular",
            f"{percent:g} % ± {points:.2g}, {said}",
        )
        molar = self._molar(mass, substance.formula, reads_moles=False)
        per_g = percent / 100.0 / mass.g_per_mol
        return Supply(
            kind="liquid",
            substance=substance,
            strength=f"{percent:g} %",
            mol_per_g=per_g,
            mol_per_ml=per_g * density.g_per_ml,
            solvent_part=1.0 - percent / 100.0,
            by_g=(strength, *molar),
            by_ml=(strength, density_input(density, substance.name), *molar),
            density=density,
            lot=lot,
            notes=(),
            molar_mass=mass.g_per_mol,
            fraction=percent / 100.0,
        )

    def _stock(
        self,
        substance: Substance,
        strength: str,
        per_ml: float,
        spread: Input,
        *,
        density: Density | None,
        lot: ShelfLot | None,
        counts_moles: bool,
    ) -> Supply:
        inputs = (spread, *self._molar(self.want.named, substance.formula, reads_moles=counts_moles))
        by_g = (*inputs, density_input(density, substance.name)) if density else ()
        solute_part = per_ml * self.want.solute.g_per_mol / density.g_per_ml if density else 1.0
        return Supply(
            kind="solution",
            substance=substance,
            strength=strength,
            mol_per_g=per_ml / density.g_per_ml if density else 0.0,
            mol_per_ml=per_ml,
            solvent_part=1.0 - solute_part,
            by_g=by_g,
            by_ml=inputs,
            density=density,
            lot=lot,
            notes=(),
            molar_mass=self.want.named.g_per_mol,
            fraction=0.0,
        )

    def _molar(self, mass: MolarMass, formula: str, *, reads_moles: bool) -> tuple[Input, ...]:
        """The molar mass stands between a mass and moles, and cancels between two of one kind."""
        if self.want.counts_moles == reads_moles:
            return ()
        return (
            Input(
                f"molar mass of {parse_formula(formula).pretty}",
                mass.standard_uncertainty_g_per_mol / mass.g_per_mol,
                "rectangular",
                "standard atomic weights 2021 (IUPAC)",
            ),
        )

    def _given(self, density_g_per_ml: float | None) -> Density | None:
        if density_g_per_ml is None:
            return None
        digits = len(repr(density_g_per_ml).partition(".")[2])
        low, high = LABEL_DENSITY
        half = min(max(0.5 * 10.0**-digits, low), high)
        return Density(density_g_per_ml, rectangular(half), "label")

    def _tabulated(self, substance: Substance, percent: float, label: str) -> Density:
        try:
            return reagent_density(substance.key, percent, self.request.temperature_c)
        except (NoDensity, InputError):
            # The tables know the standard catalogue; a department's own substance is not in them.
            raise Impossible(
                stop(
                    "no_density",
                    f"The density of {label} at {self.request.temperature_c:g} °C is missing: no table here"
                    " covers it. Read it off the label and give it with the source; it is never guessed.",
                )
            ) from None


def density_input(density: Density, name: str) -> Input:
    """The relative standard uncertainty of a density [1] as one input, with its basis named."""
    return Input(
        f"density of {name}",
        density.standard_uncertainty_g_per_ml / density.g_per_ml,
        "rectangular",
        f"{density.g_per_ml:.4g} g/mL, {density.basis}",
    )
