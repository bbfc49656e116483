"""What a list shows of a plan, worked out once when its sheet is frozen, so that no list reads whole plans.

A sheet never changes, so its card can't go stale. A card that was frozen before a key came to be lacks it.
"""

import json
from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from requests_app.work_time import work_time


class Card(dict[str, Any]):
    """A card as it is read: never changed, and the same object for the same text, which is its hash."""

    __slots__ = ()

    def __hash__(self) -> int:  # type: ignore[override]  # a plain mapping has none
        return id(self)


@lru_cache(2048)
def card_in(text: str) -> Card:
    """The card that a text holds: read once and kept, since a list reads those of the same sheets all day."""
    return Card(json.loads(text))


_HOOD = "fume_hood"


def card_of(plan: Mapping[str, Any]) -> dict[str, Any]:
    """The card of a plan.

    Returns:
        ``makes`` (value and unit), ``steps`` (how many), ``minutes`` (of work, as the plan reckons),
        ``hands_on`` and ``waiting`` (minutes with hands and without, see :mod:`requests_app.work_time`),
        ``step_minutes`` (the same for each step, as pairs), ``weighed_by`` (number of the last step on a
        balance, 0 for none), ``balances`` (keys of the balances it weighs on, in the order of the steps),
        ``hood`` (whether a step belongs into the fume hood), ``lots`` (keys of the bottles it draws from),
        ``solutes`` (names of what it is a solution of), ``booked`` (keys of the vessels and places it has
        booked), ``apparatus`` (keys of all apparatus it uses, also of what isn't booked), ``way`` (the route,
        as text: it is read only where nobody has drawn it yet).
    """
    steps = plan["steps"]
    weighed = [step for step in steps if (step["equipment"] or {}).get("type") == "balance"]
    balances = [int(step["equipment"]["item"]) for step in weighed if step["equipment"].get("item")]
    times = work_time(plan)
    return {
        "makes": plan["makes"],
        "steps": len(steps),
        "minutes": round(plan["minutes"]),
        "hands_on": round(times.hands_on),
        "waiting": round(times.waiting),
        "step_minutes": [[one.hands_on, one.waiting] for one in times.steps],
        "weighed_by": weighed[-1]["number"] if weighed else 0,
        "balances": list(dict.fromkeys(balances)),
        "hood": any(caution["code"] == _HOOD for step in steps for caution in step["cautions"]),
        "lots": sorted({int(draw["lot"]["id"]) for draw in plan["draws"] if draw["lot"]}),
        "booked": [int(one["item"]) for one in (plan.get("at_bench") or {}).get("apparatus", ())],
        "solutes": [component["substance"] for component in plan.get("components", ())],
        "apparatus": sorted(items_of(plan)),
        "way": json.dumps(plan["route"], ensure_ascii=False, separators=(",", ":")),
    }


def items_of(plan: Mapping[str, Any]) -> set[int]:
    """The keys of all apparatus a plan uses, also of what isn't booked."""
    named = [step["equipment"] for step in plan["steps"] if step["equipment"]]
    for stage in plan["route"]:
        named += [stage["vessel"], *(one["measured_by"] for one in stage["inputs"])]
    return {int(one["item"]) for one in named if one.get("item")}
