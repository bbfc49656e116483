"""A bottle runs out in the middle of the work and another lot gives the rest by its own strength.

What is missing is worked out by hand from molar masses of the IUPAC 2021 atomic weights, as the
``periodictable`` library has them; the uncertainty of two weighings by a second implementation of the GUM,
the ``GTC`` library. That what a bottle gave is weighed before another one is opened, is common practice.
"""

import math
from dataclasses import replace

import GTC
import periodictable
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.going_on import CannotGoOn, GoneOn, go_on_from
from prepdesk.calc.model import Apparatus, ShelfLot
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.settle import settle
from prepdesk.calc.typed import parse_number
from tests.calc.orders import amount, component, one, order, plan, shelf_with, solid

SALT = "sodium-chloride"
BALANCES = {item.readability_g: item for item in standard_set() if item.type == "balance"}


def molar(formula: str) -> float:
    return periodictable.formula(formula).mass


def salt(lot_id: str, assay: float, free: float = 5000.0, points: float = 0.1) -> ShelfLot:
    return solid(lot_id, SALT, free, assay_percent=assay, assay_tolerance_percent=points)


def acid(lot_id: str, percent: float, density: float) -> ShelfLot:
    return ShelfLot(
        lot_id, f"L{lot_id.zfill(5)}X", "hydrochloric-acid", "liquid", 25000, mass_percent=percent,
        assay_tolerance_percent=0.3, density_g_per_ml=density,
    )  # fmt: skip


def stock(lot_id: str, mol_per_l: float) -> ShelfLot:
    return ShelfLot(
        lot_id, f"L{lot_id.zfill(5)}X", SALT, "solution", 5000, concentration_mol_per_l=mol_per_l,
        relative_uncertainty_percent=0.2,
    )  # fmt: skip


A, B, C = salt("1", 99.0), salt("2", 99.9), salt("3", 98.0)


def asked(substance: str, value: str, unit: str, volume: str = "500", **more) -> dict:
    return one(substance, value, unit, volume, equipment="shelf", **more)


def two_molar(lot: ShelfLot = A) -> dict:
    return plan(asked("NaCl", "2.00", "mol/L"), shelf_with(lot))


def go(
    answer: dict,
    number: int,
    gave: str,
    other: ShelfLot,
    *lots: ShelfLot,
    readings: dict[int, str] | None = None,
    apparatus: tuple[Apparatus, ...] | None = None,
) -> GoneOn:
    return go_on_from(
        answer,
        {each: parse_number(text) for each, text in (readings or {}).items()},
        step_number=number,
        gave=parse_number(gave),
        other=other,
        lots=lots or (A,),
        catalogue=standard_catalogue(),
        apparatus=standard_set() if apparatus is None else apparatus,
    )


def exactly(answer: dict) -> dict:
    """A reading of exactly what is wanted at every step that takes one."""
    settling = answer["settling"]
    entries = list(settling.get("sources", ()))
    for terms in settling["components"]:
        for group in terms.get("readings", ()):
            entries += group.get("bottles", [group])
    return {number: parse_number(f"{exact:.12g}") for entry in entries for number, exact in entry["steps"]}


def taken(answer: dict) -> list[dict]:
    return [step for step in answer["steps"] if step.get("lot")]


def refusal(*args, **more) -> CannotGoOn:
    with pytest.raises(CannotGoOn) as refused:
        go(*args, **more)
    return refused.value


# --- worked by hand ------------------------------------------------------------------------------------
def test_the_rest_is_what_is_missing_by_the_other_bottles_own_assay():
    # 1 mol is wanted; 40.12 g of 99.0 % brought 40.12 × 0.990 ÷ M, the rest comes from 99.9 %.
    missing = 1.0 - 40.12 * 0.990 / molar("NaCl")
    gone = go(two_molar(), 1, "40.12", B)
    [rest] = gone.steps
    assert amount(rest) == pytest.approx(missing * molar("NaCl") / 0.999, abs=0.005)
    assert gone.rest.text == rest["quantity"]["value"] == "18.74"
    assert "99.9 %, lot L00002X" in rest["text"]
    assert rest["lot"] == {"id": "2", "code": "L00002X"}
    low, high = (float(rest["window"][bound]) for bound in ("low", "high"))
    assert low < amount(rest) < high


def test_steps_before_keep_their_numbers_and_later_ones_move_on_unchanged():
    before = two_molar()
    after = go(before, 1, "40.12", B).plan
    assert [step["number"] for step in after["steps"]] == list(range(1, len(before["steps"]) + 2))
    assert [step["text"] for step in after["steps"][2:]] == [step["text"] for step in before["steps"][1:]]
    short = after["steps"][0]
    assert short["quantity"] == {"value": "40.12", "unit": "g"}
    assert "window" not in short
    assert "40.12 g of 59.03 g; then the bottle was empty" in short["text"]
    assert "lot L00002X at step 2" in short["text"]


def test_both_lots_are_in_draws_drawing_budget_and_working():
    after = go(two_molar(), 1, "40.12", B).plan
    assert [(row["lot"]["code"], row["amount"]["value"]) for row in after["draws"]] == [
        ("L00001X", "40.12"),
        ("L00002X", "18.74"),
    ]
    inputs = after["route"][0]["inputs"]
    assert [(row["label"], row["amount"]["value"]) for row in inputs] == [
        ("sodium chloride, 99 %, lot L00001X", "40.12"),
        ("sodium chloride, 99.9 %, lot L00002X", "18.74"),
    ]
    rows = [row["input"] for row in after["budget"]]
    assert {f"assay of sodium chloride, lot L0000{lot}X" for lot in (1, 2)} <= set(rows)
    assert len(rows) == len(set(rows))
    assert sum(row["share_percent"] for row in after["budget"]) == pytest.approx(100, abs=0.1)
    assert "mol are missing" in after["working"][-1]


def test_an_empty_bottle_that_gave_nothing_leaves_all_to_the_other_one():
    after = go(two_molar(), 1, "0", B).plan
    assert amount(after["steps"][1]) == pytest.approx(molar("NaCl") / 0.999, abs=0.005)
    assert [row["lot"]["code"] for row in after["draws"]] == ["L00002X"]
    alone = two_molar(B)
    assert settle(after, {}).concentrations[0].expanded_uncertainty_percent == pytest.approx(
        settle(alone, {}).concentrations[0].expanded_uncertainty_percent, rel=1e-6
    )


def test_a_second_bottle_that_runs_out_too_is_followed_by_a_third():
    first = go(two_molar(), 1, "20.00", B).plan
    second = go(first, 2, "10.00", C, A, B, readings={1: "20.00"}).plan
    missing = 1.0 - (20.00 * 0.990 + 10.00 * 0.999) / molar("NaCl")
    assert amount(second["steps"][2]) == pytest.approx(missing * molar("NaCl") / 0.980, abs=0.005)
    assert [row["lot"]["code"] for row in second["draws"]] == ["L00001X", "L00002X", "L00003X"]
    assert settle(second, exactly(second)).concentrations[0].deviation_percent == pytest.approx(0, abs=1e-6)
    assert refusal(second, 3, "5.00", B, A, B, C).code == "was_empty"


# --- every kind of sheet -----------------------------------------------------------------------------------
ACIDS = acid("1", 37, 1.184), acid("2", 36, 1.179)
VITRIOL = ShelfLot("1", "LW1", "sulfuric-acid", "liquid", 25000, mass_percent=96, assay_tolerance_percent=0.3)
KCL = solid("7", "potassium-chloride", 500, assay_percent=99.5, assay_tolerance_percent=0.1)
BLUE = solid("1", "copper-sulfate-pentahydrate", 500, assay_percent=99.5, assay_tolerance_percent=0.2)
WHITE = solid("2", "copper-sulfate-anhydrous", 500, assay_percent=98.5, assay_tolerance_percent=0.2)
SHEETS = {
    "solid into a volume": (asked("NaCl", "2.00", "mol/L"), (A,), {"1": B}),
    "acid by volume": (asked("HCl", "1.0", "mol/L", tolerance_percent=3), (ACIDS[0],), {"1": ACIDS[1]}),
    "acid by weight": (
        asked("sulfuric acid", "1.00", "mol/L", "5000"),
        (VITRIOL,),
        {"1": replace(VITRIOL, id="2", code="LW2", mass_percent=95)},
    ),
    "stock by a single mark": (
        asked("NaCl", "0.100", "mol/L", tolerance_percent=1),
        (stock("1", 5.0),),
        {"1": stock("2", 4.5)},
    ),
    "through an intermediate": (asked("NaCl", "0.00010", "mol/L", "100"), (A,), {"1": B}),
    "molality": (asked("NaCl", "1.00", "mol/kg"), (A,), {"1": B}),
    "acid by mass": (asked("HCl", "10", "% w/w", tolerance_percent=3), (ACIDS[0],), {"1": ACIDS[1]}),
    "two salts": (
        order(component("NaCl", "0.50", "mol/L"), component("KCl", "0.200", "mol/L"), equipment="shelf"),
        (A, KCL),
        {"1": B, "7": replace(KCL, id="8", code="LK2", assay_percent=99.0)},
    ),
    "two salts by mass": (
        order(component("NaCl", "3.0", "% w/w"), component("KCl", "2.00", "% w/w"), equipment="shelf"),
        (A, KCL),
        {"1": B, "7": replace(KCL, id="8", code="LK2", assay_percent=99.0)},
    ),
    "another hydrate": (asked("CuSO4.5H2O", "0.50", "mol/L"), (BLUE,), {"1": WHITE}),
    "another hydrate by mass": (asked("CuSO4.5H2O", "0.50", "mol/kg"), (BLUE,), {"1": WHITE}),
    "several fillings": (asked("NaCl", "2.00", "mol/L", "15000"), (A,), {"1": B}),
}


@pytest.mark.parametrize("part", [0.0, 0.3, 0.9])
@pytest.mark.parametrize("name", SHEETS)
def test_exactly_what_the_new_sheet_asks_for_gives_the_target_and_as_planned_it_is_inside(name, part):
    request, lots, others = SHEETS[name]
    before = plan(request, shelf_with(*lots))
    assert before["feasible"]
    for step in taken(before):
        if part and "window" not in step:
            continue
        digits = len(step["quantity"]["value"].partition(".")[2])
        gave = f"{part * amount(step):.{digits}f}"
        read = {number: str(one.value) for number, one in exactly(before).items() if number < step["number"]}
        gone = go(before, step["number"], gave, others[step["lot"]["id"]], *lots, readings=read)
        for found in settle(gone.plan, exactly(gone.plan)).concentrations:
            assert found.deviation_percent == pytest.approx(0.0, abs=1e-6), (name, step["number"])
        assert settle(gone.plan, {}).inside, (name, step["number"])
        numbers = [each["number"] for each in gone.plan["steps"]]
        assert numbers == list(range(1, len(numbers) + 1))
        for bound in ("low", "high"):
            lying = {
                each["number"]: parse_number(each["window"][bound]) for each in gone.steps if "window" in each
            }
            assert settle(gone.plan, lying).inside, "the edge of the window is inside"


def test_the_rest_of_an_amount_by_hand_from_the_anhydrous_form_counts_its_own_molar_mass():
    before = plan(asked("CuSO4.5H2O", "0.50", "mol/L"), shelf_with(BLUE))
    gone = go(before, 1, "20.00", WHITE, BLUE)
    missing = 0.25 - 20.00 * 0.995 / molar("CuSO4(H2O)5")
    assert amount(gone.steps[0]) == pytest.approx(missing * molar("CuSO4") / 0.985, abs=0.005)
    assert gone.substance == "copper(II) sulfate, anhydrous"
    dissolve = next(step for step in gone.plan["steps"] if step["action"] == "dissolve")
    assert "the copper(II) sulfate pentahydrate and the copper(II) sulfate, anhydrous" in dissolve["text"]


def test_water_still_to_be_weighed_makes_up_for_what_the_other_form_brings_less_of():
    before = plan(asked("CuSO4.5H2O", "0.50", "mol/kg"), shelf_with(BLUE))
    gone = go(before, 1, "20.00", WHITE, BLUE)
    grams = 20.00 * 0.995, amount(gone.steps[0]) * 0.985
    water = next(each for each in gone.plan["steps"] if each["substance"] == "water")
    carried = grams[0] * 5 * molar("H2O") / molar("CuSO4(H2O)5")
    solvent = amount(water) * (0.99821 if water["quantity"]["unit"] == "mL" else 1.0) + carried
    moles = grams[0] / molar("CuSO4(H2O)5") + grams[1] / molar("CuSO4")
    # Water at 20 °C weighs 0.99821 g/mL (IAPWS); impurities count neither as solvent nor as solute.
    assert 1000 * moles / solvent == pytest.approx(0.50, rel=0.003)


def test_later_fillings_come_from_the_other_bottle_by_its_strength():
    before = plan(asked("NaCl", "2.00", "mol/L", "15000"), shelf_with(A))
    gone = go(before, 1, "300.0", B)
    lots = [step["lot"]["code"] for step in taken(gone.plan)]
    assert lots == ["L00001X", "L00002X", "L00002X", "L00002X"]
    second = taken(gone.plan)[2]
    assert second["text"].startswith("Filling 2 of 3. Weigh 585.0 g of sodium chloride (99.9 %")
    assert amount(second) == pytest.approx(10 * molar("NaCl") / 0.999, abs=0.05)


def test_a_figure_read_anew_at_the_step_that_fell_short_moves_the_rest():
    after = go(two_molar(), 1, "40.12", B).plan
    moved = steps_with_rest(after, {1: parse_number("40.00")})[1]
    assert amount(moved) == pytest.approx(18.74 + 0.12 * 0.990 / 0.999, abs=0.006)


def test_the_last_of_two_bottles_that_runs_out_makes_up_for_the_first_one_too():
    lots = (salt("1", 99.5, free=30), salt("3", 98.0, free=40))
    before = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    # 28.00 g came out of the first one instead of 30.00 g, and 10.00 g of the second.
    gone = go(before, 2, "10.00", B, *lots, readings={1: "28.00"})
    missing = 1.0 - (28.00 * 0.995 + 10.00 * 0.980) / molar("NaCl")
    assert gone.rest.value == pytest.approx(missing * molar("NaCl") / 0.999, abs=0.006)
    read = {1: parse_number("28.00"), 2: parse_number("10.00")}
    assert "because" not in steps_with_rest(gone.plan, read)[2], "it is not made up for twice"
    settled = settle(gone.plan, {**read, 3: exactly(gone.plan)[3]})
    assert settled.concentrations[0].deviation_percent == pytest.approx(0.0, abs=1e-6)


def test_the_first_of_two_bottles_that_runs_out_leaves_the_second_as_it_is():
    lots = (salt("1", 99.5, free=30), salt("3", 98.0, free=40))
    before = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    gone = go(before, 1, "20.00", B, *lots)
    assert gone.rest.value == pytest.approx(10.00 * 0.995 / 0.999, abs=0.006)
    assert gone.plan["steps"][2]["quantity"] == before["steps"][1]["quantity"]
    assert [step["lot"]["id"] for step in taken(gone.plan)] == ["1", "2", "3"]


# --- uncertainty -------------------------------------------------------------------------------------------
def test_the_uncertainty_of_two_weighings_agrees_with_a_second_implementation_of_the_gum():
    after = go(two_molar(), 1, "40.12", B).plan
    balance = BALANCES[0.01]
    linearity = GTC.ureal(0, balance.linearity_g / math.sqrt(3) * math.sqrt(2))
    masses = [
        GTC.ureal(value, 0.005 / math.sqrt(3) * math.sqrt(2))
        + GTC.ureal(0, balance.repeatability_g)
        # One balance errs the same way both times (GUM 5.2.2).
        + linearity
        for value in (40.12, amount(after["steps"][1]))
    ]
    assays = [GTC.ureal(value, 0.001 / math.sqrt(3)) for value in (0.990, 0.999)]
    flask = 500 + GTC.ureal(0, 0.25 / math.sqrt(6)) + GTC.ureal(0, 0.05)
    flask *= 1 + GTC.ureal(0, 4 * 2.1e-4 / math.sqrt(3))
    moles = sum(mass * assay for mass, assay in zip(masses, assays, strict=True)) / molar("NaCl")
    found = moles / flask
    molar_mass = next(
        row["relative_standard_uncertainty_percent"]
        for row in after["budget"]
        if row["input"].startswith("molar mass")
    )
    relative = 200 * math.hypot(GTC.uncertainty(found) / GTC.value(found), molar_mass / 100)
    [settled] = settle(after, {}).concentrations
    assert settled.expanded_uncertainty_percent == pytest.approx(relative, rel=0.01)
    rows = math.hypot(*(row["relative_standard_uncertainty_percent"] for row in after["budget"]))
    assert 2 * rows == pytest.approx(relative, rel=0.01), "the budget adds up to the same"


MANY = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
PARTS = st.integers(min_value=5, max_value=95)
ASSAYS = st.integers(min_value=970, max_value=1000).map(lambda tenths: tenths / 10)


@MANY
@given(part=PARTS, first=ASSAYS, second=ASSAYS)
def test_whatever_the_first_bottle_gave_the_whole_is_the_target(part, first, second):
    one_, two = salt("1", first), salt("2", second)
    before = plan(asked("NaCl", "2.00", "mol/L", tolerance_percent=0.5), shelf_with(one_))
    gave = f"{amount(before['steps'][0]) * part / 100:.{2}f}"
    after = go(before, 1, gave, two, one_).plan
    settled = settle(after, {**exactly(after), 1: parse_number(gave)})
    assert settled.concentrations[0].deviation_percent == pytest.approx(0.0, abs=1e-6)
    # By hand: both masses by their own assays.
    moles = (float(gave) * first + float(exactly(after)[2].value) * second) / 100 / molar("NaCl")
    assert moles == pytest.approx(1.0, rel=2e-5)


@MANY
@given(part=PARTS, assay=ASSAYS)
def test_with_equal_assays_both_together_are_what_one_bottle_would_have_given(part, assay):
    before = plan(asked("NaCl", "2.00", "mol/L", tolerance_percent=0.5), shelf_with(salt("1", assay)))
    whole = amount(before["steps"][0])
    digits = len(before["steps"][0]["quantity"]["value"].partition(".")[2])
    gave = f"{whole * part / 100:.{digits}f}"
    gone = go(before, 1, gave, salt("2", assay), salt("1", assay))
    assert float(gave) + gone.rest.value == pytest.approx(whole, abs=1.01 * 10**-digits)


@MANY
@given(part=PARTS)
def test_the_order_of_the_bottles_does_not_matter_to_the_uncertainty(part):
    there = go(two_molar(), 1, f"{59.0 * part / 100:.2f}", B).plan
    given_by_b = there["steps"][1]["quantity"]["value"]
    back = go(two_molar(B), 1, given_by_b, A, B).plan
    [one_way] = settle(there, {}).concentrations
    [other_way] = settle(back, {}).concentrations
    assert amount(back["steps"][1]) == pytest.approx(amount(there["steps"][0]), abs=0.011)
    assert one_way.expanded_uncertainty_percent == pytest.approx(
        other_way.expanded_uncertainty_percent, rel=2e-3
    )


# --- apparatus ---------------------------------------------------------------------------------------------
def test_a_small_rest_is_weighed_on_the_next_finer_balance_where_the_same_is_too_coarse():
    before = plan(asked("NaCl", "0.00010", "mol/L", "100"), shelf_with(A))
    assert before["steps"][0]["equipment"]["readability"]["value"] == "0.01"
    gone = go(before, 1, "1.14", B)
    assert gone.steps[0]["equipment"]["readability"]["value"] == "0.001"


def test_where_nothing_here_measures_the_rest_it_says_what_would_serve():
    coarse = (*(item for item in standard_set() if item.type != "balance"), BALANCES[0.01])
    before = plan(asked("NaCl", "0.00010", "mol/L", "100"), shelf_with(A))
    refused = refusal(before, 1, "1.14", B, apparatus=coarse)
    assert refused.code == "nothing_measures_the_rest"
    assert "a balance that reads to 0.001 g would serve" in refused.text


# --- refusals ----------------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("code", "number", "gave", "other", "words"),
    [
        ("nothing_more_needed", 1, "59.00", B, "nothing more is needed"),
        ("more_than_needed", 1, "61", B, "more than the step asks for"),
        ("same_lot", 1, "20", A, "the bottle that ran out"),
        ("no_bottle", 2, "0", B, "takes from no bottle"),
        ("not_enough", 1, "20", salt("9", 99.9, free=10), "10 g of it are free"),
        ("other_substance", 1, "20", KCL, "does not put the same"),
        ("other_kind", 1, "20", stock("8", 5.0), "A further solid would serve"),
        ("tolerance_not_reachable", 1, "20", salt("9", 99.0, points=2), "states its strength more closely"),
    ],
)
def test_what_can_not_be_gone_on_from_is_refused_by_name(code, number, gave, other, words):
    refused = refusal(two_molar(), number, gave, other)
    assert refused.code == code
    assert words in refused.text


def test_a_label_that_was_changed_since_stops_it():
    assert refusal(two_molar(), 1, "20", B, replace(A, assay_percent=98.0)).code == "label_changed"


def test_a_single_mark_gives_all_or_nothing():
    before = plan(asked("NaCl", "0.100", "mol/L", tolerance_percent=1), shelf_with(stock("1", 5.0)))
    assert refusal(before, 1, "4", stock("2", 4.5), stock("1", 5.0)).code == "no_part_volume"


def test_a_bottle_that_gives_its_part_later_anyway_is_not_asked_for_the_rest():
    lots = (salt("1", 99.5, free=30), salt("2", 98.0, free=40))
    before = plan(asked("NaCl", "2.00", "mol/L"), shelf_with(*lots))
    assert refusal(before, 1, "20.00", lots[1], *lots).code == "already_on_sheet"


def test_a_weaker_acid_that_does_not_fit_under_the_mark_is_refused():
    strong, weak = acid("1", 37, 1.184), acid("2", 10, 1.047)
    before = plan(asked("HCl", "6.0", "mol/L", tolerance_percent=5), shelf_with(strong))
    number = taken(before)[0]["number"]
    assert refusal(before, number, "50", weak, strong).code == "no_room"
