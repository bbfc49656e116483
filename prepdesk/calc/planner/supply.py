"""One source of one component: what a gram or a millilitre of it gives, and how well that is known."""

import math
from dataclasses import dataclass

from prepdesk.calc.errors import Problem
from prepdesk.calc.model import Density, LotKind, ShelfLot, Substance
from prepdesk.calc.uncertainty import Input


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
        lot: the bottle, or None for a source described in the request, assumed, or mixed of bottles.
        notes: what a person must know when this source is used.
        molar_mass: of the form in the bottle [g/mol].
        fraction: mass fraction of that form, where it is known [1].
        bottles: where no bottle alone holds enough, those it comes from together, first expired first;
            the figures above are then their mean.
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
    bottles: tuple["Supply", ...] = ()

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

    @property
    def free(self) -> float:
        """What nobody else holds of the bottle [drawn unit]; without end where it is no bottle."""
        return self.lot.free if self.lot else math.inf

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


def density_input(density: Density, name: str) -> Input:
    """The relative standard uncertainty of a density [1] as one input, with its basis named."""
    return Input(
        f"density of {name}",
        density.standard_uncertainty_g_per_ml / density.g_per_ml,
        "rectangular",
        f"{density.g_per_ml:.4g} g/mL, {density.basis}",
        # A tabulated density is one figure for every bottle; each label states its own.
        shared=density.basis != "label",
    )
