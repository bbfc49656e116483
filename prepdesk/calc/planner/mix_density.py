"""Density of a solution of several solutes from what a litre of it holds."""

from collections.abc import Mapping
from typing import Final

from prepdesk.calc.density import density_at_mass_concentration, solution_density
from prepdesk.calc.errors import NoDensity
from prepdesk.calc.model import Density

_ROUNDS: Final = 20
_SETTLED: Final = 1e-7  # g/mL, far below the error of any table


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
