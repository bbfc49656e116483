"""Molar masses: uncertainty, caching, elements without a weight."""

import pytest

from prepdesk.calc.atoms import atomic_weight, molar_mass
from prepdesk.calc.errors import InputError, UnknownAtom
from prepdesk.calc.formula import parse_formula


def test_a_text_and_its_formula_weigh_the_same():
    assert molar_mass("CuSO4·5H2O") == molar_mass(parse_formula("CuSO4.5H2O"))


def test_the_uncertainty_grows_linearly_with_the_number_of_atoms_of_one_element():
    one, eight = molar_mass("C"), molar_mass("C8")
    assert eight.standard_uncertainty_g_per_mol == pytest.approx(8 * one.standard_uncertainty_g_per_mol)


@pytest.mark.parametrize("symbol", ["Tc", "Xy", "Pu", ""])
def test_an_element_without_a_standard_weight_is_refused(symbol):
    with pytest.raises(UnknownAtom):
        atomic_weight(symbol)


def test_a_text_that_is_no_formula_has_no_molar_mass():
    with pytest.raises(InputError):
        molar_mass("table salt")
