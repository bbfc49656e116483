"""Whatever stands on the shelf and whatever is asked: nothing that isn't there, no false promise."""

import json
import math

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import limits, standard_set, vessels
from prepdesk.calc.model import Apparatus, Shelf, ShelfLot
from prepdesk.calc.settle import settle
from tests.calc.orders import amount, codes, component, order, plan
from tests.calc.test_planner_properties import price

PISTONS = tuple(
    Apparatus(
        "piston pipette",
        nominal_ml=row.nominal_ml,
        tolerance_ml=row.tolerance_ml,
        standard=row.standard,
    )
    for row in limits()
    if row.type == "piston pipette"
)
GRADUATED = tuple(
    Apparatus(
        "graduated pipette",
        nominal_ml=row.nominal_ml,
        tolerance_ml=row.tolerance_ml,
        division_ml=row.division_ml,
        apparatus_class=row.apparatus_class,
        standard=row.standard,
    )
    for row in limits()
    if row.type == "graduated pipette"
)
EVERYTHING = (*standard_set(), *PISTONS, *GRADUATED, *vessels("conical flask"), *vessels("carboy"))
LOTS = (
    ShelfLot("1", "L00001X", "sodium-chloride", "solid", 800.0, assay_percent=99.5,
             assay_tolerance_percent=0.2),
    ShelfLot("2", "L00002X", "sodium-chloride", "solid", 3.0, assay_percent=99.9),
    ShelfLot("3", "L00003X", "sodium-chloride", "solution", 600.0, concentration_mol_per_l=2.0,
             relative_uncertainty_percent=0.3),
    ShelfLot("4", "L00004X", "hydrochloric-acid", "liquid", 900.0, mass_percent=37.0),
    ShelfLot("5", "L00005X", "copper-sulfate-pentahydrate", "solid", 250.0, assay_percent=99.0),
    ShelfLot("6", "L00006X", "potassium-chloride", "solid", 120.0),
    ShelfLot("7", "L00007X", "ethanol", "liquid", 1000.0, mass_percent=99.5, density_g_per_ml=0.7893),
)  # fmt: skip
UNITS = ("mol/L", "mmol/L", "g/L", "mg/L", "% w/v", "% w/w", "mol/kg", "mg/kg")


@st.composite
def requests(draw):
    names = draw(
        st.lists(
            st.sampled_from(["NaCl", "HCl", "CuSO4.5H2O", "CuSO4", "KCl", "KNO3"]),
            min_size=1,
            max_size=3,
            unique=True,
        )
    )
    parts = []
    for name in names:
        exponent = draw(st.floats(min_value=-5, max_value=1))
        digits = draw(st.integers(min_value=1, max_value=4))
        text = f"{10**exponent:.{digits}g}"
        parts.append(component(name, text, draw(st.sampled_from(UNITS))))
    more = {}
    if draw(st.booleans()):
        more["tolerance_percent"] = draw(st.sampled_from(["0.2", "1", "3", "10"]))
    if draw(st.booleans()):
        more["temperature_c"] = draw(st.sampled_from([5, 18, 25, 37]))
    volume = draw(st.sampled_from(["0.3", "2", "10", "42", "100", "250", "750", "1500", "9000", "40000"]))
    return order(*parts, volume=volume, equipment="shelf", **more)


shelves = st.builds(
    lambda kept, lots: Shelf(lots=tuple(lots), apparatus=tuple(kept)),
    st.lists(st.sampled_from(EVERYTHING), unique_by=id, max_size=40),
    st.lists(st.sampled_from(LOTS), unique_by=id, max_size=len(LOTS)),
)
full_shelves = st.just(Shelf(lots=LOTS, apparatus=EVERYTHING))


def the_same(equipment: dict, item: Apparatus) -> bool:
    nominal = float(equipment["nominal"]["value"]) if "nominal" in equipment else None
    readability = float(equipment["readability"]["value"]) if "readability" in equipment else None
    return (equipment["type"], nominal, readability, equipment["class"]) == (
        item.type,
        item.nominal_ml,
        item.readability_g,
        item.apparatus_class,
    )


def drawn_by_lot(answer: dict, lots: dict[str, ShelfLot]) -> dict[str, float]:
    """What is drawn from each bottle, in the unit it is drawn in."""
    drawn: dict[str, float] = {}
    for draw in answer["draws"]:
        if draw["lot"]:
            lot = lots[draw["lot"]["id"]]
            assert draw["amount"]["unit"] == ("g" if lot.kind == "solid" else "mL")
            drawn[lot.id] = drawn.get(lot.id, 0.0) + float(draw["amount"]["value"])
    return drawn


@settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(requests(), shelves | full_shelves)
def test_a_plan_keeps_its_promises_on_any_shelf(request, shelf):
    answer = plan(request, shelf)
    json.dumps(answer, allow_nan=False)
    assert answer["feasible"] == (bool(answer["steps"]) and not codes(answer, "stop"))
    assert answer["steps"] or codes(answer, "stop"), "no steps without a reason"
    lots = {lot.id: lot for lot in shelf.lots}
    capacity = {item.readability_g: item.capacity_g for item in shelf.apparatus if item.type == "balance"}
    for step in answer["steps"]:
        equipment = step["equipment"]
        assert equipment is None or any(the_same(equipment, item) for item in shelf.apparatus), equipment
        assert "lot" not in step or step["lot"]["id"] in lots
        if step["action"] == "weigh":
            assert 0 < amount(step) <= capacity[float(equipment["readability"]["value"])]
        elif step["action"] == "measure":
            assert 0 < amount(step) <= float(equipment["nominal"]["value"]) * (1 + 1e-9)
    if answer["steps"]:
        assert answer["cautions"][-1]["code"] == "local_rules"
        assert len(answer["result"]["concentrations"]) == len(request["components"])
        assert [step["number"] for step in answer["steps"]] == list(range(1, len(answer["steps"]) + 1))
    for lot_id, total in drawn_by_lot(answer, lots).items():
        if total > lots[lot_id].free * (1 + 1e-6) + 0.01:
            assert "out_of_stock" in codes(answer, "stop")
    if answer["feasible"]:
        assert all(draw["lot"] for draw in answer["draws"]), "a shelf plan draws from bottles"
        settled = settle(answer, {})
        assert settled.inside, settled.text
        for found in settled.concentrations:
            assert math.isfinite(found.value)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(requests())
def test_more_apparatus_never_makes_a_plan_impossible_or_more_laborious(request):
    some = Shelf(lots=LOTS, apparatus=standard_set())
    more = Shelf(lots=LOTS, apparatus=EVERYTHING)
    before, after = plan(request, some), plan(request, more)
    if before["feasible"]:
        assert after["feasible"]
        # Minutes are shown rounded, each to the nearest.
        volume = request["volume"]["value"]
        if "mL" in (before["makes"]["unit"], after["makes"]["unit"]):
            assert price(after, volume) <= price(before, volume) + 1


def test_the_shelf_of_a_hundred_orders_can_be_planned_twice_with_the_same_answer():
    shelf = Shelf(lots=LOTS, apparatus=EVERYTHING)
    asked = order(component("NaCl", "0.154", "mol/L"), component("KCl", "4.0", "mmol/L"), equipment="shelf")
    # Another tuple with the same apparatus: what the planner keeps about a shelf must not leak.
    assert plan(asked, shelf) == plan(asked, Shelf(lots=LOTS, apparatus=(*EVERYTHING,)))
