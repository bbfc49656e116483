"""Reads CSV (RFC 4180 and its cousins) into rows of text; what it is, is seen in it and never in its name."""

import codecs
import csv
import io
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Final

from prepdesk.core.spreadsheet import without_guard
from prepdesk.core.tables.columns import Column, known_headings, plain
from prepdesk.core.tables.limits import LIMITS
from prepdesk.core.tables.refusals import FileRefused

_SEPARATORS: Final = {",": "commas", ";": "semicolons", "\t": "tabs"}
_BOMS: Final = (
    (codecs.BOM_UTF8, "utf-8-sig", "UTF-8"),
    (codecs.BOM_UTF16_LE, "utf-16", "UTF-16"),
    (codecs.BOM_UTF16_BE, "utf-16", "UTF-16"),
)
_LOOKED_AT: Final = 20
# Letters that no table holds; a file with them is something else.
_NEVER: Final = frozenset(map(chr, (*range(9), 14, 15, *range(16, 28), 127)))


def read_text(data: bytes) -> tuple[str, str]:
    """The text of a file and the sentence on how its letters were read.

    Raises:
        FileRefused: ``not_text``.
    """
    for mark, encoding, name in _BOMS:
        if data.startswith(mark):
            try:
                return _checked(data.decode(encoding)), f"Letters: {name}."
            except UnicodeDecodeError as error:
                raise FileRefused(
                    "not_text", f"The file says it is {name} and then is not. Save it again."
                ) from (error)
    try:
        return _checked(data.decode("utf-8")), "Letters: UTF-8."
    except UnicodeDecodeError:
        pass
    try:
        text = data.decode("cp1252")
    except UnicodeDecodeError as error:
        raise FileRefused(
            "not_text", "This is no text that can be read. Save the table as “CSV UTF-8” or as XLSX."
        ) from error
    return _checked(text), (
        "The file does not say how its letters are written; they are read as Windows-1252 (Western "
        "European). Look at µ, ², é and the like below, or save it as “CSV UTF-8”."
    )


def _checked(text: str) -> str:
    if not _NEVER.isdisjoint(text):
        raise FileRefused("not_text", "This is not a table of text. Save it as CSV or as XLSX.")
    return text


def read_delimited(
    data: bytes, columns: Sequence[Column]
) -> tuple[Iterator[tuple[int, list[str]]], list[str]]:
    """The rows of a CSV file with their numbers as a spreadsheet counts them, and how it was read.

    Raises:
        FileRefused: ``not_text``, ``not_csv``.
    """
    text, how = read_text(data)
    skipped = 0
    first_line = text.split("\n", 1)[0].strip()
    if first_line.lower().startswith("sep=") and len(first_line) == len("sep=,"):
        # A line by which a file tells a spreadsheet what parts its cells.
        separator, skipped = first_line[-1], 1
        text = text.split("\n", 1)[1] if "\n" in text else ""
        if separator not in _SEPARATORS:
            raise FileRefused("not_csv", "Cells are parted by commas, semicolons or tabs. Save it so.")
    else:
        separator = _separator_of(text, columns)
    notes = [how, f"Cells parted by {_SEPARATORS[separator]}."]
    return _numbered(text, separator, skipped), notes


def _separator_of(text: str, columns: Sequence[Column]) -> str:
    """What parts the cells: that which makes known headings of the first row, or else most cells."""
    known = known_headings(columns)

    def score(separator: str) -> tuple[int, int]:
        for _, cells in islice(_numbered(text, separator, 0), _LOOKED_AT):
            if any(cell.strip() for cell in cells):
                return sum(plain(cell) in known for cell in cells), len(cells)
        return 0, 0

    return max(_SEPARATORS, key=score)


def _numbered(text: str, separator: str, skipped: int) -> Iterator[tuple[int, list[str]]]:
    # strict: a quote that is never closed would swallow the rest of the file into one cell.
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    number = skipped
    while True:
        number += 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise FileRefused(
                "not_csv",
                f"Row {number} can't be read: a quotation mark is open or stands where it shouldn't. "
                'Inside a quoted cell a quotation mark is written twice ("").',
            ) from error
        if len(cells) > LIMITS.columns * 4:
            raise FileRefused("too_wide", f"Row {number} has {len(cells)} cells; {LIMITS.columns} are read.")
        yield number, [without_guard(cell) for cell in cells]
