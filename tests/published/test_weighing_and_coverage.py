"""Air buoyancy and degrees of freedom against printed values and a general-purpose statistics library."""

import math
from typing import Any

import pytest
from scipy.stats import t as student

from prepdesk.calc.buoyancy import buoyancy_factor, volume_from_water_ml
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.coverage import coverage_factor, effective_degrees_of_freedom
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview

# Solid densities from memory; factors by the approximate formula of the same book,
# for weights of 8.0 and air of 0.0012 g/mL.
FACTORS = [
    ("water", 0.99821, 1.001052),
    ("sodium chloride", 2.165, 1.000404),
    ("potassium hydrogen phthalate", 1.636, 1.000583),
    ("silver nitrate", 4.35, 1.000126),
    ("potassium dichromate", 2.676, 1.000298),
    ("copper(II) sulfate pentahydrate", 2.286, 1.000375),
    ("cadmium", 8.65, 0.999989),
]


@pytest.mark.parametrize(("what", "density", "factor"), FACTORS, ids=[row[0] for row in FACTORS])
def test_the_air_carries_the_known_part(what, density, factor):
    assert buoyancy_factor(density) == pytest.approx(factor, abs=2e-6)


def test_a_pipette_is_calibrated_as_in_the_textbook():
    """Harvey, Modern Analytical Chemistry, Example 5.1: 9.9736 g of water at 25 °C, brass weights."""
    assert 9.9736 * buoyancy_factor(0.99705, weights_g_per_ml=8.40) == pytest.approx(9.9842, abs=5e-5)
    assert volume_from_water_ml(9.9736, 25.0, weights_g_per_ml=8.40) == pytest.approx(10.014, abs=5e-4)


def test_degrees_of_freedom_combine_as_in_the_guide():
    """GUM G.4.1, example: three relative parts from 10, 5 and 15 repeats give 19."""
    found = effective_degrees_of_freedom([(0.25, 9), (0.57, 4), (0.82, 14)])
    assert found == pytest.approx(19.0, abs=0.05)
    assert effective_degrees_of_freedom([(0.1, math.inf), (0.2, math.inf)]) == math.inf


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 9, 10, 16, 19, 20, 25, 30, 50, 100, math.inf])
def test_the_coverage_factor_is_student_s_t(freedom):
    """GUM Table G.2 against scipy's distribution, to the printed digits."""
    exact = student.ppf(0.5 + 0.9545 / 2, freedom)
    assert coverage_factor(freedom) == pytest.approx(exact, abs=0.006)


def salt(**source: Any) -> dict[str, Any]:
    request = {
        "components": [
            {
                "substance": "sodium chloride",
                "target": {"value": "2.00", "unit": "mol/L"},
                "source": {"kind": "solid", "formula": "NaCl", "assay_percent": "100", **source},
            }
        ],
        "volume": {"value": "500", "unit": "mL"},
        "equipment": "standard",
    }
    return preview(request, catalogue=standard_catalogue(), shelf=Shelf())


def test_with_the_density_of_the_crystals_the_reading_is_corrected_for_air():
    """58.44 g in vacuum shows as 58.44 / 1.000404 = 58.42 g (Harvey, Appendix 9; density from memory)."""
    plain, corrected = salt(), salt(density={"value": "2.165", "unit": "g/mL"})
    readings = [next(s for s in plan["steps"] if s["action"] == "weigh") for plan in (plain, corrected)]
    assert [step["quantity"]["value"] for step in readings] == ["58.44", "58.42"]
    assert "÷ 1.0004" in readings[1]["shown"]


def test_an_answer_says_how_many_degrees_of_freedom_stand_behind_its_uncertainty():
    found = salt()["result"]["concentrations"][0]
    rows = [
        (row["relative_standard_uncertainty_percent"], row["degrees_of_freedom"] or math.inf)
        for row in salt()["budget"]
    ]
    expected = effective_degrees_of_freedom(rows)
    assert found["effective_degrees_of_freedom"] in (None, pytest.approx(expected, rel=0.05))
    assert found["coverage_factor_95_percent"] == coverage_factor(expected)
