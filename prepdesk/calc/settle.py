"""What is in the bottle, from what was really weighed and measured.

A plan says what to weigh; the bench says what was weighed. From the frozen answer of the service and the
readings, each concentration is worked out again with its uncertainty, compared with the tolerance, and
where it lies outside the ways to put it right are said, the cheapest first.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Final

from prepdesk.calc.typed import TypedNumber

_ROOM: Final = 1e-6
# Less than this can't be added to a finished solution with any sense [mL or g].
_SMALLEST_ADDITION: Final = 0.05

Plan = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Judgement:
    """One reading against the window of its step.

    Attributes:
        inside: whether it may be used; a reading equal to a bound is inside.
        by: how far outside, in the step's unit; 0 inside.
        text: what to tell the person.
        code: ``inside``, ``above`` or ``below``.
        warning: set when fewer digits were typed than the apparatus shows.
    """

    inside: bool
    by: Decimal
    text: str
    code: str
    warning: str = ""


@dataclass(frozen=True, slots=True)
class SettledConcentration:
    """One component as it is in the bottle.

    Attributes:
        substance: as asked for.
        value: concentration found, in ``unit``.
        unit: of the target.
        decimals: digits it is meant to be shown with.
        deviation_percent: from the target.
        expanded_uncertainty_percent: k = 2, relative.
        tolerance_percent: allowed.
        mol_per_l: the same in mol/L; None where only masses are known.
    """

    substance: str
    value: float
    unit: str
    decimals: int
    deviation_percent: float
    expanded_uncertainty_percent: float
    tolerance_percent: float
    mol_per_l: float | None

    @property
    def inside(self) -> bool:
        """Whether deviation and uncertainty together stay inside the tolerance."""
        spent = abs(self.deviation_percent) + self.expanded_uncertainty_percent
        return spent <= self.tolerance_percent * (1.0 + _ROOM)

    @property
    def value_text(self) -> str:
        """The concentration at its digits."""
        return f"{self.value:.{self.decimals}f}"

    @property
    def mol_per_l_text(self) -> str:
        """The concentration in mol/L at six significant digits, empty where unknown."""
        return "" if self.mol_per_l is None else _plain(self.mol_per_l, 6)

    @property
    def expanded_uncertainty_percent_text(self) -> str:
        """The expanded uncertainty at two significant digits, rounded up."""
        return _up(self.expanded_uncertainty_percent)

    def as_dict(self) -> dict[str, Any]:
        """For freezing and showing."""
        return {
            "substance": self.substance,
            "value": self.value_text,
            "unit": self.unit,
            "expanded_uncertainty_percent": float(self.expanded_uncertainty_percent_text),
            "deviation_percent": round(self.deviation_percent, 3),
            "tolerance_percent": self.tolerance_percent,
            "inside": self.inside,
            "mol_per_l": self.mol_per_l_text or None,
        }


@dataclass(frozen=True, slots=True)
class Settlement:
    """A finished preparation, judged.

    Attributes:
        concentrations: in the order of the request.
        inside: whether every component is.
        deviation_percent: of the component that is furthest off.
        text: the result in a sentence.
        remedies: what can be done when it is outside, cheapest first.
    """

    concentrations: tuple[SettledConcentration, ...]
    inside: bool
    deviation_percent: float
    text: str
    remedies: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """For freezing and showing."""
        return {
            "concentrations": [one.as_dict() for one in self.concentrations],
            "inside": self.inside,
            "deviation_percent": round(self.deviation_percent, 3),
            "text": self.text,
            "remedies": list(self.remedies),
        }

    to_dict = as_dict


def judge_reading(step: Mapping[str, Any], number: TypedNumber) -> Judgement:
    """Compare one reading with the window of its step.

    Args:
        step: a step of the answer that has a window.
        number: the reading, in the step's unit.

    Raises:
        ValueError: the step takes no reading.

    >>> from prepdesk.calc.typed import parse_positive
    >>> step = {"window": {"low": "58.40", "high": "58.48", "unit": "g"}}
    >>> judge_reading(step, parse_positive("58.78")).text
    'Outside by 0.30 g: 58.78 g is above 58.48 g.'
    """
    window = step.get("window")
    if not window:
        raise ValueError("no reading is taken at this step")
    low, high, unit = Decimal(window["low"]), Decimal(window["high"]), window["unit"]
    value = number.value
    warning = _few_digits(number, low)
    if low <= value <= high:
        text = f"Inside {window['low']} to {window['high']} {unit}."
        return Judgement(True, Decimal(0), f"{text} {warning}".strip(), "inside", warning)
    code, bound, by = ("below", low, low - value) if value < low else ("above", high, value - high)
    text = f"Outside by {by} {unit}: {number.text} {unit} is {code} {bound} {unit}."
    return Judgement(False, by, f"{text} {warning}".strip(), code, warning)


def _few_digits(number: TypedNumber, shown: Decimal) -> str:
    exponent = shown.as_tuple().exponent
    assert isinstance(exponent, int)
    if number.last_digit <= exponent:
        return ""
    return f"Fewer digits were typed than the apparatus shows; it reads to {Decimal(1).scaleb(exponent)}."


def settle(
    plan: Plan, readings: Mapping[int, TypedNumber], *, added: TypedNumber | None = None
) -> Settlement:
    """Work out what is in the bottle.

    Args:
        plan: a frozen answer of the service, as :func:`prepdesk.calc.preview.preview` gave it.
        readings: what was read, by step number; a step without a reading counts as planned.
        added: solvent added to the finished solution to put it right, in :func:`added_unit` [mL or g].

    Returns:
        Concentrations with their uncertainty, the verdict, and remedies when it is outside.

    Raises:
        ValueError: the plan has no steps to settle.
    """
    settling = plan.get("settling") or {}
    if not settling:
        raise ValueError("this plan has no steps to settle")
    taken = _Taken(plan, readings)
    found = _by_volume(plan, taken) if settling["kind"] == "volume" else _by_mass(plan, taken)
    if added is not None:
        found = _thinned(plan, found, taken, added)
    inside = all(one.inside for one in found)
    worst = max(found, key=lambda one: abs(one.deviation_percent) / one.tolerance_percent)
    return Settlement(
        concentrations=tuple(found),
        inside=inside,
        deviation_percent=worst.deviation_percent,
        text=_sentence(found, inside),
        remedies=() if inside else tuple(_remedies(plan, found, taken)),
    )


def added_unit(plan: Plan) -> str:
    """The unit in which solvent is added to the finished solution: as the plan is made up, mL or g.

    >>> added_unit({"settling": {"kind": "volume"}})
    'mL'
    """
    return "mL" if plan["settling"]["kind"] == "volume" else "g"


def most_added(plan: Plan) -> float:
    """The most solvent [mL or g] that may be added before it is a dilution to be planned as one.

    A tenth of what was made. Volumes of strong solutions do not add up exactly, so a larger addition is
    not left to this rule: it is a dilution, and has apparatus and a budget of its own.
    """
    makes = plan["makes"]
    return float(makes["value"]) * (1000.0 if makes["unit"] in ("L", "kg") else 1.0) / 10.0


class _Taken:
    """What was taken at each step: as read, else as planned."""

    def __init__(self, plan: Plan, readings: Mapping[int, TypedNumber]) -> None:
        self._planned = {
            step["number"]: float(step["quantity"]["value"]) for step in plan["steps"] if "quantity" in step
        }
        self._read = {number: float(reading.value) for number, reading in readings.items()}

    def total(self, numbers: Iterable[int]) -> float:
        """Sum over steps, in their unit."""
        return sum(self._read.get(number, self._planned[number]) for number in numbers)


def _by_volume(plan: Plan, taken: _Taken) -> list[SettledConcentration]:
    found = []
    for component, terms in zip(plan["components"], plan["settling"]["components"], strict=True):
        ratio = terms["fixed"]
        variance = (terms["rest_percent"] / 100.0) ** 2
        for group in terms["readings"]:
            total = taken.total(number for number, _ in group["steps"])
            ratio *= total / sum(exact for _, exact in group["steps"])
            variance += (group["standard_uncertainty"] / total) ** 2 if total > 0.0 else 0.0
        found.append(_settled(component, terms, ratio, variance))
    return found


def _by_mass(plan: Plan, taken: _Taken) -> list[SettledConcentration]:
    sources = plan["settling"]["sources"]
    masses = [_source_g(source, taken) for source in sources]
    total = sum(masses)
    solvent = sum(mass * source["solvent_part"] for mass, source in zip(masses, sources, strict=True))
    found = []
    for index, (component, terms) in enumerate(
        zip(plan["components"], plan["settling"]["components"], strict=True)
    ):
        own = [place for place, source in enumerate(sources) if source["component"] == index]
        moles = sum(masses[place] * sources[place]["mol_per_g"] for place in own)
        if terms["kind"] == "fraction":
            value = moles * terms["named_g_per_mol"] / total
        else:
            value = 1000.0 * moles / solvent
        variance = (terms["rest_percent"] / 100.0) ** 2
        for place, (mass, source) in enumerate(zip(masses, sources, strict=True)):
            share = mass / total if terms["kind"] == "fraction" else mass * source["solvent_part"] / solvent
            part = 1.0 - share if place in own else share
            variance += (part * source["standard_uncertainty_g"] / mass) ** 2 if mass > 0.0 else 0.0
        found.append(_settled(component, terms, value / terms["exact"], variance))
    return found


def _thinned(
    plan: Plan, found: Sequence[SettledConcentration], taken: _Taken, added: TypedNumber
) -> list[SettledConcentration]:
    """The same solution with more solvent: everything in it is thinner by one factor."""
    more = float(added.value)
    before = _thinned_against(plan, taken)
    factor = before / (before + more)
    # The digits that were typed say how well the addition is known.
    doubt = 200.0 * float(added.half_last_digit) / math.sqrt(3.0) / (before + more)
    return [
        replace(
            one,
            value=one.value * factor,
            deviation_percent=100.0 * ((1.0 + one.deviation_percent / 100.0) * factor - 1.0),
            expanded_uncertainty_percent=math.hypot(one.expanded_uncertainty_percent, doubt),
            mol_per_l=None if one.mol_per_l is None else one.mol_per_l * factor,
        )
        for one in found
    ]


def _thinned_against(plan: Plan, taken: _Taken) -> float:
    """What an addition is compared with: volume made up [mL], mass of solution or of solvent [g]."""
    settling = plan["settling"]
    if settling["kind"] == "volume":
        return float(settling["volume_ml"])
    masses = [_source_g(source, taken) for source in settling["sources"]]
    if settling["components"][0]["kind"] != "molality":
        return sum(masses)
    return sum(
        mass * float(source["solvent_part"]) for mass, source in zip(masses, settling["sources"], strict=True)
    )


def _source_g(source: Mapping[str, Any], taken: _Taken) -> float:
    if not source["steps"]:
        return float(source["planned_g"])
    return taken.total(number for number, _ in source["steps"]) * float(source["g_per_unit"])


def _settled(
    component: Mapping[str, Any], terms: Mapping[str, Any], ratio: float, variance: float
) -> SettledConcentration:
    target = float(component["target"]["value"].replace(",", ".").replace(" ", ""))
    expanded = 200.0 * math.sqrt(variance)
    value = target * ratio
    mol_per_l = terms.get("mol_per_l")
    return SettledConcentration(
        substance=component["substance"],
        value=value,
        unit=component["target"]["unit"],
        decimals=_decimals(max(value * expanded / 100.0, value * 1e-6), 2),
        deviation_percent=100.0 * (ratio - 1.0),
        expanded_uncertainty_percent=expanded,
        tolerance_percent=terms["tolerance_percent"],
        mol_per_l=None if mol_per_l is None else mol_per_l * ratio,
    )


# --- words ------------------------------------------------------------------------------------
def _sentence(found: Sequence[SettledConcentration], inside: bool) -> str:
    parts = [
        f"{one.value_text} {one.unit} {one.substance} ({one.deviation_percent:+.2g} %,"
        f" ± {one.expanded_uncertainty_percent_text} %)"
        for one in found
    ]
    verdict = "inside the tolerance" if inside else "outside the tolerance"
    outside = [one for one in found if not one.inside]
    allowed = ", ".join(dict.fromkeys(f"{one.tolerance_percent:.3g} %" for one in (outside or found)))
    return f"In the bottle: {'; '.join(parts)}: {verdict} of {allowed}."


def _remedies(plan: Plan, found: Sequence[SettledConcentration], taken: _Taken) -> list[str]:
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


def _dilute(plan: Plan, found: Sequence[SettledConcentration], taken: _Taken) -> list[str]:
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
            f"Make it up to {_plain(volume * factor, 4)} mL: empty {vessel} at its {volume:g} mL into a"
            f" bottle, add {_plain(more, 3)} mL of {solvent} and mix."
        ]
    more = _thinned_against(plan, taken) * (factor - 1.0)
    return [f"Add {_plain(more, 3)} g of {solvent} and mix."] if more >= _SMALLEST_ADDITION else []


def _all_inside(found: Sequence[SettledConcentration], factor: float) -> bool:
    for one in found:
        deviation = 100.0 * ((1.0 + one.deviation_percent / 100.0) / factor - 1.0)
        if abs(deviation) + one.expanded_uncertainty_percent > one.tolerance_percent * (1.0 + _ROOM):
            return False
    return True


def _strengthen(plan: Plan, found: Sequence[SettledConcentration], taken: _Taken) -> list[str]:
    """Too weak: more of what is short, for every component that was weighed or measured directly."""
    ways = []
    steps = {step["number"]: step for step in plan["steps"]}
    for index, one in enumerate(found):
        if one.inside:
            continue
        group = _only_group(plan["settling"], index)
        if group is None:
            return []
        numbers = [number for number, _ in group["steps"]]
        have = taken.total(numbers)
        more = have * (1.0 / (1.0 + one.deviation_percent / 100.0) - 1.0)
        step = steps[numbers[0]]
        unit = step["quantity"]["unit"]
        if step.get("stage") is not None:
            return []
        decimals = len(step["quantity"]["value"].partition(".")[2])
        verb = "Weigh" if step["action"] == "weigh" else "Measure"
        ways.append(
            f"{verb} {more:.{decimals}f} {unit} more of {step['substance']} and dissolve it before making up;"
            " afterwards it can only be made anew."
        )
    return ways


def _only_group(settling: Mapping[str, Any], index: int) -> Mapping[str, Any] | None:
    """The readings of a component that is measured in one go; None where there are several or none."""
    if settling["kind"] == "volume":
        groups = settling["components"][index]["readings"]
    else:
        groups = [one for one in settling["sources"] if one["component"] == index and one["steps"]]
    return groups[0] if len(groups) == 1 else None


def _decimals(value: float, digits: int) -> int:
    return min(max(digits - 1 - math.floor(math.log10(value)), 0), 12) if value > 0.0 else 0


def _plain(value: float, digits: int) -> str:
    return f"{value:.{_decimals(value, digits)}f}"


def _up(percent: float) -> str:
    if percent <= 0.0:
        return "0"
    scale = 10.0 ** (1 - math.floor(math.log10(percent)))
    value = math.ceil(percent * scale - 1e-9) / scale
    return _plain(value, 2)
