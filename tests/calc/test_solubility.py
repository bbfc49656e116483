"""Solubilities: sourced ones may stop an order, remembered ones only warn, unknown ones say unknown."""

import math

import pytest

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.solubility import NoSolubility, solubility_g_per_100g_water
from prepdesk.calc.tables import rows


def test_a_hydrate_is_counted_as_its_anhydrous_solute():
    by_key = solubility_g_per_100g_water("copper-sulfate-pentahydrate", 20)
    assert by_key.g_per_100g_water == pytest.approx(20.0, abs=0.2)
    assert by_key == solubility_g_per_100g_water("CuSO4", 20)
    assert by_key.mass_fraction == pytest.approx(0.167, abs=0.0005)


def test_between_two_temperatures_the_line_is_straight():
    low, middle, high = (solubility_g_per_100g_water("KNO3", t).g_per_100g_water for t in (20, 22.5, 25))
    assert middle == pytest.approx((low + high) / 2)


def test_outside_the_known_temperatures_there_is_no_number():
    with pytest.raises(NoSolubility, match="from 10 to 40 °C"):
        solubility_g_per_100g_water("KNO3", 60)
    with pytest.raises(NoSolubility, match="only near 20 °C"):
        solubility_g_per_100g_water("oxalic-acid-dihydrate", 40)


@pytest.mark.parametrize("unknown", ["methyl-orange", "hepes", "XeF2", "no such thing"])
def test_an_unknown_solubility_says_unknown(unknown):
    with pytest.raises(NoSolubility, match="unknown here"):
        solubility_g_per_100g_water(unknown, 20)


def test_a_remembered_value_only_warns():
    assert not solubility_g_per_100g_water("calcium-hydroxide", 20).firm
    assert solubility_g_per_100g_water("calcium-sulfate-dihydrate", 20).firm


def test_a_liquid_that_mixes_in_every_proportion_has_no_limit():
    ethanol = solubility_g_per_100g_water("ethanol", 20)
    assert math.isinf(ethanol.g_per_100g_water)
    assert ethanol.mass_fraction == 1


def test_every_solute_in_the_table_stands_in_the_catalogue():
    known = {each.solute_formula for each in standard_catalogue()} | {
        each.key for each in standard_catalogue()
    }
    known |= {each.family for each in standard_catalogue()}
    named = [row["solute"] for row in rows("solubility.toml", "sourced")]
    named += [name for row in rows("solubility.toml", "remembered") for name, _, _ in row["rows"]]
    named += [name for row in rows("solubility.toml", "miscible") for name in row["solutes"]]
    assert set(named) <= known
    assert len(named) == len(set(named))
