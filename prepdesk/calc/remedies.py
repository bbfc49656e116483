"""What can be done when a preparation came out beside its tolerance, the cheapest first."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

from prepdesk.calc.found import (
    ROOM,
    Plan,
    SettledConcentration,
    Taken,
    bottle_mol,
    plain,
    source_g,
    thinned_against,
)

# Less than this can't be added to a finished solution with any sense [mL or g].
_SMALLEST_ADDITION: Final = 0.05
# Of what was asked: with less in it there is nothing to strengthen, and a ratio has no sound digit left.
_NOTHING_IN_IT: Final = 1e-6


def remedies(plan: Plan, found: Sequence[SettledConcentration], taken: Taken) -> list[str]:
    """The ways to put it right, cheapest first."""
    ways = []
    label = "; ".join(f"{one.value_text} {one.unit} {one.substance}" for one in found)
    off = [one for one in found if not one.inside]
    if all(one.deviation_percent > 0.0 for one in off):
        ways += _dilute(plan, found, taken)
    elif all(one.deviation_percent < 0.0 for one in off):
        ways += _strengthen(plan, found, taken)
    if any(one.expanded_uncertainty_percent > one.tolerance_percent for one in off):
        ways.append("Standardise the solution: its uncertainty alone is more than the tolerance.")
    ways.append(f"Keep it and label it as it is, if whoever ordered it agrees: {label}.")
    ways.append("Weigh or measure again and make it anew.")
    return ways


def _dilute(plan: Plan, found: Sequence[SettledConcentration], taken: Taken) -> list[str]:
    """Too strong: more solvent, as long as every component comes inside by the same addition."""
    settling = plan["settling"]
    ratios = [1.0 + one.deviation_percent / 100.0 for one in found]
    factor = sum(ratios) / len(ratios)
    if factor <= 1.0 or not _all_inside(found, factor):
        return []
    solvent = plan.get("solvent", "water")
    if settling["kind"] == "volume":
        volume = settling["volume_ml"]
        more = volume * (factor - 1.0)
        if more < _SMALLEST_ADDITION:
            return []
        vessel = "the flask" if settling.get("flask") else "the cylinder"
        return [
            f"Make it up to {plain(volume * factor, 4)} mL: empty {vessel} at its {volume:g} mL into a"
            f" bottle, add {plain(more, 3)} mL of {solvent} and mix."
        ]
    more = thinned_against(plan, taken) * (factor - 1.0)
    return [f"Add {plain(more, 3)} g of {solvent} and mix."] if more >= _SMALLEST_ADDITION else []


def _all_inside(found: Sequence[SettledConcentration], factor: float) -> bool:
    for one in found:
        deviation = 100.0 * ((1.0 + one.deviation_percent / 100.0) / factor - 1.0)
        if abs(deviation) + one.expanded_uncertainty_percent > one.tolerance_percent * (1.0 + ROOM):
            return False
    return True


def _strengthen(plan: Plan, found: Sequence[SettledConcentration], taken: Taken) -> list[str]:
    """Too weak: more of what is short, for every component that was weighed or measured directly."""
    ways = []
    steps = {step["number"]: step for step in plan["steps"]}
    for index, one in enumerate(found):
        if one.inside:
            continue
        last = _last_bottle(plan["settling"], index, taken)
        if last is None:
            return []
        numbers, have, several = last
        part = 1.0 + one.deviation_percent / 100.0
        if part < _NOTHING_IN_IT:
            return []
        more = have * (1.0 / part - 1.0)
        step = steps[numbers[0]]
        unit = step["quantity"]["unit"]
        if step.get("stage") is not None:
            return []
        decimals = len(step["quantity"]["value"].partition(".")[2])
        verb = "Weigh" if step["action"] == "weigh" else "Measure"
        lot = f" (lot {step['lot']['code']})" if several and step.get("lot") else ""
        ways.append(
            f"{verb} {more:.{decimals}f} {unit} more of {step['substance']}{lot} and dissolve it before"
            " making up; afterwards it can only be made anew."
        )
    return ways


def _last_bottle(
    settling: Mapping[str, Any], index: int, taken: Taken
) -> tuple[list[int], float, bool] | None:
    """What more of a component would be taken from, where it was measured in one go.

    Returns:
        The steps of that bottle, all that was taken of the component as an amount of it [unit of its
        steps], and whether it was one of several; None where nothing was read, or by way of intermediates.
    """
    if settling["kind"] == "volume":
        groups = settling["components"][index]["readings"]
        if len(groups) != 1:
            return None
        [group] = groups
        if "bottles" not in group:
            numbers = [number for number, _ in group["steps"]]
            return numbers, taken.total(numbers), False
        bottles = group["bottles"]
        moles = sum(bottle_mol(bottle, taken) for bottle in bottles)
        last, per_unit = bottles[-1], bottles[-1]["mol_per_unit"]
    else:
        bottles = [one for one in settling["sources"] if one["component"] == index]
        moles = sum(source_g(one, taken) * one["mol_per_g"] for one in bottles)
        last = bottles[-1]
        per_unit = last["mol_per_g"] * last["g_per_unit"]
    numbers = [number for number, _ in last["steps"]]
    return (numbers, moles / per_unit, len(bottles) > 1) if numbers else None
