"""Solubilities against other published tables than the one the program holds."""

import pytest

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.solubility import solubility_g_per_100g_water
from tests.published.values import each


@each("solubilities.toml", "solute", "t_c", "source")
def test_a_solubility_agrees_with_another_published_table(row):
    found = solubility_g_per_100g_water(row["solute"], row["t_c"])
    grams = row.get("g_per_100g") or row["mol_per_kg"] * molar_mass(row["solute"]).g_per_mol / 10
    # Published solubilities of one salt differ by a few per cent from table to table.
    assert found.g_per_100g_water == pytest.approx(grams, rel=0.06), row["source"]
    assert found.firm
