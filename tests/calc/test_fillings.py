"""More than one vessel holds: every filling has steps of its own, and nothing goes twice into one of them."""

import re

import pytest

from prepdesk.calc.apparatus import standard_set, vessels
from prepdesk.calc.settle import settle
from prepdesk.calc.typed import parse_number
from tests.calc.orders import amount, component, one, order, plan, shelf_with, solid, steps_of

LARGE = {
    "acid by volume": one("HCl", "0.10", "mol/L", "15000"),
    "acid by weight": one("sulfuric acid", "1.00", "mol/L", "15000"),
    "solid": one("NaCl", "0.100", "mol/L", "15000"),
    "aliquots of an intermediate": one("KMnO4", "1.00", "mg/L", "15000"),
    "two solids": order(
        component("NaCl", "0.100", "mol/L"), component("KCl", "0.100", "mol/L"), volume="15000"
    ),
}


def filling_of(step: dict) -> int:
    """Number of the filling a step says it belongs to; 0 for steps of all of them."""
    found = re.match(r"Filling (\d+) of (\d+)\. ", step["text"])
    return int(found[1]) if found else 0


@pytest.mark.parametrize("request_", LARGE.values(), ids=LARGE)
def test_every_filling_gets_its_own_share_once_and_is_made_up_itself(request_):
    answer = plan(request_)
    count = answer["route"][-1]["vessel_count"]
    assert count == 3
    final = [step for step in answer["steps"] if filling_of(step)]
    per_filling = [[step for step in final if filling_of(step) == turn] for turn in (1, 2, 3)]
    shape = [(step["action"], step.get("component"), step.get("quantity")) for step in per_filling[0]]
    for steps in per_filling:
        assert [(step["action"], step.get("component"), step.get("quantity")) for step in steps] == shape
        assert [step["action"] for step in steps].count("make_up") == 1
        # One after the other: no step of another filling stands between.
        assert [step["number"] for step in steps] == list(
            range(steps[0]["number"], steps[0]["number"] + len(steps))
        )


@pytest.mark.parametrize("request_", LARGE.values(), ids=LARGE)
def test_no_sheet_asks_to_repeat_a_range_of_steps(request_):
    texts = [step["text"] for step in plan(request_)["steps"]]
    assert not [text for text in texts if re.search(r"steps? \d+ to \d+", text)]


@pytest.mark.parametrize(
    ("name", "moles", "per_unit"),
    [
        ("acid by weight", 15 * 1.00, 0.96 / 98.072),
        ("solid", 15 * 0.100, 1 / 58.44),
    ],
)
def test_all_fillings_together_take_what_the_whole_volume_needs(name, moles, per_unit):
    # n = c · V over the molar mass by the IUPAC atomic weights; 96 % sulfuric acid by weight.
    answer = plan(LARGE[name])
    total = sum(amount(step) for step in steps_of(answer, "weigh"))
    assert total * per_unit == pytest.approx(moles, rel=0.002)


def test_the_readings_of_all_fillings_settle_the_whole():
    answer = plan(LARGE["solid"])
    planned = {step["number"]: step["quantity"]["value"] for step in answer["steps"] if "window" in step}
    assert len(planned) == 3
    exact = settle(answer, {number: parse_number(text) for number, text in planned.items()})
    assert exact.inside
    # One filling with a fifth too little: a fifteenth of the whole is missing.
    first = min(planned)
    short = {**planned, first: f"{float(planned[first]) * 0.8:.2f}"}
    found = settle(answer, {number: parse_number(text) for number, text in short.items()})
    assert not found.inside
    values = [float(one.concentrations[0].value_text) for one in (found, exact)]
    assert values[0] / values[1] == pytest.approx(1 - 0.2 / 3, rel=0.002)


def test_fillings_are_poured_together_where_a_vessel_holds_them_all():
    shelf = shelf_with(
        solid("1", "sodium-chloride", 5000, assay_percent=100.0, assay_tolerance_percent=0.05),
        apparatus=(*standard_set(), *vessels("carboy")),
    )
    answer = plan(one("NaCl", "0.1000", "mol/L", "10000", equipment="shelf", tolerance_percent="0.4"), shelf)
    texts = [step["text"] for step in answer["steps"] if step["action"] == "mix"]
    assert "Pour it into the 10 L carboy" in texts[0]
    assert "When both fillings are in the 10 L carboy" in texts[-1]


def test_without_such_a_vessel_every_filling_gets_a_numbered_bottle():
    texts = [step["text"] for step in steps_of(plan(LARGE["solid"]), "mix")]
    for number, text in enumerate(texts[:3], start=1):
        assert f"bottle numbered {number}" in text
    assert "bottles numbered 1 to 3" in texts[3]
