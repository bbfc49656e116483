"""What a prep room would shake its head at: waste, a wrong order, sentences nobody can follow."""

import pytest

from prepdesk.calc.apparatus import standard_set, vessels
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.model import ShelfLot
from prepdesk.calc.settle import settle
from tests.calc.orders import amount, codes, component, made_in, one, order, plan, shelf_with, solid, steps_of

WITH_CARBOYS = (*standard_set(), *vessels("carboy"))


# --- how a large volume is made ------------------------------------------------------------------------
def test_six_litres_are_made_in_three_flasks_of_two_and_not_in_two_of_five():
    answer = plan(one("NaCl", "0.100", "mol/L", "6000"))
    assert answer["feasible"]
    assert made_in(answer)["nominal"]["value"] == "2000"
    assert answer["route"][0]["vessel_count"] == 3
    assert answer["makes"] == {"value": "6000", "unit": "mL"}
    assert "made_more" not in codes(answer)
    # 58.44 g/mol (IUPAC 2021): 0.6 mol in all.
    assert sum(map(amount, steps_of(answer, "weigh"))) == pytest.approx(0.6 * 58.44, rel=0.001)


def test_the_fillings_are_mixed_in_a_carboy_where_one_holds_them_all():
    shelf = shelf_with(solid("1", "sodium-chloride", 5000, assay_percent=100.0), apparatus=WITH_CARBOYS)
    answer = plan(one("NaCl", "0.100", "mol/L", "6000", equipment="shelf"), shelf)
    assert answer["makes"] == {"value": "6000", "unit": "mL"}
    last = [step["text"] for step in steps_of(answer, "mix")][-1]
    assert "all three fillings are in the 10 L carboy" in last
    assert "Keep it in the 10 L carboy" in steps_of(answer, "store")[0]["text"]


def test_a_little_more_in_one_flask_is_still_better_than_several():
    answer = plan(one("NaCl", "0.100", "mol/L", "900"))
    assert answer["makes"]["value"] == "1000"
    assert answer["route"][0]["vessel_count"] == 1


def test_what_is_left_in_numbered_bottles_is_not_poured_into_a_bottle_again():
    answer = plan(one("NaCl", "0.100", "mol/L", "6000"))
    store, label = (steps_of(answer, action)[0]["text"] for action in ("store", "label"))
    assert "Leave it in the three numbered bottles" in store
    assert "Pour" not in store
    assert "Label each of the three bottles with its number" in label
    assert "2000 mL" in label


def test_a_way_with_less_work_and_more_waste_says_so():
    answer = plan(one("NaCl", "0.1", "mol/L", "3000"))
    assert answer["makes"]["value"] == "3000"
    assert "less work, but 5000 mL would be made" in answer["runner_up"]


# --- iodine ---------------------------------------------------------------------------------------------
@pytest.mark.parametrize("units", [("mol/L", "0.050", "0.25"), ("% w/w", "1.0", "2.0")])
@pytest.mark.parametrize("iodine_first", [True, False])
def test_iodine_goes_into_the_iodide_solution_whatever_was_ordered_first(units, iodine_first):
    # Some 0.3 g of iodine dissolve in a litre of water, and far more in iodide solution (common practice).
    unit, iodine, iodide = units
    parts = [component("iodine", iodine, unit), component("KI", iodide, unit)]
    answer = plan(order(*(parts if iodine_first else parts[::-1])))
    assert answer["feasible"]
    assert [step["substance"] for step in steps_of(answer, "weigh")[:2]] == ["potassium iodide", "iodine"]
    first, second = steps_of(answer, "dissolve")
    assert (first["substance"], second["substance"]) == ("potassium iodide", "iodine")
    assert "Add the potassium iodide to" in first["text"]
    assert "Add the iodine to the potassium iodide solution" in second["text"]
    assert "hardly in water" in second["text"]
    assert first["number"] + 1 == second["number"]


def test_a_stock_of_iodide_is_in_before_the_iodine():
    stock = {"kind": "solution", "concentration": {"value": "1.00", "unit": "mol/L"}}
    answer = plan(order(component("iodine", "0.05", "mol/L"), component("KI", "0.25", "mol/L", source=stock)))
    assert answer["feasible"]
    measure = next(step for step in steps_of(answer, "measure") if step["substance"] == "potassium iodide")
    [dissolve] = steps_of(answer, "dissolve")
    assert measure["number"] < dissolve["number"]
    assert "potassium iodide solution" in dissolve["text"]


def test_two_salts_that_dissolve_in_water_are_still_dissolved_together():
    answer = plan(order(component("NaCl", "0.10", "mol/L"), component("KI", "0.10", "mol/L")))
    [dissolve] = steps_of(answer, "dissolve")
    assert dissolve["substance"] == "sodium chloride and potassium iodide"


# --- refusals and what can't be made ----------------------------------------------------------------------
@pytest.mark.parametrize("missing", [{}, {"mass_percent": ""}, {"mass_percent": None}])
def test_a_liquid_without_its_strength_says_what_to_give(missing):
    with pytest.raises(RequestRefused) as refusal:
        plan(one("HCl", "1.0", "mol/L", source={"kind": "liquid", **missing}))
    [error] = refusal.value.errors
    assert (error.field, error.code) == ("components.0.source.mass_percent", "required")
    assert "how strong hydrochloric acid is" in error.text
    assert "37" in error.text


def test_a_plan_that_can_not_be_made_shows_no_window_of_a_single_figure():
    answer = plan(one("NaCl", "2.000", "mol/L"))
    assert not answer["feasible"]
    assert answer["steps"]
    for step in answer["steps"]:
        assert "window" not in step or step["window"]["low"] != step["window"]["high"]


# --- a liquid on a balance ----------------------------------------------------------------------------
def test_a_liquid_that_is_weighed_says_what_measuring_it_would_come_to():
    answer = plan(one("HCl", "2.0", "mol/L", "1000"))
    assert answer["feasible"]
    assert amount(steps_of(answer, "weigh")[0]) == pytest.approx(2 * 36.458 / 0.37, rel=0.002)
    [said] = [problem for problem in answer["problems"] if problem["code"] == "weighed_liquid"]
    spends = float(said["text"].split("would spend ")[1].split(" %")[0])
    assert spends > 2.5, "else it would have been measured"
    # The assumed range of such a label, 2 % rectangular, counted twice (GUM): 2.31 %.
    assert "takes 2.3 %" in said["text"]


@pytest.mark.parametrize("tolerance", ["3", "5"])
def test_with_a_wider_tolerance_it_is_measured_and_nothing_needs_saying(tolerance):
    answer = plan(one("HCl", "2.0", "mol/L", "1000", tolerance_percent=tolerance))
    assert answer["feasible"]
    assert steps_of(answer, "weigh") == []
    assert "weighed_liquid" not in codes(answer)


# --- a stock that is the solution asked for ---------------------------------------------------------------
def described(value: str) -> dict:
    concentration = {"value": value, "unit": "mol/L"}
    return {"kind": "solution", "concentration": concentration, "relative_uncertainty_percent": "0.2"}


def stock_lot(mol_per_l: float, free: float = 900, **more) -> ShelfLot:
    return ShelfLot(
        "7", "L00007X", "sodium-chloride", "solution", free,
        concentration_mol_per_l=mol_per_l, relative_uncertainty_percent=0.2, **more,
    )  # fmt: skip


@pytest.mark.parametrize("value", ["0.1000", "0.1002", "0.0999"])
def test_a_stock_of_the_strength_asked_for_is_measured_out_and_nothing_is_added(value):
    answer = plan(one("NaCl", "0.100", "mol/L", source=described(value)))
    assert answer["feasible"]
    assert [step["action"] for step in answer["steps"]] == ["measure", "store", "label"]
    assert "nothing is added" in answer["steps"][0]["text"]
    assert "lot" not in answer["steps"][0]["text"]
    assert float(answer["result"]["concentrations"][0]["value"]) == pytest.approx(float(value), rel=1e-3)
    assert settle(answer, {}).inside


def test_a_stock_on_the_shelf_that_is_the_solution_asked_for_saves_the_making():
    salt = solid("1", "sodium-chloride", assay_percent=99.5)
    answer = plan(one("NaCl", "0.100", "mol/L", equipment="shelf"), shelf_with(salt, stock_lot(0.1001)))
    assert answer["feasible"]
    assert [draw["lot"]["id"] for draw in answer["draws"]] == ["7"]
    assert steps_of(answer, "make_up") == []
    assert amount(answer["steps"][0]) == 500


@pytest.mark.parametrize(
    "stock",
    [stock_lot(0.1010), stock_lot(0.1001, 300), stock_lot(0.0999, is_prepared=True)],
    ids=["too far off", "too little", "left over, and nobody chose it"],
)
def test_else_it_is_made(stock):
    salt = solid("1", "sodium-chloride", assay_percent=99.5)
    answer = plan(one("NaCl", "0.100", "mol/L", equipment="shelf"), shelf_with(salt, stock))
    assert answer["feasible"]
    assert [draw["lot"]["id"] for draw in answer["draws"]] == ["1"]
    assert steps_of(answer, "make_up")


def test_no_stock_is_thinned_by_a_few_drops_of_water():
    answer = plan(one("NaCl", "0.10", "mol/L", equipment="shelf"), shelf_with(stock_lot(0.1002)))
    assert answer["feasible"]
    assert [step["action"] for step in answer["steps"]] == ["measure", "store", "label"]
