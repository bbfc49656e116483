"""The standard set, what a standard's class means, and what is refused."""

import pytest

from prepdesk.calc.apparatus import (
    class_choices,
    limit_of,
    limits,
    standard_set,
    tolerance_ml,
    usual_balances,
    vessels,
)
from prepdesk.calc.errors import InputError


def test_the_standard_set_is_the_one_the_contract_describes():
    found = standard_set()
    balances = [item.readability_g for item in found if item.type == "balance"]
    assert balances == [1.0, 0.1, 0.01, 0.001, 0.0001]
    assert {item.type for item in found} == {
        "balance", "one-mark flask", "one-mark pipette", "burette", "graduated cylinder", "beaker",
    }  # fmt: skip
    measuring = [item for item in found if item.type not in ("balance", "beaker")]
    assert all(item.apparatus_class == "A" and item.standard.startswith("ISO ") for item in measuring)
    assert all(item.tolerance_ml and item.nominal_ml for item in measuring)
    flasks = [item.nominal_ml for item in found if item.type == "one-mark flask"]
    assert {10, 25, 50, 100, 250, 500, 1000, 2000} <= set(flasks)
    assert flasks == sorted(flasks)
    assert all(item.division_ml for item in found if item.type in ("burette", "graduated cylinder"))


def test_beakers_and_carboys_hold_without_measuring():
    for kind in ("beaker", "conical flask", "carboy"):
        assert vessels(kind)
        assert all(item.tolerance_ml is None for item in vessels(kind))


def test_a_finer_balance_holds_less():
    capacities = [item.capacity_g for item in usual_balances()]
    assert capacities == sorted(capacities, reverse=True)
    assert all(item.repeatability_g and item.linearity_g for item in usual_balances())


def test_the_mark_as_means_class_a():
    assert tolerance_ml("one-mark pipette", 10, "AS", "ISO 648") == tolerance_ml(
        "one-mark pipette", 10, "A", "ISO 648"
    )


def test_iso_and_astm_differ_for_the_same_mark():
    iso, astm = (
        tolerance_ml("one-mark flask", 25, "A", "ISO 1042"),
        tolerance_ml("one-mark flask", 25, "A", "ASTM E288"),
    )
    assert (iso, astm) == (0.04, 0.03)


def test_class_b_is_not_always_twice_class_a():
    assert tolerance_ml("one-mark pipette", 100, "B", "ISO 648:2008") == 0.150


def test_a_ten_millilitre_burette_needs_its_division():
    assert tolerance_ml("burette", 10, "A", "ISO 385", 0.02) == 0.02
    assert tolerance_ml("burette", 10, "A", "ISO 385", 0.05) == 0.03
    with pytest.raises(InputError) as refused:
        tolerance_ml("burette", 10, "A", "ISO 385")
    assert refused.value.field == "division_ml"
    # One size with two divisions and one limit needs no answer.
    assert tolerance_ml("burette", 5, "A", "ISO 385") == 0.01


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        (("one-mark flask", 30, "A", "ISO 1042"), "nominal_ml"),
        (("one-mark flask", 100, "C", "ISO 1042"), "standard"),
        (("one-mark flask", 100, "A", "ISO 9999"), "standard"),
        (("burette", 50, "A", "ISO 385", 0.05), "division_ml"),
        (("beaker", 100, "A", "ISO 3819"), "standard"),
    ],
)
def test_a_size_that_no_table_holds_is_refused_and_never_interpolated(asked, field):
    with pytest.raises(InputError) as refused:
        tolerance_ml(*asked)
    assert refused.value.code == "no_tolerance"
    assert refused.value.field == field


def test_forms_offer_every_standard_with_its_sizes():
    choices = class_choices()
    assert len({choice.label + choice.type for choice in choices}) == len(choices)
    flask = next(choice for choice in choices if choice.label == "ASTM E288, class B")
    assert flask.type == "one-mark flask"
    assert 500 in flask.nominals_ml
    for choice in choices:
        for nominal in choice.nominals_ml:
            known = {
                limit.nominal_ml
                for limit in limits()
                if (limit.type, limit.standard) == (choice.type, choice.standard)
            }
            assert nominal in known


def test_a_figure_from_memory_says_so():
    assert limit_of("graduated cylinder", 100, "A", "ISO 4788").from_memory
    assert not limit_of("graduated cylinder", 100, "A", "ASTM E1272").from_memory
    assert all(limit.source for limit in limits())


def test_class_b_is_never_tighter_than_class_a():
    for limit in limits():
        if limit.apparatus_class == "B":
            tighter = limit_of(limit.type, limit.nominal_ml, "A", limit.standard, limit.division_ml)
            assert tighter.tolerance_ml <= limit.tolerance_ml
