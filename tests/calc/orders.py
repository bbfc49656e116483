"""Short ways to write an order and to read its answer, for the tests of the planner."""

from typing import Any

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Apparatus, Shelf, ShelfLot
from prepdesk.calc.preview import preview

EMPTY = Shelf()


def component(substance: str, value: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"substance": substance, "target": {"value": value, "unit": unit}, **more}


def order(*components: dict[str, Any], volume: str = "500", unit: str = "mL", **more: Any) -> dict[str, Any]:
    return {
        "components": list(components),
        "volume": {"value": volume, "unit": unit},
        "equipment": "standard",
        **more,
    }


def one(substance: str, value: str, unit: str, volume: str = "500", **more: Any) -> dict[str, Any]:
    """An order of one component; source and equivalents belong to it, the rest to the order."""
    own = {name: more.pop(name) for name in ("source", "equivalents") if name in more}
    return order(component(substance, value, unit, **own), volume=volume, **more)


def plan(request: dict[str, Any], shelf: Shelf = EMPTY) -> dict[str, Any]:
    return preview(request, catalogue=standard_catalogue(), shelf=shelf)


def shelf_with(*lots: ShelfLot, apparatus: tuple[Apparatus, ...] | None = None) -> Shelf:
    return Shelf(lots=lots, apparatus=standard_set() if apparatus is None else apparatus)


def solid(lot_id: str, key: str, free: float = 500.0, **more: Any) -> ShelfLot:
    return ShelfLot(lot_id, f"L{lot_id.zfill(5)}X", key, "solid", free, **more)


def codes(answer: dict[str, Any], severity: str = "") -> list[str]:
    return [
        problem["code"] for problem in answer["problems"] if not severity or problem["severity"] == severity
    ]


def steps_of(answer: dict[str, Any], *actions: str) -> list[dict[str, Any]]:
    return [step for step in answer["steps"] if step["action"] in actions]


def amount(step: dict[str, Any]) -> float:
    return float(step["quantity"]["value"])


def made_in(answer: dict[str, Any]) -> dict[str, Any]:
    """Equipment of the last volume that is made up."""
    return steps_of(answer, "make_up")[-1]["equipment"]
