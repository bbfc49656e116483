"""What is in the bottle, from what was really weighed and measured.

A plan says what to weigh; the bench says what was weighed. From the frozen answer of the service and the
readings, each concentration is worked out again with its uncertainty, compared with the tolerance, and
where it lies outside the ways to put it right are said, the cheapest first.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any

from prepdesk.calc.found import (
    Plan,
    SettledConcentration,
    Taken,
    bottle_mol,
    source_g,
    thinned_against,
)
from prepdesk.calc.remedies import remedies
from prepdesk.calc.typed import TypedNumber


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
class Settlement:
    """A finished preparation, judged.

    Attributes:
        concentrations: in the order of the request.
        inside: whether every component is.
        deviation_percent: of the component that is furthest off.
        text: the result in a sentence.
        remedies: what can be done when it is outside, cheapest first.
        over_ml: how far past its line it was made up [mL].
    """

    concentrations: tuple[SettledConcentration, ...]
    inside: bool
    deviation_percent: float
    text: str
    remedies: tuple[str, ...]
    over_ml: float = 0.0

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
    if not plan.get("settling"):
        raise ValueError("this plan has no steps to settle")
    over_ml = over_the_line(plan, readings)
    plan = _made_up_to(plan, over_ml)
    taken = Taken(plan, readings)
    found = found_by(plan, taken)
    if added is not None:
        found = _thinned(plan, found, taken, added)
    inside = all(one.inside for one in found)
    worst = max(found, key=lambda one: abs(one.deviation_percent) / one.tolerance_percent)
    return Settlement(
        concentrations=tuple(found),
        inside=inside,
        deviation_percent=worst.deviation_percent,
        text=_sentence(found, inside),
        remedies=() if inside else tuple(remedies(plan, found, taken)),
        over_ml=over_ml,
    )


def over_the_line(plan: Plan, readings: Mapping[int, TypedNumber]) -> float:
    """How far past its line a solution was made up, where that was read on a scale [mL]; 0 where it was not.

    >>> from prepdesk.calc.typed import parse_positive
    >>> step = {"number": 4, "action": "make_up", "quantity": {"value": "800", "unit": "mL"}}
    >>> over_the_line({"steps": [step]}, {4: parse_positive("808")})
    8.0
    """
    return sum(
        float(readings[step["number"]].value) - float(step["quantity"]["value"])
        for step in plan["steps"]
        if step["action"] == "make_up" and step["number"] in readings
    )


def _made_up_to(plan: Plan, over_ml: float) -> Plan:
    """The plan as it was really made up: so much more solvent, and everything in it thinner by one factor."""
    settling = plan["settling"]
    if not over_ml or settling["kind"] != "volume":
        return plan
    volume = settling["volume_ml"]
    components = [
        {**terms, "fixed": terms["fixed"] * volume / (volume + over_ml)} for terms in settling["components"]
    ]
    return {**plan, "settling": {**settling, "volume_ml": volume + over_ml, "components": components}}


def found_by(plan: Plan, taken: Taken) -> list[SettledConcentration]:
    """What is in the bottle by what was taken, component by component, without a verdict on it."""
    return _by_volume(plan, taken) if plan["settling"]["kind"] == "volume" else _by_mass(plan, taken)


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


def _by_volume(plan: Plan, taken: Taken) -> list[SettledConcentration]:
    found = []
    for component, terms in zip(plan["components"], plan["settling"]["components"], strict=True):
        ratio = terms["fixed"]
        variance = (terms["rest_percent"] / 100.0) ** 2
        for group in terms["readings"]:
            if "bottles" in group:
                part, spread = _from_bottles(group, taken)
                ratio, variance = ratio * part, variance + spread
                continue
            total = taken.total(number for number, _ in group["steps"])
            ratio *= total / sum(exact for _, exact in group["steps"])
            variance += (group["standard_uncertainty"] / total) ** 2 if total > 0.0 else 0.0
        found.append(_settled(component, terms, ratio, variance))
    return found


def _from_bottles(group: Mapping[str, Any], taken: Taken) -> tuple[float, float]:
    """What several bottles gave together, relative to what was wanted of them, and its variance [1].

    Each bottle counts by its own strength and its own readings.
    """
    moles = [bottle_mol(bottle, taken) for bottle in group["bottles"]]
    total = sum(moles)
    if total <= 0.0:
        return 0.0, 0.0
    spread = sum(
        (bottle["mol_per_unit"] * bottle["standard_uncertainty"] / total) ** 2 for bottle in group["bottles"]
    )
    return total / group["exact_mol"], spread


def _by_mass(plan: Plan, taken: Taken) -> list[SettledConcentration]:
    sources = plan["settling"]["sources"]
    masses = [source_g(source, taken) for source in sources]
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
            # What a bottle of the component itself brings of the solute, less what it thins.
            brings = mass * source["mol_per_g"] / moles if place in own and moles > 0.0 else 0.0
            part = brings - share
            variance += (part * source["standard_uncertainty_g"] / mass) ** 2 if mass > 0.0 else 0.0
        found.append(_settled(component, terms, value / terms["exact"], variance))
    return found


def _thinned(
    plan: Plan, found: Sequence[SettledConcentration], taken: Taken, added: TypedNumber
) -> list[SettledConcentration]:
    """The same solution with more solvent: everything in it is thinner by one factor."""
    more = float(added.value)
    before = thinned_against(plan, taken)
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
        deviation_percent=100.0 * (ratio - 1.0),
        expanded_uncertainty_percent=expanded,
        tolerance_percent=terms["tolerance_percent"],
        mol_per_l=None if mol_per_l is None else mol_per_l * ratio,
    )


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
