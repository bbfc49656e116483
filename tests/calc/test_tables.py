"""Every row of every table has an address."""

import tomllib

import pytest

from prepdesk.calc import tables
from prepdesk.calc.tables import DATA, BrokenTable, rows

FILES = sorted(path.name for path in DATA.glob("*.toml"))


@pytest.mark.parametrize("name", FILES)
def test_every_row_of_a_table_has_a_source(name):
    table = tomllib.loads((DATA / name).read_text(encoding="utf-8"))
    arrays = [key for key, value in table.items() if isinstance(value, list)]
    assert arrays
    for key in arrays:
        for row in rows(name, key):
            assert isinstance(row["source"], str)
            assert len(row["source"]) > 5
            if row.get("tag"):
                assert row["tag"] == "from memory"


def test_a_row_without_a_source_is_refused(tmp_path, monkeypatch):
    (tmp_path / "broken.toml").write_text("[[thing]]\nvalue = 1\n", encoding="utf-8")
    monkeypatch.setattr(tables, "DATA", tmp_path)
    tables._table.cache_clear()
    try:
        with pytest.raises(BrokenTable, match="no source"):
            rows("broken.toml", "thing")
        with pytest.raises(BrokenTable, match="no rows"):
            rows("broken.toml", "other")
    finally:
        tables._table.cache_clear()


def test_the_version_changes_with_any_table(tmp_path, monkeypatch):
    (tmp_path / "one.toml").write_text("a = 1\n", encoding="utf-8")
    monkeypatch.setattr(tables, "DATA", tmp_path)
    before = tables.data_version.__wrapped__()
    assert before == tables.data_version.__wrapped__()
    (tmp_path / "one.toml").write_bytes(b"a = 1\r\n")
    assert tables.data_version.__wrapped__() == before, "line ends are no content"
    (tmp_path / "one.toml").write_text("a = 2\n", encoding="utf-8")
    assert tables.data_version.__wrapped__() != before
