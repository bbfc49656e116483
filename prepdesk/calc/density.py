"""Densities of water and of aqueous solutions, each with its basis and its error.

Models extrapolate without complaint: outside its range an electrolyte model makes 96 % sulfuric acid
7 % too heavy. So every figure here comes with the range it was found in, and outside it there is no
number, only a refusal that names the range.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from math import exp, sqrt
from typing import Any, Final

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.errors import InputError, NoDensity
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import Density
from prepdesk.calc.tables import rows

WATER_RANGE_C: Final = (0.0, 40.0)
# Single points were measured at 20 °C; five degrees either way the error of that is known.
POINTS_RANGE_C: Final = (15.0, 25.0)
# Beyond 15 to 30 °C nobody compared the model with handbook values: its error is doubled.
_CHECKED_RANGE_C: Final = (15.0, 30.0)
# How far a solute's apparent volume may move with the temperature, per degree and mass fraction: dilute
# alcohols, the steepest, by 0.17 %.
_PER_DEGREE: Final = 0.002
_TANAKA: Final = (-3.983035, 301.797, 522528.9, 69.34881, 999.974950)
_WATER_UNCERTAINTY: Final = 5e-6


def water_density(t_c: float) -> Density:
    """Density of pure, air-free water at ordinary pressure.

    Args:
        t_c: temperature [°C], 0 to 40.

    Returns:
        Density [g/mL]; its error, 5e-6 g/mL, covers dissolved air and isotopes.

    Raises:
        NoDensity: outside 0 to 40 °C.

    Source: CIPM formula, Tanaka et al., Metrologia 38, 301 (2001).

    >>> round(water_density(20).g_per_ml, 4)
    0.9982
    """
    low, high = WATER_RANGE_C
    if not low <= t_c <= high:
        raise NoDensity(f"The density of water is known here from {low:g} to {high:g} °C, not at {t_c:g} °C.")
    a1, a2, a3, a4, a5 = _TANAKA
    kg_per_m3 = a5 * (1 - (t_c + a1) ** 2 * (t_c + a2) / (a3 * (t_c + a4)))
    return Density(kg_per_m3 / 1000, _WATER_UNCERTAINTY, "CIPM 2001 (Tanaka et al.)")


def solution_density(mass_fractions: Mapping[str, float], t_c: float) -> Density:
    """Density of an aqueous solution.

    One solute with tabulated densities around this strength takes those; else the electrolyte model
    answers, for one solute or several.

    Args:
        mass_fractions: mass of anhydrous solute per mass of solution [1], by the solute's key in the
            catalogue or its plain formula without hydrate water.
        t_c: temperature [°C].

    Returns:
        Density [g/mL] with its standard uncertainty and basis; of pure water when nothing is dissolved.

    Raises:
        NoDensity: a solute without data, or a strength or temperature outside its range.

    Source: :func:`tabulated_density`, :func:`laliberte_density`.

    >>> round(solution_density({"NaCl": 0.05}, 20).g_per_ml, 3)
    1.034
    """
    dissolved = {_solute(name): w for name, w in mass_fractions.items() if w > 0}
    if not dissolved:
        return water_density(t_c)
    if len(dissolved) == 1:
        [(solute, w)] = dissolved.items()
        if _points_cover(solute, w) and POINTS_RANGE_C[0] <= t_c <= POINTS_RANGE_C[1]:
            return tabulated_density(solute, w, t_c)
    try:
        return laliberte_density(dissolved, t_c)
    except NoDensity:
        if len(dissolved) == 1 and solute in _points():
            # The table's own refusal names the range that could have served.
            return tabulated_density(solute, w, t_c)
        raise


def reagent_density(substance_key: str, mass_percent: float, t_c: float = 20.0) -> Density:
    """Density of a liquid reagent as it stands on the shelf.

    Args:
        substance_key: key in the catalogue, as ``sulfuric-acid``.
        mass_percent: of the pure substance in the liquid [%], 0 to 100.
        t_c: temperature [°C].

    Returns:
        Density [g/mL] with its standard uncertainty and basis.

    Raises:
        NoDensity: no data at this strength or temperature; the lot's own density has to be given.
        UnknownSubstance: no such key.

    Source: as :func:`solution_density`; the catalogue's own figure for the usual strength.

    >>> round(reagent_density("sulfuric-acid", 96).g_per_ml, 4)
    1.8355
    """
    substance = standard_catalogue().by_key(substance_key)
    try:
        return solution_density({substance_key: mass_percent / 100}, t_c)
    except NoDensity:
        usual = 100.0 if substance.assay_percent is None else substance.assay_percent
        known = substance.density_g_per_ml
        near = abs(mass_percent - usual) <= 0.5 and POINTS_RANGE_C[0] <= t_c <= POINTS_RANGE_C[1]
        if known is None or not near:
            raise
        error = known * sqrt((0.003 / sqrt(3)) ** 2 + (_PER_DEGREE * abs(t_c - 20) / sqrt(3)) ** 2)
        return Density(known, error, substance.density_source)


def tabulated_density(solute: str, w: float, t_c: float = 20.0) -> Density:
    """Density between tabulated points, by the apparent specific volume of the solute.

    v = (1/ρ − (1 − w)/ρ(water))/w changes slowly with w, so a few points carry far, and it keeps pure
    water exact at w = 0.

    Args:
        solute: key in the catalogue or plain formula.
        w: mass fraction [1].
        t_c: temperature [°C], 15 to 25.

    Returns:
        Density [g/mL]; its error grows with the distance from 20 °C, where the points were measured.

    Raises:
        NoDensity: no points for this solute, or w or t outside them.

    Source: the row in ``density_points.toml``.

    >>> round(tabulated_density("AgNO3", 0.05).g_per_ml, 4)
    1.0417
    """
    name = _solute(solute)
    row = _points().get(name)
    if row is None:
        raise NoDensity(f"No densities of {solute} in water are tabulated here.")
    table = [(percent / 100, rho) for percent, rho in row["rows"]]
    lowest = 0.0 if row.get("from_water") else table[0][0]
    if not lowest <= w <= table[-1][0]:
        raise NoDensity(
            f"The density of {name} in water is known here from {100 * lowest:g} to {100 * table[-1][0]:g} "
            f"mass percent, not at {100 * w:.3g}."
        )
    low, high = POINTS_RANGE_C
    if not low <= t_c <= high:
        raise NoDensity(
            f"The density of {name} in water is known here from {low:g} to {high:g} °C, not at {t_c:g} °C."
        )
    at_20, now = water_density(20).g_per_ml, water_density(t_c).g_per_ml
    volumes = [(x, (1 / rho - (1 - x) / at_20) / x) for x, rho in table]
    density = 1 / ((1 - w) / now + w * _interpolate(volumes, w))
    spread = sqrt((row["worst_percent"] / 100) ** 2 + (_PER_DEGREE * w * (t_c - 20)) ** 2)
    return Density(density, density * spread / sqrt(3), row["basis"])


def laliberte_density(mass_fractions: Mapping[str, float], t_c: float) -> Density:
    """Density of an electrolyte solution by the published model, inside its range only.

    ρ = 1/(w(water)/ρ(water) + Σ w_i/ρ_i) with the apparent density of each solute
    ρ_i = (c0·W + c1)·exp(1e-6·(t + c4)²)/(W + c2 + c3·t), where W is the mass fraction of all solutes.

    Args:
        mass_fractions: as :func:`solution_density` [1].
        t_c: temperature [°C].

    Returns:
        Density [g/mL]; its standard uncertainty is the worst deviation from handbook values, taken as
        the half-width of a rectangle and doubled outside 15 to 30 °C.

    Raises:
        NoDensity: a solute the model lacks, or a strength or temperature outside its fit.

    Source: Laliberté and Cooper, J. Chem. Eng. Data 49, 1141 (2004); Laliberté, ibid. 54, 1725 (2009).

    >>> round(laliberte_density({"HCl": 0.1}, 20).g_per_ml, 4)
    1.0473
    """
    dissolved = {_solute(name): w for name, w in mass_fractions.items() if w > 0}
    total = sum(dissolved.values())
    volume = (1 - total) / water_density(t_c).g_per_ml
    worst = 0.0
    for name, w in dissolved.items():
        fit = _fit(name, total, t_c)
        apparent_kg_per_m3 = (
            (fit.c[0] * total + fit.c[1])
            * exp(1e-6 * (t_c + fit.c[4]) ** 2)
            / (total + fit.c[2] + fit.c[3] * t_c)
        )
        volume += w * 1000 / apparent_kg_per_m3
        worst = max(worst, fit.worst_percent)
    density = 1 / volume
    low, high = _CHECKED_RANGE_C
    spread = max(worst, 0.02) / 100 * (1 if low <= t_c <= high else 2)
    return Density(density, density * spread / sqrt(3), "Laliberté electrolyte model (2004, 2009)")


def density_at_concentration(solute: str, c_mol_per_l: float, t_c: float) -> Density:
    """Density of a solution of given amount concentration.

    Args:
        solute: key in the catalogue or plain formula without hydrate water.
        c_mol_per_l: concentration [mol/L].
        t_c: temperature [°C].

    Returns:
        Density [g/mL] for which w = c·M/ρ holds to 1e-9 (to the stated error where two tables meet).

    Raises:
        NoDensity: as :func:`solution_density`, or a strength that no solution in its range reaches.
        InputError: ``not_a_formula``, for a solute that can't be read.

    Source: as :func:`solution_density`.

    >>> round(density_at_concentration("NaCl", 3.928, 20).g_per_ml, 3)
    1.148
    """
    return density_at_mass_concentration({solute: c_mol_per_l * _grams_per_mol(solute)}, t_c)


def density_at_mass_concentration(g_per_l: Mapping[str, float], t_c: float) -> Density:
    """Density of a solution that holds so much of each solute per litre.

    Args:
        g_per_l: mass of anhydrous solute per volume of solution [g/L], by key or plain formula.
        t_c: temperature [°C].

    Returns:
        Density [g/mL]; the mass fractions that give it are g_per_l/(1000·ρ), consistent to 1e-9
        (to the stated error where two tables meet).

    Raises:
        NoDensity: as :func:`solution_density`, or a strength that no solution in its range reaches.

    Source: as :func:`solution_density`.

    >>> density_at_mass_concentration({}, 20) == water_density(20)
    True
    """
    wanted = sum(g_per_l.values()) / 1000
    if wanted <= 0:
        return water_density(t_c)
    shares = {name: grams / 1000 / wanted for name, grams in g_per_l.items() if grams > 0}

    def at(total: float) -> Density:
        return solution_density({name: share * total for name, share in shares.items()}, t_c)

    return _solve(at, wanted)


def _solve(at: Callable[[float], Density], wanted: float) -> Density:
    """The density at the mass fraction w where w·ρ(w) = ``wanted`` [g/mL], by halving the interval.

    w·ρ rises with w even where the density falls. A bound whose density is refused counts as too
    strong, so the search ends at the edge of the range. Where two tables meet, ρ may step by less than
    their stated errors; a strength inside such a step gets the upper table's density.
    """
    low, high = 0.0, min(1.0, 2 * wanted)
    while high - low > 1e-12:
        middle = (low + high) / 2
        try:
            reached = middle * at(middle).g_per_ml
        except NoDensity:
            reached = wanted + 1
        low, high = (middle, high) if reached < wanted else (low, middle)
    try:
        return at(high)
    except NoDensity as refusal:
        if low == 0:
            raise  # nothing but refusals on the way; this one says why
        strongest = 1000 * low * at(low).g_per_ml
        if abs(strongest / 1000 - wanted) <= 1e-9:
            return at(low)
        raise NoDensity(
            f"No density is known for a solution with {1000 * wanted:.4g} g of solute per litre; "
            f"the strongest one covered here has {strongest:.4g}."
        ) from refusal


# --- the tables ---------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class _Fit:
    """One solute of the electrolyte model, with the range it was fitted in."""

    c: tuple[float, float, float, float, float]
    t_min_c: float
    t_max_c: float
    w_max: float
    worst_percent: float


def _fit(name: str, total: float, t_c: float) -> _Fit:
    fit = _fits().get(name)
    if fit is None:
        raise NoDensity(f"The density model has no data for {name} in water.")
    if not fit.t_min_c <= t_c <= fit.t_max_c:
        raise NoDensity(
            f"The density model for {name} holds from {fit.t_min_c:g} to {fit.t_max_c:g} °C, "
            f"not at {t_c:g} °C."
        )
    if total > fit.w_max + 1e-9:
        raise NoDensity(
            f"The density model for {name} holds up to {100 * fit.w_max:.3g} mass percent, "
            f"not at {100 * total:.3g}."
        )
    return fit


@cache
def _fits() -> dict[str, _Fit]:
    return {
        row["formula"]: _Fit(
            c=tuple(row["c"]),
            t_min_c=row["t_c"][0],
            t_max_c=min(row["t_c"][1], WATER_RANGE_C[1]),
            w_max=row["w_max"],
            worst_percent=row["worst_percent"],
        )
        for row in rows("density_model.toml", "solute")
    }


@cache
def _points() -> dict[str, Mapping[str, Any]]:
    return {row["solute"]: row for row in rows("density_points.toml", "points")}


def _points_cover(solute: str, w: float) -> bool:
    row = _points().get(solute)
    if row is None:
        return False
    lowest = 0.0 if row.get("from_water") else row["rows"][0][0] / 100
    return bool(lowest <= w <= row["rows"][-1][0] / 100)


@cache
def _solute(name: str) -> str:
    """The name a table knows a solute by: its family, else its formula without hydrate water.

    Families come first, since one formula may stand for several sugars.
    """
    if name in _points() or name in _fits():
        return name
    try:
        substance = standard_catalogue().by_key(name)
    except InputError:
        return _by_composition(name)
    return substance.family if substance.family in _points() else substance.solute_formula


def _by_composition(name: str) -> str:
    """A formula in another spelling of the same salt (``H4NCl`` for ``NH4Cl``)."""
    try:
        found = standard_catalogue().resolve(name)
    except InputError:
        return name
    return found.family if found.family in _points() else found.solute_formula


@cache
def _grams_per_mol(solute: str) -> float:
    catalogue = standard_catalogue()
    known = [each for each in catalogue if solute in (each.key, each.family)]
    return molar_mass(known[0].solute_formula if known else parse_formula(solute)).g_per_mol


def _interpolate(table: list[tuple[float, float]], x: float) -> float:
    """Straight line between the two neighbours; the first value below the table."""
    if x <= table[0][0]:
        return table[0][1]
    for (x0, y0), (x1, y1) in pairwise(table):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return table[-1][1]
