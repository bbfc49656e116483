"""Solvent added to a finished solution: amounts of substance stay, the volume or mass grows."""

import pytest

from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview
from prepdesk.calc.settle import added_unit, most_added, settle
from prepdesk.calc.typed import parse_positive


def plan(value, unit, volume="500"):
    request = {
        "components": [
            {
                "substance": "sodium chloride",
                "target": {"value": value, "unit": unit},
                "source": {"kind": "solid", "formula": "NaCl", "assay_percent": "100.0"},
            }
        ],
        "volume": {"value": volume, "unit": "mL"},
        "equipment": "standard",
    }
    return preview(request, catalogue=standard_catalogue(), shelf=Shelf())


def weighed(of, factor):
    step = next(step for step in of["steps"] if step["action"] == "weigh")
    return {step["number"]: parse_positive(f"{float(step['quantity']['value']) * factor:.4f}")}


def test_c1_v1_is_c2_v2():
    # Common practice: c1 V1 = c2 V2 on dilution.
    of = plan("2.00", "mol/L")
    before = settle(of, {}).concentrations[0]
    after = settle(of, {}, added=parse_positive("25.0")).concentrations[0]
    assert after.value * 525.0 == pytest.approx(before.value * 500.0, rel=1e-9)
    assert after.mol_per_l * 525.0 == pytest.approx(before.mol_per_l * 500.0, rel=1e-9)
    assert after.deviation_percent == pytest.approx(100.0 * (500.0 / 525.0) - 100.0, abs=0.02)


def test_the_addition_that_is_advised_brings_it_inside():
    of = plan("2.00", "mol/L")
    strong = weighed(of, 1.02)
    assert not settle(of, strong).inside
    assert settle(of, strong, added=parse_positive("10.0")).inside


def test_a_mass_fraction_is_thinned_by_mass():
    of = plan("5.00", "% w/w")
    assert added_unit(of) == "g"
    mass = of["result"]["mass_of_solution"]
    assert mass["unit"] == "g"
    before = settle(of, {}).concentrations[0].value
    after = settle(of, {}, added=parse_positive("10.00")).concentrations[0].value
    assert after == pytest.approx(before * float(mass["value"]) / (float(mass["value"]) + 10.0), rel=1e-3)


def test_the_digits_of_the_addition_widen_the_uncertainty():
    of = plan("2.00", "mol/L")
    fine = settle(of, {}, added=parse_positive("10.00")).concentrations[0]
    rough = settle(of, {}, added=parse_positive("10")).concentrations[0]
    assert rough.value == fine.value
    assert rough.expanded_uncertainty_percent > fine.expanded_uncertainty_percent


def test_a_tenth_of_what_was_made_is_the_most():
    assert most_added(plan("2.00", "mol/L")) == pytest.approx(50.0)
