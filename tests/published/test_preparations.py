"""Whole preparations against worked examples with printed answers."""

import json

import pytest

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Apparatus, Shelf
from prepdesk.calc.preview import preview
from tests.published.values import HERE, each, named_sources, published, topics

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
    for name in ("equivalents", "tolerance_percent"):
        if name in row:
            more[name] = row[name]
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


def test_tenth_normal_iodine_takes_the_printed_mass_and_is_only_made_with_iodide():
    # Common practice: 0.1 N iodine, two equivalents: 12.690 g/L (IUPAC weights); iodide keeps it dissolved.
    iodine = {"substance": "iodine", "target": {"value": "0.100", "unit": "eq/L"}, "equivalents": 2}
    iodide = {"substance": "KI", "target": {"value": "40", "unit": "g/L"}}
    request = {"components": [iodine, iodide], "volume": {"value": "1", "unit": "L"}, "equipment": "standard"}
    plan = preview(request, catalogue=standard_catalogue(), shelf=EMPTY)
    assert plan["feasible"]
    weighed = [step for step in plan["steps"] if step["action"] == "weigh" and step["component"] == 0]
    assert float(weighed[0]["quantity"]["value"]) == pytest.approx(12.690, abs=0.005)
    alone = preview({**request, "components": [iodine]}, catalogue=standard_catalogue(), shelf=EMPTY)
    assert "over_solubility" in [one["code"] for one in alone["problems"] if one["severity"] == "stop"]


def test_a_mass_percent_is_grams_in_a_hundred_grams_of_the_whole():
    # OpenStax Chemistry 2e, section 3.4, check your learning 3.22: 135 g HCl in 775 g of water is 14.8 %.
    source = {"kind": "liquid", "mass_percent": "37"}
    plan = planned("HCl", "14.8", "% w/w", "850", source=source, tolerance_percent="5")
    acid = next(step for step in plan["steps"] if step.get("component") == 0 and "quantity" in step)
    grams = float(acid["quantity"]["value"]) * (1.1837 if acid["quantity"]["unit"] == "mL" else 1.0)
    whole = float(plan["result"]["mass_of_solution"]["value"])
    assert 0.37 * grams / whole == pytest.approx(135 / (135 + 775), rel=0.01)


@each("concentrated_reagents.toml", "key", "percent", "rho")
def test_a_litre_of_half_molar_takes_what_the_printed_molarity_of_the_bottle_gives(row):
    # c = 10 · w · ρ / M. Printed molarities can miss the printed density by one per cent.
    name = standard_catalogue().by_key(row["key"]).cas
    density = {"value": str(row["rho"]), "unit": "g/mL"}
    source = {"kind": "liquid", "mass_percent": str(row["percent"]), "density": density}
    plan = planned(name, "0.50", "mol/L", "1000", source=source, tolerance_percent="5")
    assert plan["feasible"]
    [(unit, amount)] = taken(plan).items()
    ml = amount / row["rho"] if unit == "g" else amount
    assert ml == pytest.approx(500 / row["mol_per_l"], rel=0.025), row["source"]


@each("solutions_by_mass.toml", "substance", "percent")
def test_a_solution_made_by_mass_percent_has_the_printed_density_and_molarity(row):
    plan = planned(row["substance"], row["percent"], "% w/w", "1000", tolerance_percent="5")
    assert plan["feasible"]
    rho = float(plan["result"]["density"]["value"])
    assert rho == pytest.approx(row["rho"], rel=0.0015), row["source"]
    grams = float(plan["result"]["mass_of_solution"]["value"])
    assert grams == pytest.approx(row["rho"] * float(plan["makes"]["value"]), rel=0.002)
    molarity = 10 * float(row["percent"]) * rho / row["g_per_mol"]
    assert molarity == pytest.approx(row["mol_per_l"], rel=0.002, abs=0.0006)


@each("glassware_on_sheets.toml", "type", "nominal")
def test_a_sheet_prints_the_limit_of_error_of_its_glass(row):
    stock = {"kind": "solution", "concentration": {"value": "1.000", "unit": "mol/L"}}
    if row["type"] == "one-mark flask":
        plan = planned("NaCl", "1.000", "mol/L", row["nominal"], tolerance_percent="0.5")
        action = "make_up"
    else:
        # One litre that holds exactly one pipette of a molar stock.
        typed = f"{float(row['nominal']) / 1000:.4f}"
        source = {**stock, "relative_uncertainty_percent": "0.1"}
        plan = planned("NaCl", typed, "mol/L", "1000", source=source, tolerance_percent="0.5")
        action = "measure"
    glass = next(step["equipment"] for step in plan["steps"] if step["action"] == action)
    assert (glass["type"], glass["nominal"]) == (row["type"], {"value": row["nominal"], "unit": "mL"})
    assert glass["class"] == "A"
    assert float(glass["tolerance"]["value"]) == row["limit"], row["source"]
    assert row["source"].startswith(glass["standard"])


def test_there_are_enough_published_figures_and_every_one_names_its_source():
    rows = [row for topic in topics() for row in published(topic)]
    assert all(row["source"].strip() for row in rows)
    assert len(rows) >= 120
    assert len(named_sources()) >= 10


def test_every_table_of_published_figures_is_read_by_a_test():
    tests = "".join(file.read_text(encoding="utf-8") for file in HERE.glob("test_*.py"))
    assert [topic for topic in topics() if f'"{topic}"' not in tests] == []
