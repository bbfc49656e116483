"""Numbers as people type them.

What a person types is a decimal in a string, and its digits mean something: "2.40" is not "2.4".
One strict parser serves pages, API and files. It takes an optional sign, digits, and at most one
decimal comma or point; surrounding and grouping blanks are ignored; a power of ten may be written
as ``1.5e-3``. Anything else is refused with words, never repaired: a browser's number field turns
"2,5" into 25, which is a tenfold error at the bench.
"""

import re
from dataclasses import dataclass
from decimal import Decimal

from prepdesk.calc.errors import InputError

MAX_CHARACTERS = 40
MAX_EXPONENT = 30

_PATTERN = re.compile(r"([+-]?)([0-9]*)(?:[.,]([0-9]*))?(?:[eE]([+-]?[0-9]{1,4}))?", re.ASCII)
_BLANKS = dict.fromkeys(map(ord, " \t\u00a0\u2009\u202f"), None)
_MINUS_SIGNS = str.maketrans({"\u2212": "-", "\u2013": "-"})


@dataclass(frozen=True, slots=True)
class TypedNumber:
    """A number with the digits it was typed with.

    Attributes:
        text: what was typed, without the blanks around it.
        value: its exact value.
        last_digit: the place of the last digit typed, as a power of ten: ``-2`` for "2.40", ``0``
            for "24", ``-4`` for "2.4e-3".
    """

    text: str
    value: Decimal
    last_digit: int

    @property
    def half_last_digit(self) -> Decimal:
        """Half a unit of the last digit typed: 0.005 for "2.40"."""
        return Decimal(5).scaleb(self.last_digit - 1)


def parse_number(text: object, field: str = "") -> TypedNumber:
    """Read one typed decimal number.

    Args:
        text: what was typed; anything but a string is refused, since a number that passed through
            a float has lost its zeros.
        field: path used in the error.

    Returns:
        The number with its digits. Sign and zero are allowed here; see :func:`parse_positive`.

    Raises:
        InputError: codes ``required``, ``not_text``, ``not_a_number``, ``two_separators``,
            ``too_long``, ``out_of_range``.

    >>> parse_number("2,40").value
    Decimal('2.40')
    >>> parse_number("2.40").last_digit
    -2
    """
    if text is None or text == "":
        raise InputError(field, "required", "Type a number, for example 2.50.")
    if not isinstance(text, str):
        raise InputError(
            field,
            "not_text",
            'Give the number as text in quotation marks, for example "2.50", so no digit is lost.',
        )
    if len(text) > MAX_CHARACTERS:
        raise InputError(
            field, "too_long", f"That is longer than {MAX_CHARACTERS} characters; type a plain number."
        )
    kept = text.strip()
    bare = kept.translate(_BLANKS).translate(_MINUS_SIGNS)
    if not bare:
        raise InputError(field, "required", "Type a number, for example 2.50.")
    if bare.count(".") + bare.count(",") > 1:
        raise InputError(
            field,
            "two_separators",
            f"“{kept}” has more than one comma or point. Use one, before the decimals: 2500.5 or 2500,5.",
        )
    match = _PATTERN.fullmatch(bare)
    if match is None or not (match[2] or match[3]):
        raise InputError(
            field, "not_a_number", f"“{kept}” is not a number. Type digits, for example 2.50 or 2,50."
        )
    sign, whole, decimals, exponent_text = match[1], match[2] or "", match[3] or "", match[4]
    exponent = int(exponent_text or 0)
    if abs(exponent) > MAX_EXPONENT:
        raise InputError(
            field, "out_of_range", f"“{kept}” is out of range; the power of ten must lie between -30 and 30."
        )
    digits = (whole + decimals).lstrip("0") or "0"
    value = Decimal(f"{sign}{digits}E{exponent - len(decimals)}")
    if value and abs(value.adjusted()) > MAX_EXPONENT:
        raise InputError(
            field, "out_of_range", f"“{kept}” is out of range; the power of ten must lie between -30 and 30."
        )
    return TypedNumber(text=kept, value=value, last_digit=exponent - len(decimals))


def parse_positive(text: object, field: str = "") -> TypedNumber:
    """Read a typed number that must be more than zero.

    Raises:
        InputError: as :func:`parse_number`, and ``not_positive``.
    """
    number = parse_number(text, field)
    if number.value <= 0:
        raise InputError(field, "not_positive", f"“{number.text}” must be more than zero.")
    return number
