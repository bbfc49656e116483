"""The units people may use, and the factors between them.

Only the units listed here are read; nothing a person types reaches the unit library, whose parser
takes ``1 g/100 mL`` for g·mL and ``N`` for newton. The factors come from that library at the first
conversion, by the library's own expressions beside each unit below.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

from prepdesk.calc.errors import InputError

if TYPE_CHECKING:
    from pint import UnitRegistry

Kind = Literal[
    "amount per volume",
    "molality",
    "equivalents per volume",
    "mass per volume",
    "mass fraction",
    "volume fraction",
    "mass",
    "volume",
]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit a person may choose.

    Attributes:
        symbol: as it is stored and sent, ASCII.
        label: as it is shown.
        kind: what it measures; units of one kind convert into each other.
        expression: what the unit library is asked.
        aliases: other spellings that mean exactly this unit.
    """

    symbol: str
    label: str
    kind: Kind
    expression: str
    aliases: tuple[str, ...] = ()


# What a value of each kind is brought to: the base unit's symbol and the library's expression for it.
BASE: Final[Mapping[Kind, tuple[str, str]]] = MappingProxyType(
    {
        "amount per volume": ("mol/L", "mol/liter"),
        "molality": ("mol/kg", "mol/kilogram"),
        # An equivalent is counted like a mole; how many stand in a formula unit depends on the reaction.
        "equivalents per volume": ("eq/L", "mol/liter"),
        "mass per volume": ("g/L", "gram/liter"),
        "mass fraction": ("g/g", "gram/gram"),
        "volume fraction": ("mL/mL", "milliliter/milliliter"),
        "mass": ("g", "gram"),
        "volume": ("mL", "milliliter"),
    }
)

CONCENTRATION_UNITS: Final = (
    Unit("mol/L", "mol/L", "amount per volume", "mol/liter", ("mol/l", "mol/dm3", "mol/dm³")),
    Unit("mmol/L", "mmol/L", "amount per volume", "millimol/liter", ("mmol/l",)),
    Unit("umol/L", "µmol/L", "amount per volume", "micromol/liter", ("µmol/L", "µmol/l", "umol/l")),
    Unit("mol/kg", "mol/kg (per kg of solvent)", "molality", "mol/kilogram"),
    Unit("eq/L", "eq/L", "equivalents per volume", "mol/liter", ("eq/l",)),
    Unit("g/L", "g/L", "mass per volume", "gram/liter", ("g/l",)),
    Unit("mg/L", "mg/L", "mass per volume", "milligram/liter", ("mg/l",)),
    Unit("ug/mL", "µg/mL", "mass per volume", "microgram/milliliter", ("µg/mL", "µg/ml", "ug/ml")),
    Unit("% w/w", "% w/w", "mass fraction", "gram/(100*gram)", ("%w/w", "% m/m")),
    Unit("% w/v", "% w/v (g per 100 mL)", "mass per volume", "gram/(100*milliliter)", ("%w/v", "% m/v")),
    Unit(
        "% v/v",
        "% v/v",
        "volume fraction",
        "milliliter/(100*milliliter)",
        ("%v/v",),
    ),
    Unit("mg/kg", "mg/kg", "mass fraction", "milligram/kilogram"),
)
MASS_UNITS: Final = (
    Unit("g", "g", "mass", "gram"),
    Unit("mg", "mg", "mass", "milligram"),
    Unit("kg", "kg", "mass", "kilogram"),
    Unit("ug", "µg", "mass", "microgram", ("µg",)),
)
VOLUME_UNITS: Final = (
    Unit("mL", "mL", "volume", "milliliter", ("ml", "cm3", "cm³")),
    Unit("L", "L", "volume", "liter", ("l", "dm3", "dm³")),
    Unit("uL", "µL", "volume", "microliter", ("µL", "µl", "ul")),
)
UNITS: Final[Mapping[str, Unit]] = MappingProxyType(
    {unit.symbol: unit for unit in (*CONCENTRATION_UNITS, *MASS_UNITS, *VOLUME_UNITS)}
)

_BY_SPELLING: Final[Mapping[str, Unit]] = MappingProxyType(
    {spelling: unit for unit in UNITS.values() for spelling in (unit.symbol, *unit.aliases)}
)


def read_unit(text: str, allowed: tuple[Unit, ...], field: str = "") -> Unit:
    """The unit a person typed or chose.

    Args:
        text: a symbol or one of its spellings; upper and lower case differ (``mL``, not ``ML``).
        allowed: the units that make sense here, as :data:`CONCENTRATION_UNITS`.
        field: path used in the error.

    Returns:
        The unit.

    Raises:
        InputError: code ``unknown_unit``; the text lists what would be accepted.

    >>> read_unit("µg/mL", CONCENTRATION_UNITS).symbol
    'ug/mL'
    """
    # The Greek letter and the micro sign look alike and are two characters.
    spelling = " ".join(text.replace("\u03bc", "µ").split()) if isinstance(text, str) else ""
    unit = _BY_SPELLING.get(spelling)
    if unit is None or unit not in allowed:
        choices = ", ".join(each.symbol for each in allowed)
        said = f"“{spelling}” can't be used here." if spelling else "Choose a unit."
        raise InputError(field, "unknown_unit", f"{said} Use one of {choices}.")
    return unit


def factor(unit: str) -> float:
    """How many base units one ``unit`` is.

    Args:
        unit: symbol of a unit in :data:`UNITS`.

    Returns:
        Factor to mol/L, mol/kg, eq/L, g/L, g/g, mL/mL, g or mL, by the unit's kind [1].

    Raises:
        InputError: code ``unknown_unit``.

    Source: the International System of Units (SI Brochure, 9th edition), by way of pint.

    >>> factor("% w/v")
    10.0
    """
    known = UNITS.get(unit)
    if known is None:
        raise InputError("", "unknown_unit", f"“{unit}” is no unit used here.")
    return _factor(known)


def to_g(value: float, unit: str) -> float:
    """A mass in grams.

    Args:
        value: amount [``unit``].
        unit: one of :data:`MASS_UNITS`.

    Returns:
        The mass [g].

    Raises:
        InputError: code ``unknown_unit``, for anything that is no mass unit.

    >>> to_g(250, "mg")
    0.25
    """
    return value * _factor(read_unit(unit, MASS_UNITS))


def to_ml(value: float, unit: str) -> float:
    """A volume in millilitres.

    Args:
        value: amount [``unit``].
        unit: one of :data:`VOLUME_UNITS`.

    Returns:
        The volume [mL].

    Raises:
        InputError: code ``unknown_unit``, for anything that is no volume unit.

    >>> to_ml(0.5, "L")
    500.0
    """
    return value * _factor(read_unit(unit, VOLUME_UNITS))


@lru_cache(maxsize=64)
def _factor(unit: Unit) -> float:
    quantity = _registry()(unit.expression).to(BASE[unit.kind][1])
    # Powers of ten come back with the last bit off (0.0010000000000000002); twelve digits are exact.
    return float(f"{quantity.magnitude:.12g}")


@lru_cache(maxsize=1)
def _registry() -> "UnitRegistry[float]":
    import pint  # noqa: PLC0415  (a second of start-up, paid only when something is converted)

    return pint.UnitRegistry()
