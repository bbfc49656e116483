"""Writes tables into files: CSV line by line, XLSX with text as text, numbers as numbers, days as days."""

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal
from functools import lru_cache
from itertools import chain
from typing import IO, Final, Literal

from django.http import HttpResponseBase, StreamingHttpResponse

from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number
from prepdesk.core.spreadsheet import Cell, csv_lines
from prepdesk.core.tables.columns import Column
from prepdesk.core.tables.sheets import Content, Sheet, write_book
from prepdesk.core.tables.shown import number_format_of

Format = Literal["csv", "xlsx"]
FORMATS: Final[tuple[Format, ...]] = ("csv", "xlsx")
XLSX_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# A spreadsheet keeps 15 digits; a number with more is written as text, so that none is lost.
_MOST_DIGITS: Final = 15
_CHUNK: Final = 1 << 16


def csv_file(columns: Sequence[Column], rows: Iterable[Sequence[Cell]]) -> Iterator[bytes]:
    """A CSV file in pieces."""
    return (line.encode() for line in csv_lines([column.heading for column in columns], rows))


def xlsx_file(
    columns: Sequence[Column],
    rows: Iterable[Sequence[Cell]],
    *,
    title: str,
    explained: bool = False,
) -> IO[bytes]:
    """An XLSX file, written through to disk so that its length costs no memory; rewound.

    Args:
        columns: its headings, and which of them hold numbers that were typed as text.
        rows: one value per column.
        title: of the sheet.
        explained: adds a second sheet that says what each column means.
    """
    headings = [column.heading for column in columns]
    widths = [max(12, min(40, len(heading) + 4)) for heading in headings]
    told = ([_content(column, value) for column, value in zip(columns, row, strict=True)] for row in rows)
    sheets = [Sheet(title, widths, chain([headings], told), frozen=True)]
    if explained:
        sheets.append(Sheet("What the columns mean", [24, 12, 100], _explained(columns)))
    return write_book(sheets)


def download(
    columns: Sequence[Column],
    rows: Iterable[Sequence[Cell]],
    *,
    name: str,
    title: str,
    format: Format,  # noqa: A002 (what everybody calls it)
    explained: bool = False,
) -> HttpResponseBase:
    """An answer that sends the table as a file to be kept, in pieces."""
    if format == "csv":
        content, kind = csv_file(columns, rows), "text/csv; charset=utf-8"
    else:
        content, kind = _pieces(xlsx_file(columns, rows, title=title, explained=explained)), XLSX_TYPE
    response = StreamingHttpResponse(content, content_type=kind)
    response["Content-Disposition"] = f'attachment; filename="{name}.{format}"'
    return response


def _pieces(file: IO[bytes]) -> Iterator[bytes]:
    with file:
        while piece := file.read(_CHUNK):
            yield piece


def _content(column: Column, value: Cell) -> Content:
    """What a cell is to hold: a number that was typed as text is a number that shows its digits."""
    if value is None or value == "":
        return None
    if isinstance(value, Decimal):
        return _typed_number(f"{value:f}")
    if isinstance(value, int):
        return Decimal(value), "General"
    if isinstance(value, str) and column.kind == "number":
        return _typed_number(value)
    return value


@lru_cache(maxsize=4096)
def _typed_number(text: str) -> Content:
    """A number that shows the digits that were typed; text where a number would lose some."""
    try:
        number = parse_number(text)
    except InputError:
        return text
    plain = f"{number.value:f}"
    if (
        "e" in text.lower()
        or len(number.value.as_tuple().digits) > _MOST_DIGITS
        or len(plain) > 2 * _MOST_DIGITS
    ):
        return text
    return number.value, number_format_of(plain)


def _explained(columns: Sequence[Column]) -> Iterator[Sequence[Content]]:
    yield "Column", "Needed", "What it says"
    for column in columns:
        needed = "yes" if column.required else "no" if column.is_read else "not read"
        yield column.heading, needed, column.help
