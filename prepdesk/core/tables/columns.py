"""Headings: which column of a file is which, by its name and never by its place."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from prepdesk.core.tables.refusals import FileRefused

_IGNORED: Final = str.maketrans(dict.fromkeys(" _\u00a0\t\r\n", ""))
_SHOWN: Final = 40


@dataclass(frozen=True, slots=True)
class Column:
    """One column that a kind of file may have.

    Attributes:
        key: its name in the program.
        heading: what stands on top of it in files written here.
        also: other headings that mean the same.
        required: whether a file must have it.
        is_read: ``False`` for what an export tells and an import leaves alone.
        kind: how it is written into a spreadsheet.
        help: one sentence for the sheet that explains the columns.
        example: what an invented row says there.
    """

    key: str
    heading: str
    also: tuple[str, ...] = ()
    required: bool = False
    is_read: bool = True
    kind: Literal["text", "number", "day"] = "text"
    help: str = ""
    example: str = ""


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a file as text.

    Attributes:
        number: as a spreadsheet numbers it.
        cells: what stands there, by key of its column; blanks around it are gone.
        problems: what can't be read, by key of its column, or under "" for the row as a whole.
    """

    number: int
    cells: Mapping[str, str]
    problems: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Table:
    """A file that could be read.

    Attributes:
        columns: keys of the columns it has, in its order.
        rows: those with something in them.
        notes: sentences on how it was read, for whoever checks it.
    """

    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    notes: tuple[str, ...] = ()


def plain(heading: str) -> str:
    """A heading as it is compared: without case, blanks and underscores.

    >>> plain("Lot_Number ")
    'lotnumber'
    """
    return heading.translate(_IGNORED).casefold()


def known_headings(columns: Iterable[Column]) -> dict[str, Column]:
    """Every heading that is understood, as it is compared."""
    return {plain(name): column for column in columns for name in (column.heading, column.key, *column.also)}


def match(headings: Sequence[str], columns: Sequence[Column]) -> list[Column | None]:
    """Which column each heading is; ``None`` where the heading is empty.

    Raises:
        FileRefused: ``unknown_column``, ``double_column`` or ``missing_column``, naming each.
    """
    known = known_headings(columns)
    found = [known.get(plain(heading)) if plain(heading) else None for heading in headings]
    unknown = [h.strip() for h, column in zip(headings, found, strict=True) if plain(h) and column is None]
    if unknown:
        raise FileRefused(
            "unknown_column",
            f"{_named('column', unknown)} not known here. Columns that are read: "
            f"{', '.join(column.heading for column in columns if column.is_read)}. "
            "Rename or delete the others; the template has them all.",
        )
    double = sorted({c.heading for c in found if c is not None and found.count(c) > 1})
    if double:
        raise FileRefused(
            "double_column",
            f"{_named('column', double)} there twice, and nobody can say which one counts. Delete one.",
        )
    missing = [column.heading for column in columns if column.required and column not in found]
    if missing:
        raise FileRefused(
            "missing_column",
            f"{_named('column', missing)} missing. The first row that isn't empty must hold the headings.",
        )
    return found


def _named(what: str, names: Sequence[str]) -> str:
    shown = ", ".join(f"“{name[:_SHOWN]}”" for name in names[:10])
    more = f" and {len(names) - 10} more" if len(names) > 10 else ""
    return f"The {what} {shown} is" if len(names) == 1 else f"The {what}s {shown}{more} are"
