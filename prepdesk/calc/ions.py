"""Totals of the ions that salts put into solution, for people who count sodium or chloride."""

import re
from collections.abc import Iterable
from typing import Final

from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import Substance

# Anions as they end a salt's formula, each with the charge it has there; longer ones first.
_ANIONS: Final = (
    ("CH3COO", "CH3COO-", 1), ("H2PO4", "H2PO4-", 1), ("HPO4", "HPO4 2-", 2), ("PO4", "PO4 3-", 3),
    ("S2O3", "S2O3 2-", 2), ("S2O8", "S2O8 2-", 2), ("HSO4", "HSO4-", 1), ("SO4", "SO4 2-", 2),
    ("HSO3", "HSO3-", 1), ("SO3", "SO3 2-", 2), ("HCO3", "HCO3-", 1), ("CO3", "CO3 2-", 2),
    ("C2O4", "C2O4 2-", 2), ("Cr2O7", "Cr2O7 2-", 2), ("CrO4", "CrO4 2-", 2), ("MnO4", "MnO4-", 1),
    ("ClO4", "ClO4-", 1), ("ClO3", "ClO3-", 1), ("BrO3", "BrO3-", 1), ("IO4", "IO4-", 1), ("IO3", "IO3-", 1),
    ("NO3", "NO3-", 1), ("NO2", "NO2-", 1), ("SCN", "SCN-", 1), ("OH", "OH-", 1), ("Cl", "Cl-", 1),
    ("Br", "Br-", 1), ("F", "F-", 1), ("I", "I-", 1),
)  # fmt: skip
_CATIONS: Final = (
    ("NH4", "NH4+", 1), ("Na", "Na+", 1), ("K", "K+", 1), ("Li", "Li+", 1), ("Rb", "Rb+", 1),
    ("Cs", "Cs+", 1), ("Ag", "Ag+", 1), ("Mg", "Mg 2+", 2), ("Ca", "Ca 2+", 2), ("Sr", "Sr 2+", 2),
    ("Ba", "Ba 2+", 2), ("Mn", "Mn 2+", 2), ("Co", "Co 2+", 2), ("Ni", "Ni 2+", 2), ("Cu", "Cu 2+", 2),
    ("Zn", "Zn 2+", 2), ("Cd", "Cd 2+", 2), ("Pb", "Pb 2+", 2), ("Fe", "Fe", 0), ("Al", "Al 3+", 3),
    ("La", "La 3+", 3),
)  # fmt: skip
_GROUP: Final = r"(?:\({0}\)([0-9]*)|{0}([0-9]*))"


def ions_of(formula: str) -> dict[str, float]:
    """The ions of one formula unit of a simple salt, or nothing where the formula is no such salt.

    Only salts of one cation and one anion are read, and only when their charges balance, so a wrong
    split can't slip through; acids, complexes and double salts give nothing.

    Args:
        formula: with or without hydrate water.

    Returns:
        Ions per formula unit [1], by name.

    Raises:
        InputError: ``not_a_formula``.

    Source: charges of the ions by common practice.

    >>> ions_of("CuCl2.2H2O")
    {'Cu 2+': 1.0, 'Cl-': 2.0}
    """
    base = parse_formula(formula).base
    for cation, cation_name, charge in _CATIONS:
        head = re.match(_GROUP.format(cation) + r"(?![a-z])", base)
        if head is None:
            continue
        cations = _count(head)
        for anion, anion_name, negative in _ANIONS:
            tail = re.fullmatch(_GROUP.format(anion), base[head.end() :])
            if tail is None:
                continue
            anions = _count(tail)
            # Iron has two charges; the salt itself says which.
            positive = charge or anions * negative // cations
            name = cation_name if charge else f"{cation} {positive}+"
            if positive in (1, 2, 3) and cations * positive == anions * negative:
                return {name: float(cations), anion_name: float(anions)}
    return {}


def ion_totals(salts: Iterable[tuple[Substance, float]]) -> dict[str, float]:
    """Ions of a whole solution [mol/L], from each salt with its concentration [mol/L].

    >>> ion_totals([(Substance("a", "salt", "NaCl"), 0.1), (Substance("b", "soda", "Na2CO3"), 0.1)])["Na+"]
    0.30000000000000004
    """
    totals: dict[str, float] = {}
    for substance, mol_per_l in salts:
        for ion, count in ions_of(substance.formula).items():
            totals[ion] = totals.get(ion, 0.0) + count * mol_per_l
    return totals


def _count(match: "re.Match[str]") -> int:
    return int(match[1] or match[2] or 1)
