"""What a solution by mass is composed of, and how mass targets turn into volume ones beside others."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc.density import solution_density, water_density
from prepdesk.calc.errors import NoDensity
from prepdesk.calc.model import Density
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.mass_route import Composition, composition_of
from prepdesk.calc.planner.mix_density import density_of_mix
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.volume_plan import wanted_volume_ml
from prepdesk.calc.planner.wanted import Want

_ROUNDS: Final = 40
_SETTLED: Final = 1e-9


def composition_for(draft: Draft, supplies: Sequence[Supply]) -> tuple[Composition, Density | None, float]:
    """The masses for the volume asked for, the density they rest on, and that of water [g/mL].

    With a density the mass follows from the volume; without one as much water is taken as the volume
    would weigh, which gives at least about that volume, and the sheet says so.

    Raises:
        Impossible: water itself has no density at this temperature, or the bottles are too weak.
    """
    volume = wanted_volume_ml(draft)
    try:
        water = water_density(draft.request.temperature_c).g_per_ml
    except NoDensity as refused:
        raise Impossible(stop("no_density", str(refused))) from None
    unit = composition_of(draft.wants, supplies, total_g=1.0)
    fractions: dict[str, float] = {}
    for want, supply, mass in zip(draft.wants, supplies, unit.sources_g, strict=True):
        key = want.component.substance.key
        fractions[key] = fractions.get(key, 0.0) + mass * supply.mol_per_g * want.solute.g_per_mol
    density = _density_by_fraction(fractions, draft.request.temperature_c)
    if density is None:
        return composition_of(draft.wants, supplies, solvent_g=volume * water), None, water
    return composition_of(draft.wants, supplies, total_g=volume * density.g_per_ml), density, water


def _density_by_fraction(fractions: dict[str, float], temperature_c: float) -> Density | None:
    try:
        return solution_density(fractions, temperature_c)
    except NoDensity:
        return None


def per_volume(wants: Sequence[Want], temperature_c: float) -> tuple[tuple[Want, ...], Density]:
    """Mass targets beside volume targets, as mol/L through the density of the whole solution.

    Raises:
        Impossible: no source covers that density.
    """
    g_per_ml = 1.0
    found: list[Want] = list(wants)
    for _ in range(_ROUNDS):
        grams = [want.mol_per_l * want.solute.g_per_mol for want in found]
        solvent_kg = g_per_ml - sum(grams) / 1000.0
        found = [
            want if not want.by_mass else replace(want, mol_per_l=_as_mol_per_l(want, g_per_ml, solvent_kg))
            for want in found
        ]
        totals: dict[str, float] = {}
        for want in found:
            key = want.component.substance.key
            totals[key] = totals.get(key, 0.0) + want.mol_per_l * want.solute.g_per_mol
        try:
            density = density_of_mix(totals, temperature_c)
        except NoDensity:
            raise Impossible(
                stop(
                    "no_density",
                    "Targets by mass and by volume in one solution need its density, and no source covers it."
                    " Ask for all of them in mol/L or g/L, or all by mass.",
                )
            ) from None
        if abs(density.g_per_ml - g_per_ml) < _SETTLED:
            break
        g_per_ml = density.g_per_ml
    return tuple(replace(want, through_density=density) if want.by_mass else want for want in found), density


def _as_mol_per_l(want: Want, g_per_ml: float, solvent_kg_per_l: float) -> float:
    if want.fraction:
        return 1000.0 * g_per_ml * want.fraction / want.named.g_per_mol
    return want.molality * max(solvent_kg_per_l, 0.0)
