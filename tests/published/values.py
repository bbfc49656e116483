"""Reading the published values that tests compare with.

Each file is one topic: rows with what was asked, the published value, how far it may be off, and where
it was printed. A value from memory says so.
"""

import tomllib
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent


def published(name: str) -> list[dict[str, Any]]:
    """The rows of one topic; each takes the words its group shares (source, tolerance, standard …)."""
    table = tomllib.loads((HERE / name).read_text(encoding="utf-8"))
    rows = []
    for group in table["group"]:
        shared = {word: value for word, value in group.items() if word != "rows"}
        columns = shared.pop("columns")
        rows += [{**shared, **dict(zip(columns, row, strict=True))} for row in group["rows"]]
    return rows


def each(name: str, *identity: str) -> Any:
    """Mark a test to run once per row of a topic, named by some of its columns."""
    return pytest.mark.parametrize(
        "row",
        [pytest.param(row, id=" ".join(str(row[word]) for word in identity)) for row in published(name)],
    )
