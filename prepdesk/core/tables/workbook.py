"""Reads an XLSX file into rows of text. It is a zip of XML, so it is weighed before it is opened."""

import io
import logging
import re
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from prepdesk.core.tables.limits import LIMITS
from prepdesk.core.tables.refusals import FileRefused
from prepdesk.core.tables.shown import HiddenDigits, shown_number

log = logging.getLogger(__name__)
_ESCAPED: Final = re.compile(r"_x([0-9A-Fa-f]{4})_")
_ROW_EDGE: Final = re.compile(rb"<(/?)(?:\w+:)?row\b")
_CHUNK: Final = 1 << 16
# What reading a damaged or protected zip file raises.
_DAMAGE: Final = (
    zipfile.BadZipFile,
    zipfile.LargeZipFile,
    zlib.error,
    OSError,
    RuntimeError,
    NotImplementedError,
    EOFError,
)

# A cell: its text, and what is wrong with it.
Cell = tuple[str, str]


def read_workbook(data: bytes, sheet: str = "") -> tuple[Iterator[tuple[int, list[Cell]]], list[str]]:
    """The rows of one sheet with their numbers, and how it was read.

    Args:
        data: the file.
        sheet: name of the sheet; the first one that isn't hidden where it is empty.

    Raises:
        FileRefused: ``not_a_workbook``, ``too_large_inside``, ``no_such_sheet``.
    """
    _weigh(data)
    book = _opened(data)
    names = [each.title for each in book.worksheets]
    seen = [each for each in book.worksheets if each.sheet_state == "visible"] or book.worksheets
    chosen = next((each for each in book.worksheets if each.title == sheet), None) if sheet else seen[0]
    if chosen is None:
        raise FileRefused(
            "no_such_sheet", f"There is no sheet “{sheet[:40]}”. There are: {', '.join(names[:20])}."
        )
    notes = [f"Sheet “{chosen.title}”."]
    if len(names) > 1:
        notes.append(f"Not read: {', '.join(f'“{name}”' for name in names[:20] if name != chosen.title)}.")
    return _rows(chosen), notes


def _weigh(data: bytes) -> None:
    """Refuse a file that would unpack to more than it may, before anything is unpacked."""
    too_much = FileRefused(
        "too_large_inside",
        f"Unpacked this file is larger than {LIMITS.unpacked_bytes // 1_000_000} MB or has too many parts. "
        "Delete what isn't needed, or send it in pieces.",
    )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            if len(parts) > LIMITS.entries or sum(part.file_size for part in parts) > LIMITS.unpacked_bytes:
                raise too_much
            if not any(part.filename == "[Content_Types].xml" for part in parts):
                raise FileRefused(
                    "not_a_workbook",
                    "This is a zip file, but no XLSX workbook. Save the table as XLSX or CSV.",
                )
            _count_tags(archive, too_much)
    except _DAMAGE as error:
        raise _broken() from error


def _count_tags(archive: zipfile.ZipFile, too_much: FileRefused) -> None:
    # No part yields more than the size it names: the library stops there and finds the checksum wrong.
    tags = 0
    for part in archive.infolist():
        if not part.filename.lower().endswith(".xml"):
            continue
        in_row, inside = 0, False
        with archive.open(part) as source:
            while chunk := source.read(_CHUNK):
                tags += chunk.count(b"<")
                begin = 0
                for edge in _ROW_EDGE.finditer(chunk):
                    in_row += chunk.count(b"<", begin, edge.start()) if inside else 0
                    if in_row > LIMITS.tags_per_row:
                        raise too_much
                    in_row, inside, begin = 0, not edge[1], edge.end()
                in_row += chunk.count(b"<", begin) if inside else 0
                if tags > LIMITS.tags or in_row > LIMITS.tags_per_row:
                    raise too_much


def _opened(data: bytes) -> Any:
    # Heavy, and needed by those who bring in a file only.
    from openpyxl import DEFUSEDXML, load_workbook  # noqa: PLC0415

    if not DEFUSEDXML:
        raise RuntimeError("defusedxml must be installed: without it a workbook may hold an XML bomb.")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # Of pictures and rules that are left out, which is meant.
            book = load_workbook(io.BytesIO(data), read_only=True, data_only=False, keep_links=False)
    except Exception as error:
        # Whatever a broken or hostile file does to the library, the person hears one thing.
        log.info("A workbook could not be opened: %s", type(error).__name__)
        raise _broken() from error
    if not book.worksheets:
        raise FileRefused("not_a_workbook", "This workbook has no sheet with cells.")
    return book


def _broken() -> FileRefused:
    return FileRefused(
        "not_a_workbook",
        "This can't be opened as an XLSX workbook: it is damaged, protected by a password, or something "
        "else. Save it again as XLSX or CSV.",
    )


def _rows(sheet: Any) -> Iterator[tuple[int, list[Cell]]]:
    # The size a sheet claims for itself may be anything; the bounds are ours.
    bounds = {"min_row": 1, "min_col": 1, "max_row": LIMITS.sheet_rows, "max_col": LIMITS.columns + 1}
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            for number, cells in enumerate(sheet.iter_rows(**bounds), start=1):
                yield number, [_told(cell) for cell in cells]
    except FileRefused:
        raise
    except Exception as error:
        log.info("A sheet could not be read: %s", type(error).__name__)
        raise _broken() from error


def _told(cell: Any) -> Cell:
    """The text a cell shows, or what is wrong with it."""
    value, kind = cell.value, cell.data_type
    if value is None:
        return "", ""
    if kind == "s":
        return _ESCAPED.sub(lambda found: chr(int(found[1], 16)), str(value)), ""
    if kind == "n":
        return _number(value, cell.number_format)
    return _other(value, kind)


def _other(value: Any, kind: str) -> Cell:
    if kind == "d":
        return _moment(value)
    if kind == "b":
        return "yes" if value else "no", ""
    if kind == "f":
        return "", (
            "This cell holds a formula; what it gives is not read, since it may have changed since. "
            "Copy the column and paste it as values."
        )
    return "", f"This cell holds an error ({str(value)[:20]}). Put it right in the spreadsheet."


def _number(value: Any, number_format: str | None) -> Cell:
    try:
        return shown_number(value, number_format), ""
    except HiddenDigits as hidden:
        held, shown = hidden.args
        return "", (
            f"This cell holds {held[:30]} and shows {shown[:30]}. Show all its digits, or round it, so "
            "that both say the same."
        )
    except (ValueError, ArithmeticError):
        return "", "This cell holds a number that can't be shown."


def _moment(value: Any) -> Cell:
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat(timespec="minutes"), ""
    if isinstance(value, date):
        return value.isoformat(), ""
    if isinstance(value, time):
        return value.isoformat(timespec="minutes"), ""
    if isinstance(value, timedelta):
        return "", "This cell holds a span of time. Write it as text."
    return str(value), ""
