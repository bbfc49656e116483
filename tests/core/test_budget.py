"""The budget bar: parts add up by their squares, the mark stands at the allowed total."""

from math import sqrt

import pytest
from django.template import engines

from prepdesk.core.budget import budget_charts, percent_words


def row(name, standard_percent, component=0, substance="sodium chloride"):
    return {
        "component": component,
        "substance": substance,
        "input": name,
        "relative_standard_uncertainty_percent": standard_percent,
        "share_percent": 10,
        "distribution": "rectangular",
        "source": "",
    }


def test_bars_are_in_order_and_to_one_scale_with_the_allowed_total():
    plan = {"tolerance_percent": 1.0, "budget": [row("flask", 0.1), row("balance", 0.3)]}
    (chart,) = budget_charts(plan)
    assert [part.input for part in chart.rows] == ["balance", "flask"]
    assert chart.rows[0].bar / chart.allowed_bar == pytest.approx(0.6, rel=1e-3)
    assert chart.rows[1].bar / chart.rows[0].bar == pytest.approx(1 / 3, rel=1e-3)
    # JCGM 100:2008, 5.1.2: independent parts add in quadrature; k = 2 by its 6.2.1.
    assert chart.total == percent_words(2 * sqrt(0.1**2 + 0.3**2))
    assert chart.inside


def test_the_total_of_the_plan_is_shown_as_the_plan_says_it():
    plan = {
        "tolerance_percent": 0.5,
        "budget": [row("flask", 0.1)],
        "result": {"concentrations": [{"expanded_uncertainty_percent": 0.61}]},
    }
    (chart,) = budget_charts(plan)
    assert chart.total == "0.61"
    assert not chart.inside
    assert chart.total_bar > chart.allowed_bar


def test_each_component_has_its_own_chart():
    plan = {"tolerance_percent": 1, "budget": [row("flask", 0.1), row("flask", 0.1, 1, "potassium chloride")]}
    assert [chart.substance for chart in budget_charts(plan)] == ["sodium chloride", "potassium chloride"]


def test_no_budget_gives_no_chart():
    assert budget_charts({}) == []


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (0.25, "0.25"), (1.234, "1.2"), (12.6, "13"), (0.00312, "0.0031"), (99.96, "100")],
)
def test_percentages_have_two_digits_that_mean_something(value, text):
    assert percent_words(value) == text


def test_the_drawn_table_says_in_words_whether_the_total_is_allowed():
    plan = {"tolerance_percent": 0.1, "budget": [row("flask", 0.2)]}
    html = engines["django"].from_string("{% load prepdesk %}{% budget_bar plan %}").render({"plan": plan})
    assert "over 0.10" in html
    assert "style=" not in html
    assert html.count("<caption>") == 1


def test_each_substance_has_the_mark_of_its_own_digits():
    # Common practice: half of the last digit, so 0.20 allows 2.5 % and 0.10 allows 5 %.
    row = {"relative_standard_uncertainty_percent": 1.0, "share_percent": 100, "source": "", "input": "flask"}
    plan = {
        "tolerance_percent": 2.5,
        "budget": [{**row, "component": 0}, {**row, "component": 1}],
        "settling": {"components": [{"tolerance_percent": 2.5}, {"tolerance_percent": 5.0}]},
    }
    assert [chart.allowed for chart in budget_charts(plan)] == ["2.5", "5.0"]
    del plan["settling"]
    assert [chart.allowed for chart in budget_charts(plan)] == ["2.5", "2.5"]


def test_half_is_rounded_up_from_the_digits_that_stand_there():
    assert [percent_words(value) for value in (0.175, 1.25, 12.5, 0.00315)] == ["0.18", "1.3", "13", "0.0032"]
