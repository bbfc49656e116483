"""Reading windows: wide enough to be met at a bench, narrow enough to keep the tolerance."""

import re
from decimal import Decimal

import pytest

from prepdesk.calc.settle import settle
from prepdesk.calc.typed import parse_number
from tests.calc.orders import component, one, order, plan, steps_of

ORDERS = {
    "traces of salt": one("NaCl", "0.00100", "mol/L", "1000"),
    "half a millimole of permanganate": one("KMnO4", "0.00050", "mol/L", "1000"),
    "centimolar chloride": one("KCl", "0.0100", "mol/L", "100"),
    "nitric acid by volume": one("nitric acid", "0.10", "mol/L"),
    "peroxide": one("hydrogen peroxide", "3", "% w/v"),
    "sucrose": one("sucrose", "0.375", "mol/L", "355"),
    "perchloric acid by mass": one("HClO4", "1", "% w/w"),
    "salt by mass": one("NaCl", "5.0", "% w/w"),
    "phthalate by molality": one("KHP", "0.050", "mol/kg"),
    "two salts": order(component("NaCl", "0.154", "mol/L"), component("KCl", "0.0100", "mol/L")),
    "large": one("NaCl", "0.100", "mol/L", "15000"),
    "milligrams": one("KMnO4", "1.00", "mg/L", "1000"),
}


@pytest.mark.parametrize("request_", ORDERS.values(), ids=ORDERS)
def test_every_weighing_may_lie_a_step_to_either_side(request_):
    # A display stops where it stops; a meniscus is set to a line (common practice).
    answer = plan(request_)
    assert answer["feasible"]
    read = [step for step in answer["steps"] if "window" in step]
    assert read
    for step in read:
        if step["action"] != "weigh":
            continue
        low, planned, high = (
            Decimal(text)
            for text in (step["window"]["low"], step["quantity"]["value"], step["window"]["high"])
        )
        assert low < planned < high, step["text"]


@pytest.mark.parametrize("request_", ORDERS.values(), ids=ORDERS)
@pytest.mark.parametrize("bound", ["low", "high"])
def test_readings_at_the_bounds_keep_every_tolerance(request_, bound):
    # What a person may write down without a word must never come out beyond the tolerance (common practice).
    answer = plan(request_)
    readings = {
        step["number"]: parse_number(step["window"][bound]) for step in answer["steps"] if "window" in step
    }
    found = settle(answer, readings)
    for one_ in found.concentrations:
        assert one_.inside, (one_.value_text, answer["tolerance_percent"])


def test_a_hundred_millimolar_order_of_the_textbook_still_weighs_two_decimals():
    # Rooms for readings must not drive the usual orders to finer balances: 58.44 g for 500 mL of 2.00 mol/L.
    [weighing] = steps_of(plan(one("NaCl", "2.00", "mol/L")), "weigh")
    assert weighing["quantity"]["value"] == "58.44"


def test_a_litre_of_two_molar_acid_is_measured_and_not_weighed():
    # The everyday order of a stockroom: some 166 mL of 37 % acid by cylinder, in the hood (common practice).
    answer = plan(one("HCl", "2.0", "mol/L", "1000", tolerance_percent="3"))
    assert answer["feasible"]
    assert steps_of(answer, "weigh") == []
    assert float(steps_of(answer, "measure")[0]["quantity"]["value"]) == pytest.approx(166, abs=2)


@pytest.mark.parametrize("value", ["1.0", "0.98"])
def test_no_window_goes_beyond_what_its_glass_holds(value):
    source = {"kind": "solution", "concentration": {"value": "1.0", "unit": "mol/L"}}
    answer = plan(one("NaCl", value, "mol/L", source=source, tolerance_percent="5"))
    for step in steps_of(answer, "measure"):
        if "window" in step:
            assert float(step["window"]["high"]) <= float(step["equipment"]["nominal"]["value"])


@pytest.mark.parametrize(
    "request_",
    [
        one("HCl", "11.9", "mol/L"),
        one("HCl", "11.5", "mol/L", tolerance_percent="3"),
        one("sulfuric acid", "12", "mol/L", tolerance_percent="2.6"),
        one("nitric acid", "15", "mol/L", tolerance_percent="2.6"),
        one("acetic acid", "17", "mol/L"),
        one("HCl", "2.0", "mol/L", "1000"),
    ],
)
def test_water_and_acid_together_find_room_in_the_beaker(request_):
    # g/mL of 37 % hydrochloric, 96 % sulfuric, 70 % nitric and glacial acetic acid: CRC Handbook, OpenStax.
    rho = {"hydrochloric acid": 1.18, "sulfuric acid": 1.83, "nitric acid": 1.41, "acetic acid": 1.05}
    answer = plan(request_)
    first = next(step for step in answer["steps"] if "of water into" in step["text"])
    water = float(re.search(r"about ([\d.]+) mL of water", first["text"])[1])
    acid = 0.0
    for step in steps_of(answer, "weigh", "measure"):
        per_ml = rho[step["substance"]] if step["quantity"]["unit"] == "g" else 1.0
        acid += float(step["quantity"]["value"]) / per_ml
    assert water + acid <= float(answer["makes"]["value"]) * 1.005
