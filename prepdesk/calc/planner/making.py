"""Turns a described source or a bottle into what a gram or a millilitre of it gives."""

from dataclasses import dataclass
from typing import Final

from prepdesk.calc.atoms import MolarMass, molar_mass
from prepdesk.calc.buoyancy import buoyancy_factor
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.density import reagent_density
from prepdesk.calc.errors import InputError, NoDensity, Problem
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import (
    Density,
    LiquidSource,
    PreparationRequest,
    ShelfLot,
    SolidSource,
    SolutionSource,
    Substance,
)
from prepdesk.calc.planner.mix_density import density_of_mix
from prepdesk.calc.planner.refusal import Impossible, stop, warn
from prepdesk.calc.planner.supply import Supply, density_input
from prepdesk.calc.planner.wanted import Want, mol_per_l
from prepdesk.calc.request_sources import same_solute
from prepdesk.calc.sentences import day
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
class SupplyMaker:
    """Makes supplies for one component."""

    want: Want
    request: PreparationRequest
    catalogue: Catalogue

    # --- what the request describes ---------------------------------------------------------------
    def solid(self, source: SolidSource) -> Supply:
        """A solid as the request describes it."""
        substance = self._form(source.formula)
        return self._solid(
            substance,
            source.formula,
            source.assay_percent,
            source.assay_tolerance_percent,
            None,
            crystals_g_per_ml=source.density_g_per_ml,
        )

    def liquid(self, source: LiquidSource) -> Supply:
        """A liquid reagent as the request describes it."""
        return self._liquid(
            self.want.component.substance,
            source.mass_percent,
            source.mass_percent_tolerance,
            source.density_g_per_ml,
            None,
        )

    def solution(self, source: SolutionSource) -> Supply:
        """A stock solution as the request describes it.

        Raises:
            Impossible: a strength no solution has, or one by mass whose density nobody knows.
        """
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
    def lot(self, lot: ShelfLot) -> Supply:
        """A bottle of the inventory.

        Raises:
            Impossible: it holds something else, or states too little to be planned with.
        """
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
                shared=True,
            )
        return self._stock(
            substance,
            f"{lot.strength_shown} mol/L",
            lot.concentration_mol_per_l / 1000.0,
            spread,
            density=self._given(lot.density_g_per_ml),
            lot=lot,
            counts_moles=True,
        )

    def assumed(self) -> Supply:
        """The usual form of the catalogue, when no bottle of it stands on the shelf.

        Raises:
            Impossible: a liquid without a usual strength.
        """
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
        *,
        crystals_g_per_ml: float | None = None,
    ) -> Supply:
        notes: tuple[Problem, ...] = ()
        strength = "" if assay is None else f"{assay:g} %"
        carried = 1.0
        if crystals_g_per_ml is not None:
            carried = buoyancy_factor(crystals_g_per_ml)
            strength = f"{assay or 100.0:g} %, each gram shown being {carried:.6f} g in air"
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
                shared=tolerance is None,
            ),
            *self._molar(mass, formula, reads_moles=False),
        ]
        water = 1.0 - molar_mass(parse_formula(formula).base).g_per_mol / mass.g_per_mol
        return Supply(
            kind="solid",
            substance=substance,
            strength=strength,
            mol_per_g=carried * assay / 100.0 / mass.g_per_mol,
            mol_per_ml=0.0,
            solvent_part=water * assay / 100.0,
            by_g=tuple(inputs),
            by_ml=(),
            density=None,
            lot=lot,
            notes=notes,
            molar_mass=mass.g_per_mol,
            fraction=carried * assay / 100.0,
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
            shared=tolerance is None,
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
        if density is None and self.want.by_mass:
            density = self._density_of_stock(substance, per_ml)
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
            notes=_prepared_here(lot, strength, substance),
            molar_mass=self.want.named.g_per_mol,
            fraction=0.0,
        )

    def _density_of_stock(self, substance: Substance, per_ml: float) -> Density | None:
        """What a stock known by volume weighs, where a table covers it; only asked when masses count."""
        grams = {substance.key: 1000.0 * per_ml * self.want.solute.g_per_mol}
        try:
            return density_of_mix(grams, self.request.temperature_c)
        except NoDensity:
            return None

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
                shared=True,
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
        # The tables hold mass percent of the anhydrous solute; a label of a hydrate means the hydrate.
        dry = molar_mass(parse_formula(substance.formula).base).g_per_mol
        part = dry / molar_mass(substance.formula).g_per_mol
        try:
            return reagent_density(substance.key, percent * part, self.request.temperature_c)
        except (NoDensity, InputError):
            # The tables know the standard catalogue; a department's own substance is not in them.
            raise Impossible(
                stop(
                    "no_density",
                    f"The density of {label} at {self.request.temperature_c:g} °C is missing: no table here"
                    " covers it. Read it off the label and give it with the source; it is never guessed.",
                )
            ) from None


def _prepared_here(lot: ShelfLot | None, strength: str, substance: Substance) -> tuple[Problem, ...]:
    """A solution left over from another order is named as such, so that nobody uses it unawares."""
    if lot is None or not lot.is_prepared:
        return ()
    made = ", ".join(
        word for word in (f"by {lot.prepared_by}" if lot.prepared_by else "", day(lot.made_on)) if word
    )
    until = f", good until {day(lot.expires)}" if lot.expires else ""
    return (
        warn(
            "made_from_leftover",
            f"Lot {lot.code} is a solution made here ({made}): {strength} {substance.name}{until}."
            " Look at it first: clear, nothing settled out, its label whole.",
        ),
    )
