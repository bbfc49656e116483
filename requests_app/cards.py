"""What a list shows of a plan, worked out once when its sheet is frozen, so that no list reads whole plans.

A sheet never changes, so its card can't go stale.
"""

from collections.abc import Mapping
from typing import Any

Card = dict[str, Any]
_HOOD = "fume_hood"


def card_of(plan: Mapping[str, Any]) -> Card:
    """The card of a plan.

    Returns:
        ``makes`` (value and unit), ``steps`` (how many), ``minutes`` (of work, as the plan reckons),
        ``balances`` (keys of the balances it weighs on, in the order of the steps), ``hood`` (whether a
        step belongs into the fume hood), ``lots`` (keys of the bottles it draws from).
    """
    steps = plan["steps"]
    balances = [
        int(step["equipment"]["item"])
        for step in steps
        if (step["equipment"] or {}).get("type") == "balance" and step["equipment"].get("item")
    ]
    return {
        "makes": plan["makes"],
        "steps": len(steps),
        "minutes": round(plan["minutes"]),
        "balances": list(dict.fromkeys(balances)),
        "hood": any(caution["code"] == _HOOD for step in steps for caution in step["cautions"]),
        "lots": sorted({int(draw["lot"]["id"]) for draw in plan["draws"] if draw["lot"]}),
    }
