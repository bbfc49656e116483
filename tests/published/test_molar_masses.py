"""Molar masses against the IUPAC table, a library of other make, and figures in print."""

import pytest

from prepdesk.calc.atoms import atomic_weight, molar_mass
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.formula import parse_formula
from tests.published.values import each


@each("atomic_weights.toml", "symbol")
def test_an_atomic_weight_is_that_of_the_iupac_table(row):
    weight, half_width = atomic_weight(row["symbol"])
    assert weight == pytest.approx(row["value"], rel=row["relative_tolerance"]), row["source"]
    # The abridged table widens the uncertainty of the better known elements to its last digit.
    assert half_width <= row["half_width"] * 1.0001, row["source"]


@each("molar_masses.toml", "formula", "value")
def test_a_molar_mass_is_the_published_one(row):
    assert molar_mass(row["formula"]).g_per_mol == pytest.approx(
        row["value"], rel=row["relative_tolerance"]
    ), row["source"]


def test_the_molar_mass_of_hydrogen_phthalate_has_the_uncertainty_of_the_guide():
    # EURACHEM/CITAC CG 4, A2: terms linear in the number of atoms, rectangular; 0.0038 g/mol with the
    # atomic weights of the 1990s. The same rule on today's ranges, worked by hand:
    # C 8·0.002, H 5·0.0002, O 4·0.001, K 1·0.0001, each /√3.
    by_hand = ((8 * 0.002) ** 2 + (5 * 0.0002) ** 2 + (4 * 0.001) ** 2 + 0.0001**2) ** 0.5 / 3**0.5
    assert molar_mass("KHC8H4O4").standard_uncertainty_g_per_mol == pytest.approx(by_hand, rel=1e-6)
    old = ((8 * 0.0008) ** 2 + (5 * 0.00007) ** 2 + (4 * 0.0003) ** 2 + 0.0001**2) ** 0.5 / 3**0.5
    assert old == pytest.approx(0.0038, abs=0.00005)


@pytest.mark.parametrize("substance", list(standard_catalogue()), ids=lambda each: each.key)
def test_every_reagent_weighs_what_molmass_says(substance):
    import molmass

    formula = parse_formula(substance.formula)
    water = molmass.Formula("H2O").mass
    # molmass reads a point before a number as ours does, but no fractions: take the water apart.
    other = molmass.Formula(formula.base).mass + float(formula.water) * water
    assert molar_mass(formula).g_per_mol == pytest.approx(other, rel=1e-4)
