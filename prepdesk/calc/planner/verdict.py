"""Why this route, which came next, and what would serve when none fits."""

import math

from prepdesk.calc import sentences
from prepdesk.calc.planner.account import as_shown, chain_inputs, vessel_inputs, volume_shown
from prepdesk.calc.planner.chains import Chain
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.refusal import stop
from prepdesk.calc.planner.search import Route
from prepdesk.calc.planner.vessels import Vessel
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import budget


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
    worst = max(
        zip(draft.wants, route.chains, strict=True),
        key=lambda pair: pair[1].spends(route.vessel.variance) / pair[0].tolerance,
    )
    want, chain = worst
    spends = chain.spends(route.vessel.variance)
    allowed = f"{100 * want.tolerance:.3g} % that "
    allowed += (
        f"the digits of {want.component.target.number.text} allow"
        if draft.request.tolerance_percent is None
        else "was allowed"
    )
    verb = "stays inside" if spends <= want.tolerance * (1 + 1e-9) else "is more than"
    draft.explanation = (
        f"{_way(route)} spends {percent_up(spends)} % and {verb} the {allowed};"
        " it is the way with the least work that does."
        if verb == "stays inside"
        else f"{_way(route)} comes nearest: it spends {percent_up(spends)} %, which {verb} the {allowed}."
    )
    if runner_up is not None:
        more = max(round(runner_up.minutes - route.minutes), 1)
        work = "a minute" if more == 1 else f"{more} minutes"
        draft.runner_up = f"Next best: {_lower(_way(runner_up))}, about {work} more work."


def _way(route: Route) -> str:
    """A route in words: "Weighing 58.44 g on the 0.01 g balance and making up in the 500 mL …"."""
    parts = [_measured(chain) for chain in route.chains[:3]]
    if len(route.chains) > 3:
        parts.append("the rest likewise")
    return f"{sentences.joined(parts)}, made up in {_vessel(route.vessel)},".replace(
        parts[0][:1], parts[0][:1].upper(), 1
    )


def _measured(chain: Chain) -> str:
    first = chain.first
    amount = sentences.shown(as_shown(first))
    by = f"the {sentences.tool(first.tool.apparatus)}"
    way = f"{'weighing' if first.weighed else 'measuring'} {amount} {'on' if first.weighed else 'with'} {by}"
    if chain.stages:
        way += (
            f" into {'an intermediate solution' if len(chain.stages) == 1 else 'two intermediate solutions'}"
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
        asked = f"{100 * want.tolerance:.3g} %"
        if draft.request.tolerance_percent is None:
            asked += f", which the digits of “{want.component.target.number.text}” imply,"
        draft.note(
            stop(
                "tolerance_not_reachable",
                f"{want.name}: {asked} can't be met with what there is; {percent_up(spends)} % could be met."
                f" {_limit(draft, want, chain, route)}",
            )
        )


def _limit(draft: Draft, want: Want, chain: Chain, route: Route) -> str:
    inputs = [
        *chain_inputs(chain, route.half_width_k, draft.request.temperature_c),
        *vessel_inputs(route.vessel, route.half_width_k, draft.request.temperature_c),
    ]
    largest = budget(inputs)[0]
    serves = _serve(want, chain, route, largest.input)
    return f"The largest part comes from: {largest.input} ({largest.share_percent:.0f} %). {serves}"


def _serve(want: Want, chain: Chain, route: Route, largest: str) -> str:
    """What would take the largest part away, by the kind of input that spends it."""
    volume = sentences.shown(volume_shown(route.vessel.volume_ml))
    stock = percent_up(want.tolerance / 2)
    step = chain.first.tool.step
    answers = {
        "assay": "A lot whose certificate states the assay more closely would serve.",
        "mass percent": (
            "A concentrated reagent is never known better than its label: make it up near the target,"
            " standardise it and use the concentration found, or dilute a standardised stock."
        ),
        "stock": f"A stock known to {stock} % or better would serve.",
        "balance": f"A balance reading to {step / 10:g} g or a larger batch would serve.",
        "temperature": "Liquids held closer to the temperature of use would serve.",
        "density": "A density measured for this bottle would serve, or weighing the liquid.",
    }
    for beginning, answer in answers.items():
        if largest.startswith(beginning):
            return answer
    return f"A closer limit of error for {volume}, or a larger batch, would serve."
