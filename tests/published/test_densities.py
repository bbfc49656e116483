"""Densities of water, solutions and concentrated reagents against handbooks and reference libraries."""

from functools import cache

import pytest

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.density import (
    density_at_concentration,
    laliberte_density,
    reagent_density,
    solution_density,
    water_density,
)
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.tables import rows
from tests.published.values import each


@each("water_density.toml", "t_c", "source")
def test_water_weighs_what_the_published_tables_say(row):
    assert 1000 * water_density(row["t_c"]).g_per_ml == pytest.approx(row["value"], abs=row["tolerance"])


@pytest.mark.parametrize("t_c", [1, 4, 7, 12, 17, 20, 21, 23, 25, 28, 33, 37, 40])
def test_water_weighs_what_the_iapws_library_says(t_c):
    from iapws import IAPWS95

    library = IAPWS95(T=273.15 + t_c, P=0.101325).rho
    assert 1000 * water_density(t_c).g_per_ml == pytest.approx(library, abs=0.004)


@each("solution_densities.toml", "solute", "percent")
def test_a_solution_weighs_what_the_handbook_says_within_the_stated_error(row):
    found = solution_density({row["solute"]: row["percent"] / 100}, 20)
    # The handbook's own last digit, half a unit, comes on top of twice the standard uncertainty.
    allowed = 2 * found.standard_uncertainty_g_per_ml + 0.00005
    assert found.g_per_ml == pytest.approx(row["value"], abs=allowed), found.basis
    assert allowed < 0.008 * row["value"], "an error so wide says nothing"


@each("solution_densities.toml", "solute", "percent")
def test_a_solution_found_by_its_molarity_weighs_the_same(row):
    found = density_at_concentration(row["solute"], row["mol_per_l"], 20)
    # The printed molarity has three decimals, which matter at the dilute end.
    rounding = 0.0005 / row["mol_per_l"] * abs(row["value"] - 0.998)
    allowed = 3 * found.standard_uncertainty_g_per_ml + rounding + 0.0002
    assert found.g_per_ml == pytest.approx(row["value"], abs=allowed), found.basis


@each("concentrated_reagents.toml", "key", "percent", "rho")
def test_a_concentrated_reagent_has_the_printed_density_and_molarity(row):
    found = reagent_density(row["key"], row["percent"]).g_per_ml
    # Tables print two decimals, and specific gravities for densities: 1 %.
    assert found == pytest.approx(row["rho"], rel=0.0105), row["source"]
    solute = standard_catalogue().by_key(row["key"]).solute_formula
    # Printed molarities can contradict the printed density by more than one per cent.
    molarity = 10 * row["percent"] * found / molar_mass(solute).g_per_mol
    assert molarity == pytest.approx(row["mol_per_l"], rel=0.02), row["source"]


@pytest.mark.parametrize(
    "reagent",
    [each for each in standard_catalogue() if each.density_g_per_ml and each.assay_percent],
    ids=lambda each: each.key,
)
def test_a_reagent_in_the_catalogue_has_the_density_of_its_usual_strength(reagent):
    found = reagent_density(reagent.key, reagent.assay_percent)
    assert reagent.density_g_per_ml == pytest.approx(found.g_per_ml, rel=0.003)


@cache
def library_fits():
    """The reference library's own coefficients, by the atoms of the solute (its CAS column has slips)."""
    from thermo import electrochem

    table = electrochem.Laliberte_data
    fits = {}
    for _, line in table.iterrows():
        formula = "C12H22O11" if line["Formula"] == "Sucrose" else line["Formula"]
        counts = frozenset(parse_formula(formula).counts.items())
        fits[counts] = [float(line[word]) for word in ("c0", "c1", "c2", "c3", "c4")]
    return fits


@pytest.mark.parametrize("row", rows("density_model.toml", "solute"), ids=lambda row: row["formula"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.99])
def test_the_model_is_the_one_that_the_reference_library_computes(row, share):
    from thermo.electrochem import Laliberte_density_mix

    fit = library_fits()[frozenset(parse_formula(row["formula"]).counts.items())]
    t_c = min(max(20.0, row["t_c"][0]), row["t_c"][1])
    w = share * row["w_max"]
    library = Laliberte_density_mix(273.15 + t_c, [w], *[[each] for each in fit])
    # The library takes Kell's water, 3 ppm off.
    assert 1000 * laliberte_density({row["formula"]: w}, t_c).g_per_ml == pytest.approx(library, rel=1e-5)


def test_a_mixture_weighs_what_the_reference_library_computes():
    from thermo.electrochem import Laliberte_density

    library = Laliberte_density(293.15, [0.05, 0.03], ["7647-14-5", "7447-40-7"])
    assert 1000 * laliberte_density({"NaCl": 0.05, "KCl": 0.03}, 20).g_per_ml == pytest.approx(
        library, rel=1e-5
    )
