"""A bottle runs out: what the next one must give, against figures worked by hand, and a budget as in QUAM."""

import math

import pytest

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.going_on import go_on_from
from prepdesk.calc.model import ShelfLot
from prepdesk.calc.typed import parse_number
from tests.calc.orders import one, plan, shelf_with
from tests.published.values import each, published


def lot_of(lot_id: str, kind: str, key: str, percent: float, density: float | None = None) -> ShelfLot:
    strength = "assay_percent" if kind == "solid" else "mass_percent"
    return ShelfLot(
        lot_id, f"LOT{lot_id}", key, kind, 5000, assay_tolerance_percent=0.1, density_g_per_ml=density,
        **{strength: percent},
    )  # fmt: skip


def gone_on(row: dict):
    first, second = (
        lot_of(lot_id, row["kind"], *row[name]) for lot_id, name in (("1", "first"), ("2", "second"))
    )
    answer = plan(
        one(
            row["substance"],
            row["target"],
            "mol/L",
            row["volume"],
            equipment="shelf",
            tolerance_percent=row["allowed_percent"],
        ),
        shelf_with(first),
    )
    number = next(step["number"] for step in answer["steps"] if step.get("lot"))
    return go_on_from(
        answer,
        {},
        step_number=number,
        gave=parse_number(row["gave"]),
        other=second,
        lots=(first,),
        catalogue=standard_catalogue(),
        apparatus=standard_set(),
    )


@each("run_outs.toml", "substance", "target")
def test_the_rest_is_the_figure_worked_by_hand(row):
    assert gone_on(row).rest.value == pytest.approx(row["rest"], abs=row["tolerance"])


def test_the_budget_of_two_bottles_counts_each_purity_by_its_part_as_quam_counts_one():
    # QUAM A1 counts a purity of ± 0.0001 rectangular, u(P) = 0.0001 ÷ √3; of two bottles each counts by its
    # part of the amount, since the solute is the sum of both (GUM 5.1.2).
    row = published("run_outs.toml")[0]
    rows = {row_["input"]: row_ for row_ in gone_on(row).plan["budget"]}
    brought = 40.12 * 0.990 / 58.44
    for code, percent, part in (("LOT1", 99.0, brought), ("LOT2", 99.9, 1 - brought)):
        found = rows[f"assay of sodium chloride, lot {code}"]
        assert found["distribution"] == "rectangular"
        assert found["relative_standard_uncertainty_percent"] == pytest.approx(
            100 * 0.1 / math.sqrt(3) / percent * part, rel=0.01
        )
