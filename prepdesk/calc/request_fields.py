"""Reading single fields of a request: numbers, quantities, percentages, each with its own refusal."""

import math
from collections.abc import Callable, Mapping
from decimal import Decimal
from typing import Final, TypeVar

from prepdesk.calc.errors import InputError
from prepdesk.calc.model import TypedQuantity
from prepdesk.calc.typed import TypedNumber, parse_number, parse_positive
from prepdesk.calc.units import Unit, read_unit

DENSITY_UNITS: Final[Mapping[str, float]] = {
    "g/mL": 1.0,
    "g/cm3": 1.0,
    "kg/L": 1.0,
    "kg/m3": 1e-3,
    "g/L": 1e-3,
}
# Liquids at room temperature lie between pentane (0.63) and mercury (13.6); outside is a wrong unit.
DENSITY_RANGE: Final = (0.5, 15.0)
# From foamed lithium to osmium [g/mL].
SOLID_DENSITY_RANGE: Final = (0.5, 22.6)

T = TypeVar("T")


class Reader:
    """Collects errors while fields are read one after another."""

    def __init__(self) -> None:
        self.errors: list[InputError] = []

    def read(self, how: Callable[[], T]) -> T | None:
        """Return what ``how`` reads, or None after keeping its error."""
        try:
            return how()
        except InputError as error:
            self.errors.append(error)
            return None

    def refuse(self, field: str, code: str, text: str) -> None:
        """Keep an error."""
        self.errors.append(InputError(field, code, text))

    def quantity(self, raw: object, field: str, units: tuple[Unit, ...]) -> TypedQuantity | None:
        """A value with its unit; errors of both are kept."""
        symbols = ", ".join(unit.symbol for unit in units)
        number, unit = self._value_and_unit(raw, field, symbols)
        if unit is None:
            return None
        found = self.read(lambda: read_unit(unit, units, f"{field}.unit"))
        return None if found is None or number is None else TypedQuantity(number, found.symbol)

    def density(self, raw: object, field: str, bounds: tuple[float, float] = DENSITY_RANGE) -> float | None:
        """A density [g/mL] within bounds, or None where none is given or it can't be read."""
        if raw is None:
            return None
        symbols = ", ".join(DENSITY_UNITS)
        number, unit = self._value_and_unit(raw, field, symbols)
        if unit is None:
            return None
        if unit not in DENSITY_UNITS:
            self.refuse(f"{field}.unit", "unknown_unit", f"Use one of these units: {symbols}.")
            return None
        if number is None:
            return None
        value = float(number.value) * DENSITY_UNITS[unit]
        low, high = bounds
        if low <= value <= high:
            return value
        self.refuse(
            f"{field}.value", "out_of_range", f"It must lie from {low:g} to {high:g} g/mL; check the unit."
        )
        return None

    def _value_and_unit(self, raw: object, field: str, symbols: str) -> tuple[TypedNumber | None, str | None]:
        if raw is None:
            self.refuse(field, "required", f"Give a value and a unit ({symbols}).")
            return None, None
        if not isinstance(raw, Mapping):
            self.refuse(field, "not_an_object", f"Give an object with value and unit ({symbols}).")
            return None, None
        number = self.read(lambda: parse_positive(raw.get("value"), f"{field}.value"))
        unit = raw.get("unit")
        if not isinstance(unit, str):
            self.refuse(f"{field}.unit", "unknown_unit", f"Use one of these units: {symbols}.")
            return number, None
        return number, unit


def read_plain_number(raw: object, field: str) -> Decimal:
    """A number that may come as text or as a JSON number; a truth value is neither.

    Raises:
        InputError: ``not_a_number``, and what :func:`~prepdesk.calc.typed.parse_number` refuses.

    >>> read_plain_number(0.5, "tolerance_percent"), read_plain_number("0,5", "tolerance_percent")
    (Decimal('0.5'), Decimal('0.5'))
    """
    if isinstance(raw, bool):
        raise InputError(field, "not_a_number", "Give a number, for example 0.5.")
    if isinstance(raw, int):
        # Comparing with the bounds works for any size; turning a huge one into text does not.
        return Decimal(raw) if abs(raw) < 10**30 else Decimal(10) ** 30
    if isinstance(raw, float):
        if not math.isfinite(raw):
            raise InputError(field, "not_a_number", "Give a finite number, for example 0.5.")
        return Decimal(repr(raw))
    return parse_number(raw, field).value


def read_percent(raw: object, field: str, high: float) -> float:
    """A percentage above 0 and up to ``high`` [%].

    Raises:
        InputError: ``not_positive``, ``out_of_range``, and what :func:`read_plain_number` refuses.
    """
    value = read_plain_number(raw, field)
    if value <= 0:
        raise InputError(field, "not_positive", f"Give a percentage above 0 and up to {high:g}.")
    if value > Decimal(repr(high)):
        raise InputError(field, "out_of_range", f"Give a percentage above 0 and up to {high:g}.")
    # A positive decimal below the smallest float would become zero and be divided by later.
    return max(float(value), 1e-12)


def read_optional_percent(raw: object, field: str, high: float) -> float | None:
    """The same, or None where nothing is given."""
    return None if raw is None or raw == "" else read_percent(raw, field, high)
