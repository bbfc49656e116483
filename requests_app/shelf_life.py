"""How long a prepared solution is good for, as the label will say.

Figures are days at room temperature in a closed bottle. Those with a source follow it; the others are
common practice and the department's to change. A mixture keeps as long as its shortest component.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

_NOGUEIRA: Final = "Nogueira and Serôdio, Accred. Qual. Assur. 8, 231 (2003), 2 % criterion"


@dataclass(frozen=True, slots=True)
class ShelfLife:
    """So many days, and why."""

    days: int
    reason: str


DEFAULT: Final = ShelfLife(
    180, f"stable solution: 27 of 35 solutions kept at least 2 months, many over 6 ({_NOGUEIRA})"
)

# By the family of the substance (the word that all forms of one substance share).
BY_FAMILY: Final[dict[str, ShelfLife]] = {
    "potassium-permanganate": ShelfLife(30, f"about one month ({_NOGUEIRA})"),
    "sodium-hydroxide": ShelfLife(
        30, "takes up carbon dioxide; standardise again after 30 days (common practice)"
    ),
    "potassium-hydroxide": ShelfLife(
        30, "takes up carbon dioxide; standardise again after 30 days (common practice)"
    ),
    "sodium-thiosulfate": ShelfLife(
        14, "decomposes slowly; standardise again every two weeks (common practice)"
    ),
    "iodine": ShelfLife(14, "loses iodine to the air (common practice)"),
    "ammonia": ShelfLife(30, "loses ammonia whenever it is opened (common practice)"),
    "hydrogen-peroxide": ShelfLife(14, "decomposes when dilute (common practice)"),
    "iron-ii-sulfate": ShelfLife(7, "oxidised by air (common practice)"),
    "ammonium-iron-ii-sulfate-hexahydrate": ShelfLife(
        14, "oxidised by air, slower in acid (common practice)"
    ),
    "ascorbic-acid": ShelfLife(1, "oxidised by air within the day (common practice)"),
    "silver-nitrate": ShelfLife(180, f"more than 6 months, in the dark ({_NOGUEIRA})"),
    "hydrochloric-acid": ShelfLife(180, f"more than 6 months ({_NOGUEIRA})"),
    "sulfuric-acid": ShelfLife(180, f"more than 6 months ({_NOGUEIRA})"),
}


def shelf_life(families: list[str]) -> ShelfLife:
    """The shortest of the components' shelf lives.

    >>> shelf_life(["sodium-chloride", "potassium-permanganate"]).days
    30
    """
    return min(
        (BY_FAMILY.get(family, DEFAULT) for family in families), key=lambda life: life.days, default=DEFAULT
    )


def expiry_of(families: list[str], made_on: date) -> date:
    """The last day the label allows."""
    return made_on + timedelta(days=shelf_life(families).days)
