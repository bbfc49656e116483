"""Whole preparations against worked examples with printed answers."""

import json

import pytest

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Apparatus, Shelf
from prepdesk.calc.preview import preview
from tests.published.values import each

EMPTY = Shelf()


def planned(substance: str, target: str, unit: str, volume_ml: str, shelf=EMPTY, **more) -> dict:
    component = {"substance": substance, "target": {"value": target, "unit": unit}}
    for name in ("source", "equivalents"):
        if name in more:
            component[name] = more.pop(name)
    request = {
        "components": [component],
        "volume": {"value": volume_ml, "unit": "mL"},
        "equipment": "standard",
        **more,
    }
    return preview(request, catalogue=standard_catalogue(), shelf=shelf)


def taken(plan: dict) -> dict[str, float]:
    """What the steps take from bottles, by unit."""
    found: dict[str, float] = {}
    for step in plan["steps"]:
        if step.get("component") is None or "quantity" not in step:
            continue
        if step.get("stage", 1) == 1:
            unit = step["quantity"]["unit"]
            found[unit] = found.get(unit, 0.0) + float(step["quantity"]["value"])
    return found


@each("preparations.toml", "substance", "target", "unit", "volume_ml")
def test_a_worked_example_takes_the_printed_amount(row):
    more = {}
    if "source_json" in row:
        more["source"] = json.loads(row["source_json"])
    if "equivalents" in row:
        more["equivalents"] = row["equivalents"]
    plan = planned(row["substance"], row["target"], row["unit"], row["volume_ml"], **more)
    made = float(plan["makes"]["value"]) / float(row["volume_ml"])
    amount = taken(plan)[row["amount_unit"]] / made
    assert amount == pytest.approx(row["amount"], abs=row["tolerance"]), row["source"]


def test_significant_figures_choose_the_tools_as_the_textbook_does():
    # Harvey 2.5.1 (a): about 0.20 mol/L sodium hydroxide, 4.0 g weighed to 0.1 g, no volumetric flask.
    # "About" is 5 % here: a reading of 3.9 g, which nobody can avoid on that balance, is 2.5 % off already.
    balances = [
        Apparatus("balance", readability_g=step, capacity_g=500, standard="bare record")
        for step in (0.1, 0.01, 0.001)
    ]
    glass = [item for item in standard_set() if item.type != "balance"]
    shelf = Shelf(apparatus=(*balances, *glass))
    loose, tight = (
        planned("NaOH", digits, "mol/L", "500", shelf=shelf, equipment="shelf", **about)
        for digits, about in (("0.20", {"tolerance_percent": "5"}), ("0.200", {}))
    )
    shown = [plan["steps"][0]["quantity"]["value"] for plan in (loose, tight)]
    assert shown == ["4.0", "4.000"]
    made_in = [
        next(step["equipment"]["type"] for step in plan["steps"] if step["action"] == "make_up")
        for plan in (loose, tight)
    ]
    assert made_in == ["graduated cylinder", "one-mark flask"]


def test_a_conical_flask_never_holds_the_final_volume():
    # The "250.00 mL Erlenmeyer flask" of a student report is the trap: its marks are good to 5 %.
    for digits in ("0.1", "0.10", "0.100", "0.1000"):
        plan = planned("CuSO4.5H2O", digits, "mol/L", "250")
        made_in = {step["equipment"]["type"] for step in plan["steps"] if step["action"] == "make_up"}
        assert made_in <= {"one-mark flask", "graduated cylinder"}


@pytest.mark.parametrize(
    ("percent", "density", "mol_per_l"),
    [("36", "1.18", 11.65), ("37", "1.1839", 12.01), ("37.2", "1.19", 12.14)],
)
def test_a_concentrated_acid_is_taken_by_its_mass_percent_and_density(percent, density, mol_per_l):
    # c = 10 · w · ρ / M: OpenStax Chemistry 2e, appendix F (36 %, 1.18: 11.6 mol/L); CRC densities at 20 °C.
    source = {"kind": "liquid", "mass_percent": percent, "density": {"value": density, "unit": "g/mL"}}
    plan = planned("HCl", "1.0", "mol/L", "1000", source=source)
    assert taken(plan)["mL"] == pytest.approx(1000 / mol_per_l, abs=0.6)


def test_one_to_four_parts_of_a_stock_is_a_fifth_and_not_a_quarter():
    # A widely read answer takes 0.2 N to 0.05 N by adding four volumes, which gives 0.04 N.
    stock = {"kind": "solution", "concentration": {"value": "0.200", "unit": "mol/L"}}
    plan = planned("NaOH", "0.050", "mol/L", "500", source=stock)
    assert taken(plan)["mL"] == pytest.approx(125, abs=1.5)


def test_phthalate_buffer_by_molality_takes_the_mass_per_kilogram_of_water_that_vogel_prints():
    # Vogel: 10.21 g of potassium hydrogen phthalate for 1 kg of water, 0.05 mol/kg.
    plan = planned("potassium hydrogen phthalate", "0.0500", "mol/kg", "1000")
    water_g = sum(
        float(step["quantity"]["value"]) * (1 if step["quantity"]["unit"] == "g" else 0.9982)
        for step in plan["steps"]
        if step.get("substance") == "water" and "quantity" in step
    )
    assert 1000 * taken(plan)["g"] / water_g == pytest.approx(10.21, abs=0.01)
