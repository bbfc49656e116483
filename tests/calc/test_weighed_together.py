"""Solutions weighed together: the balance carries vessel and contents, and fineness has a purpose."""

import pytest

from prepdesk.calc.apparatus import standard_set
from tests.calc.orders import codes, component, one, order, plan, steps_of

CAPACITY = {item.readability_g: item.capacity_g for item in standard_set() if item.type == "balance"}
ORDERS = {
    "salt to the last digit": one("NaCl", "5.00", "% w/w"),
    "copper sulfate": one("CuSO4.5H2O", "5.00", "% w/w"),
    "acid from the bottle": one("HCl", "14.8", "% w/w", "900"),
    "phthalate": one("KHP", "0.0500", "mol/kg", "1000"),
    "loose salt": one("NaCl", "5.0", "% w/w"),
    "two salts": order(component("NaCl", "1.00", "% w/w"), component("KCl", "1.00", "% w/w"), volume="2000"),
}


@pytest.mark.parametrize("request_", ORDERS.values(), ids=ORDERS)
def test_the_balance_carries_the_beaker_and_all_the_water_in_it(request_):
    # A glass beaker weighs some 0.3 g per mL it holds (common practice); portions in it add up.
    answer = plan(request_)
    water = [step for step in steps_of(answer, "weigh") if step["substance"] == "water"]
    assert answer["steps"]
    if water:
        reads = float(water[0]["equipment"]["readability"]["value"])
        assert len(water) == 1
        assert 1.3 * float(water[0]["quantity"]["value"]) <= CAPACITY[reads]


def test_what_comes_nearest_to_an_unreachable_tolerance_is_no_finer_than_it_helps():
    # The label's mass percent spends 2.3 % here; tenths of a milligram would gain nothing.
    answer = plan(ORDERS["acid from the bottle"])
    assert "tolerance_not_reachable" in codes(answer, "stop")
    assert answer["result"]["concentrations"][0]["expanded_uncertainty_percent"] == pytest.approx(
        2.3, abs=0.1
    )
    for step in steps_of(answer, "weigh", "measure"):
        decimals = len(step["quantity"]["value"].partition(".")[2])
        assert decimals <= 1, step["text"]
