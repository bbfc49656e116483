"""What is in the bottle after the bench: readings against windows, concentrations, remedies."""

import json
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prepdesk.calc.settle import judge_reading, settle
from prepdesk.calc.typed import parse_positive
from tests.calc.orders import amount, component, one, order, plan, steps_of

SALT = {"kind": "solid", "formula": "NaCl", "assay_percent": "100", "assay_tolerance_percent": "0.05"}


def frozen(answer: dict) -> dict:
    """The plan as a sheet keeps it: through JSON and back."""
    return json.loads(json.dumps(answer))


def read(**by_step: str) -> dict:
    return {int(step.removeprefix("s")): parse_positive(text) for step, text in by_step.items()}


@pytest.fixture(scope="module")
def two_molar() -> dict:
    return frozen(plan(one("NaCl", "2.00", "mol/L", source=SALT)))


# --- one reading -------------------------------------------------------------------------------------
def test_a_reading_equal_to_a_bound_is_inside(two_molar):
    step = two_molar["steps"][0]
    for bound in ("low", "high"):
        judged = judge_reading(step, parse_positive(step["window"][bound]))
        assert judged.inside
        assert judged.code == "inside"


@pytest.mark.parametrize(("bound", "sign", "code"), [("low", -1, "below"), ("high", 1, "above")])
def test_one_digit_beyond_a_bound_is_outside_by_that_digit(two_molar, bound, sign, code):
    step = two_molar["steps"][0]
    reading = Decimal(step["window"][bound]) + sign * Decimal("0.01")
    judged = judge_reading(step, parse_positive(str(reading)))
    assert not judged.inside
    assert judged.code == code
    assert judged.by == Decimal("0.01")
    assert "Outside by 0.01 g" in judged.text


def test_fewer_digits_than_the_balance_shows_are_only_warned_of(two_molar):
    step = {"window": {"low": "3.9", "high": "4.1", "unit": "g"}}
    judged = judge_reading(step, parse_positive("4"))
    assert judged.inside
    assert "Fewer digits" in judged.warning
    assert not judge_reading(step, parse_positive("4.00")).warning


def test_a_step_without_a_window_takes_no_reading(two_molar):
    with pytest.raises(ValueError, match="no reading"):
        judge_reading(two_molar["steps"][1], parse_positive("1"))


# --- the whole preparation ----------------------------------------------------------------------------
def test_the_planned_readings_give_the_planned_result(two_molar):
    settled = settle(two_molar, read(s1="58.44"))
    [found] = settled.concentrations
    promised = two_molar["result"]["concentrations"][0]
    assert settled.inside
    assert settled.remedies == ()
    assert found.value_text == promised["value"]
    assert found.expanded_uncertainty_percent == pytest.approx(
        promised["expanded_uncertainty_percent"], rel=0.01
    )


def test_a_step_without_a_reading_counts_as_planned(two_molar):
    assert settle(two_molar, {}) == settle(two_molar, read(s1="58.44"))


def test_too_much_salt_gives_more_concentration_and_the_volume_that_puts_it_right(two_molar):
    settled = settle(two_molar, read(s1="58.91"))
    assert not settled.inside
    assert settled.concentrations[0].value == pytest.approx(2.0 * 58.91 / 58.4398, rel=1e-5)
    assert settled.deviation_percent == pytest.approx(0.805, abs=0.001)
    assert "504.0 mL" in settled.remedies[0]
    assert "4.02 mL" in settled.remedies[0]
    assert any("label it as it is" in way and "2.016" in way for way in settled.remedies)


def test_too_little_salt_asks_for_what_is_missing(two_molar):
    settled = settle(two_molar, read(s1="57.91"))
    assert not settled.inside
    assert "Weigh 0.53 g more of sodium chloride" in settled.remedies[0]


def test_with_as_good_as_nothing_in_it_no_addition_is_worked_out(two_molar):
    settled = settle(two_molar, read(s1="1e-30"))
    assert not settled.inside
    assert not any(" more of " in way for way in settled.remedies)
    assert "make it anew" in settled.remedies[-1]


def test_the_remedy_of_dilution_really_comes_inside(two_molar):
    settled = settle(two_molar, read(s1="58.91"))
    litres = float(settled.remedies[0].split("Make it up to ")[1].split(" mL")[0]) / 1000
    made = 58.91 / 58.4398 / litres
    spent = 100 * abs(made / 2.0 - 1) + settled.concentrations[0].expanded_uncertainty_percent
    assert spent <= 0.25


def test_every_reading_inside_its_window_settles_inside_the_tolerance():
    for request in (
        one("NaCl", "2.00", "mol/L"),
        one("HCl", "1.0", "mol/L"),
        one("NaCl", "1.00", "mg/L", "100"),
        one("NaCl", "5.0", "% w/w"),
        one("CuSO4.5H2O", "0.50", "mol/kg"),
        order(component("NaCl", "9.0", "g/L"), component("KCl", "0.30", "g/L"), volume="1000"),
    ):
        answer = frozen(plan(request))
        assert answer["feasible"]
        for bound in ("low", "high"):
            readings = {
                step["number"]: parse_positive(step["window"][bound])
                for step in answer["steps"]
                if "window" in step
            }
            settled = settle(answer, readings)
            if answer["settling"]["kind"] == "mass":
                # All bounds at once move numerator and denominator together, so this is easy to meet.
                assert settled.inside
            assert settled.inside, (answer["title"], bound, settled.text)


def test_an_intermediate_weighed_high_shows_in_the_final_solution():
    answer = frozen(plan(one("NaCl", "1.00", "mg/L", "100")))
    weighing = steps_of(answer, "weigh")[0]
    settled = settle(answer, {weighing["number"]: parse_positive(str(1.02 * amount(weighing)))})
    assert settled.concentrations[0].value == pytest.approx(1.02, rel=1e-3)


def test_several_components_are_settled_each_by_its_own_readings():
    answer = frozen(
        plan(order(component("NaCl", "9.0", "g/L"), component("KCl", "0.30", "g/L"), volume="1000"))
    )
    settled = settle(answer, read(s1="9.50", s2="0.300"))
    sodium, potassium = settled.concentrations
    assert sodium.value == pytest.approx(9.5, rel=1e-3)
    assert potassium.value == pytest.approx(0.3, rel=1e-3)
    assert not sodium.inside
    assert potassium.inside
    assert not any("Make it up" in way for way in settled.remedies), "that would make the other too weak"


def test_a_solution_by_mass_is_settled_by_all_its_masses():
    answer = frozen(plan(one("NaCl", "5.0", "% w/w", source=SALT)))
    salt, water = (step for step in answer["steps"] if "quantity" in step)
    settled = settle(answer, {salt["number"]: parse_positive("26.91")})
    water_g = amount(water) * (0.99821 if water["quantity"]["unit"] == "mL" else 1)
    assert settled.concentrations[0].value == pytest.approx(100 * 26.91 / (26.91 + water_g), rel=1e-4)
    more = float(settled.remedies[0].split("Add ")[1].split(" g")[0])
    assert 100 * 26.91 / (26.91 + water_g + more) == pytest.approx(5.0, rel=1e-3)


def test_molar_concentrations_come_back_for_the_shelf(two_molar):
    [found] = settle(two_molar, read(s1="58.44")).concentrations
    assert found.mol_per_l == pytest.approx(2.0, rel=1e-4)
    assert float(found.mol_per_l_text) == pytest.approx(2.0, rel=1e-4)
    in_grams = frozen(plan(one("NaCl", "10.0", "g/L")))
    assert settle(in_grams, {}).concentrations[0].mol_per_l == pytest.approx(10 / 58.44, rel=1e-3)


def test_a_settlement_freezes_to_json(two_molar):
    kept = json.loads(json.dumps(settle(two_molar, read(s1="58.91")).as_dict()))
    assert kept["inside"] is False
    assert kept["concentrations"][0]["unit"] == "mol/L"
    assert kept["remedies"]


def test_a_plan_without_steps_has_nothing_to_settle():
    with pytest.raises(ValueError, match="no steps"):
        settle(frozen(plan(one("HCl", "13", "mol/L"))), {})


@settings(max_examples=100, deadline=None)
@given(st.decimals(min_value=50, max_value=70, places=2))
def test_inside_and_outside_agree_with_the_tolerance(two_molar, grams):
    settled = settle(two_molar, read(s1=str(grams)))
    [found] = settled.concentrations
    spent = abs(found.deviation_percent) + found.expanded_uncertainty_percent
    assert settled.inside == (spent <= 0.25 * (1 + 1e-6))
    assert bool(settled.remedies) != settled.inside
    assert ("inside" in settled.text) == settled.inside
