"""What a plan looks like: the show cases of the service, one by one."""

import pytest

from prepdesk.calc.apparatus import standard_set, vessels
from prepdesk.calc.model import Apparatus, ShelfLot
from tests.calc.orders import (
    amount,
    codes,
    component,
    made_in,
    one,
    order,
    plan,
    shelf_with,
    solid,
    steps_of,
)

ANHYDROUS = "copper-sulfate"
PENTAHYDRATE = "copper-sulfate-pentahydrate"


def copper_keys() -> tuple[str, str]:
    from prepdesk.calc.catalogue import standard_catalogue

    catalogue = standard_catalogue()
    return catalogue.resolve("CuSO4.5H2O").key, catalogue.resolve("CuSO4").key


# --- tolerance chooses the apparatus ----------------------------------------------------------------
def test_two_molar_salt_is_weighed_to_a_hundredth_of_a_gram_and_made_up_in_a_flask():
    answer = plan(one("NaCl", "2.00", "mol/L"))
    weighing = answer["steps"][0]
    assert answer["feasible"]
    assert weighing["quantity"] == {"value": "58.44", "unit": "g"}
    assert weighing["equipment"]["readability"] == {"value": "0.01", "unit": "g"}
    assert made_in(answer)["type"] == "one-mark flask"
    assert made_in(answer)["nominal"] == {"value": "500", "unit": "mL"}
    assert answer["tolerance_percent"] == 0.25
    assert answer["tolerance_basis"] == "digits"
    assert answer["title"] == "2.00 mol/L sodium chloride"


def test_fewer_digits_get_a_cylinder_and_a_coarser_balance():
    answer = plan(one("NaCl", "2", "mol/L"))
    assert answer["feasible"]
    assert made_in(answer)["type"] == "graduated cylinder"
    assert float(answer["steps"][0]["equipment"]["readability"]["value"]) > 0.01
    assert answer["tolerance_percent"] == 5.0


def test_more_digits_than_glass_can_give_are_refused_with_the_best_route_shown():
    answer = plan(one("NaCl", "2.000", "mol/L"))
    assert not answer["feasible"]
    assert codes(answer, "stop") == ["tolerance_not_reachable"]
    text = answer["problems"][0]["text"]
    assert "digits of “2.000”" in text
    assert "could be met" in text
    assert float(answer["steps"][0]["equipment"]["readability"]["value"]) < 0.01
    assert made_in(answer)["class"] == "A"
    assert answer["result"]["concentrations"][0]["expanded_uncertainty_percent"] > 0.025


def test_the_tolerance_that_could_be_met_can_be_met():
    refused = plan(one("NaCl", "2.000", "mol/L"))
    text = refused["problems"][0]["text"]
    reachable = text.split("; ")[1].split(" %")[0]
    assert plan(one("NaCl", "2.000", "mol/L", tolerance_percent=reachable))["feasible"]


def test_a_tight_tolerance_brings_the_liquids_to_temperature():
    source = {"kind": "solid", "formula": "NaCl", "assay_percent": "100", "assay_tolerance_percent": "0.02"}
    answer = plan(one("NaCl", "2.00", "mol/L", tolerance_percent="0.08", source=source))
    assert answer["feasible"]
    assert "water bath" in steps_of(answer, "make_up")[0]["text"]


def test_the_stated_tolerance_wins_over_the_digits():
    answer = plan(one("NaCl", "2.000", "mol/L", tolerance_percent=5))
    assert answer["tolerance_basis"] == "stated"
    assert made_in(answer)["type"] == "graduated cylinder"


@pytest.mark.parametrize(
    ("typed", "percent"),
    [
        ("2.00", 0.25),
        ("2", 5.0),
        ("0.5", 5.0),
        ("0.100", 0.5),
        ("24", 50 / 24),
        ("2.5e-1", 2.0),
        ("1000", 0.05),
    ],
)
def test_digits_imply_half_a_unit_of_the_last_but_never_more_than_five_percent(typed, percent):
    assert plan(one("NaCl", typed, "mmol/L"))["tolerance_percent"] == pytest.approx(percent, rel=1e-4)


# --- identity -----------------------------------------------------------------------------------------
def test_the_pentahydrate_lot_is_weighed_as_pentahydrate():
    pentahydrate, _ = copper_keys()
    lot = solid("1", pentahydrate, assay_percent=100.0)
    answer = plan(one("CuSO4.5H2O", "0.100", "mol/L", "250", equipment="shelf"), shelf_with(lot))
    assert answer["feasible"]
    assert answer["steps"][0]["quantity"] == {"value": "6.242", "unit": "g"}
    assert answer["steps"][0]["lot"] == {"id": "1", "code": lot.code}


def test_the_anhydrous_lot_is_weighed_as_anhydrous():
    _, anhydrous = copper_keys()
    lot = solid("1", anhydrous, assay_percent=100.0)
    answer = plan(one("CuSO4", "0.100", "mol/L", "250", equipment="shelf"), shelf_with(lot))
    assert amount(answer["steps"][0]) == pytest.approx(3.990, abs=0.001)


def test_another_hydrate_is_only_offered_with_its_own_amount():
    pentahydrate, anhydrous = copper_keys()
    lot = solid("7", anhydrous, assay_percent=98.0)
    answer = plan(one("CuSO4.5H2O", "0.100", "mol/L", "250", equipment="shelf"), shelf_with(lot))
    assert not answer["feasible"]
    assert codes(answer, "stop") == ["not_on_shelf"]
    [shortage] = answer["shortages"]
    assert "4.07" in shortage["alternatives"][0]
    assert lot.code in shortage["alternatives"][0]
    assert all(draw["lot"] is None for draw in answer["draws"])
    assert amount(answer["steps"][0]) == pytest.approx(6.242, abs=0.001), "the steps are still shown"
    assert pentahydrate != anhydrous


def test_another_hydrate_that_a_person_chose_is_used_and_said():
    pentahydrate, _ = copper_keys()
    lot = solid("1", pentahydrate, assay_percent=100.0)
    request = one("CuSO4", "0.100", "mol/L", "250", equipment="shelf", source={"kind": "lot", "id": "1"})
    answer = plan(request, shelf_with(lot))
    assert answer["feasible"]
    assert amount(answer["steps"][0]) == pytest.approx(6.242, abs=0.001)
    assert "other_form" in codes(answer, "warn")


@pytest.mark.parametrize(
    ("named", "grams"), [("CuSO4.5H2O", 10.0 * 0.25), ("CuSO4", 10.0 * 0.25 * 249.677 / 159.602)]
)
def test_grams_per_litre_mean_grams_of_the_substance_as_named(named, grams):
    source = {"kind": "solid", "formula": "CuSO4.5H2O", "assay_percent": 100}
    answer = plan(one(named, "10.0", "g/L", "250", source=source))
    assert amount(answer["steps"][0]) == pytest.approx(grams, abs=0.002)
    assert answer["result"]["concentrations"][0]["unit"] == "g/L"


def test_the_lots_own_assay_is_corrected_for():
    source = {"kind": "solid", "formula": "NaCl", "assay_percent": "98.0"}
    answer = plan(one("NaCl", "2.00", "mol/L", source=source))
    assert amount(answer["steps"][0]) == pytest.approx(58.4398 / 0.98, abs=0.005)


def test_a_missing_assay_is_taken_as_100_and_said():
    answer = plan(one("NaCl", "2.00", "mol/L", source={"kind": "solid", "formula": "NaCl"}))
    assert "assay_assumed" in codes(answer, "warn")
    assert answer["feasible"]


# --- concentrated liquids and stocks -------------------------------------------------------------------
def test_acid_goes_into_most_of_the_water_with_hood_and_eye_protection_at_that_step():
    answer = plan(one("HCl", "1.0", "mol/L"))
    actions = [step["action"] for step in answer["steps"]]
    water, measure, add = answer["steps"][:3]
    assert actions[:3] == ["transfer", "measure", "mix"]
    assert "water" in water["text"]
    assert amount(measure) == pytest.approx(41.6, abs=0.5)
    at_measure = {caution["code"] for caution in measure["cautions"]}
    at_adding = {caution["code"] for caution in add["cautions"]}
    assert {"fume_hood", "eye_protection"} <= at_measure
    assert {"acid_into_water", "fume_hood", "eye_protection"} <= at_adding
    assert answer["cautions"][-1]["code"] == "local_rules"


def test_a_concentrated_acid_meets_no_tight_tolerance_and_the_answer_says_standardise():
    answer = plan(one("HCl", "1.00", "mol/L"))
    assert not answer["feasible"]
    [problem] = [one for one in answer["problems"] if one["severity"] == "stop"]
    assert problem["code"] == "tolerance_not_reachable"
    assert "standardise" in problem["text"]


def test_a_stock_is_pipetted_with_a_mark_that_exists():
    source = {"kind": "solution", "concentration": {"value": "2.00", "unit": "mol/L"}}
    answer = plan(one("NaCl", "0.100", "mol/L", source=source))
    assert answer["feasible"]
    assert answer["steps"][0]["equipment"]["type"] == "one-mark pipette"
    assert answer["steps"][0]["quantity"] == {"value": "25", "unit": "mL"}
    assert "window" not in answer["steps"][0], "a single mark is no reading"


def test_an_odd_volume_of_stock_runs_from_a_burette():
    source = {
        "kind": "solution",
        "concentration": {"value": "1.037", "unit": "mol/L"},
        "relative_uncertainty_percent": "0.1",
    }
    answer = plan(one("NaCl", "0.100", "mol/L", source=source))
    assert answer["steps"][0]["equipment"]["type"] == "burette"
    assert "window" in answer["steps"][0]


def test_a_liquid_of_less_than_twenty_drops_is_not_weighed():
    # A drop weighs some 0.05 g (common practice): 25 mg of concentrated acid can't be brought to a figure.
    answer = plan(one("HCl", "0.5", "mmol/L"))
    assert answer["feasible"]
    assert steps_of(answer, "weigh") == []
    assert answer["steps"][0]["stage"] == 1


def test_nothing_is_diluted_to_more_than_it_is():
    source = {"kind": "solution", "concentration": {"value": "0.10", "unit": "mol/L"}}
    answer = plan(one("NaCl", "0.20", "mol/L", source=source))
    assert not answer["feasible"]
    assert "above_source" in codes(answer, "stop")


def test_a_density_nobody_knows_is_named_and_never_guessed():
    source = {"kind": "liquid", "mass_percent": "33"}
    answer = plan(one("triethanolamine", "0.10", "mol/L", source=source))
    assert not answer["feasible"]
    assert codes(answer, "stop") == ["no_density"]
    assert "33 %" in answer["problems"][0]["text"]
    assert answer["steps"] == []
    given = {**source, "density": {"value": "1.03", "unit": "g/mL"}, "mass_percent_tolerance": 0.5}
    assert plan(one("triethanolamine", "0.10", "mol/L", source=given))["feasible"]


def test_a_few_milligrams_go_through_an_intermediate_that_ends_made_up():
    answer = plan(one("NaCl", "1.00", "mg/L", "100"))
    assert answer["feasible"]
    stages = [step["stage"] for step in answer["steps"]]
    assert stages == sorted(stages)
    assert stages[-1] >= 2
    for stage in range(1, stages[-1]):
        last_two = [step["action"] for step in answer["steps"] if step["stage"] == stage][-2:]
        assert last_two == ["make_up", "mix"]
    assert len(answer["route"]) == stages[-1]
    assert answer["route"][-1]["inputs"][0]["kind"] == "intermediate"


# --- volumes --------------------------------------------------------------------------------------------
def test_an_odd_volume_is_made_in_the_next_larger_flask_and_said():
    answer = plan(one("NaCl", "0.100", "mol/L", "300"))
    assert made_in(answer)["nominal"]["value"] == "500"
    assert "made_more" in codes(answer, "warn")
    assert answer["makes"] == {"value": "500", "unit": "mL"}
    assert amount(answer["steps"][0]) == pytest.approx(0.5 * 0.1 * 58.44, abs=0.005)


def test_more_than_the_largest_flask_is_made_in_equal_fillings_each_weighed():
    answer = plan(order(component("NaCl", "0.100", "mol/L"), volume="10", unit="L"))
    assert answer["feasible"]
    weighings = steps_of(answer, "weigh")
    assert len(weighings) == 2
    assert sum(map(amount, weighings)) == pytest.approx(58.44, abs=0.03)
    assert answer["route"][0]["vessel_count"] == 2


def test_a_carboy_is_marked_with_a_cylinder_and_never_measures_by_itself():
    shelf = shelf_with(
        solid("1", "sodium-chloride", 5000, assay_percent=100.0),
        apparatus=(*standard_set(), *vessels("carboy")),
    )
    answer = plan(one("NaCl", "0.1", "mol/L", "12000", equipment="shelf"), shelf)
    assert answer["feasible"]
    assert made_in(answer)["type"] in ("graduated cylinder", "one-mark flask")
    texts = [step["text"] for step in answer["steps"]]
    assert "mark the height" in texts[0]
    assert any("Keep it in the 20 L carboy" in text for text in texts)


@pytest.mark.parametrize("volume", ["1e9", "1e30"])
def test_a_volume_no_vessel_holds_is_a_decision_and_not_an_error(volume):
    answer = plan(one("NaCl", "0.1", "mol/L", volume))
    assert not answer["feasible"]
    assert "no_vessel" in codes(answer, "stop")


@pytest.mark.parametrize("value", ["1e-30", "1e-15"])
def test_an_amount_nothing_measures_is_a_decision_and_not_an_error(value):
    answer = plan(one("NaCl", value, "mol/L"))
    assert not answer["feasible"]
    assert set(codes(answer, "stop")) & {"no_apparatus", "tolerance_not_reachable"}


def test_an_empty_shelf_of_apparatus_says_so():
    answer = plan(
        one("NaCl", "0.1", "mol/L", equipment="shelf"),
        shelf_with(solid("1", "sodium-chloride"), apparatus=()),
    )
    assert not answer["feasible"]
    assert codes(answer, "stop") == ["no_vessel"]


def test_beakers_alone_make_no_volume():
    shelf = shelf_with(
        solid("1", "sodium-chloride"),
        apparatus=(
            Apparatus("balance", readability_g=0.01, capacity_g=600),
            *vessels("beaker"),
            *vessels("conical flask"),
            *vessels("carboy"),
        ),
    )
    answer = plan(one("NaCl", "1", "mol/L", equipment="shelf"), shelf)
    assert codes(answer, "stop") == ["no_vessel"]


# --- the shelf ------------------------------------------------------------------------------------------
def test_too_little_free_is_a_shortage_with_figures_and_the_steps_are_still_shown():
    lot = solid("1", "sodium-chloride", 12.5, assay_percent=100.0)
    answer = plan(one("NaCl", "2.00", "mol/L", equipment="shelf"), shelf_with(lot))
    assert not answer["feasible"]
    assert codes(answer, "stop") == ["out_of_stock"]
    [shortage] = answer["shortages"]
    assert [float(shortage[name]["value"]) for name in ("needed", "free", "missing")] == pytest.approx(
        [58.44, 12.5, 45.94], abs=0.01
    )
    assert answer["steps"][0]["quantity"]["value"] == "58.44"


def test_a_full_bottle_is_taken_before_one_that_is_short_and_the_first_expiring_of_equals():
    lots = (
        solid("1", "sodium-chloride", 500, assay_percent=100.0, expires="2030-01-01"),
        solid("2", "sodium-chloride", 500, assay_percent=100.0, expires="2027-01-01"),
        solid("3", "sodium-chloride", 1, assay_percent=100.0, expires="2026-01-01"),
    )
    answer = plan(one("NaCl", "2.00", "mol/L", equipment="shelf"), shelf_with(*lots))
    assert answer["steps"][0]["lot"]["id"] == "2"


def test_a_stock_on_the_shelf_saves_the_weighing():
    lots = (
        solid("1", "sodium-chloride", assay_percent=100.0),
        ShelfLot(
            "2", "L00002X", "sodium-chloride", "solution", 900,
            concentration_mol_per_l=2.0, relative_uncertainty_percent=0.2,
        ),
    )  # fmt: skip
    answer = plan(one("NaCl", "0.100", "mol/L", equipment="shelf"), shelf_with(*lots))
    assert answer["steps"][0]["action"] == "measure"
    assert answer["draws"] == [
        {
            "component": 0,
            "substance": "sodium chloride",
            "substance_key": "sodium-chloride",
            "lot": {"id": "2", "code": "L00002X"},
            "amount": {"value": "25", "unit": "mL"},
        }
    ]


def test_an_empty_shelf_stops_and_a_standard_set_assumes_the_usual_form():
    assert codes(plan(one("NaCl", "2.00", "mol/L", equipment="shelf"), shelf_with()), "stop") == [
        "not_on_shelf"
    ]
    answer = plan(one("NaCl", "2.00", "mol/L"))
    assert answer["feasible"]
    assert "assumed_source" in codes(answer, "warn")


# --- chemistry ------------------------------------------------------------------------------------------
def test_more_than_dissolves_stops_with_the_published_figure():
    answer = plan(one("KNO3", "5.0", "mol/L"))
    assert not answer["feasible"]
    [problem] = [one for one in answer["problems"] if one["severity"] == "stop"]
    assert problem["code"] == "over_solubility"
    assert "CRC" in problem["text"]


@pytest.mark.parametrize(
    ("first", "second", "severity"),
    [
        ("AgNO3", "NaCl", "stop"),
        ("Na2CO3", "HCl", "stop"),
        ("KMnO4", "H2O2", "stop"),
        ("BaCl2.2H2O", "Na2SO4", "stop"),
        ("Pb(NO3)2", "K2SO4", "stop"),
        ("Na2S2O3.5H2O", "HCl", "stop"),
        ("CaCl2.2H2O", "NaHCO3", "stop"),
        ("CuSO4.5H2O", "NaOH", "warn"),
        ("NaOH", "HCl", "warn"),
        ("CaCl2.2H2O", "KH2PO4", "warn"),
    ],
)
def test_substances_that_do_not_go_together_are_named(first, second, severity):
    answer = plan(order(component(first, "0.01", "mol/L"), component(second, "0.01", "mol/L")))
    found = [one["severity"] for one in answer["problems"] if one["code"] == "incompatible"]
    assert found == [severity]
    assert bool(answer["steps"]) == (severity == "warn"), "what must not be mixed gets no steps"


@pytest.mark.parametrize(
    ("first", "second"), [("NaCl", "KCl"), ("NH4Cl", "ammonia"), ("NaH2PO4.H2O", "Na2HPO4")]
)
def test_substances_that_go_together_are_not_complained_of(first, second):
    answer = plan(order(component(first, "0.01", "mol/L"), component(second, "0.01", "mol/L")))
    assert "incompatible" not in codes(answer)


def test_what_needs_another_medium_than_water_is_not_planned_in_water():
    assert "needs_other_solvent" in codes(plan(one("phenolphthalein", "1", "% w/v")), "stop")
    answer = plan(one("phenolphthalein", "1", "% w/v", solvent="ethanol"))
    assert answer["feasible"]
    assert "ethanol" in steps_of(answer, "make_up")[0]["text"]
    assert answer["result"]["density"] is None
    assert answer["title"] == "1 % w/v phenolphthalein in ethanol"


def test_a_solvent_nobody_described_is_refused():
    assert codes(plan(one("NaCl", "0.1", "mol/L", solvent="toluene")), "stop") == ["solvent_not_supported"]


# --- several components ---------------------------------------------------------------------------------
def test_several_components_share_one_vessel_and_each_has_its_own_tolerance():
    answer = plan(order(component("NaCl", "9.0", "g/L"), component("KCl", "0.30", "g/L"), volume="1000"))
    assert answer["feasible"]
    assert [amount(step) for step in steps_of(answer, "weigh")] == pytest.approx([9.0, 0.300])
    assert len(steps_of(answer, "make_up")) == 1
    assert len(answer["result"]["concentrations"]) == 2
    assert {row["component"] for row in answer["budget"]} == {0, 1}
    assert answer["ions"][0]["ion"] == "Na+"


def test_twelve_components_are_planned():
    salts = ["NaCl", "KCl", "NaNO3", "KNO3", "NaBr", "KBr", "NH4NO3", "LiCl", "NaF", "KI", "urea", "sucrose"]
    answer = plan(order(*(component(salt, "0.010", "mol/L") for salt in salts), volume="1000"))
    assert answer["feasible"]
    assert len(steps_of(answer, "weigh")) == 12


# --- by mass --------------------------------------------------------------------------------------------
def test_a_mass_percent_is_weighed_together_and_not_made_up_to_a_mark():
    answer = plan(one("NaCl", "5.0", "% w/w"))
    assert answer["feasible"]
    assert steps_of(answer, "make_up") == []
    salt = amount(answer["steps"][0])
    total = float(answer["result"]["mass_of_solution"]["value"])
    assert salt / total == pytest.approx(0.05, rel=0.01)


def test_the_water_of_a_hydrate_counts_as_solvent_in_a_molality():
    answer = plan(one("CuSO4.5H2O", "0.500", "mol/kg", "100", tolerance_percent=1))
    salt, water = (step for step in answer["steps"] if "quantity" in step)
    in_hydrate = amount(salt) * 5 * 18.015 / 249.677
    water_g = amount(water) * (0.9982 if water["quantity"]["unit"] == "mL" else 1.0)
    molality = 1000 * amount(salt) / 249.677 / (water_g + in_hydrate)
    assert molality == pytest.approx(0.5, rel=0.005)


def test_a_strong_acid_by_mass_counts_the_water_it_brings():
    answer = plan(one("sulfuric acid", "20", "% w/w"))
    acid = next(step for step in answer["steps"] if step.get("component") == 0 and "quantity" in step)
    water = next(step for step in answer["steps"] if step.get("substance") == "water")
    acid_g = amount(acid) * (1.8355 if acid["quantity"]["unit"] == "mL" else 1.0)
    water_g = amount(water) * (0.9982 if water["quantity"]["unit"] == "mL" else 1.0)
    assert 0.96 * acid_g / (acid_g + water_g) == pytest.approx(0.20, rel=0.01)
    assert answer["steps"].index(water) < answer["steps"].index(acid), "water first"


def test_a_mass_target_without_a_density_is_made_by_mass_and_its_volume_is_not_promised():
    answer = plan(one("citric acid monohydrate", "60", "% w/w"))
    if answer["result"]["density"] is None:
        assert "volume_not_exact" in codes(answer, "warn")


def test_mass_and_volume_targets_meet_through_the_density_of_the_solution():
    answer = plan(order(component("NaCl", "0.10", "mol/L"), component("KCl", "0.50", "% w/w")))
    assert answer["feasible"]
    _, potassium = steps_of(answer, "weigh")
    density = float(answer["result"]["density"]["value"])
    assert amount(potassium) == pytest.approx(500 * density * 0.005, rel=0.01)
    assert any("density of the solution" in row["input"] for row in answer["budget"])
