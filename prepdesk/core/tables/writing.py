"""Writes tables into files: CSV line by line, XLSX with text as text, numbers as numbers, days as days."""

import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from decimal import Decimal
from typing import IO, Any, Final, Literal

from django.http import HttpResponseBase, StreamingHttpResponse

from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number
from prepdesk.core.spreadsheet import Cell, csv_lines
from prepdesk.core.tables.columns import Column
from prepdesk.core.tables.shown import number_format_of

Format = Literal["csv", "xlsx"]
FORMATS: Final[tuple[Format, ...]] = ("csv", "xlsx")
XLSX_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
# A spreadsheet keeps 15 digits; a number with more is written as text, so that none is lost.
_MOST_DIGITS: Final = 15
_IN_MEMORY: Final = 2_000_000
_CHUNK: Final = 1 << 16
# Characters that XML can't hold, and what looks like their escape already (ECMA-376 part 1, 22.9.2.19).
_NOT_IN_XML: Final = re.compile("[\x00-\x08\x0b-\x1f\ufffe\uffff\ud800-\udfff]|_(?=x[0-9A-Fa-f]{4}_)")


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
    from openpyxl import Workbook  # noqa: PLC0415 (heavy, and for those who take out a file only)

    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    # Set before the first row, since the sheet is written as it comes.
    sheet.freeze_panes = "A2"
    _set_widths(sheet, [max(12, min(40, len(column.heading) + 4)) for column in columns])
    sheet.append([_heading(sheet, column.heading) for column in columns])
    for row in rows:
        sheet.append([_cell(sheet, column, value) for column, value in zip(columns, row, strict=True)])
    if explained:
        _explain(book.create_sheet("What the columns mean"), columns)
    target = tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY)  # noqa: SIM115 (the caller reads it)
    book.save(target)
    target.seek(0)
    return target


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


def _set_widths(sheet: Any, widths: Sequence[int]) -> None:
    from openpyxl.utils import get_column_letter  # noqa: PLC0415

    for position, width in enumerate(widths, start=1):
        sheet.column_dimensions[get_column_letter(position)].width = width


def _text(sheet: Any, value: str) -> Any:
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415

    cell = WriteOnlyCell(sheet, value=_NOT_IN_XML.sub(lambda found: f"_x{ord(found[0]):04X}_", value))
    # Otherwise the library makes a live formula of "=1+1" and an error of "#N/A".
    cell.data_type = "s"
    return cell


def _heading(sheet: Any, text: str) -> Any:
    from openpyxl.styles import Font  # noqa: PLC0415

    cell = _text(sheet, text)
    cell.font = Font(bold=True)
    return cell


def _cell(sheet: Any, column: Column, value: Cell) -> Any:
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415

    if value is None or value == "":
        return None
    if isinstance(value, date):
        cell = WriteOnlyCell(sheet, value=value)
        cell.number_format = "yyyy-mm-dd"
        return cell
    if isinstance(value, str):
        return _typed_number(sheet, value) if column.kind == "number" else _text(sheet, value)
    if isinstance(value, Decimal):
        return _typed_number(sheet, f"{value:f}")
    return WriteOnlyCell(sheet, value=value)


def _typed_number(sheet: Any, text: str) -> Any:
    """A number cell that shows the digits that were typed; text where a number would lose some."""
    from openpyxl.cell import WriteOnlyCell  # noqa: PLC0415

    try:
        number = parse_number(text)
    except InputError:
        return _text(sheet, text)
    plain = f"{number.value:f}"
    if (
        "e" in text.lower()
        or len(number.value.as_tuple().digits) > _MOST_DIGITS
        or len(plain) > 2 * _MOST_DIGITS
    ):
        return _text(sheet, text)
    cell = WriteOnlyCell(sheet, value=number.value)
    cell.number_format = number_format_of(plain)
    return cell


def _explain(sheet: Any, columns: Sequence[Column]) -> None:
    _set_widths(sheet, [24, 12, 100])
    sheet.append([_heading(sheet, text) for text in ("Column", "Needed", "What it says")])
    for column in columns:
        needed = "yes" if column.required else "no" if column.is_read else "not read"
        sheet.append([_text(sheet, text) for text in (column.heading, needed, column.help)])
