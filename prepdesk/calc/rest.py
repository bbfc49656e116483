"""The last of several bottles makes up for what the others really gave.

Nobody gets exactly the figure out of a bottle that is being emptied. What it gave is read, and the sheet's
figure for the last bottle moves by what is missing or too much, each by the strength of its own bottle.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from prepdesk.calc.typed import TypedNumber

Plan = Mapping[str, Any]
Step = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Given:
    """One weighing or measuring of a bottle: its step, the exact amount, solute per unit [mol]."""

    step: int
    exact: float
    mol_per_unit: float


def steps_with_rest(plan: Plan, readings: Mapping[int, TypedNumber]) -> list[Step]:
    """The steps of a plan, the last bottle's figure moved by what the bottles before it gave.

    Args:
        plan: a frozen answer of the service.
        readings: what was read so far, by step number.

    Returns:
        The steps; a moved one has ``planned`` (its figure on the sheet) and ``because`` besides, and its
        quantity, window and sentence say what is to be reached now. Where the ware can't hold what is
        missing, the step stays as it is, and settling says what to do.
    """
    steps: dict[int, Step] = {step["number"]: step for step in plan["steps"]}
    for given in _together(plan.get("settling") or {}):
        *earlier, last = given
        if any(one.step not in readings for one in earlier):
            continue
        missing = sum((one.exact - float(readings[one.step].value)) * one.mol_per_unit for one in earlier)
        moved = moved_to(steps[last.step], last.exact + missing / last.mol_per_unit)
        if moved is not None:
            moved["because"] = _because([steps[one.step] for one in earlier], readings)
            steps[last.step] = moved
    return [steps[number] for number in sorted(steps)]


def steps_that_wait(plan: Plan) -> dict[int, tuple[int, ...]]:
    """Which steps have a figure that moves with a reading, and with the readings of which steps.

    Args:
        plan: a frozen answer of the service.

    Returns:
        By the number of the last bottle's step, the numbers of the steps of the bottles before it.

    >>> steps_that_wait({"settling": {}})
    {}
    """
    return {
        last.step: tuple(one.step for one in earlier)
        for *earlier, last in _together(plan.get("settling") or {})
    }


def _together(settling: Mapping[str, Any]) -> Iterator[Sequence[_Given]]:
    """The bottles that give one amount together, filling by filling; only where each is read at once."""
    if settling.get("kind") == "mass":
        apart = {one["component"] for one in settling["sources"] if one.get("apart")}
        places = {one["component"] for one in settling["sources"]} - {None} - apart
        groups = [
            [
                (one["steps"], one["mol_per_g"] * one["g_per_unit"])
                for one in settling["sources"]
                if one["component"] == place
            ]
            for place in sorted(places)
        ]
    else:
        groups = [
            [(bottle["steps"], bottle["mol_per_unit"]) for bottle in reading["bottles"]]
            for component in settling.get("components", ())
            for reading in component["readings"]
            # What goes on from another bottle half way has portions or fillings that don't stand in pairs.
            if "bottles" in reading and not reading.get("apart")
        ]
    for bottles in groups:
        turns = {len(steps) for steps, _ in bottles}
        # In several portions nobody can say which one is short; then the figures stay as they are.
        if len(bottles) < 2 or len(turns) != 1 or 0 in turns:
            continue
        for turn in range(turns.pop()):
            given = [_Given(steps[turn][0], steps[turn][1], per_unit) for steps, per_unit in bottles]
            if [one.step for one in given] == sorted(one.step for one in given):
                yield given


def moved_to(step: Step, exact: float) -> Step | None:
    """A step with its figure moved to an exact amount [unit of the step].

    Returns:
        The step with ``planned``, its figure before, besides; None where the ware shows no difference or
        can't hold it.
    """
    quantity, window, ware = step["quantity"], step.get("window"), step["equipment"] or {}
    old = Decimal(quantity["value"])
    digit = Decimal(1).scaleb(int(old.as_tuple().exponent))
    least = digit
    if "readability" in ware:
        least = Decimal(ware["readability"]["value"])
    elif "division" in ware:
        least = Decimal(ware["division"]["value"]) / 2
    new = ((Decimal(exact) / least).quantize(Decimal(1)) * least).quantize(digit)
    change = new - old
    if not change or window is None:
        return None
    low, high = (Decimal(window[bound]) + change for bound in ("low", "high"))
    if "nominal" in ware:
        high = min(high, Decimal(ware["nominal"]["value"]).quantize(digit))
    if low <= 0 or new > high:
        return None
    now = {**quantity, "value": str(new)}
    before, after = (f"{one['value']} {one['unit']}" for one in (quantity, now))
    return {
        **step,
        "quantity": now,
        "planned": quantity,
        "window": {**window, "low": str(low), "high": str(high)},
        "text": step["text"].replace(before, after, 1),
    }


def _because(steps: Sequence[Step], readings: Mapping[int, TypedNumber]) -> str:
    given = [
        f"{step['lot']['code']} gave {readings[step['number']].text} {step['quantity']['unit']}"
        f" instead of {step['quantity']['value']} {step['quantity']['unit']}"
        for step in steps
        if readings[step["number"]].value != Decimal(step["quantity"]["value"])
    ]
    return f"{' and '.join(given)}, so this bottle gives the rest."
