"""At no stage of a plan are more pieces of one item in use than there are."""

import re
from collections import Counter
from dataclasses import replace

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.model import Apparatus, ShelfLot
from tests.calc.orders import codes, component, order, plan, shelf_with, solid, steps_of

# Fillings are poured out one after the other, so that one flask serves them all.
LATER_FILLING = re.compile(r"Filling ([2-9]|1\d) of")
BOTTLES = (
    solid("1", "sodium-chloride", 500.0, assay_percent=99.8, assay_tolerance_percent=0.1),
    solid("2", "potassium-chloride", 500.0, assay_percent=99.8, assay_tolerance_percent=0.1),
)


def ware(flasks: dict[float, int], *, cylinders: bool = False) -> tuple[Apparatus, ...]:
    """The standard bench with so many flasks of each size."""
    others = [one for one in standard_set() if one.type != "one-mark flask"]
    kept = [one for one in others if cylinders or "cylinder" not in one.type]
    kept += [
        replace(one, count=flasks[one.nominal_ml], id=f"flask-{one.nominal_ml:g}")
        for one in standard_set()
        if one.type == "one-mark flask" and one.nominal_ml in flasks
    ]
    return tuple(kept)


def traces(*names: str, volume: str = "250", target: str = "0.00010", tolerance: str = "1") -> dict:
    return order(
        *(component(name, target, "mol/L") for name in names),
        volume=volume,
        tolerance_percent=tolerance,
        equipment="shelf",
    )


def in_use_at_once(answer: dict) -> Counter:
    """The most pieces of each flask that hold something at one moment, read off the sheet as a person would.

    A make-up fills a flask. It is free again when a step says that it is emptied; the rest stays filled.
    """
    filled: Counter = Counter()
    most: Counter = Counter()
    for step in answer["steps"]:
        item = (step["equipment"] or {}).get("item")
        if step["action"] == "transfer" and step["text"].startswith("Empty the"):
            filled[item] -= 1
        elif step["action"] == "make_up" and item and not LATER_FILLING.match(step["text"]):
            filled[item] += 1
            most |= filled
    return most


def test_two_flasks_of_one_size_are_used_at_once_only_where_there_are_two():
    both = plan(traces("NaCl"), shelf_with(*BOTTLES, apparatus=ware({250.0: 2})))
    assert both["feasible"]
    assert in_use_at_once(both)["flask-250"] == 2
    single = plan(traces("NaCl"), shelf_with(*BOTTLES, apparatus=ware({250.0: 1})))
    assert in_use_at_once(single)["flask-250"] <= 1


def test_with_one_flask_of_the_size_the_intermediate_goes_into_another():
    answer = plan(traces("NaCl"), shelf_with(*BOTTLES, apparatus=ware({250.0: 1, 500.0: 1})))
    assert answer["feasible"]
    assert in_use_at_once(answer) == {"flask-250": 1, "flask-500": 1}


def test_where_a_second_flask_is_all_that_is_missing_it_is_said():
    answer = plan(traces("NaCl"), shelf_with(*BOTTLES, apparatus=ware({250.0: 1})))
    assert not answer["feasible"]
    [said] = [one["text"] for one in answer["problems"] if one["code"] == "too_few_pieces"]
    assert "2 × 250 mL one-mark flask (class A)" in said
    assert "there is 1" in said


def test_two_components_do_not_wait_in_one_flask():
    few = plan(traces("NaCl", "KCl"), shelf_with(*BOTTLES, apparatus=ware({250.0: 1, 500.0: 1, 100.0: 1})))
    assert few["feasible"]
    assert all(count == 1 for count in in_use_at_once(few).values())


def test_a_flask_that_is_used_again_is_emptied_and_rinsed_first():
    """A trace through two intermediates: the first one's flask is free when the solution is made up."""
    answer = plan(
        traces("NaCl", volume="100", target="0.0000010", tolerance="2"),
        shelf_with(*BOTTLES, apparatus=ware({100.0: 1, 1000.0: 1})),
    )
    assert answer["feasible"], answer["problems"]
    made = [step["equipment"]["item"] for step in steps_of(answer, "make_up")]
    assert made == ["flask-100", "flask-1000", "flask-100"]
    emptied = [step for step in steps_of(answer, "transfer") if "Empty the" in step["text"]]
    assert [step["equipment"]["item"] for step in emptied] == ["flask-100"]
    assert "holds the intermediate solution 1" in emptied[0]["text"]
    assert "Rinse it three times" in emptied[0]["text"]
    assert in_use_at_once(answer) == {"flask-100": 1, "flask-1000": 1}


def test_a_cylinder_does_not_measure_into_itself():
    stock = ShelfLot("3", "L00003X", "sodium-chloride", "solution", 900.0, concentration_mol_per_l=2.0)

    def made_with(count: int) -> dict:
        cylinder = Apparatus(
            "graduated cylinder", nominal_ml=100.0, tolerance_ml=1.0, division_ml=1.0, count=count
        )
        request = traces("NaCl", volume="100", target="1.0", tolerance="5")
        return plan(request, shelf_with(stock, apparatus=(cylinder,)))

    assert made_with(2)["feasible"]
    single = made_with(1)
    assert not single["feasible"]
    [said] = [one["text"] for one in single["problems"] if one["code"] == "too_few_pieces"]
    assert "2 × 100 mL graduated cylinder (there is 1)" in said


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    flasks=st.dictionaries(
        st.sampled_from([50.0, 100.0, 250.0, 500.0, 1000.0]), st.integers(1, 3), min_size=1, max_size=5
    ),
    names=st.sampled_from([("NaCl",), ("KCl",), ("NaCl", "KCl")]),
    target=st.sampled_from(["0.0000010", "0.000020", "0.00050", "0.0030", "0.10"]),
    volume=st.sampled_from(["50", "100", "250", "500", "750", "1000"]),
    tolerance=st.sampled_from(["0.5", "1", "3"]),
    cylinders=st.booleans(),
)
def test_no_stage_has_more_of_an_item_in_use_than_there_are(
    flasks, names, target, volume, tolerance, cylinders
):
    shelf = shelf_with(*BOTTLES, apparatus=ware(flasks, cylinders=cylinders))
    answer = plan(traces(*names, volume=volume, target=target, tolerance=tolerance), shelf)
    there = {f"flask-{size:g}": count for size, count in flasks.items()}
    for item, count in in_use_at_once(answer).items():
        assert count <= there[item], (item, codes(answer))
