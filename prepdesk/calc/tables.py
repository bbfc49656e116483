"""Reading the tables that come with the calculation service.

Every table lies in ``data/``; every row carries its source. A row that has none is refused here, so
that no number can enter without an address.
"""

import hashlib
import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any, Final

from prepdesk.calc.errors import CalcError

DATA: Final = Path(__file__).parent / "data"

Row = Mapping[str, Any]


class BrokenTable(CalcError):
    """A table of this package that lacks something; only a release with a mistake can raise it."""


def rows(name: str, key: str) -> tuple[Row, ...]:
    """The rows of one array of a table.

    Args:
        name: file in the data folder, as ``cautions.toml``.
        key: name of the array, as ``caution``.

    Returns:
        The rows in the order of the file; a row takes the file's ``source`` where it has none of its
        own.

    Raises:
        BrokenTable: the array is missing, or a row has no source at all.
    """
    table = _table(name)
    found = table.get(key)
    if not found:
        raise BrokenTable(f"{name} has no rows “{key}”")
    shared = {word: table[word] for word in ("source", "tag", "basis") if word in table}
    complete = tuple({**shared, **row} for row in found)
    for number, row in enumerate(complete, start=1):
        if not row.get("source"):
            raise BrokenTable(f"{name}, {key} {number}: no source")
    return complete


@cache
def _table(name: str) -> dict[str, Any]:
    return tomllib.loads((DATA / name).read_text(encoding="utf-8"))


@cache
def data_version() -> str:
    """Short hash over every table, so that a sheet can say which data it was computed from.

    Returns:
        Twelve hexadecimal digits, the same on every machine for the same tables.

    >>> len(data_version())
    12
    """
    digest = hashlib.sha256()
    for path in sorted(DATA.glob("*.toml")):
        # Line ends differ between checkouts; the content is what counts.
        digest.update(path.name.encode() + b"\0" + path.read_bytes().replace(b"\r\n", b"\n") + b"\0")
    return digest.hexdigest()[:12]
