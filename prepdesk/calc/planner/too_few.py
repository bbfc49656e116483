"""When nothing fits: whether one more piece of what there is would do."""

from dataclasses import replace
from typing import Final

from prepdesk.calc import sentences
from prepdesk.calc.errors import Problem
from prepdesk.calc.planner.bench import Bench, Tool
from prepdesk.calc.planner.pieces import most_at_once
from prepdesk.calc.planner.refusal import warn
from prepdesk.calc.planner.search import Question, search

# More pieces than any plan has in use at once.
_PLENTY: Final = 99


def too_few_pieces(question: Question, bench: Bench) -> list[Problem]:
    """What is missing where the solution could be made with more pieces of the flasks that are there.

    Asked only when no route fits, since it searches once more.
    """
    found = search(question, replace(bench, flasks=_many(bench.flasks), cylinders=_many(bench.cylinders)))
    if found.best is None:
        return []
    there = {
        replace(tool.apparatus, count=_PLENTY): tool.apparatus for tool in (*bench.flasks, *bench.cylinders)
    }
    wanted = most_at_once(found.best.vessel, found.best.chains)
    said = []
    for tool, count in wanted.items():
        own = there[tool.apparatus]
        if count > own.count:
            are = "there is 1" if own.count == 1 else f"there are {own.count}"
            said.append(f"{count} × {sentences.size(own)} ({are})")
    if not said:
        return []
    return [
        warn(
            "too_few_pieces",
            f"It could be made with {sentences.joined(said)}: they are in use at the same time.",
        )
    ]


def _many(tools: tuple[Tool, ...]) -> tuple[Tool, ...]:
    return tuple(replace(tool, apparatus=replace(tool.apparatus, count=_PLENTY)) for tool in tools)
