"""A solubility from memory: it warns near its limit and stops what no slip of memory explains."""

import pytest

from tests.calc.orders import codes, component, one, order, plan


@pytest.mark.parametrize(
    ("substance", "mol_per_l", "unit"),
    [
        # Common practice: 0.3 g of iodine dissolves in a litre of water; 0.05 mol/L, 12.7 g, needs iodide.
        ("iodine", "0.05", "mol/L"),
        # A textbook gives 3.4 g of benzoic acid per litre at 25 °C.
        ("benzoic acid", "0.10", "mol/L"),
        # Cream of tartar: some 5 g in a litre of cold water (common practice); 0.1 mol/L would be 19 g.
        ("potassium hydrogen tartrate", "0.10", "mol/L"),
        ("iodine", "1.0", "% w/w"),
    ],
)
def test_more_than_three_times_a_remembered_solubility_stops_the_order(substance, mol_per_l, unit):
    answer = plan(one(substance, mol_per_l, unit))
    assert "over_solubility" in codes(answer, "stop")
    assert answer["feasible"] is False


def test_a_little_more_than_a_remembered_solubility_only_warns():
    # 9.5 g of oxalic acid on 100 g of water (from memory): 1.2 mol/L is a tenth above it.
    answer = plan(one("H2C2O4", "1.2", "mol/L"))
    assert "over_solubility" in codes(answer, "warn")
    assert answer["feasible"] is True


def test_iodine_beside_iodide_is_made():
    # The usual 0.05 mol/L iodine holds 20 g and more of potassium iodide in a litre (common practice).
    answer = plan(order(component("iodine", "0.050", "mol/L"), component("KI", "0.24", "mol/L")))
    assert "over_solubility" not in codes(answer, "stop")
    assert "over_solubility" in codes(answer, "warn")
    assert answer["feasible"] is True
