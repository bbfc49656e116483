"""What holds for every plan, whatever is asked: amounts are kept, capacities too, nothing is invented."""

import math
from decimal import Decimal
from itertools import product

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set, tolerance_ml, vessels
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import Apparatus, Shelf
from prepdesk.calc.planner.cost import (
    CLASS_A,
    DISSOLVING,
    MADE_IN_VAIN,
    MAKE_UP_CYLINDER,
    MAKE_UP_FLASK,
    MAKE_UP_LARGE_FLASK,
    TEMPERING,
    weighing_minutes,
)
from tests.calc.orders import amount, codes, one, plan, shelf_with, solid, steps_of

SALTS = {
    "NaCl": "sodium-chloride",
    "KNO3": "potassium-nitrate",
    "KCl": "potassium-chloride",
}
FAST = settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])

digits = st.integers(min_value=1, max_value=4)
magnitudes = st.floats(min_value=-4, max_value=0)


@st.composite
def targets(draw) -> str:
    """A concentration in mol/L with one to four digits, from 0.1 mmol/L to 1 mol/L."""
    value = 10 ** draw(magnitudes)
    return f"{value:.{draw(digits)}g}" if value < 1 else f"{value:.2f}"


volumes = st.sampled_from(
    ["1", "7.5", "10", "25", "50", "100", "137", "250", "300", "500", "1000", "2000", "6000"]
)
tolerances = st.sampled_from([None, "0.1", "0.3", "0.5", "1", "2", "5", "10"])
assays = st.floats(min_value=60, max_value=100).map(lambda value: f"{value:.2f}")


def price(answer: dict, volume: str) -> float:
    """Work and what is made in vain, as routes are compared."""
    return answer["minutes"] + MADE_IN_VAIN * (float(answer["makes"]["value"]) - float(volume)) / 1000


def order_of(salt: str, target: str, volume: str, tolerance: str | None, assay: str) -> dict:
    source = {"kind": "solid", "formula": salt, "assay_percent": assay}
    more = {} if tolerance is None else {"tolerance_percent": tolerance}
    return one(salt, target, "mol/L", volume, source=source, **more)


orders = st.builds(order_of, st.sampled_from(list(SALTS)), targets(), volumes, tolerances, assays)


def moles_made(answer: dict, salt: str, assay: float) -> float:
    """Moles in the final solution, followed from the weighings through every aliquot."""
    moles = sum(amount(step) for step in steps_of(answer, "weigh")) * assay / molar_mass(salt).g_per_mol
    stages = sorted({step["stage"] for step in answer["steps"] if "stage" in step})
    for stage in stages[:-1]:
        flask = next(s for s in answer["steps"] if s.get("stage") == stage and s["action"] == "make_up")
        aliquots = [s for s in answer["steps"] if s.get("stage") == stage + 1 and s["action"] == "measure"]
        moles *= sum(map(amount, aliquots)) / amount(flask)
    return moles


@FAST
@given(orders)
def test_what_is_weighed_is_what_is_promised(request):
    answer = plan(request)
    if not answer["steps"]:
        return
    [salt] = [one["substance"] for one in request["components"]]
    assay = float(request["components"][0]["source"]["assay_percent"]) / 100
    litres = float(answer["makes"]["value"]) / 1000
    made = moles_made(answer, salt, assay) / litres
    shown = float(answer["result"]["concentrations"][0]["value"])
    target = float(request["components"][0]["target"]["value"])
    step = 10.0 ** -len(answer["result"]["concentrations"][0]["value"].partition(".")[2])
    assert made == pytest.approx(shown, abs=step, rel=1e-9)
    if answer["feasible"]:
        spent = (
            100 * abs(made / target - 1)
            + answer["result"]["concentrations"][0]["expanded_uncertainty_percent"]
        )
        assert spent <= answer["tolerance_percent"] * 1.006, "three digits are shown of the uncertainty"


@FAST
@given(orders)
def test_no_apparatus_holds_or_shows_more_than_it_can(request):
    answer = plan(request)
    there = {(item.type, item.nominal_ml, item.readability_g) for item in standard_set()}
    capacities = {item.readability_g: item.capacity_g for item in standard_set() if item.type == "balance"}
    for step in answer["steps"]:
        equipment = step["equipment"]
        if equipment is None:
            continue
        nominal = float(equipment["nominal"]["value"]) if "nominal" in equipment else None
        readability = float(equipment["readability"]["value"]) if "readability" in equipment else None
        assert (equipment["type"], nominal, readability) in there
        if step["action"] == "weigh":
            assert amount(step) <= capacities[readability]
            assert Decimal(step["quantity"]["value"]) % Decimal(str(readability)) == 0
        if step["action"] in ("measure", "make_up"):
            assert 0 < amount(step) <= nominal
        if step["action"] == "make_up":
            assert equipment["type"] in ("one-mark flask", "graduated cylinder")
    assert float(answer["makes"]["value"]) >= float(request["volume"]["value"]) if answer["makes"] else True


@FAST
@given(orders)
def test_a_window_holds_the_planned_reading_and_a_window_stands_exactly_where_one_is_read(request):
    answer = plan(request)
    for step in answer["steps"]:
        read = step["action"] == "weigh" or (
            step["action"] == "measure"
            and step["equipment"]["type"] in ("burette", "graduated cylinder", "graduated pipette")
        )
        # A plan that can't be made shows no window that is a single figure.
        assert ("window" in step) == read or (read and not answer["feasible"])
        if "window" in step:
            low, high = Decimal(step["window"]["low"]), Decimal(step["window"]["high"])
            planned = Decimal(step["quantity"]["value"])
            assert 0 < low <= planned <= high
            if answer["feasible"] and step["action"] == "weigh":
                # Nobody brings a display to a single figure (common practice): a digit each way is allowed.
                assert low < planned < high
            assert step["window"]["unit"] == step["quantity"]["unit"]


@FAST
@given(orders)
def test_the_budget_adds_up_to_the_uncertainty_shown(request):
    answer = plan(request)
    if not answer["steps"]:
        return
    rows = answer["budget"]
    total = 2 * math.sqrt(sum(row["relative_standard_uncertainty_percent"] ** 2 for row in rows))
    shown = answer["result"]["concentrations"][0]["expanded_uncertainty_percent"]
    assert total == pytest.approx(shown, rel=0.01)
    assert sum(row["share_percent"] for row in rows) == pytest.approx(100, abs=0.2)
    assert all(row["distribution"] in ("normal", "rectangular", "triangular") for row in rows)


@FAST
@given(targets(), volumes, st.sampled_from(["0.2", "0.5", "1", "2", "4"]))
def test_a_tighter_tolerance_never_takes_less_work_and_never_turns_feasible(target, volume, tolerance):
    tight = plan(order_of("KCl", target, volume, tolerance, "99.5"))
    loose = plan(order_of("KCl", target, volume, str(2 * float(tolerance)), "99.5"))
    if tight["feasible"]:
        assert loose["feasible"]
        assert price(loose, volume) <= price(tight, volume) + 1, "minutes are shown rounded"


@FAST
@given(targets(), assays)
def test_twice_the_volume_takes_twice_the_salt(target, assay):
    small, large = (plan(order_of("NaCl", target, volume, "5", assay)) for volume in ("500", "1000"))
    if (
        not (small["steps"] and large["steps"])
        or "stage" in small["steps"][0]
        or "stage" in large["steps"][0]
    ):
        return
    one_step = float(small["steps"][0]["equipment"]["readability"]["value"])
    other_step = float(large["steps"][0]["equipment"]["readability"]["value"])
    doubled = 2 * amount(small["steps"][0])
    assert amount(large["steps"][0]) == pytest.approx(doubled, abs=one_step + other_step)


@FAST
@given(orders, st.floats(min_value=0.001, max_value=3000))
def test_nothing_is_drawn_that_the_shelf_does_not_hold(request, free):
    salt = request["components"][0]["substance"]
    assay = float(request["components"][0]["source"]["assay_percent"])
    lot = solid("1", SALTS[salt], free, assay_percent=assay)
    asked = {**request, "equipment": "shelf"}
    asked["components"] = [{name: request["components"][0][name] for name in ("substance", "target")}]
    answer = plan(asked, shelf_with(lot))
    if not answer["draws"]:
        return
    [draw] = answer["draws"]
    weighed = sum(map(amount, steps_of(answer, "weigh")))
    assert float(draw["amount"]["value"]) == pytest.approx(weighed, abs=1e-6 + 1e-4)
    if float(draw["amount"]["value"]) > free * (1 + 1e-9):
        assert not answer["feasible"]
        assert "out_of_stock" in codes(answer, "stop")
        missing = float(answer["shortages"][0]["missing"]["value"])
        assert missing == pytest.approx(float(draw["amount"]["value"]) - free, rel=0.01, abs=0.001)
    else:
        assert "out_of_stock" not in codes(answer)


# --- against brute force ----------------------------------------------------------------------------
def small_set() -> tuple[Apparatus, ...]:
    balances = (
        Apparatus("balance", readability_g=0.1, capacity_g=500),
        Apparatus("balance", readability_g=0.01, capacity_g=200, linearity_g=0.02),
        Apparatus("balance", readability_g=0.001, capacity_g=120, repeatability_g=0.001),
    )
    flasks = tuple(
        Apparatus(
            "one-mark flask",
            nominal_ml=size,
            tolerance_ml=tolerance_ml("one-mark flask", size, grade, "ISO 1042"),
            apparatus_class=grade,
            standard="ISO 1042:1998",
        )
        for size, grade in product((100.0, 250.0, 1000.0), "AB")
    )
    cylinders = tuple(
        Apparatus(
            "graduated cylinder",
            nominal_ml=size,
            tolerance_ml=limit,
            division_ml=division,
            apparatus_class="B",
        )
        for size, limit, division in ((100.0, 1.0, 1.0), (500.0, 5.0, 5.0))
    )
    return (*balances, *flasks, *cylinders, *vessels("beaker"))


def cheapest_by_hand(
    mol_per_l: float, volume_ml: float, tolerance: float, g_per_mol: float
) -> tuple[float, float] | None:
    """Every balance with every vessel in turn, by the formulas written out again: price and minutes."""
    best = None
    for bath, balance, vessel in product((False, True), small_set(), small_set()):
        if balance.type != "balance":
            continue
        if vessel.type == "one-mark flask" and vessel.nominal_ml >= volume_ml:
            larger = [
                item.nominal_ml
                for item in small_set()
                if item.type == vessel.type and item.nominal_ml >= volume_ml
            ]
            if vessel.nominal_ml != min(larger):
                continue
            made = vessel.nominal_ml
            glass = (vessel.tolerance_ml / math.sqrt(6)) ** 2 + (0.2 * vessel.tolerance_ml) ** 2
            minutes = DISSOLVING + (MAKE_UP_LARGE_FLASK if made > 1000 else MAKE_UP_FLASK)
        elif vessel.type == "graduated cylinder" and vessel.nominal_ml >= volume_ml:
            if vessel.nominal_ml == 500.0 and volume_ml <= 100:
                continue
            step = vessel.division_ml / 2
            made = math.ceil(volume_ml / step - 1e-9) * step
            glass = (vessel.tolerance_ml**2 + (vessel.division_ml / 4) ** 2) / 3
            minutes = DISSOLVING + MAKE_UP_CYLINDER
        else:
            continue
        exact = mol_per_l * made / 1000 * g_per_mol
        weighed = round(exact / balance.readability_g) * balance.readability_g
        if weighed <= 0 or exact * 1.3 + 5 > balance.capacity_g:
            continue
        mass = 2 * (balance.readability_g / 2) ** 2 / 3 + (balance.repeatability_g or 0) ** 2
        mass += 2 * (balance.linearity_g or 0) ** 2 / 3
        kelvin = 1.0 if bath else 4.0
        variance = mass / exact**2 + glass / made**2 + (kelvin * 2.1e-4) ** 2 / 3
        variance += (0.001 / math.sqrt(3)) ** 2 + molar_variance()
        beside = balance.readability_g / exact
        if abs(weighed / exact - 1) + beside + 2 * math.sqrt(variance) > tolerance:
            continue
        minutes += weighing_minutes(balance.readability_g) + (TEMPERING if bath else 0)
        minutes += CLASS_A if vessel.apparatus_class == "A" else 0
        found = (minutes + MADE_IN_VAIN * (made - volume_ml) / 1000, minutes)
        best = found if best is None else min(best, found)
    return best


def molar_variance() -> float:
    mass = molar_mass("NaCl")
    return (mass.standard_uncertainty_g_per_mol / mass.g_per_mol) ** 2


@FAST
@given(
    st.floats(min_value=0.02, max_value=2),
    st.sampled_from([40.0, 100.0, 180.0, 250.0, 333.0, 500.0, 750.0, 1000.0]),
    st.sampled_from([0.12, 0.2, 0.35, 0.6, 1.0, 2.0, 5.0]),
)
def test_no_direct_route_by_hand_is_cheaper_than_the_plan(mol_per_l, volume_ml, percent):
    typed = f"{mol_per_l:.4f}"
    source = {"kind": "solid", "formula": "NaCl", "assay_percent": "100"}
    request = one(
        "NaCl", typed, "mol/L", f"{volume_ml:g}", source=source, tolerance_percent=percent, equipment="shelf"
    )
    answer = plan(request, Shelf(apparatus=small_set()))
    by_hand = cheapest_by_hand(float(typed), volume_ml, percent / 100, molar_mass("NaCl").g_per_mol)
    if by_hand is None:
        # Only several fillings or an intermediate can have made it feasible then.
        if answer["feasible"]:
            assert "stage" in answer["steps"][0] or answer["route"][0]["vessel_count"] > 1
        return
    assert answer["feasible"]
    least, minutes = by_hand
    assert price(answer, f"{volume_ml:g}") <= least + 0.5, "minutes are shown rounded"
    if "stage" not in answer["steps"][0] and answer["route"][0]["vessel_count"] == 1:
        assert answer["minutes"] == round(minutes)


def test_every_substance_of_the_catalogue_gives_a_plan_or_a_reason():
    from prepdesk.calc.catalogue import standard_catalogue

    for substance in standard_catalogue():
        answer = plan(one(substance.key, "0.010", "mol/L", "250", tolerance_percent=5))
        assert answer["steps"] or codes(answer, "stop"), substance.key
        assert answer["feasible"] == (not codes(answer, "stop")), substance.key
        assert answer["components"][0]["formula_pretty"] == parse_formula(substance.formula).pretty
        if answer["steps"]:
            assert answer["cautions"][-1]["code"] == "local_rules"
            assert answer["steps"][-1]["action"] == "label"
