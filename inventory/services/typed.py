"""Reads what was typed about stock: numbers with their bounds, amounts with their unit, reasons.

Each reader notes what is wrong under its field's name and goes on, so that a form hears of every
mistake at once.
"""

from collections.abc import Mapping
from decimal import Decimal
from typing import Final, NamedTuple

from inventory.amounts import Unit, to_base
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import TypedNumber, parse_number, parse_positive
from prepdesk.core.errors import InvalidInput

# What may be typed beside an amount, and what it is in the unit the lot is counted in.
AMOUNT_UNITS: Final[dict[str, tuple[str, Decimal]]] = {
    "kg": ("g", Decimal(1000)),
    "g": ("g", Decimal(1)),
    "mg": ("g", Decimal("0.001")),
    "L": ("mL", Decimal(1000)),
    "mL": ("mL", Decimal(1)),
    "uL": ("mL", Decimal("0.001")),
    "pc": ("pc", Decimal(1)),
}
# More than a stockroom holds: such an amount is a slip of the keyboard.
_MOST: Final = {"g": Decimal(10_000_000), "mL": Decimal(10_000_000), "pc": Decimal(1_000_000)}
_MOST_TEXT: Final = {"g": "10 000 kg", "mL": "10 000 L", "pc": "1 000 000 pieces"}
MAX_REASON: Final = 300
# What a bottle or a pack may have cost, in the currency of the department.
_MOST_MONEY: Final = Decimal(1_000_000)


class Figure(NamedTuple):
    """A number that stands on a label or in papers: how a refusal begins, its unit and its bounds."""

    what: str
    unit: str
    most: str
    least: str = "0"


class Reader:
    """Collects the errors of one form."""

    def __init__(self) -> None:
        self.errors: dict[str, str] = {}

    def refuse(self, field: str, text: str) -> None:
        """Note what is wrong with ``field``; the first word counts."""
        self.errors.setdefault(field, text)

    def done(self) -> None:
        """Raise :class:`InvalidInput` if anything was refused."""
        if self.errors:
            raise InvalidInput(self.errors)

    def number(
        self,
        field: str,
        text: str,
        *,
        what: str,
        unit: str = "",
        least: str = "0",
        most: str | None = None,
        above_least: bool = True,
    ) -> str:
        """The number as typed, checked against its bounds; an empty field stays empty.

        Args:
            field: name of the field.
            text: what was typed.
            what: begins the sentence of a refusal, as "An assay".
            unit: of the bounds, for the sentence.
            least: lower bound; ``above_least`` says that the bound itself is outside.
            most: upper bound, itself inside.
        """
        if not text.strip():
            return ""
        try:
            number = parse_number(text)
        except InputError as error:
            self.refuse(field, error.text)
            return ""
        low, high = Decimal(least), None if most is None else Decimal(most)
        too_low = number.value <= low if above_least else number.value < low
        if too_low or (high is not None and number.value > high):
            bounds = f"more than {least}" if above_least else f"at least {least}"
            upto = f" and at most {most}" if most is not None else ""
            self.refuse(
                field,
                f"{what} must be {bounds}{upto}{' ' + unit if unit else ''}; “{number.text}” was typed.",
            )
            return ""
        return number.text

    def figures(self, table: Mapping[str, Figure], typed: Mapping[str, str]) -> dict[str, str]:
        """Every figure of ``table`` as typed, each checked against its bounds; empty ones stay empty."""
        return {
            field: self.number(
                field,
                typed.get(field, ""),
                what=figure.what,
                unit=figure.unit,
                least=figure.least,
                most=figure.most,
            )
            for field, figure in table.items()
        }

    def money(self, field: str, text: str) -> int | None:
        """A sum of money in its smallest coin, typed with at most two decimals; ``None`` for nothing."""
        if not text.strip():
            return None
        try:
            number = parse_number(text)
        except InputError as error:
            self.refuse(field, error.text)
            return None
        if not 0 <= number.value <= _MOST_MONEY:
            self.refuse(field, f"“{number.text}” is no price: it is from 0 to 1 000 000.")
            return None
        coins = number.value * 100
        if coins != coins.to_integral_value():
            self.refuse(field, f"“{number.text}” has more than two decimals; a price has at most two.")
            return None
        return int(coins)

    def amount(self, field: str, text: str, unit: str, *, counted_in: str, zero: bool = False) -> int:
        """Base units of an amount typed in ``unit`` for a lot that is counted in ``counted_in``.

        ``zero`` allows nothing at all, as a count may find. Returns 0 beside a refusal.
        """
        try:
            number: TypedNumber = parse_number(text) if zero else parse_positive(text)
        except InputError as error:
            self.refuse(field, error.text)
            return 0
        shown, factor = AMOUNT_UNITS.get(unit, ("", Decimal(0)))
        if shown != counted_in:
            usable = ", ".join(
                "pieces" if name == "pc" else name
                for name, (shown, _) in AMOUNT_UNITS.items()
                if shown == counted_in
            )
            self.refuse(field, f"This is counted in {Unit(counted_in).label}. Choose one of: {usable}.")
            return 0
        value = number.value * factor
        if value < 0:
            self.refuse(field, f"“{number.text}” is less than zero; an amount can't be.")
            return 0
        if value > _MOST[counted_in]:
            self.refuse(
                field, f"“{number.text} {unit}” is more than {_MOST_TEXT[counted_in]}. Check the unit."
            )
            return 0
        if counted_in == Unit.PIECE and value != value.to_integral_value():
            self.refuse(field, f"Pieces are counted whole; “{number.text}” was typed.")
            return 0
        base = to_base(value, counted_in)
        if base == 0 and not zero:
            self.refuse(field, f"“{number.text} {unit}” is less than the ledger can count.")
        return base

    def reason(self, field: str, text: str, *, ask: str) -> str:
        """A reason that says something; ``ask`` tells what is wanted."""
        kept = text.strip()
        if not kept:
            self.refuse(field, ask)
        return self.words(field, kept, MAX_REASON)

    def words(self, field: str, text: str, most: int) -> str:
        """Free words of bounded length, without characters that no label prints."""
        kept = text.strip()
        if len(kept) > most:
            self.refuse(field, f"That is {len(kept)} characters long; {most} fit.")
        if "\x00" in kept:
            self.refuse(field, "That contains a character that can't be stored. Type it again.")
        return kept
