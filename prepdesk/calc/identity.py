"""CAS numbers as people and spreadsheets hand them over."""

import re
from typing import Final

from prepdesk.calc.errors import InputError

_CAS: Final = re.compile(r"([1-9][0-9]{1,6})-([0-9]{2})-([0-9])", re.ASCII)
_DASHES: Final = str.maketrans(dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2212", "-"))
_DATE: Final = re.compile(
    r"(?:(?P<a>[0-9]{1,2})[/.\-](?P<b>[0-9]{1,2})[/.\-](?P<y>[0-9]{2,4})"
    r"|(?P<y2>[0-9]{4})[/.\-](?P<b2>[0-9]{1,2})[/.\-](?P<a2>[0-9]{1,2})(?:[ T]00:00(?::00)?)?)",
    re.ASCII,
)


def cas_from_text(text: str, field: str = "") -> str | None:
    """The CAS number a text is, if it is meant as one.

    Args:
        text: what was typed or pasted.
        field: path used in the error.

    Returns:
        The number in its usual spelling, or None for a text that doesn't look like one.

    Raises:
        InputError: ``cas_check_digit`` when the check digit is wrong; ``cas_turned_into_date`` for a
            number that a spreadsheet turned into a date (7758-02-3 becomes 03/02/7758), with the number
            it probably was.

    Source: CAS Registry Number check digit, by way of python-stdnum.

    >>> cas_from_text("7758-99-8")
    '7758-99-8'
    >>> cas_from_text("sodium chloride") is None
    True
    """
    plain = text.strip().translate(_DASHES)
    compact = re.sub(r"\s*-\s*", "-", plain)
    compact = re.sub(r"^CAS(?:\s*(?:no\.?|number|rn))?[\s:]*", "", compact, flags=re.IGNORECASE)
    if _CAS.fullmatch(compact):
        if _check_digit_fits(compact):
            return compact
        raise InputError(
            field,
            "cas_check_digit",
            f"“{text}” is no CAS number: its check digit doesn't fit, so a digit is wrong or two are "
            "swapped. Copy it again from the label.",
        )
    date = _DATE.fullmatch(plain)
    if date:
        raise InputError(field, "cas_turned_into_date", _say_date(text, _numbers_behind(date)))
    return None


def _check_digit_fits(cas: str) -> bool:
    from stdnum import casrn  # noqa: PLC0415  (loaded when the first number is checked)

    return bool(casrn.is_valid(cas))


def _numbers_behind(date: re.Match[str]) -> list[str]:
    """The CAS numbers whose parts, read as year-month-day, give this date."""
    year = date["y"] or date["y2"]
    first, second = date["a"] or date["a2"], date["b"] or date["b2"]
    years = {year.lstrip("0") or "0"}
    if len(year) == 4 and 1900 <= int(year) < 2100:
        years.add(year[2:])
    found = []
    for head in sorted(years):
        for middle, check in ((first, second), (second, first)):
            candidate = f"{head}-{int(middle):02d}-{int(check)}"
            if _CAS.fullmatch(candidate) and _check_digit_fits(candidate) and candidate not in found:
                found.append(candidate)
    return found


def _say_date(text: str, candidates: list[str]) -> str:
    offered = f" It may have been {' or '.join(candidates)}." if candidates else ""
    return (
        f"“{text}” is a date. Spreadsheets turn CAS numbers into dates.{offered} "
        "Copy the number from the label, in a column formatted as text."
    )
