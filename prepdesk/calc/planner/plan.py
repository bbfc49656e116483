"""Puts a plan together: reads the wants, finds the bottles, searches the route, writes the sheet."""

import math
from collections.abc import Sequence
from dataclasses import replace

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.model import Plan, PreparationRequest, Shelf
from prepdesk.calc.planner.bench import Bench, bench_of
from prepdesk.calc.planner.draft import Draft
from prepdesk.calc.planner.refusal import Impossible, stop
from prepdesk.calc.planner.search import Found, Question, Route, search
from prepdesk.calc.planner.shortage import Drawn, say_not_on_shelf, say_shortages
from prepdesk.calc.planner.supplies import Choice, choice_for
from prepdesk.calc.planner.verdict import explain, say_unreachable
from prepdesk.calc.planner.volume_plan import wanted_volume_ml, write_volume_plan
from prepdesk.calc.planner.wanted import wants_of


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
    if request.solvent != "water":
        raise Impossible(
            stop(
                "solvent_not_supported",
                f"Solutions in {request.solvent} are not planned here; only in water.",
            )
        )
    choices = [choice_for(want, request, catalogue, shelf) for want in draft.wants]
    if any(want.by_mass for want in draft.wants):
        raise Impossible(stop("unit_not_planned", "Targets by mass can't be planned yet."))
    for want, choice in zip(draft.wants, choices, strict=True):
        if want.component.source is None and not choice.on_shelf:
            say_not_on_shelf(draft, want, choice)
    bench = bench_of(standard_set() if request.equipment == "standard" else shelf.apparatus)
    _plan_by_volume(draft, choices, bench)


def _plan_by_volume(draft: Draft, choices: Sequence[Choice], bench: Bench) -> None:
    question = Question(
        wants=tuple(draft.wants),
        supplies=tuple(choice.supplies for choice in choices),
        limits=tuple(math.inf for _ in draft.wants),
        volume_ml=wanted_volume_ml(draft),
        temperature_c=draft.request.temperature_c,
        within_free=True,
    )
    found = search(question, bench)
    if found.best is None:
        # With a full bottle it might do: then the sheet shows what is missing instead of an apparatus.
        full = search(replace(question, within_free=False), bench)
        found = full if full.best is not None or found.closest is None else found
    route = _chosen(draft, found)
    if route is None:
        return
    write_volume_plan(draft, route, bench)
    explain(draft, route, found.runner_up)
    say_shortages(
        draft,
        choices,
        [
            Drawn(chain.supply, chain.draw, want.mol_per_l * route.vessel.volume_ml / 1000.0)
            for want, chain in zip(draft.wants, route.chains, strict=True)
        ],
    )


def _chosen(draft: Draft, found: Found) -> Route | None:
    if found.best is not None:
        return found.best
    if found.closest is not None:
        say_unreachable(draft, found.closest)
        return found.closest
    draft.note(stop("no_apparatus", "No apparatus here can measure this."))
    return None
