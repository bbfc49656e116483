"""Molar masses with their uncertainty, from the standard atomic weights.

The atomic weights come from a library that carries the abridged IUPAC table of 2021; it is loaded
at the first question, so that importing this module costs nothing.
"""

from dataclasses import dataclass
from functools import lru_cache
from math import sqrt

from prepdesk.calc.errors import UnknownAtom
from prepdesk.calc.formula import Formula, parse_formula


@dataclass(frozen=True, slots=True)
class MolarMass:
    """A molar mass and how far it can be wrong.

    Attributes:
        g_per_mol: molar mass [g/mol].
        standard_uncertainty_g_per_mol: k = 1 [g/mol]; grows linearly with the number of atoms of one
            element, because all of them share the same atomic weight.
    """

    g_per_mol: float
    standard_uncertainty_g_per_mol: float


def molar_mass(formula: str | Formula) -> MolarMass:
    """Molar mass of a formula unit, hydration water included.

    The stated range of an atomic weight is the half-width of a rectangular distribution; the terms
    n·u(A) of different elements are independent. The mass of gained or lost electrons is left out.

    Args:
        formula: text that :func:`~prepdesk.calc.formula.parse_formula` reads, or its result.

    Returns:
        Molar mass and its standard uncertainty [g/mol].

    Raises:
        InputError: ``not_a_formula``, when a text can't be read.
        UnknownAtom: an element without a standard atomic weight.

    Source: Prohaska et al., Standard atomic weights of the elements 2021 (IUPAC Technical Report),
    Pure Appl. Chem. 94, 573 (2022), abridged values; EURACHEM/CITAC Guide CG 4, example A2.

    >>> round(molar_mass("CuSO4.5H2O").g_per_mol, 2)
    249.68
    """
    return _molar_mass((parse_formula(formula) if isinstance(formula, str) else formula).plain)


@lru_cache(maxsize=4096)
def _molar_mass(plain: str) -> MolarMass:
    total = 0.0
    variance = 0.0
    for symbol, count in parse_formula(plain).counts.items():
        weight, half_width = atomic_weight(symbol)
        total += float(count) * weight
        variance += (float(count) * half_width / sqrt(3)) ** 2
    return MolarMass(g_per_mol=total, standard_uncertainty_g_per_mol=sqrt(variance))


@lru_cache(maxsize=128)
def atomic_weight(symbol: str) -> tuple[float, float]:
    """Standard atomic weight and the half-width stated with it.

    Args:
        symbol: of the element, as ``Na``.

    Returns:
        Weight and half-width [g/mol].

    Raises:
        UnknownAtom: no such element, or one without a standard atomic weight.

    Source: as :func:`molar_mass`.

    >>> atomic_weight("Cl")
    (35.45, 0.01)
    """
    import periodictable  # noqa: PLC0415  (80 MB are loaded only when somebody asks)

    try:
        element = periodictable.elements.symbol(symbol)
    except ValueError:
        raise UnknownAtom(f"“{symbol}” is no chemical element.") from None
    # The library keeps the range in a name it calls not yet official; a test compares it with the table.
    half_width = float(element._mass_unc)
    if half_width == 0:
        raise UnknownAtom(f"“{symbol}” has no standard atomic weight.")
    return float(element.mass), half_width
