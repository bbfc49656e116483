"""Reading the published values that tests compare with.

Each file is one topic: rows with what was asked, the published value, how far it may be off, and where
it was printed. A value from memory says so.
"""

import re
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


def topics() -> list[str]:
    """The files of published values."""
    return sorted(file.name for file in HERE.glob("*.toml"))


def named_sources() -> set[str]:
    """What the values were read in; the same book counts once, whatever page of it, and memory not at all."""
    found = {
        re.split(r"[,:;(]| as given", row["source"])[0].strip()
        for name in topics()
        for row in published(name)
    }
    return {source for source in found if "from memory" not in source}


def each(name: str, *identity: str) -> Any:
    """Mark a test to run once per row of a topic, named by some of its columns."""
    return pytest.mark.parametrize(
        "row",
        [pytest.param(row, id=" ".join(str(row[word]) for word in identity)) for row in published(name)],
    )
