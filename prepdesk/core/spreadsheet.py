"""Tables for spreadsheets that open as what they are: text stays text, numbers stay numbers."""

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal

# A cell that begins with one of these is run as a formula by spreadsheets; the full-width forms too.
_FORMULA_STARTS = "=+\\-@\t\r\uff1d\uff0b\uff0d\uff20"
# The apostrophes before it count, so that taking one away is exactly the way back.
_RUN = re.compile(f"'*[{_FORMULA_STARTS}]")
_GUARDED = re.compile(f"'+[{_FORMULA_STARTS}]")

Cell = str | int | Decimal | date | None


def safe_cell(value: Cell) -> str:
    """One cell as text; text that a spreadsheet would run gets an apostrophe before it.

    >>> safe_cell("=1+1")
    "'=1+1"
    >>> safe_cell(Decimal("-2.50"))
    '-2.50'
    """
    if value is None:
        return ""
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, int):
        return str(value)
    return f"'{value}" if _RUN.match(value) else value


def without_guard(text: str) -> str:
    """What :func:`safe_cell` was given: the apostrophe it may have put before a text is gone.

    >>> without_guard("'=1+1")
    '=1+1'
    >>> without_guard("'quoted'")
    "'quoted'"
    """
    return text[1:] if _GUARDED.match(text) else text


class _Echo:
    """A file that hands back what is written, so that rows can be streamed."""

    def write(self, text: str) -> str:
        return text


def csv_lines(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    """The lines of a CSV file (RFC 4180), with a byte order mark so that µ and · survive."""
    writer = csv.writer(_Echo())
    yield "\ufeff" + writer.writerow([safe_cell(name) for name in header])
    for row in rows:
        yield writer.writerow([safe_cell(value) for value in row])
