"""A solution is named with the digits its uncertainty supports, and planned from with all it has."""

from dataclasses import replace
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prepdesk.calc.digits import settled_figure, shown_figure
from prepdesk.calc.model import ShelfLot
from tests.calc.orders import amount, one, plan, shelf_with, steps_of

STOCK = ShelfLot(
    "1",
    "L000011",
    "sodium-chloride",
    "solution",
    2000.0,
    concentration_mol_per_l=0.500946,
    relative_uncertainty_percent=0.12,
    is_prepared=True,
    label_mol_per_l="0.500946",
)
REQUEST = {
    **one("NaCl", "0.1000", "mol/L", "1000", source={"kind": "lot", "id": "1"}, tolerance_percent="2"),
    "equipment": "shelf",
}


@pytest.mark.parametrize(
    ("value", "percent", "shown"),
    [
        ("0.500946", "0.12", "0.50095"),
        ("0.500000", "0.12", "0.50000"),
        ("0.500946", "19.9", "0.50"),
        ("1234.56", "10", "1230"),
        ("0.000050094", "2", "0.0000501"),
        ("0.500946", "", "0.5009"),
        (0.1, None, "0.1"),
        ("2.00", "1", "2.00"),
        ("11.65", "", "11.65"),
    ],
)
def test_a_figure_has_the_digits_its_uncertainty_supports_and_never_more_than_it_had(value, percent, shown):
    assert shown_figure(value, percent) == shown


def test_an_uncertainty_that_rounds_up_to_a_round_figure_takes_a_digit_along():
    # ± 0.0996 is 0.10 at two digits, so the value ends at the hundredth.
    assert settled_figure(1.0, 9.96) == "1.00"


@given(st.decimals("0.0001", "56", places=6), st.decimals("0.01", "20", places=2))
def test_rounding_moves_a_figure_by_no_more_than_a_twentieth_of_its_uncertainty(value, percent):
    expanded = value * percent / 100
    # Half of the last place, which is the second digit of the uncertainty: at most half of a tenth of it.
    assert abs(Decimal(shown_figure(str(value), str(percent))) - value) <= expanded / 19


def test_a_stock_is_named_by_what_is_known_of_it_and_planned_with_all_its_digits():
    answer = plan(REQUEST, shelf_with(STOCK))
    said = " ".join([answer["explanation"], *(step["text"] for step in answer["steps"])])
    assert "0.50095 mol/L" in said
    assert "0.500946" not in said
    assert answer["feasible"]
    taken = sum(amount(step) for step in steps_of(answer, "measure"))
    assert taken == pytest.approx(1000 * 0.1 / 0.500946, abs=0.5)


def test_what_is_shown_changes_no_number_of_the_plan():
    answer = plan(REQUEST, shelf_with(STOCK))
    # The same stock with a label that was rounded much further: it is only for reading.
    other = plan(REQUEST, shelf_with(replace(STOCK, label_mol_per_l="0.5")))
    for part in ("result", "budget", "draws", "settling", "working"):
        assert answer[part] == other[part], part
    quantities = [[step.get("quantity"), step.get("window")] for step in answer["steps"]]
    assert quantities == [[step.get("quantity"), step.get("window")] for step in other["steps"]]
