"""One way in for every file: CSV or XLSX into rows of text under known headings."""

from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from prepdesk.core.tables.columns import Column, Row, Table, match
from prepdesk.core.tables.delimited import read_delimited
from prepdesk.core.tables.limits import LIMITS
from prepdesk.core.tables.refusals import FileRefused
from prepdesk.core.tables.workbook import Cell, read_workbook

# What files begin with that are often taken for tables; a name says nothing.
_OTHERS: Final = (
    (b"%PDF", "a PDF", "Ask for the table it was printed from"),
    (b"\xd0\xcf\x11\xe0", "a workbook of the old kind (.xls), or one with a password", "Save it as XLSX"),
    (b"\x89PNG", "a picture", "Send the table itself"),
    (b"\xff\xd8\xff", "a picture", "Send the table itself"),
    (b"{\\rtf", "a text document", "Save the table as CSV or XLSX"),
    (b"\x1f\x8b", "packed", "Unpack it first"),
    (b"<", "a web page or an XML document", "Save the table as CSV or XLSX"),
)


def read_table(data: bytes, columns: Sequence[Column], *, sheet: str = "") -> Table:
    """Read a file into rows of text.

    Args:
        data: the file, whatever its name; what it is, is seen in it.
        columns: those it may have; required ones must be there.
        sheet: of a workbook; the first one where it is empty.

    Returns:
        Its rows. What can't be read in one cell stands among the row's problems.

    Raises:
        FileRefused: when the file as a whole can't be taken: too large, no table, a heading that is
            unknown, missing or there twice, no row at all.
    """
    _refuse_size_and_kind(data)
    rows: Iterable[tuple[int, Sequence[Cell]]]
    if data.startswith((b"PK\x03\x04", b"PK\x05\x06")):
        rows, notes = read_workbook(data, sheet)
    else:
        texts, notes = read_delimited(data, columns)
        rows = ((number, [(text, "") for text in cells]) for number, cells in texts)
    filled = _filled(rows)
    heading = next(filled, None)
    if heading is None:
        raise FileRefused("empty", "There is nothing in this file.")
    number, cells = heading
    if any(problem for _, problem in cells):
        raise FileRefused("not_text", f"Row {number} must hold the headings as plain text.")
    found = match([text for text, _ in cells], columns)
    told = [column.heading for column in found if column is not None and not column.is_read]
    if told:
        notes.append(f"Columns that are only told and not read: {', '.join(told)}.")
    kept = tuple(_collected(filled, found))
    if not kept:
        raise FileRefused("empty", "This file has headings and no row under them.")
    return Table(tuple(column.key for column in found if column is not None), kept, tuple(notes))


def _refuse_size_and_kind(data: bytes) -> None:
    if not data.strip():
        raise FileRefused("empty", "There is nothing in this file.")
    if len(data) > LIMITS.bytes:
        raise FileRefused(
            "too_large",
            f"This file has {len(data) / 1e6:.1f} MB; {LIMITS.bytes // 1_000_000} MB are taken. "
            "Send it in pieces.",
        )
    begins = data[:200].lstrip(b"\xef\xbb\xbf \t\r\n")
    for mark, what, then in _OTHERS:
        if begins.startswith(mark):
            raise FileRefused("not_a_table", f"This is {what}, not CSV or XLSX. {then}.")


def _filled(rows: Iterable[tuple[int, Sequence[Cell]]]) -> Iterator[tuple[int, list[Cell]]]:
    """Rows with something in them, cut behind the last cell that has."""
    for number, cells in rows:
        kept = [(text.strip(), problem) for text, problem in cells]
        while kept and kept[-1] == ("", ""):
            kept.pop()
        if number >= LIMITS.sheet_rows:
            raise FileRefused(
                "too_long",
                f"The table goes on to row {LIMITS.sheet_rows} or further. Delete the rows under the last "
                "filled one, or send it in pieces.",
            )
        if kept:
            yield number, kept


def _collected(rows: Iterator[tuple[int, list[Cell]]], found: Sequence[Column | None]) -> Iterator[Row]:
    characters = 0
    for count, (number, cells) in enumerate(rows, start=1):
        characters += sum(len(text) for text, _ in cells)
        if count > LIMITS.rows or characters > LIMITS.text_characters:
            raise FileRefused(
                "too_long", f"This file has more than {LIMITS.rows // 1000} 000 rows. Send it in pieces."
            )
        yield _row(number, cells, found)


def _row(number: int, cells: list[Cell], found: Sequence[Column | None]) -> Row:
    kept: dict[str, str] = {}
    problems: dict[str, str] = {}
    for position, (text, problem) in enumerate(cells):
        column = found[position] if position < len(found) else None
        if column is None:
            if text or problem:
                problems.setdefault("", _outside(position, len(cells), found))
        elif column.is_read:
            kept[column.key] = text[: LIMITS.cell_characters]
            if len(text) > LIMITS.cell_characters:
                problems[column.key] = (
                    f"This cell holds {len(text)} characters; {LIMITS.cell_characters} are read."
                )
            elif problem:
                problems[column.key] = problem
    return Row(number, kept, problems)


def _outside(position: int, cells: int, found: Sequence[Column | None]) -> str:
    if position < len(found):
        return f"Cell {position + 1} of this row stands under an empty heading."
    return (
        f"This row has {cells} cells and there are {len(found)} headings. A comma inside a cell, as in 2,50, "
        "needs quotation marks around the cell."
    )
