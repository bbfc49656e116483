"""How much of a substance dissolves in water, where somebody measured it.

A value with a source may stop an order; a remembered one only warns; an unknown one says unknown, so
that nobody takes silence for "dissolves".
"""

import math
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Final

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.errors import CalcError, InputError
from prepdesk.calc.tables import rows

# A single remembered value is kept for temperatures this near to it.
_NEAR_C: Final = 5.0


class NoSolubility(CalcError):
    """No solubility of this substance at this temperature is known here."""


@dataclass(frozen=True, slots=True)
class Solubility:
    """What water takes up at one temperature.

    Attributes:
        g_per_100g_water: anhydrous solute per 100 g of water [g]; infinite when it mixes in every
            proportion.
        temperature_c: that of the question [°C].
        source: where the value was read.
        firm: whether it has a source that may stop an order; otherwise it may only warn.
    """

    g_per_100g_water: float
    temperature_c: float
    source: str
    firm: bool

    @property
    def mass_fraction(self) -> float:
        """Mass of solute per mass of saturated solution [1]; 1 when it mixes in every proportion."""
        if math.isinf(self.g_per_100g_water):
            return 1.0
        return self.g_per_100g_water / (100 + self.g_per_100g_water)


def solubility_g_per_100g_water(key_or_formula: str, t_c: float) -> Solubility:
    """Solubility in water at one temperature.

    Args:
        key_or_formula: key in the catalogue (any hydrate of the substance) or plain formula of the
            anhydrous solute.
        t_c: temperature [°C].

    Returns:
        The solubility [g of anhydrous solute per 100 g of water], on a straight line between the
        neighbouring tabulated temperatures.

    Raises:
        NoSolubility: unknown here; the text says so, and names the temperatures that are known.

    Source: the row in ``solubility.toml``.

    >>> round(solubility_g_per_100g_water("potassium-nitrate", 20).g_per_100g_water, 1)
    31.9
    """
    for name in _names(key_or_formula):
        if name in _miscible():
            return Solubility(math.inf, t_c, _miscible()[name], firm=True)
        if name in _sourced():
            table, source = _sourced()[name]
            return Solubility(_between(table, t_c, name), t_c, source, firm=True)
        if name in _remembered():
            known_at, grams = _remembered()[name]
            if abs(t_c - known_at) > _NEAR_C:
                raise NoSolubility(
                    f"The solubility of {name} is known here only near {known_at:g} °C, not at {t_c:g} °C."
                )
            return Solubility(grams, t_c, "from memory", firm=False)
    raise NoSolubility(f"The solubility of {key_or_formula} in water is unknown here.")


@cache
def _names(key_or_formula: str) -> tuple[str, ...]:
    """The names a table may know a substance by: itself, its family, its formula without water."""
    catalogue = standard_catalogue()
    try:
        substance = catalogue.by_key(key_or_formula)
    except InputError:
        try:
            substance = catalogue.resolve(key_or_formula)
        except InputError:
            return (key_or_formula,)
    return (key_or_formula, substance.key, substance.family, substance.solute_formula)


def _between(table: tuple[tuple[float, float], ...], t_c: float, name: str) -> float:
    low, high = table[0][0], table[-1][0]
    if not low <= t_c <= high:
        raise NoSolubility(
            f"The solubility of {name} is known here from {low:g} to {high:g} °C, not at {t_c:g} °C."
        )
    for (t0, g0), (t1, g1) in pairwise(table):
        if t_c <= t1:
            return g0 + (g1 - g0) * (t_c - t0) / (t1 - t0)
    return table[0][1]


@cache
def _sourced() -> dict[str, tuple[tuple[tuple[float, float], ...], str]]:
    """Per solute, [°C, g per 100 g of water] and the source; the file holds mass percent."""
    return {
        row["solute"]: (
            tuple((float(t), 100 * percent / (100 - percent)) for t, percent in row["rows"]),
            row["source"],
        )
        for row in rows("solubility.toml", "sourced")
    }


@cache
def _remembered() -> dict[str, tuple[float, float]]:
    return {
        name: (float(t), float(grams))
        for row in rows("solubility.toml", "remembered")
        for name, t, grams in row["rows"]
    }


@cache
def _miscible() -> dict[str, str]:
    return {name: row["source"] for row in rows("solubility.toml", "miscible") for name in row["solutes"]}
