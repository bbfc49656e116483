"""A number as a spreadsheet shows it, since its digits mean something: 2.4 shown as 2.40 is "2.40".

A cell holds a binary number and, apart from it, how it is to be shown. Only the common parts of the
format language are read (ECMA-376 part 1, 18.8.30 and 18.8.31: digits, point, grouping, per cent,
powers of ten, fixed words); for any other format the number counts with its own digits.
"""

import re
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache
from typing import Final

# A spreadsheet keeps 15 significant digits; what lies behind them is binary noise.
_SIGNIFICANT: Final = 15
_TOKEN: Final = re.compile(
    r'"(?P<quoted>[^"]*)"|\\(?P<escaped>.)|_.|\*.|\[\$(?P<money>[^\]\-]*)[^\]]*\]|\[[^\]]*\]'
    r"|(?P<digits>[0#?][0#?,]*(?:\.[0#?]*)?(?P<power>[Ee][+-]0+)?|\.[0#?]+)|(?P<percent>%)"
    r"|(?P<literal>[ \-+()/:$€£¥°µ±!^&'~{}<>=])|(?P<odd>.)",
    re.DOTALL,
)


class HiddenDigits(ValueError):
    """The cell shows fewer digits than it holds; the argument is a pair of both texts."""


@dataclass(frozen=True, slots=True)
class _Pattern:
    before: str
    after: str
    whole: int
    least: int
    most: int
    percent: bool
    power: bool
    thousands: bool


def shown_number(value: float, number_format: str | None) -> str:
    """The text of a number cell, without grouping: ``2.40``, ``00123``, ``99.50%``, ``2.40 g``.

    Args:
        value: what the cell holds.
        number_format: how it is shown; ``None`` or ``General`` leaves the number its own digits.

    Raises:
        HiddenDigits: when the cell shows less than it holds, so that one of the two is not meant.

    >>> shown_number(2.4, "0.00")
    '2.40'
    >>> shown_number(0.1 + 0.2, "General")
    '0.3'
    """
    own = _own_digits(value)
    negative = own < 0
    pattern = _pattern(number_format or "General", negative)
    if pattern is None:
        return f"{own:f}"
    text = _filled(abs(own), pattern)
    return f"{'-' if negative else ''}{pattern.before}{text}{pattern.after}".strip()


def _own_digits(value: float) -> Decimal:
    if isinstance(value, int):
        return Decimal(value)
    exact = Decimal(f"{value:.{_SIGNIFICANT}g}")
    return exact.quantize(Decimal(1)) if exact == exact.to_integral_value() else exact.normalize()


def _filled(size: Decimal, pattern: _Pattern) -> str:
    if pattern.percent:
        size *= 100
    power = size.adjusted() if pattern.power and size else 0
    mantissa = size.scaleb(-power)
    rounded = mantissa.quantize(Decimal(1).scaleb(-pattern.most), rounding=ROUND_HALF_EVEN)
    if rounded != mantissa or (pattern.thousands and size):
        # Held 2.456, shown 2.5: nobody can tell which of them was meant.
        raise HiddenDigits(f"{size.normalize():f}", f"{rounded:f}")
    whole, _, decimals = f"{rounded:f}".partition(".")
    decimals = decimals[: pattern.least] + decimals[pattern.least :].rstrip("0")
    text = whole.zfill(pattern.whole) + (f".{decimals}" if decimals else "")
    return f"{text}E{power:+03d}" if pattern.power else text


@lru_cache(maxsize=512)
def _pattern(number_format: str, negative: bool) -> _Pattern | None:
    """How a format shows numbers of one sign; ``None`` leaves a number its own digits."""
    if number_format.strip().lower() in {"general", "@", ""} or len(number_format) > 200:
        return None
    sections = _sections(number_format)
    # A sign is always written as one here, where a section of its own would put brackets instead.
    own_section = negative and len(sections) > 1
    before, after, digits, percent = "", "", "", False
    for token in _TOKEN.finditer(sections[0]):
        if token["odd"] is not None or (token["digits"] and digits):
            return None
        if token["digits"]:
            digits = token["digits"]
        elif token["percent"]:
            percent = True
            after += "%"
        else:
            words = token["quoted"] or token["escaped"] or token["money"] or token["literal"] or ""
            if digits:
                after += words
            else:
                before += words
    if not digits or (own_section and "%" in sections[1] and not percent):
        return None
    mantissa, _, _ = digits.lower().partition("e")
    whole, _, decimals = mantissa.partition(".")
    return _Pattern(
        before=before.lstrip(),
        after=after.rstrip(),
        whole=max(1, whole.count("0")),
        least=decimals.count("0"),
        most=len(decimals),
        percent=percent,
        power="e" in digits.lower(),
        thousands=whole.endswith(","),
    )


def _sections(number_format: str) -> list[str]:
    """A format's parts for positive, negative and zero; a semicolon in quotes parts nothing."""
    return re.findall(r'((?:"[^"]*"|\\.|[^;"\\])+)', number_format) or [number_format]


def number_format_of(text: str) -> str:
    """The format that shows as many decimals as a typed number has: ``0.00`` for "2.40".

    >>> number_format_of("2.40")
    '0.00'
    """
    decimals = len(text.partition(".")[2])
    return f"0.{'0' * decimals}" if decimals else "0"
