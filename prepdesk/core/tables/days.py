"""Days in files: only those that can mean one day."""

import re
from datetime import date
from typing import Final

from prepdesk.calc.errors import InputError

FIRST_YEAR: Final = 1950
LAST_YEAR: Final = 2199
_MONTHS: Final = {
    name: number
    for number, names in enumerate(
        (
            ("january", "jan"),
            ("february", "feb"),
            ("march", "mar"),
            ("april", "apr"),
            ("may",),
            ("june", "jun"),
            ("july", "jul"),
            ("august", "aug"),
            ("september", "sep", "sept"),
            ("october", "oct"),
            ("november", "nov"),
            ("december", "dec"),
        ),
        start=1,
    )
    for name in names
}
_ISO: Final = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})(?:[T ]00:00(?::00(?:\.0+)?)?)?", re.ASCII)
_WORDS: Final = re.compile(r"([0-9]{1,2})[. ]\s*([A-Za-z]+)\.?,? ([0-9]{4})", re.ASCII)
_DIGITS: Final = re.compile(r"([0-9]{1,2})[./-]([0-9]{1,2})[./-]([0-9]{2}|[0-9]{4})", re.ASCII)
HOW: Final = "Write 2026-03-04 or 4 March 2026."


def read_day(text: str, field: str = "") -> date:
    """The day a text means, if it can mean only one.

    Args:
        text: ``2026-03-04``, or ``4 March 2026``, or ``4 Mar 2026``.
        field: path used in the error.

    Raises:
        InputError: ``ambiguous_day`` for 03/04/2026, which is two days depending on who reads it;
            ``not_a_day`` for anything else; ``out_of_range`` for a year nobody means.

    >>> read_day("4 Mar 2026")
    datetime.date(2026, 3, 4)
    """
    typed = " ".join(text.split())
    iso, words, digits = _ISO.fullmatch(typed), _WORDS.fullmatch(typed), _DIGITS.fullmatch(typed)
    if digits:
        raise InputError(field, "ambiguous_day", f"“{typed}” may be read as two different days. {HOW}")
    try:
        if iso:
            day = date(*(int(part) for part in iso.groups()))
        elif words and words[2].lower() in _MONTHS:
            day = date(int(words[3]), _MONTHS[words[2].lower()], int(words[1]))
        else:
            raise InputError(field, "not_a_day", f"“{typed[:40]}” is no day. {HOW}")
    except ValueError:
        raise InputError(field, "not_a_day", f"There is no day “{typed}”. {HOW}") from None
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise InputError(
            field, "out_of_range", f"“{typed}” is not between {FIRST_YEAR} and {LAST_YEAR}. Check the year."
        )
    return day
