"""Puts a plan together: reads the wants, finds the bottles, searches the route, writes the sheet."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import islice, product
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import Problem
from prepdesk.calc.measuring import Room
from prepdesk.calc.model import Density, Plan, PreparationRequest, Shelf
from prepdesk.calc.planner.account import volume_shown
from prepdesk.calc.planner.as_it_is import serves_as_it_is, write_as_it_is
from prepdesk.calc.planner.bench import Bench, bench_of
from prepdesk.calc.planner.checks import (
    above_source,
    chemistry_of,
    dissolved_per_100g,
    dissolves_in,
    form_of,
    intermediate_limit,
    keeps_badly,
    light_weighing,
    over_solubility,
    room_for,
    solubility_of,
)
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.from_shelf import find_from_shelf, holds, joint_sources
from prepdesk.calc.planner.mass_composition import composition_for, per_volume
from prepdesk.calc.planner.mass_plan import write_mass_plan
from prepdesk.calc.planner.mass_route import MassFound, MassQuestion, find_mass_route, nearest_mass_route
from prepdesk.calc.planner.measures import Measure
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.search import Found, Question, Route, nearest
from prepdesk.calc.planner.shortage import Drawn, say_not_on_shelf, say_shortages
from prepdesk.calc.planner.supplies import Choice, choice_for, with_input
from prepdesk.calc.planner.supply import Supply, density_input
from prepdesk.calc.planner.too_few import too_few_pieces
from prepdesk.calc.planner.verdict import (
    explain,
    explain_by_mass,
    say_several_bottles,
    say_unreachable,
    say_why_weighed,
)
from prepdesk.calc.planner.vessels import MAX_FILLINGS, vessels_for
from prepdesk.calc.planner.volume_plan import density_or_none, wanted_volume_ml, write_volume_plan
from prepdesk.calc.planner.wanted import wants_of

# What must not be made gets no steps; every other stop still shows what would be done.
NO_STEPS: Final = frozenset({"incompatible", "needs_other_solvent"})
# Bottles of one substance that are compared when everything is weighed together, and sets of them in all.
MAX_BOTTLES: Final = 3
MAX_SETS: Final = 30


@dataclass(frozen=True, slots=True)
class MassTried:
    """What one set of bottles came to, and the density of the solution where one is known."""

    found: MassFound
    density: Density | None


def make_plan(request: PreparationRequest, catalogue: Catalogue, shelf: Shelf) -> Plan:
    """Plan one preparation.

    Args:
        request: read and checked.
        catalogue: the substances and their forms.
        shelf: bottles, and the apparatus for ``"equipment": "shelf"``.

    Returns:
        The plan; infeasible with a ``stop`` problem where chemistry, shelf or apparatus forbid it, and
        then still with the best steps there are, so that a person can decide.
    """
    draft = Draft(request)
    try:
        _plan(draft, catalogue, shelf)
    except Impossible as refused:
        draft.note(refused.problem)
    return draft.finished()


def _plan(draft: Draft, catalogue: Catalogue, shelf: Shelf) -> None:
    request = draft.request
    draft.wants = wants_of(request)
    room = room_for(request, draft.wants, catalogue)
    choices = [choice_for(want, request, catalogue, shelf) for want in draft.wants]
    for want, choice in zip(draft.wants, choices, strict=True):
        if want.component.source is None and not choice.on_shelf:
            say_not_on_shelf(draft, want, choice)
    bench = bench_of(standard_set() if request.equipment == "standard" else shelf.apparatus)
    draft.note(*chemistry_of(draft.wants, request.solvent))
    if any(one.severity == "stop" for one in draft.problems if one.code in NO_STEPS):
        return
    by_mass = [want.by_mass for want in draft.wants]
    if all(by_mass):
        _plan_by_mass(draft, choices, bench)
        return
    if any(by_mass):
        draft.wants, density = per_volume(draft.wants, request.temperature_c)
        choices = [
            with_input(choice, density_input(density, "the solution")) if mass else choice
            for choice, mass in zip(choices, by_mass, strict=True)
        ]
    _plan_by_volume(draft, choices, bench, room)


def _plan_by_mass(draft: Draft, choices: Sequence[Choice], bench: Bench) -> None:
    """Plan a solution that is weighed together: the cheapest way over the bottles there are."""
    tried = _mass_routes(draft, _bottles_with_enough(draft, choices), bench, within_free=True)
    if not tried:
        full = [_weighable(choice)[:MAX_BOTTLES] for choice in choices]
        tried = _mass_routes(draft, full, bench, within_free=False)
    fitting = [one for one in tried if one.found.best is not None]
    nearest = [one for one in tried if one.found.closest is not None]
    if fitting:
        chosen = min(fitting, key=lambda one: one.found.best.minutes if one.found.best else math.inf)
    elif nearest:
        chosen = min(nearest, key=lambda one: one.found.closest.worst if one.found.closest else math.inf)
    else:
        raise Impossible(stop("no_apparatus", "No balance here weighs amounts as small or large as these."))
    route = chosen.found.best or chosen.found.closest
    assert route is not None
    write_mass_plan(draft, route, chosen.density, bench)
    explain_by_mass(draft, route, chosen.found.runner_up)
    for want, supply, mass in zip(draft.wants, route.supplies, route.composition.sources_g, strict=True):
        solute = mass * supply.mol_per_g * want.solute.g_per_mol
        if supply.kind == "solid":
            known = solubility_of(want, draft.request.temperature_c)
            per_100g = 100.0 * solute / route.composition.solvent_g
            alone = len(draft.wants) == 1
            draft.note(*over_solubility(want, per_100g, known, draft.request.temperature_c, alone=alone))
        draft.note(*form_of(want, supply), *keeps_badly(want, supply))
    moles = [
        mass * supply.mol_per_g
        for supply, mass in zip(route.supplies, route.composition.sources_g, strict=True)
    ]
    _account_for_bottles(draft, choices, route.supplies, route.measures, moles)


def _account_for_bottles(
    draft: Draft,
    choices: Sequence[Choice],
    supplies: Sequence[Supply],
    measures: Sequence[Measure],
    moles: Sequence[float],
) -> None:
    """Say which bottles give what, and what the shelf lacks."""
    for want, measure in zip(draft.wants, measures, strict=True):
        say_several_bottles(draft, want, measure)
    drawn = [
        Drawn(supply, sum(one.amount.value for one in draft.draws if one.component == index), needed)
        for index, (supply, needed) in enumerate(zip(supplies, moles, strict=True))
    ]
    say_shortages(draft, choices, drawn)


def _bottles_with_enough(draft: Draft, choices: Sequence[Choice]) -> list[list[Supply]]:
    """Of each component the bottles that hold enough by themselves, else what they are together."""
    bottles = [_weighable(choice) for choice in choices]
    composition, _, _ = composition_for(draft, [each[0] for each in bottles])
    found = []
    for want, each, mass in zip(draft.wants, bottles, composition.sources_g, strict=True):
        moles = mass * each[0].mol_per_g
        enough = [one for one in each if holds(one, moles)][:MAX_BOTTLES]
        if not enough and want.component.source is None:
            enough = [one for without in range(len(each)) for one in joint_sources(each, moles, without)]
        found.append(enough)
    return found


def _mass_routes(
    draft: Draft, options: Sequence[Sequence[Supply]], bench: Bench, *, within_free: bool
) -> list[MassTried]:
    """What each set of bottles comes to; of sets of one kind the first expired that fits is enough."""
    tried, served = [], set()
    for supplies in islice(product(*options), MAX_SETS):
        kinds = tuple(one.kind for one in supplies)
        if kinds in served:
            continue
        composition, density, water = composition_for(draft, supplies)
        if within_free and not all(
            supply.drawn_by_mass(mass) <= supply.free
            for supply, mass in zip(supplies, composition.sources_g, strict=True)
        ):
            continue
        question = MassQuestion(draft.wants, supplies, composition, water, Room(draft.request.temperature_c))
        found = find_mass_route(question, bench)
        if found.best is not None:
            served.add(kinds)
        elif found.closest is not None:
            found.closest = nearest_mass_route(question, bench, found.closest)
        tried.append(MassTried(found, density))
    return tried


def _weighable(choice: Choice) -> list[Supply]:
    """The bottles of which a mass gives known moles."""
    known = [supply for supply in choice.supplies if supply.mol_per_g]
    if not known:
        raise Impossible(
            stop(
                "no_density",
                f"The density of {choice.supplies[0].label} is missing: without it a target by mass can't be"
                " reached from a solution known by volume. Give its density with the source.",
            )
        )
    return known


def _plan_by_volume(draft: Draft, choices: Sequence[Choice], bench: Bench, room: Room) -> None:
    temperature = draft.request.temperature_c
    draft.density = density_or_none(draft)
    poured = serves_as_it_is(draft, choices)
    if poured is not None:
        drawn = write_as_it_is(draft, poured, bench)
        say_shortages(draft, choices, [Drawn(poured, drawn, drawn * poured.mol_per_ml)])
        return
    limits = []
    for want, choice in zip(draft.wants, choices, strict=True):
        draft.note(*above_source(want, choice))
        if draft.request.solvent != "water":
            limits.append(want.mol_per_l)
            draft.note(dissolves_in(want, draft.request.solvent))
            continue
        known = solubility_of(want, temperature)
        limits.append(intermediate_limit(want, known))
        # A liquid that is only diluted has dissolved already.
        if any(supply.kind == "solid" for supply in choice.supplies):
            grams = want.mol_per_l * want.solute.g_per_mol
            per_100g = dissolved_per_100g(grams, draft.density)
            draft.note(*over_solubility(want, per_100g, known, temperature, alone=len(draft.wants) == 1))
    question = Question(
        wants=tuple(draft.wants),
        supplies=tuple(choice.supplies for choice in choices),
        limits=tuple(limits),
        volume_ml=wanted_volume_ml(draft),
        room=room,
        within_free=True,
    )
    found = find_from_shelf(question, bench, [want.component.source is None for want in draft.wants])
    if found.best is None and found.closest is not None:
        found.closest = nearest(question, bench, found.closest)
    if found.best is None:
        draft.note(*too_few_pieces(question, bench))
    route = _chosen(draft, found, choices, bench)
    if route is None:
        return
    write_volume_plan(draft, route, bench)
    explain(draft, route, found.runner_up)
    say_why_weighed(draft, route, bench)
    for want, chain in zip(draft.wants, route.chains, strict=True):
        draft.note(
            *form_of(want, chain.supply),
            *keeps_badly(want, chain.supply),
            *light_weighing(want, chain.first),
        )
    moles = [want.mol_per_l * route.vessel.volume_ml / 1000.0 for want in draft.wants]
    chains = route.chains
    _account_for_bottles(draft, choices, [one.supply for one in chains], [one.first for one in chains], moles)


def _chosen(draft: Draft, found: Found, choices: Sequence[Choice], bench: Bench) -> Route | None:
    if found.best is not None:
        return found.best
    if found.closest is not None:
        say_unreachable(draft, found.closest)
        return found.closest
    if not any(one.code in ("above_source", "no_vessel") for one in draft.problems):
        draft.note(_why_nothing(draft, choices, bench))
    return None


def _why_nothing(draft: Draft, choices: Sequence[Choice], bench: Bench) -> Problem:
    """Why not a single route exists, not even an imprecise one."""
    volume = wanted_volume_ml(draft)
    shown = sentences.shown(volume_shown(volume))
    if not vessels_for(volume, bench, 0.0):
        sizes = [tool.size for tool in (*bench.flasks, *bench.cylinders)]
        largest = f"the largest measures {max(sizes):g} mL" if sizes else "none is on the shelf"
        return stop(
            "no_vessel",
            f"No flask or cylinder here makes {shown}, not even in {MAX_FILLINGS} fillings: {largest}."
            " Order it in smaller batches.",
        )
    liquids = sum(
        want.mol_per_l / 1000.0 / max(one.mol_per_ml for one in choice.supplies)
        for want, choice in zip(draft.wants, choices, strict=True)
        if all(one.kind != "solid" for one in choice.supplies)
    )
    if liquids > 1.0:
        return stop(
            "no_room",
            f"The liquids alone would fill {100 * liquids:.0f} % of the volume; take stronger ones or ask for"
            " less.",
        )
    return stop(
        "no_apparatus",
        f"Nothing here measures the amounts for {shown}: they lie below or above every balance and pipette,"
        " also by way of an intermediate solution.",
    )
