"""Stock amounts: whole base units in the database, decimals outside.

SQLite keeps a decimal as a float, and a million of them then sum wrong; so the database holds whole
micrograms, microlitres or pieces, and these functions are the only way between the two.
"""

from decimal import ROUND_CEILING, ROUND_HALF_EVEN, Decimal
from typing import Final

from django.db import models


class Unit(models.TextChoices):
    """What a lot is counted in."""

    GRAM = "g", "g"
    MILLILITRE = "mL", "mL"
    PIECE = "pc", "pieces"


# Base units in one shown unit: 1 g is 1,000,000 micrograms, 1 mL is 1,000 microlitres.
BASE_PER_UNIT: Final[dict[str, int]] = {"g": 1_000_000, "mL": 1_000, "pc": 1}


def to_base(value: Decimal | float, unit: str) -> int:
    """Whole base units nearest to ``value`` [unit]."""
    exact = Decimal(repr(value)) if isinstance(value, float) else value
    return int((exact * BASE_PER_UNIT[unit]).to_integral_value(rounding=ROUND_HALF_EVEN))


def to_base_upwards(value: Decimal | float, unit: str) -> int:
    """Whole base units that are at least ``value`` [unit], so that a hold never falls short."""
    exact = Decimal(repr(value)) if isinstance(value, float) else value
    return int((exact * BASE_PER_UNIT[unit]).to_integral_value(rounding=ROUND_CEILING))


def from_base(base: int, unit: str) -> Decimal:
    """``base`` whole base units as a decimal in ``unit``."""
    return Decimal(base) / BASE_PER_UNIT[unit]


def as_text(base: int, unit: str) -> str:
    """``base`` whole base units for a sentence: "12.5 g", without zeros that say nothing."""
    # One piece is the only amount whose unit has a singular of its own.
    label = "piece" if unit == Unit.PIECE and base == 1 else Unit(unit).label
    return f"{from_base(base, unit).normalize():f} {label}"


def signed(base: int, unit: str) -> str:
    """``base`` whole base units in ``unit`` as a change: "+2.5", "−0.4", "0"."""
    sign = "+" if base > 0 else "−" if base < 0 else ""
    return f"{sign}{from_base(abs(base), unit).normalize():f}"


def money_text(minor: int) -> str:
    """A sum in the smallest coin as it is written: "12.50"."""
    return f"{Decimal(minor) / 100:.2f}"
