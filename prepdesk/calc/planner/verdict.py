"""Why this route, which came next, and what would serve when none fits."""

import math
from collections.abc import Sequence

from prepdesk.calc import sentences
from prepdesk.calc.model import Contribution
from prepdesk.calc.planner.account import as_shown, chain_inputs, vessel_inputs, volume_shown
from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.chains import ROUNDING_ROOM, Chain
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.mass_route import MassRoute
from prepdesk.calc.planner.measures import Measure, Part, volumes
from prepdesk.calc.planner.refusal import stop, warn
from prepdesk.calc.planner.search import Route
from prepdesk.calc.planner.vessels import Vessel
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import COVERAGE, budget


def percent_up(relative: float) -> str:
    """A relative figure as a percentage, rounded up to two digits: what could surely be met.

    >>> percent_up(0.00301)
    '0.31'
    """
    value = 100.0 * relative
    scale = 10.0 ** (1 - math.floor(math.log10(value)))
    return f"{math.ceil(value * scale - 1e-9) / scale:g}"


def explain(draft: Draft, route: Route, runner_up: Route | None) -> None:
    """Say in a sentence or two why this route, and what the next one would be."""
    want, chain = max(
        zip(draft.wants, route.chains, strict=True),
        key=lambda pair: pair[1].spends(route.vessel.variance) / pair[0].tolerance,
    )
    spends = chain.spends(route.vessel.variance)
    draft.explanation = _reason(draft, want, _way(route), spends)
    draft.explanation += _what_grams_mean(draft.wants)
    if runner_up is not None:
        volume = sentences.shown(volume_shown(runner_up.vessel.volume_ml))
        draft.runner_up = _next(_way(runner_up), runner_up.minutes - route.minutes, volume)


def explain_by_mass(draft: Draft, route: MassRoute, runner_up: MassRoute | None) -> None:
    """The same for a solution that is weighed together, and the stop where no way fits."""
    want = max(draft.wants, key=lambda one: route.spends(one.index) / one.tolerance)
    spends = route.spends(want.index)
    draft.explanation = _reason(draft, want, _way_by_mass(route), spends) + _what_grams_mean(draft.wants)
    if runner_up is not None:
        draft.runner_up = _next(_way_by_mass(runner_up), runner_up.minutes - route.minutes)
    if spends > want.tolerance * (1.0 + ROUNDING_ROOM):
        largest = draft.budget[want.index][0]
        _note_unreachable(draft, want, spends, largest, route.measures[want.index].tool.step)


def _reason(draft: Draft, want: Want, way: str, spends: float) -> str:
    allowed = f"the {100 * want.tolerance:.3g} % that "
    digits = draft.request.tolerance_percent is None
    allowed += f"the digits of {want.component.target.number.text} allow" if digits else "was allowed"
    if spends > want.tolerance * (1.0 + ROUNDING_ROOM):
        return f"{way} comes nearest: it spends {percent_up(spends)} %, which is more than {allowed}."
    # More than the bar of the budget shows: that one is the uncertainty alone.
    return (
        f"{way} spends {percent_up(spends)} % with room for rounding and readings, "
        f"and stays inside {allowed}; no other way costs less in work and waste."
    )


def _what_grams_mean(wants: Sequence[Want]) -> str:
    """Grams of a hydrate or of the anhydrous salt: said where a substance has both."""
    named = [
        f"{want.component.target.unit} means grams of {want.name} as named"
        for want in wants
        if not want.counts_moles and want.component.substance.form
    ]
    return f" Here {sentences.joined(list(dict.fromkeys(named)))}." if named else ""


def _next(way: str, minutes: float, volume: str = "") -> str:
    more = round(minutes)
    if more < 0:
        return f"Next best: {_lower(way)}, less work, but {volume} would be made."
    work = (
        "hardly more work" if more < 1 else "a minute more work" if more == 1 else f"{more} minutes more work"
    )
    return f"Next best: {_lower(way)}, {work}."


def _way_by_mass(route: MassRoute) -> str:
    parts = [_taken(one) for one in route.measures[:3]]
    if len(route.measures) > 3:
        parts.append("the rest likewise")
    if route.water is not None:
        parts.append(_taken(route.water, " of water"))
    words = sentences.joined(parts)
    return words[:1].upper() + words[1:]


def say_why_weighed(draft: Draft, route: Route, bench: Bench) -> None:
    """A concentrated liquid on a balance looks odd: say what measuring it by volume would come to."""
    for want, chain in zip(draft.wants, route.chains, strict=True):
        supply, weighed = chain.supply, chain.last
        if supply.kind != "liquid" or chain.stages or not weighed.weighed or supply.bottles:
            continue
        volume = weighed.exact * supply.mol_per_g / supply.mol_per_ml
        ways = volumes(volume, bench, route.room.variance, want.tolerance)
        fixed = supply.variance_ml + route.vessel.variance
        tried = [
            ((one.room if one.is_read else one.shift) + COVERAGE * math.sqrt(one.variance + fixed), one)
            for one in ways
        ]
        vapours = "fume_hood" in supply.substance.hazards
        where = ", filled where its vapours are drawn off" if vapours else ""
        label = 100.0 * COVERAGE * math.sqrt(supply.variance_g)
        if tried:
            spends, closest = min(tried, key=lambda one: one[0])
            by_volume = (
                f"measured with the {sentences.tool(closest.tool.apparatus)} it would spend"
                f" {percent_up(spends)} %"
            )
        else:
            by_volume = f"nothing here measures {volume:.4g} mL of it"
        draft.note(
            warn(
                "weighed_liquid",
                f"{supply.substance.name} is weighed because {by_volume}, and {100 * want.tolerance:.3g} % is"
                f" allowed; what its label leaves open takes {label:.2g} % of it either way. Weigh it into a"
                f" closed bottle{where}; with a wider tolerance, or from a standardised stock, it is measured"
                " by volume.",
            )
        )


def say_several_bottles(draft: Draft, want: Want, measure: Measure) -> None:
    """Say which bottle gives what, where no bottle alone holds enough, and that each has its own figures."""
    if not measure.parts:
        return
    *earlier, last = measure.parts
    first = [f"{_amount(one)} from {_bottle(one, code_only=True)}" for one in earlier]
    draft.explanation += (
        f" No single bottle of {last.supply.substance.name} holds enough: {', '.join(first)}, the rest from"
        f" {_bottle(last, code_only=True)}."
    )
    parts = [f"{_amount(one)} from {_bottle(one)}" for one in measure.parts]
    # On paper nobody moves the last figure: the rule for it stands with the amounts.
    unit = as_shown(last.measure).unit
    rule = sentences.joined(
        [
            f"for each {unit} that {_bottle(one, bare=True)} gives less take"
            f" {one.per_unit / last.per_unit:.3f} {unit} more of {_bottle(last, bare=True)}"
            for one in earlier
        ]
    )
    same = len({one.supply.strength for one in measure.parts}) == 1
    draft.note(
        warn(
            "several_bottles",
            f"{last.supply.substance.name} comes from {sentences.count(len(measure.parts))} bottles, because"
            f" none alone holds enough, the one that expires first in front:"
            f" {sentences.joined(parts)}. Should one be empty sooner: {rule}."
            + ("" if same else " Each amount goes with the strength of its own bottle: don't exchange them."),
        )
    )


def _amount(part: Part) -> str:
    return sentences.shown(as_shown(part.measure))


def _bottle(part: Part, *, code_only: bool = False, bare: bool = False) -> str:
    """A bottle by its code, with its strength, and with the day it expires unless only the code is asked."""
    supply = part.supply
    lot = supply.lot
    code = (lot.code if code_only else f"lot {lot.code}") if lot else supply.substance.name
    if bare:
        return code
    until = f"good until {sentences.day(lot.expires)}" if lot and lot.expires and not code_only else ""
    inside = ", ".join(word for word in (supply.strength, until) if word)
    return f"{code} ({inside})" if inside else code


def _taken(measure: Measure, of: str = "") -> str:
    if measure.parts:
        each = [one.measure for one in measure.parts]
        if any(one.tool is not each[0].tool for one in each):
            return sentences.joined([_taken(one) for one in each])
        alike, amounts = each[0], sentences.joined([sentences.shown(as_shown(one)) for one in each])
        verb, how = ("weighing", "on") if alike.weighed else ("measuring", "with")
        return f"{verb} {amounts} {how} the {sentences.tool(alike.tool.apparatus)}"
    by = f"the {sentences.tool(measure.tool.apparatus)}"
    verb, how = ("weighing", "on") if measure.weighed else ("measuring", "with")
    return f"{verb} {sentences.shown(as_shown(measure))}{of} {how} {by}"


def _way(route: Route) -> str:
    """A route in words: "Weighing 58.44 g on the 0.01 g balance and making up in the 500 mL …"."""
    parts = [_measured(chain) for chain in route.chains[:3]]
    if len(route.chains) > 3:
        parts.append("the rest likewise")
    return f"{sentences.joined(parts)}, made up in {_vessel(route.vessel)},".replace(
        parts[0][:1], parts[0][:1].upper(), 1
    )


def _measured(chain: Chain) -> str:
    way = _taken(chain.first)
    if chain.stages:
        way += (
            " into an intermediate solution" if len(chain.stages) == 1 else " into two intermediate solutions"
        )
        way += f" and taking {sentences.shown(as_shown(chain.last))} of it"
    return way


def _vessel(vessel: Vessel) -> str:
    name = sentences.size(vessel.tool.apparatus)
    if vessel.portions > 1 and vessel.pool is not None:
        return f"{sentences.a(sentences.size(vessel.pool))} marked with {sentences.a(name)}"
    if vessel.fillings > 1:
        return f"{sentences.count(vessel.fillings)} fillings of {sentences.a(name)}"
    return sentences.a(name)


def _lower(words: str) -> str:
    return words[:1].lower() + words[1:].removesuffix(",")


def say_unreachable(draft: Draft, route: Route) -> None:
    """Name the input that spends the tolerance, and what would serve."""
    for want, chain in zip(draft.wants, route.chains, strict=True):
        spends = chain.spends(route.vessel.variance)
        if spends <= want.tolerance * (1.0 + 1e-9):
            continue
        inputs = [
            *chain_inputs(chain, route.room),
            *vessel_inputs(route.vessel, route.room),
        ]
        _note_unreachable(draft, want, spends, budget(inputs)[0], chain.first.tool.step)


def _note_unreachable(draft: Draft, want: Want, spends: float, largest: Contribution, step: float) -> None:
    asked = f"{100 * want.tolerance:.3g} %"
    if draft.request.tolerance_percent is None:
        asked += f", which the digits of “{want.component.target.number.text}” imply,"
    draft.note(
        stop(
            "tolerance_not_reachable",
            f"{want.name}: {asked} can't be met with what there is; {percent_up(spends)} % could be met."
            f" The largest part comes from: {largest.input} ({largest.share_percent:.0f} %)."
            f" {_serve(want, step, largest.input)}",
        )
    )


def _serve(want: Want, step: float, largest: str) -> str:
    """What would take the largest part away, by the kind of input that spends it."""
    stock = percent_up(want.tolerance / 2)
    answers = {
        "assay": (
            "A lot whose certificate states the assay more closely would serve; or make it up near the"
            " target, standardise it and use the concentration found."
        ),
        "mass percent": (
            "A concentrated reagent is never known better than its label: make it up near the target,"
            " standardise it and use the concentration found, or dilute a standardised stock."
        ),
        "stock": f"A stock known to {stock} % or better would serve.",
        "balance": (
            f"A balance reading to {step / 10:g} g or a larger batch would serve."
            if step
            else "A finer balance or a larger batch would serve."
        ),
        "temperature": "Liquids held closer to the temperature of use would serve.",
        "density": "A density measured for this bottle would serve, or weighing the liquid.",
    }
    for beginning, answer in answers.items():
        if largest.startswith(beginning):
            return answer
    return "Glass with a closer limit of error, or a larger batch, would serve."
