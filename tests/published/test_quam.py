"""The uncertainty budget against the worked examples of QUAM, and against an independent library."""

import math

import GTC
import pytest

from prepdesk.calc.measuring import Room, balance_inputs, one_mark_inputs, room_input
from prepdesk.calc.model import Apparatus
from prepdesk.calc.uncertainty import (
    Input,
    budget,
    expanded_percent,
    rectangular,
    relative_to,
    root_sum_square,
    triangular,
)
from tests.published.values import published

QUAM = {row["example"]: row for row in published("quam.toml")}


def relative(inputs) -> float:
    return root_sum_square(one.standard for one in inputs)


def khp_mass(grams: float) -> list[Input]:
    """QUAM A2: linearity ± 0.15 mg, rectangular, counted for tare and gross."""
    balance = Apparatus("balance", readability_g=1e-9, linearity_g=0.00015)
    return [one for one in relative_to(balance_inputs(balance), grams) if "linearity" in one.name]


def titre(ml: float, half_width_k: float) -> list[Input]:
    """QUAM A2 and A3: a piston burette of ± 0.03 mL, triangular, and the temperature of the room."""
    return [Input("burette", triangular(0.03) / ml, "triangular", ""), room_input(half_width_k)]


def khp_molar_mass() -> Input:
    """QUAM A2: the weights of the 1990s, each rectangular, linear in the number of atoms."""
    parts = [(8, 0.0008), (5, 0.00007), (4, 0.0003), (1, 0.0001)]
    standard = root_sum_square(count * rectangular(half_width) for count, half_width in parts)
    assert standard == pytest.approx(0.0038, abs=0.00005)  # printed in table A2.1
    return Input("molar mass", standard / 204.2212, "rectangular", "")


def a1() -> tuple[float, list[Input]]:
    flask = Apparatus("one-mark flask", nominal_ml=100, tolerance_ml=0.1, standard="ISO 1042")
    inputs = [
        Input("purity", rectangular(0.0001) / 0.9999, "rectangular", "certificate"),
        Input("mass", 0.05 / 100.28, "normal", "certificate of the balance"),
        *relative_to(one_mark_inputs(flask), 100.0),
        *Room().inputs,
    ]
    return 1000 * 100.28 * 0.9999 / 100.0, inputs


def a2() -> tuple[float, list[Input]]:
    inputs = [
        Input("repeatability", 0.0005, "normal", ""),
        *khp_mass(0.3888),
        Input("purity", rectangular(0.0005), "rectangular", ""),
        khp_molar_mass(),
        *titre(18.64, 3.0),
    ]
    return 1000 * 0.3888 / (204.2212 * 18.64), inputs


def a3() -> tuple[float, list[Input]]:
    inputs = [
        Input("repeatability", 0.001, "normal", ""),
        *khp_mass(0.3888),
        Input("purity", rectangular(0.0005), "rectangular", ""),
        khp_molar_mass(),
        *titre(18.64, 4.0),
        *titre(14.89, 4.0),
        Input("pipette", triangular(0.02) / 15, "triangular", ""),
        room_input(4.0),
    ]
    return 1000 * 0.3888 * 14.89 / (18.64 * 204.2212 * 15), inputs


EXAMPLES = {"A1": a1, "A2": a2, "A3": a3}


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_worked_example_of_the_guide_comes_out_as_published(name):
    row = QUAM[name]
    value, inputs = EXAMPLES[name]()
    assert value == pytest.approx(row["result"], rel=2e-6)
    assert value * relative(inputs) == pytest.approx(row["u_unrounded"], rel=row["tolerance"])


@pytest.mark.parametrize("name", EXAMPLES)
def test_a_worked_example_prints_the_figure_of_the_guide_when_rounded_as_it_does(name):
    # The guide rounds its inputs first; A1 then prints 0.9 although its unrounded inputs give 0.84.
    row = QUAM[name]
    value, inputs = EXAMPLES[name]()
    assert value * relative(inputs) == pytest.approx(row["u"], rel=0.1)


def test_the_largest_inputs_of_a1_are_those_the_guide_names():
    # Contributions to u(c) in mg/L by the GTC documentation: mass 0.49995, temperature 0.486284,
    # flask 0.40935, repeatability of filling 0.20054, purity 0.0578967.
    value, inputs = a1()
    rows = budget(inputs)
    shown = [value * row.relative_standard_uncertainty_percent / 100 for row in rows]
    assert shown == pytest.approx([0.49995, 0.486284, 0.40935, 0.20054, 0.0578967], rel=2e-4)
    assert "limit of error" in rows[2].input
    assert sum(row.share_percent for row in rows) == pytest.approx(100)


def test_a_rectangular_flask_would_give_another_figure_so_the_budget_says_which_it_used():
    # QUAM A1 with a rectangular limit of error: u = 0.9301 instead of 0.8352.
    value, inputs = a1()
    swapped = [
        Input(one.name, rectangular(0.1) / 100, "rectangular", "") if "limit" in one.name else one
        for one in inputs
    ]
    assert value * relative(swapped) == pytest.approx(0.9301, abs=0.0001)
    assert [one.distribution for one in inputs if "limit" in one.name] == ["triangular"]


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_independent_library_combines_the_same_inputs_to_the_same_uncertainty(name):
    value, inputs = EXAMPLES[name]()
    product = GTC.ureal(value, 0)
    for one in inputs:
        product *= GTC.ureal(1.0, one.standard, label=one.name)
    assert GTC.uncertainty(product) == pytest.approx(value * relative(inputs), rel=1e-6)
    assert expanded_percent(inputs) == pytest.approx(200 * GTC.uncertainty(product) / value, rel=1e-6)


def test_an_independent_library_agrees_on_a1_from_its_raw_quantities():
    purity = GTC.ureal(0.9999, GTC.type_b.uniform(0.0001))
    mass = GTC.ureal(100.28, 0.05)
    volume = (
        GTC.ureal(100.0, GTC.type_b.triangular(0.1))
        + GTC.ureal(0, 0.02)
        + GTC.ureal(0, GTC.type_b.uniform(100 * 2.1e-4 * 4))
    )
    library = 1000 * mass * purity / volume
    value, inputs = a1()
    assert GTC.value(library) == pytest.approx(value)
    assert GTC.uncertainty(library) == pytest.approx(value * relative(inputs), rel=1e-6)


def test_linearity_counts_twice_as_in_a2():
    # QUAM A2: √2 · 0.15 mg/√3 = 0.1225 mg; the guide prints 0.13 mg because it rounds 0.15/√3 to 0.09 first.
    assert khp_mass(1.0)[0].standard == pytest.approx(0.00012247, rel=1e-4)
    assert math.sqrt(2) * 0.09 == pytest.approx(0.127, abs=0.001)
