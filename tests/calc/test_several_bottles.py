"""One substance from several bottles: each by its own strength and reading, the first expired in front.

Molar masses come from the IUPAC 2021 atomic weights as the ``periodictable`` library has them, uncertainties
from a second implementation of the GUM, the ``GTC`` library. What a stockroom does with bottles (use up what
expires first, open no second bottle for a few grains) is common practice.
"""

import itertools
import math
from dataclasses import replace

import GTC
import periodictable
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.model import ShelfLot
from prepdesk.calc.planner.supplies import first_used
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.settle import settle
from prepdesk.calc.typed import parse_positive
from tests.calc.orders import amount, codes, component, one, order, plan, shelf_with, solid, steps_of

SALT = "sodium-chloride"


def molar(formula: str) -> float:
    return periodictable.formula(formula).mass


def salt(lot_id: str, free: float, assay: float, **more) -> ShelfLot:
    return solid(lot_id, SALT, free, assay_percent=assay, **{"assay_tolerance_percent": 0.1, **more})


def stock(lot_id: str, free: float, mol_per_l: float, **more) -> ShelfLot:
    return ShelfLot(
        lot_id, f"L{lot_id.zfill(5)}X", SALT, "solution", free,
        concentration_mol_per_l=mol_per_l, relative_uncertainty_percent=0.2, **more,
    )  # fmt: skip


def acid(lot_id: str, free: float, percent: float, **more) -> ShelfLot:
    return ShelfLot(
        lot_id, f"L{lot_id.zfill(5)}X", "hydrochloric-acid", "liquid", free, mass_percent=percent, **more
    )


def asked(substance: str, value: str, unit: str, volume: str = "500", **more) -> dict:
    return one(substance, value, unit, volume, equipment="shelf", **more)


def decimals(step: dict) -> int:
    return len(step["quantity"]["value"].partition(".")[2])


def taken(answer: dict) -> list[dict]:
    return [step for step in answer["steps"] if "lot" in step]


TWO = (salt("1", 30, 99.5, expires="2027-01-01"), salt("2", 40, 98.0, expires="2028-01-01"))


# --- worked by hand ----------------------------------------------------------------------------------
def test_each_bottle_is_weighed_by_its_own_assay_and_together_they_hold_what_is_wanted():
    # 0.500 L of 2.00 mol/L is 1 mol; 30.00 g of 99.5 % bring part of it, the 98.0 % bottle the rest.
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    assert answer["feasible"]
    first, second = taken(answer)
    brought = 30.00 * 0.995 / molar("NaCl")
    assert (first["lot"]["id"], first["quantity"]["value"]) == ("1", "30.00")
    assert (second["lot"]["id"], second["quantity"]["unit"]) == ("2", "g")
    assert amount(second) == pytest.approx((1 - brought) * molar("NaCl") / 0.980, abs=0.006)
    mean = 100 * molar("NaCl") / (30.00 + (1 - brought) * molar("NaCl") / 0.980)
    assert f"÷ {mean / 100:.4f}" in " ".join(answer["working"]), "the mean assay, in the working"


def test_an_acid_from_two_bottles_counts_each_bottles_mass_percent_and_density():
    lots = (
        acid("1", 62, 37.0, density_g_per_ml=1.184, expires="2027-01-01"),
        acid("2", 150, 32.0, density_g_per_ml=1.16, expires="2028-01-01"),
    )
    answer = plan(asked("HCl", "1.0", "mol/L", "2000"), shelf_with(*lots))
    assert answer["feasible"]
    first, second = taken(answer)
    grams = amount(first) * 1.184 * 0.37 + amount(second) * 1.16 * 0.32
    assert grams / molar("HCl") == pytest.approx(2.0, rel=0.01)
    assert amount(first) == pytest.approx(62, abs=0.5)
    actions = [step["action"] for step in answer["steps"]]
    assert actions[:5] == ["transfer", "measure", "mix", "measure", "mix"], (
        "water first, then bottle by bottle"
    )


def test_a_stock_in_two_bottles_is_measured_from_both():
    lots = (stock("1", 62, 2.0, expires="2027-01-01"), stock("2", 80, 2.01, expires="2028-01-01"))
    answer = plan(asked("NaCl", "0.100", "mol/L", "2000"), shelf_with(*lots))
    assert answer["feasible"]
    first, second = taken(answer)
    assert (amount(first) * 2.0 + amount(second) * 2.01) / 2000 == pytest.approx(0.100, rel=0.002)
    # Three pipettes of 20 mL leave a little; nothing measures 62 mL as well.
    assert amount(first) >= 50


def test_a_solution_by_mass_comes_from_two_bottles_too():
    answer = plan(asked("NaCl", "10.0", "% w/w"), shelf_with(*TWO))
    assert answer["feasible"]
    first, second = taken(answer)
    water = next(step for step in answer["steps"] if step.get("substance") == "water" and "quantity" in step)
    water_g = amount(water) * (0.9982 if water["quantity"]["unit"] == "mL" else 1.0)
    pure = amount(first) * 0.995 + amount(second) * 0.98
    assert pure / (amount(first) + amount(second) + water_g) == pytest.approx(0.100, rel=0.004)
    assert [draw["lot"]["id"] for draw in answer["draws"]] == ["1", "2"]


def test_an_intermediate_too_is_made_from_what_two_bottles_hold():
    lots = (salt("1", 0.06, 99.5), salt("2", 0.06, 99.0))
    answer = plan(asked("NaCl", "1.00", "mg/L", "100", tolerance_percent=1), shelf_with(*lots))
    assert answer["feasible"]
    assert len(taken(answer)) == 2
    assert {step["stage"] for step in taken(answer)} == {1}
    assert settle(answer, {}).concentrations[0].value == pytest.approx(1.00, rel=0.002)


def test_each_filling_takes_the_same_from_every_bottle():
    lots = (salt("1", 22.22, 99.5, expires="2027-01-01"), salt("2", 45, 98.0, expires="2028-01-01"))
    answer = plan(asked("NaCl", "0.100", "mol/L", "10000"), shelf_with(*lots))
    assert answer["feasible"]
    weighed = [(step["lot"]["id"], step["quantity"]["value"]) for step in taken(answer)]
    assert weighed[:2] == weighed[2:]
    assert [lot for lot, _ in weighed[:2]] == ["1", "2"]
    assert "Filling 2 of 2. Bottle 1 of 2." in taken(answer)[2]["text"]


# --- which bottle --------------------------------------------------------------------------------------
def test_one_bottle_is_taken_where_one_holds_enough_even_if_it_expires_later():
    lots = (salt("1", 30, 99.5, expires="2026-12-01"), salt("2", 500, 98.0, expires="2029-01-01"))
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert [step["lot"]["id"] for step in taken(answer)] == ["2"]
    assert "several_bottles" not in codes(answer)


def test_of_bottles_that_suffice_the_first_expired_is_taken_even_where_another_is_less_work():
    # The later bottle's assay is known better, so that a coarser balance would do with it.
    lots = (
        salt("1", 500, 99.5, assay_tolerance_percent=0.15, expires="2030-01-01"),
        salt("2", 500, 99.5, assay_tolerance_percent=0.01, expires="2031-01-01"),
    )
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert [step["lot"]["id"] for step in taken(answer)] == ["1"]


def test_a_bottle_whose_assay_alone_spends_the_tolerance_is_passed_over():
    lots = (
        salt("1", 500, 99.5, assay_tolerance_percent=1.0, expires="2026-12-01"),
        salt("2", 500, 99.5, expires="2031-01-01"),
    )
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert answer["feasible"]
    assert [step["lot"]["id"] for step in taken(answer)] == ["2"]


def test_a_loosely_known_bottle_is_left_out_of_several_where_the_others_hold_enough():
    lots = (
        salt("1", 40, 99.5, assay_tolerance_percent=1.0, expires="2026-12-01"),
        salt("2", 40, 99.5, expires="2027-01-01"),
        salt("3", 40, 99.0, expires="2027-02-01"),
    )
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert answer["feasible"]
    assert [step["lot"]["id"] for step in taken(answer)] == ["2", "3"]


def test_bottles_of_one_day_are_used_up_opened_before_closed_and_the_smaller_rest_first():
    closed = salt("1", 100, 99.5, expires="2027-01-01")
    lots = [closed, replace(closed, id="2", opened=True), replace(closed, id="3", opened=True, free=50.0)]
    lots.append(replace(closed, id="4", expires="2026-12-31"))
    assert [lot.id for lot in sorted(lots, key=first_used)] == ["4", "3", "2", "1"]
    answer = plan(asked("NaCl", "0.50", "mol/L"), shelf_with(*lots[:3]))
    assert [step["lot"]["id"] for step in taken(answer)] == ["3"]


def test_no_second_bottle_gives_only_a_few_grains():
    # 58.73 g of 99.5 % are needed; 58.5 g and a pinch would be there.
    lots = (salt("1", 58.5, 99.5, expires="2027-01-01"), salt("2", 500, 99.5, expires="2028-01-01"))
    lots = (lots[0], replace(lots[1], free=58.0))
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    first, second = taken(answer)
    assert amount(second) >= 0.05 * 58.73 - 0.01
    assert first["quantity"]["value"].endswith("0"), "a round figure from the bottle that is not emptied"


def test_a_dreg_is_passed_over_unless_it_is_needed():
    lots = [
        salt("1", 1.0, 99.5, expires="2026-12-01"),
        salt("2", 40, 99.5, expires="2027-01-01"),
        salt("3", 40, 99.0, expires="2027-02-01"),
    ]
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert [step["lot"]["id"] for step in taken(answer)] == ["2", "3"]
    lots[2] = replace(lots[2], free=18.5)
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert [step["lot"]["id"] for step in taken(answer)] == ["1", "2", "3"]
    assert answer["feasible"]


def test_a_bottle_that_a_person_chose_is_not_topped_up_from_another():
    request = asked("NaCl", "2.00", "mol/L", source={"kind": "lot", "id": "1"})
    answer = plan(request, shelf_with(*TWO))
    assert codes(answer, "stop") == ["out_of_stock"]
    assert answer["shortages"][0]["free"]["value"].startswith("30.0")


def test_another_form_never_fills_up_what_is_missing():
    lots = (
        solid("1", "copper-sulfate-pentahydrate", 4, assay_percent=99.5),
        solid("2", "copper-sulfate", 50, assay_percent=99.0),
    )
    answer = plan(asked("CuSO4.5H2O", "0.10", "mol/L", "250"), shelf_with(*lots))
    assert codes(answer, "stop") == ["out_of_stock"]
    assert {step["lot"]["id"] for step in taken(answer)} == {"1"}


# --- what is missing -------------------------------------------------------------------------------------
def test_a_shortage_counts_every_bottle_that_may_serve():
    lots = (salt("1", 20, 100.0, expires="2027-01-01"), salt("2", 25, 100.0, expires="2028-01-01"))
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert codes(answer, "stop") == ["out_of_stock"]
    [short] = answer["shortages"]
    needed, free, missing = (float(short[name]["value"]) for name in ("needed", "free", "missing"))
    assert (needed, free) == (pytest.approx(molar("NaCl"), abs=0.01), 45.0)
    assert missing == pytest.approx(molar("NaCl") - 45, abs=0.01)
    assert "lots L00001X and L00002X together" in answer["problems"][0]["text"]


def test_what_is_missing_beside_bottles_of_other_assay_would_make_it_possible():
    lots = (salt("1", 20, 99.0, expires="2027-01-01"), salt("2", 25, 95.0, expires="2028-01-01"))
    [short] = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))["shortages"]
    missing = float(short["missing"]["value"])
    for more, feasible in ((missing, True), (missing - 0.2, False)):
        filled = replace(lots[0], free=lots[0].free + more)
        assert plan(asked("NaCl", "2.00", "mol/L"), shelf_with(filled, lots[1]))["feasible"] == feasible


def test_a_substance_listed_twice_does_not_take_from_the_same_bottles_twice():
    request = order(component("NaCl", "2.00", "mol/L"), component("NaCl", "1.50", "mol/L"), equipment="shelf")
    answer = plan(request, shelf_with(*TWO))
    assert not answer["feasible"]
    assert "out_of_stock" in codes(answer, "stop")
    missing = sum(float(short["missing"]["value"]) for short in answer["shortages"])
    drawn = sum(float(draw["amount"]["value"]) for draw in answer["draws"])
    assert missing == pytest.approx(drawn - 70, abs=0.1)


# --- uncertainty -------------------------------------------------------------------------------------------
def test_the_expanded_uncertainty_agrees_with_a_second_implementation_of_the_gum():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    first, second = (amount(step) for step in taken(answer))
    [balance] = [item for item in standard_set() if item.type == "balance" and item.readability_g == 0.01]
    root3 = math.sqrt(3)
    # One balance, one linearity: the same error at both weighings (GUM 5.2.2).
    linear = GTC.ureal(0, balance.linearity_g / root3 * math.sqrt(2))
    masses = [
        grams + linear + GTC.ureal(0, balance.repeatability_g) + GTC.ureal(0, 0.005 / root3 * math.sqrt(2))
        for grams in (first, second)
    ]
    assays = [GTC.ureal(part, 0.001 / root3) for part in (0.995, 0.98)]
    flask = next(
        item
        for item in standard_set()
        if item.type == "one-mark flask" and item.nominal_ml == 500 and item.apparatus_class == "A"
    )
    volume = (
        0.5
        + GTC.ureal(0, flask.tolerance_ml / 1000 / math.sqrt(6))
        + GTC.ureal(0, flask.tolerance_ml / 5000)
        + GTC.ureal(0, 0.5 * 4 * 2.1e-4 / root3)
    )
    found = sum(m * p for m, p in zip(masses, assays, strict=True)) / (GTC.ureal(58.44, 0.0058) * volume)
    shown = answer["result"]["concentrations"][0]["expanded_uncertainty_percent"]
    assert 200 * GTC.uncertainty(found) / GTC.value(found) == pytest.approx(shown, rel=0.01)


def test_every_bottle_has_its_own_weighing_and_its_own_assay_in_the_budget_and_the_rows_add_up():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    names = [row["input"] for row in answer["budget"]]
    for code in ("L00001X", "L00002X"):
        assert f"assay of sodium chloride, lot {code}" in names
        assert any(name.startswith("balance") and name.endswith(code) for name in names)
    total = 2 * math.sqrt(sum(row["relative_standard_uncertainty_percent"] ** 2 for row in answer["budget"]))
    assert total == pytest.approx(
        answer["result"]["concentrations"][0]["expanded_uncertainty_percent"], rel=0.01
    )


def test_two_bottles_of_assumed_strength_are_known_no_better_than_one():
    # The range printed on such reagents is one assumption for both (GUM 5.2.2), not two independent figures.
    one_bottle = plan(asked("HCl", "1.0", "mol/L", "2000"), shelf_with(acid("1", 900, 37.0)))
    both = plan(asked("HCl", "1.0", "mol/L", "2000"), shelf_with(acid("1", 100, 37.0), acid("2", 100, 37.0)))
    part = [
        max(
            row["relative_standard_uncertainty_percent"]
            for row in answer["budget"]
            if "percent" in row["input"]
        )
        for answer in (one_bottle, both)
    ]
    assert len(taken(both)) == 2
    assert part[1] == pytest.approx(part[0], rel=1e-6)


# --- readings ----------------------------------------------------------------------------------------------
CASES = {
    "salts": (asked("NaCl", "2.00", "mol/L"), TWO),
    "by mass": (asked("NaCl", "10.0", "% w/w"), TWO),
    "molality": (asked("NaCl", "1.00", "mol/kg"), (replace(TWO[0], free=12), replace(TWO[1], free=25))),
    "stock": (asked("NaCl", "0.100", "mol/L", "2000"), (stock("1", 62, 2.0), stock("2", 80, 2.01))),
    "acid": (asked("HCl", "1.0", "mol/L", "2000"), (acid("1", 62, 37.0), acid("2", 150, 32.0))),
    "fillings": (asked("NaCl", "0.100", "mol/L", "10000"), (replace(TWO[0], free=22.2), TWO[1])),
}


@pytest.mark.parametrize("name", CASES)
def test_any_readings_inside_their_windows_settle_inside_the_tolerance(name):
    request, lots = CASES[name]
    answer = plan(request, shelf_with(*lots))
    assert answer["feasible"]
    assert len({step["lot"]["id"] for step in taken(answer)}) == 2
    read = [step for step in answer["steps"] if "window" in step]
    assert read
    for corner in itertools.product(("low", "high"), repeat=len(read)):
        readings = {
            step["number"]: parse_positive(step["window"][bound])
            for step, bound in zip(read, corner, strict=True)
        }
        settled = settle(answer, readings)
        assert settled.inside, (corner, settled.text)


def test_settling_counts_each_reading_by_the_assay_of_its_own_bottle():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    first, second = taken(answer)
    readings = {first["number"]: parse_positive("29.40"), second["number"]: parse_positive("29.77")}
    [found] = settle(answer, readings).concentrations
    assert found.value == pytest.approx((29.40 * 0.995 + 29.77 * 0.98) / molar("NaCl") / 0.5, rel=2e-5)


def test_what_is_missing_at_the_end_comes_from_the_last_bottle():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    first, second = taken(answer)
    settled = settle(answer, {first["number"]: parse_positive("29.00")})
    assert not settled.inside
    more = (1 - (29.00 * 0.995 + amount(second) * 0.98) / molar("NaCl")) * molar("NaCl") / 0.98
    assert f"Weigh {more:.2f} g more of sodium chloride" in settled.remedies[0]
    assert second["lot"]["code"] in settled.remedies[0]


@pytest.mark.parametrize("name", CASES)
def test_whatever_the_first_bottle_gave_the_last_ones_moved_window_brings_the_whole_inside(name):
    request, lots = CASES[name]
    answer = plan(request, shelf_with(*lots))
    given, rest = [[step for step in taken(answer) if step["lot"]["id"] == lot.id] for lot in lots]
    if any("window" not in step for step in given):
        assert steps_with_rest(answer, {}) == answer["steps"]
        return
    for part in (0.90, 0.97, 1.01):
        readings = {
            step["number"]: parse_positive(f"{part * amount(step):.{decimals(step)}f}") for step in given
        }
        moved = {step["number"]: step for step in steps_with_rest(answer, readings)}
        for bound in ("low", "high"):
            for step in rest:
                now = moved[step["number"]]
                # A hundredth more or less is not always a division of a cylinder.
                assert now.get("planned", now["quantity"]) == step["quantity"]
                assert "planned" in now or part == 1.01
                assert f"{now['quantity']['value']} {now['quantity']['unit']}" in now["text"]
                readings[step["number"]] = parse_positive(now["window"][bound])
            settled = settle(answer, readings)
            assert settled.inside, (part, bound, settled.text)


def test_nothing_moves_where_the_first_bottle_gave_what_was_planned():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    assert steps_with_rest(answer, {1: parse_positive("30.00")}) == answer["steps"]
    assert steps_with_rest(answer, {2: parse_positive("28.00")}) == answer["steps"], (
        "only the last one follows"
    )


# --- words -------------------------------------------------------------------------------------------------
def test_the_sheet_says_which_bottle_gives_what_and_why_there_are_two():
    answer = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*TWO))
    assert "30.00 g from L00001X (99.5 %), the rest from L00002X (98 %)" in answer["explanation"]
    [said] = [problem for problem in answer["problems"] if problem["code"] == "several_bottles"]
    assert said["severity"] == "warn"
    assert "none alone holds enough" in said["text"]
    assert "don't exchange them" in said["text"]
    assert f"take {0.995 / 0.98:.3f} g more of lot L00002X" in said["text"], "for whoever works on paper"
    first, second = taken(answer)
    assert "Bottle 1 of 2" in first["text"]
    assert "99.5 %, lot L00001X" in first["text"]
    assert "98 %, lot L00002X" in second["text"]
    labels = [each["label"] for each in answer["route"][0]["inputs"]]
    assert [code in label for code, label in zip(("L00001X", "L00002X"), labels, strict=True)] == [True, True]
    dissolve = steps_of(answer, "dissolve")[0]
    assert dissolve["substance"] == "sodium chloride"
    assert "sodium chloride and the sodium chloride" not in dissolve["text"]


# --- whatever stands there ---------------------------------------------------------------------------------
lots_of_salt = st.lists(
    st.builds(
        lambda free, assay, spread, day, opened: (free, assay, spread, day, opened),
        st.floats(min_value=0.02, max_value=60).map(lambda grams: round(grams, 3)),
        st.sampled_from([100.0, 99.5, 98.0, 95.0]),
        st.sampled_from([None, 0.05, 0.1, 0.2]),
        st.sampled_from(["", "2027-01-01", "2027-06-01", "2028-01-01"]),
        st.booleans(),
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    lots_of_salt,
    st.sampled_from(["2.0", "2.00", "0.50", "1"]),
    st.sampled_from(["mol/L", "mol/kg"]),
    st.sampled_from(["100", "250", "500", "1000"]),
)
def test_whatever_bottles_there_are_the_sum_is_the_target_and_no_bottle_gives_more_than_it_has(
    bottles, target, unit, volume
):
    lots = {
        str(n): salt(str(n), free, assay, assay_tolerance_percent=spread, expires=day, opened=opened)
        for n, (free, assay, spread, day, opened) in enumerate(bottles, start=1)
    }
    answer = plan(asked("NaCl", target, unit, volume), shelf_with(*lots.values()))
    steps = taken(answer)
    given_by: dict[str, float] = {}
    for step in steps:
        given_by[step["lot"]["id"]] = given_by.get(step["lot"]["id"], 0.0) + amount(step)
    if not answer["feasible"]:
        return
    for lot_id, grams in given_by.items():
        assert grams <= lots[lot_id].free + 1e-9
    drawn = {draw["lot"]["id"]: float(draw["amount"]["value"]) for draw in answer["draws"]}
    assert drawn == pytest.approx(given_by)
    found = settle(answer, {}).concentrations[0]
    pure = sum(grams * lots[lot_id].assay_percent / 100 for lot_id, grams in given_by.items())
    if unit == "mol/L":
        made = pure / molar("NaCl") / float(answer["makes"]["value"]) * 1000
        assert made == pytest.approx(found.value, rel=1e-4)
        spent = 100 * abs(made / float(target) - 1) + found.expanded_uncertainty_percent
        assert spent <= answer["tolerance_percent"] * 1.001
    order_of_use = [lot.id for lot in sorted(lots.values(), key=first_used) if lot.id in given_by]
    assert list(dict.fromkeys(step["lot"]["id"] for step in steps)) == order_of_use
    if len(given_by) > 1:
        total = sum(given_by.values())
        assert not any(
            lot.free > total * 1.02 and lot.assay_tolerance_percent != 0.2 for lot in lots.values()
        )


def test_an_order_that_one_bottle_of_each_of_two_salts_can_not_serve_still_takes_one_where_one_serves():
    lots = (*TWO, solid("3", "potassium-chloride", 500, assay_percent=99.5, assay_tolerance_percent=0.1))
    answer = plan(
        order(component("NaCl", "2.00", "mol/L"), component("KCl", "0.10", "mol/L"), equipment="shelf"),
        shelf_with(*lots),
    )
    assert answer["feasible"]
    assert [(draw["component"], draw["lot"]["id"]) for draw in answer["draws"]] == [
        (0, "1"),
        (0, "2"),
        (1, "3"),
    ]


def test_no_intermediate_is_made_that_is_hardly_diluted():
    # Two bottles that are each enough: 2.00 mol/L in 200 mL with half of it thrown away would only serve to
    # mix their assays, and 23 g would be weighed where 11.7 g are wanted.
    lots = tuple(salt(name, 12.0, 100.0, assay_tolerance_percent=0.2) for name in "12")
    answer = plan(asked("NaCl", "2.00", "mol/L", "100"), shelf_with(*lots))
    assert sum(amount(step) for step in taken(answer)) <= 0.2 * molar("NaCl") * 1.01
    pure = {"kind": "solid", "formula": "NaCl", "assay_percent": "99.9", "assay_tolerance_percent": "0.05"}
    for target in ("2.00", "1.00", "0.500", "0.0100", "0.00100"):
        answer = plan(one("NaCl", target, "mol/L", "250", equipment="standard", source=pure))
        for stage in answer["route"][1:]:
            for poured in stage["inputs"]:
                if poured["kind"] == "intermediate":
                    assert float(poured["amount"]["value"]) * 2 <= 250
