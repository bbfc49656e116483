"""The department's rules, in two tables: figures, and what is switched on or off; each says where it acts."""

from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from prepdesk.calc.typed import parse_number
from requests_app.drafts import MAX_OVERAGE_PERCENT, MAX_SPARE_GROUPS, plain


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of the department.

    Attributes:
        label: as the page names it.
        unit: of its figure, in words.
        acts: what it does and where it is met.
        least, most: the figures it may have.
        is_whole: whether it counts something.
        one: the unit of a single one, where it is another word.
        empty: what an empty field means; a rule without it always has a figure.
    """

    label: str
    unit: str
    acts: str
    least: int
    most: int
    is_whole: bool = True
    one: str = ""
    empty: str = ""

    def shown(self, value: object) -> str:
        """A figure of this rule as a sentence says it.

        >>> RULES["notice_days"].shown(1), RULES["overage_percent"].shown("12.50")
        ('1 working day', '12.5 %')
        """
        if value in (None, ""):
            return self.empty
        number = parse_number(str(value)).value
        unit = self.one if number == 1 and self.one else self.unit
        return f"{plain(number) if number else '0'} {unit}"

    def problem(self, value: Decimal | None) -> str:
        """Why a figure can't be this rule's, empty when it can."""
        if value is None:
            return "" if self.empty else "This rule needs a figure."
        if self.is_whole and value != value.to_integral_value():
            return f"“{plain(value)}” must be a whole number."
        if not self.least <= value <= self.most:
            return f"This lies between {self.least} and {self.most} {self.unit}."
        return ""


# By the field of the row; pages and history follow this order.
RULES: Final[dict[str, Rule]] = {
    "notice_days": Rule(
        "Notice",
        "working days",
        "An order sent later than this before it is due is marked as late, and says what it pushes aside. "
        "Saturdays, Sundays and the days of a break don’t count.",
        0,
        30,
        one="working day",
    ),
    "minutes_before": Rule(
        "Ready before a section meets",
        "minutes",
        "Orders for a meeting are due this long before it begins.",
        0,
        24 * 60,
        one="minute",
    ),
    "overage_percent": Rule(
        "Extra",
        "%",
        "Offered in every new order, for spills, repeats and rinsing.",
        0,
        MAX_OVERAGE_PERCENT,
        is_whole=False,
    ),
    "spare_groups": Rule(
        "Spare groups",
        "groups",
        "Offered in every new order, on top of the groups of each section.",
        0,
        MAX_SPARE_GROUPS,
        one="group",
    ),
    "per_section_ml": Rule(
        "On top for each section",
        "mL",
        "Offered in every new order: what stays in a dispenser, or a bottle at the back.",
        0,
        100_000,
        is_whole=False,
    ),
    "large_draw_percent": Rule(
        "Large draw",
        "%",
        "An order that takes more than this share of what is free of a substance waits for a manager.",
        1,
        100,
    ),
    "together_days": Rule(
        "Made together within",
        "days",
        "Orders of the same solution further apart than this are not put into one batch.",
        0,
        365,
        one="day",
        empty="as long as the solution keeps",
    ),
    "hands": Rule(
        "People who prepare at once",
        "people",
        "With so many pairs of hands it is reckoned what a late order pushes aside.",
        1,
        50,
        one="person",
    ),
}


@dataclass(frozen=True, slots=True)
class Switch:
    """One rule of the department that holds or doesn't.

    Attributes:
        label: as the page names it.
        acts: what it does and where it is met, once it is on.
    """

    label: str
    acts: str

    def shown(self, value: object) -> str:
        """The rule as a sentence says it.

        >>> SWITCHES["scan_bottles"].shown(True), SWITCHES["scan_bottles"].shown(False)
        ('on', 'off')
        """
        return ON if value else OFF


ON: Final = "on"
OFF: Final = "off"

# An order with a stated tolerance of so many per cent or less is asked for as a standard; the digits alone
# ask for one at four significant figures, as 0.1000 mol/L. Common practice: volumetric standards are made
# and written down to four figures.
STANDARD_STATED_PERCENT: Final = Decimal("0.5")
STANDARD_BY_DIGITS_PERCENT: Final = Decimal("0.05")

# By the field of the row, as the figures are.
SWITCHES: Final[dict[str, Switch]] = {
    "scan_bottles": Switch(
        "Every bottle is scanned before it is opened",
        "At a step that takes from a bottle its label is scanned, or its code typed, before a reading is "
        "taken. Needs labels with codes on the bottles.",
    ),
    "check_restricted": Switch(
        "A second person looks where a restricted substance is used",
        "Before the work is closed, somebody of the stockroom who took no part in it looks at the readings "
        "and signs. Counted is every bottle the sheet draws from and every substance ordered that is marked "
        "as restricted in the stock.",
    ),
    "check_strong_acids": Switch(
        "A second person looks where a concentrated acid or strong base is used",
        "The same, and its steps ask that a second person stands by. Counted is a bottle of the reagent "
        "itself, solid or liquid, that the catalogue marks to be poured into water as an acid, or keeps among"
        " the strong bases as one that burns skin and eyes. A solution that is diluted further isn’t counted,"
        " nor a liquid below 0.5 mol/L, nor what nobody has reviewed: mark that as restricted.",
    ),
    "check_standards": Switch(
        "A second person looks where the concentration must be exact",
        "The same, for standards to mark or titrate with. Counted is an order with a stated tolerance of "
        f"{STANDARD_STATED_PERCENT} % or finer, or without one at four figures, as 0.1000 mol/L.",
    ),
}
# Said once under the three of them.
NO_SECOND_LOOK_AT_UNKNOWNS: Final = (
    "A coded sample is never put before a second person: its figures are for whoever ordered it and whoever "
    "makes it."
)


def shown(name: str, value: object) -> str:
    """What a rule of either table is, as its page and its history say it."""
    return (RULES.get(name) or SWITCHES[name]).shown(value)
