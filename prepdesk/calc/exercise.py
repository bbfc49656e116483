"""Whether the apparatus that a bench list sets out gives the precision its exercise wants.

Each line says what is measured with what. Its expanded uncertainty (k = 2) is worked out by the limits and
distributions of the planner and compared with what is wanted; lines that give one result together (a mass
and a volume: a density) are combined as a product or quotient of independent quantities.

Source of the method: JCGM 100:2008 (GUM) 5.1.6; EURACHEM/CITAC Guide CG 4 (QUAM), examples A1 to A3.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from prepdesk.calc.errors import InputError, RequestRefused
from prepdesk.calc.exercise_fields import MEASURING, Line, Typed, read_line
from prepdesk.calc.exercise_ware import (
    UNKNOWN,
    Instead,
    Reach,
    instead_of,
    name_of,
    reach_of,
    shown_percent,
)
from prepdesk.calc.request_fields import Reader
from prepdesk.calc.sentences import a, joined
from prepdesk.calc.uncertainty import COVERAGE, root_sum_square

__all__ = ["MEASURING", "Line", "LineVerdict", "ResultVerdict", "Verdict", "judge"]

_PERCENT: Final = 100.0 * COVERAGE
# Sums of squares come back with their last bit off.
_EQUAL: Final = 1.0 + 1e-9
_NOTHING: Final = "Nothing in the tables would serve; measure more of it at once, or want it less exactly."


@dataclass(frozen=True, slots=True)
class LineVerdict:
    """What one line of the list can do.

    Attributes:
        line: its position in the list, from 0.
        expanded_percent: relative expanded uncertainty, k = 2 [%], at worst; None where it isn't known.
        serves: against what is wanted of it; None where nothing is, or where it isn't known.
        text: a sentence for the page.
        working: how the figure was worked out, empty where there is none.
        would_serve: a sentence that names what would serve, empty where nothing else is needed.
    """

    line: int
    expanded_percent: float | None
    serves: bool | None
    text: str
    working: str
    would_serve: str


@dataclass(frozen=True, slots=True)
class ResultVerdict:
    """What lines with the same result give together.

    Attributes:
        result: the word they share, as it was typed first.
        expanded_percent: relative expanded uncertainty, k = 2 [%], at worst; None where it isn't known.
        wanted_percent: the tightest that one of the lines wants [%]; None where none does.
        serves: None where nothing is wanted, or where it isn't known.
        text: sentences for the page: what they give, what spends most, what would serve.
        lines: their positions in the list.
        spends_most: position of the line with the largest part of the variance; None where not all are known.
    """

    result: str
    expanded_percent: float | None
    wanted_percent: float | None
    serves: bool | None
    text: str
    lines: tuple[int, ...]
    spends_most: int | None


@dataclass(frozen=True, slots=True)
class Verdict:
    """The whole list, judged.

    Attributes:
        lines: one for each line, in the order of the list.
        results: in the order in which they are first named.
        problems: readings that can't be taken, with the path of their field (``0.measures``).
    """

    lines: tuple[LineVerdict, ...]
    results: tuple[ResultVerdict, ...]
    problems: tuple[InputError, ...]


@dataclass(frozen=True, slots=True)
class _Judged:
    """A line with its reach, and the problem that forbids the reading."""

    line: Typed
    reach: Reach
    problem: InputError | None = None

    @property
    def name(self) -> str:
        return name_of(self.line)


def judge(lines: Sequence[Line]) -> Verdict:
    """Judge the apparatus of a bench list.

    Args:
        lines: the measuring apparatus, as typed.

    Returns:
        What each line and each result gives [%, k = 2], whether it serves, and what would. A size or a
        type without a published tolerance is not judged, and a reading that can't be taken is a problem;
        the sentence says so.

    Raises:
        RequestRefused: typed values that can't be read, each with its path: ``0.size``, ``0.measures``,
            ``0.wanted_percent``, ``0.apparatus_class``.

    Source: JCGM 100:2008 5.1.6, k = 2.

    >>> verdict = judge([Line("balance", "1 g", "10 g", "1", "density")])
    >>> verdict.lines[0].text
    'A balance that reads to 1 g gives 10 g to 40 %; a density to 1 % is wanted, so it does not serve.'
    >>> verdict.lines[0].would_serve
    'A balance that reads to 0.01 g would serve; it gives 10 g to 0.40 %.'
    """
    reader = Reader()
    typed = [read_line(place, line, reader) for place, line in enumerate(lines)]
    if reader.errors:
        raise RequestRefused(tuple(reader.errors))
    judged = [_reached(line) for line in typed]
    groups: dict[str, list[_Judged]] = {}
    for one in judged:
        if one.line.result:
            groups.setdefault(one.line.result.casefold(), []).append(one)
    results, instead, tightest = [], {}, {}
    for members in groups.values():
        result, found = _together(members)
        results.append(result)
        for one in members:
            tightest[one.line.place] = _tightest(members)
            instead[one.line.place] = found.get(one.line.place, "")
    return Verdict(
        lines=tuple(_alone(one, tightest.get(one.line.place), instead.get(one.line.place)) for one in judged),
        results=tuple(results),
        problems=tuple(one.problem for one in judged if one.problem is not None),
    )


def _reached(line: Typed) -> _Judged:
    try:
        return _Judged(line, reach_of(line))
    except InputError as problem:
        return _Judged(line, UNKNOWN, problem)


def _serves(reach: Reach, wanted: float | None) -> bool | None:
    if wanted is None:
        return None
    if _PERCENT * reach.best > wanted * _EQUAL:
        return False
    return True if reach.worst is not None and _PERCENT * reach.worst <= wanted * _EQUAL else None


# --- one line -----------------------------------------------------------------------------------
def _alone(one: _Judged, of_result: Typed | None, instead: str | None) -> LineVerdict:
    """The verdict of a line; ``instead`` is what its result needs of it, None where it has no result."""
    line, reach = one.line, one.reach
    serves = _serves(reach, line.wanted)
    asked = line if line.wanted is not None else of_result
    if serves is None and line.wanted is None and of_result is not None:
        # Nothing is wanted of it alone, but what spoils the result alone is said.
        serves = False if _serves(reach, of_result.wanted) is False else None
    if instead is None:
        instead = "" if serves is True or line.wanted is None else _better(line, line.wanted)
    return LineVerdict(
        line=line.place,
        expanded_percent=None if reach.worst is None else _PERCENT * reach.worst,
        serves=serves,
        text=_line_text(one, asked, serves),
        working=reach.working,
        would_serve=instead,
    )


def _line_text(one: _Judged, asked: Typed | None, serves: bool | None) -> str:
    line, reach = one.line, one.reach
    if one.problem is not None:
        return one.problem.text
    if not reach.best:
        return f"{reach.why} So it isn't judged." if reach.why else "Nothing is said to be measured with it."
    wanted = None if asked is None else asked.wanted
    gives = f"{_capital(a(one.name))} gives {line.shown} {_to(reach, wanted, serves)}"
    if asked is None or wanted is None:
        return f"{gives}."
    what = f"{_article(line.result)} to {asked.wanted_shown} %" if line.result else f"{asked.wanted_shown} %"
    if serves is None and line.wanted is None:
        return f"{gives}; {what} is wanted, which is judged for the lines together."
    said = {
        True: "by itself it serves" if line.result else "it serves",
        False: "it does not serve",
        None: f"it can't be said yet: {reach.why}",
    }[serves]
    return f"{gives}; {what} is wanted, so {said}."


def _to(reach: Reach, wanted: float | None, serves: bool | None) -> str:
    """How exactly, in words: at best, at worst or between the two, whichever decides."""
    best = shown_percent(_PERCENT * reach.best, wanted)
    if reach.worst is None:
        return f"to {best} % at best"
    worst = shown_percent(_PERCENT * reach.worst, wanted)
    if best == worst:
        return f"to {worst} %"
    if serves is False:
        return f"to {best} % at best"
    if wanted is None or serves:
        return f"to {worst} % or better"
    return f"to between {best} % and {worst} %"


def _better(line: Typed, wanted: float) -> str:
    found = next((one for one in instead_of(line) if _PERCENT * one.standard <= wanted * _EQUAL), None)
    if found is None:
        return "" if line.amount is None else _NOTHING
    return _would(line, found, wanted)


def _would(line: Typed, found: Instead, wanted: float | None) -> str:
    gives = shown_percent(_PERCENT * found.standard, wanted)
    return f"{_capital(a(found.name))} would serve; it gives {line.shown} to {gives} %."


# --- lines together -----------------------------------------------------------------------------
def _together(members: Sequence[_Judged]) -> tuple[ResultVerdict, Mapping[int, str]]:
    """The verdict of a result, and by line what would serve instead."""
    asked = _tightest(members)
    wanted = None if asked is None else asked.wanted
    best, worst = root_sum_square(one.reach.best for one in members), _worst(members)
    reach = Reach(best, worst)
    serves = _serves(reach, wanted)
    most = _spends_most(members, certain=serves is False or worst is not None)
    found, advice = _changes(members, wanted, most) if wanted is not None and serves is not True else ({}, "")
    verdict = ResultVerdict(
        result=members[0].line.result,
        expanded_percent=None if worst is None else _PERCENT * worst,
        wanted_percent=wanted,
        serves=serves,
        text=" ".join(filter(None, (_result_text(members, reach, asked, most), advice))),
        lines=tuple(one.line.place for one in members),
        spends_most=most,
    )
    return verdict, found


def _tightest(members: Sequence[_Judged]) -> Typed | None:
    """The line of a result that wants the most, None where none wants anything."""
    asking = [(one.line.wanted, one.line.place, one.line) for one in members if one.line.wanted is not None]
    return min(asking)[2] if asking else None


def _worst(members: Sequence[_Judged]) -> float | None:
    known = [one.reach.worst for one in members if one.reach.worst is not None]
    return root_sum_square(known) if len(known) == len(members) else None


def _spends_most(members: Sequence[_Judged], *, certain: bool) -> int | None:
    if not certain:
        return None
    known = all(one.reach.worst is not None for one in members)
    most = max(members, key=lambda one: (one.reach.worst or 0.0) if known else one.reach.best)
    return most.line.place


def _remedy(members: Sequence[_Judged], wanted: float) -> dict[int, Instead]:
    """The coarsest apparatus instead of what spends most; else a like part for every line; else nothing."""
    limit = wanted / _PERCENT * _EQUAL
    most = max(members, key=lambda one: (one.reach.worst is None, one.reach.worst or 0.0))
    others = _worst([one for one in members if one is not most])
    if others is not None:
        for one in instead_of(most.line):
            if root_sum_square((others, one.standard)) <= limit:
                return {most.line.place: one}
    share = limit / len(members) ** 0.5
    found = {}
    for member in members:
        if member.reach.worst is not None and member.reach.worst <= share:
            continue
        better = next((one for one in instead_of(member.line) if one.standard <= share), None)
        if better is None:
            return {}
        found[member.line.place] = better
    return found


def _changes(members: Sequence[_Judged], wanted: float, most: int | None) -> tuple[Mapping[int, str], str]:
    """What would serve instead, line by line, and what the result then comes to."""
    if any(one.line.amount is None for one in members):
        # Nobody knows what the result comes to; what alone spoils it is still to be replaced.
        spoilt = [one.line for one in members if _serves(one.reach, wanted) is False]
        return {line.place: _better(line, wanted) for line in spoilt}, ""
    remedy = _remedy(members, wanted)
    if not remedy:
        return ({} if most is None else {most: _NOTHING}), _NOTHING
    lines = {one.line.place: one.line for one in members}
    named = joined([f"{a(one.name)} for the {lines[place].shown}" for place, one in remedy.items()])
    then = root_sum_square(
        remedy[one.line.place].standard if one.line.place in remedy else one.reach.worst or 0.0
        for one in members
    )
    return (
        {place: _would(lines[place], one, wanted) for place, one in remedy.items()},
        f"With {named} it comes to {shown_percent(_PERCENT * then, wanted)} %, which serves.",
    )


def _result_text(members: Sequence[_Judged], reach: Reach, asked: Typed | None, most: int | None) -> str:
    wanted = None if asked is None else asked.wanted
    serves = _serves(reach, wanted)
    result = _article(members[0].line.result)
    if serves is None and any(not one.reach.best for one in members):
        reasons = [
            one.problem.text if one.problem else one.reach.why for one in members if not one.reach.best
        ]
        return f"{_capital(result)} can't be judged. {' '.join(reasons)}"
    they, serve = ("Together they give", "serve") if len(members) > 1 else ("It gives", "serves")
    gives = f"{they} {result} {_to(reach, wanted, serves)}"
    if asked is None:
        return f"{gives}."
    said = f"{gives}; {asked.wanted_shown} % is wanted, so"
    if serves:
        return f"{said} {'they' if len(members) > 1 else 'it'} {serve}."
    if serves is None:
        why = joined([f"the {one.name} decides: {one.reach.why}" for one in members if one.reach.why])
        return f"{said} it can't be said yet. {_capital(why)}."
    spends = next(one.name for one in members if one.line.place == most)
    tail = f": the {spends} spends most of it" if len(members) > 1 else ""
    return f"{said} {'they do' if len(members) > 1 else 'it does'} not serve{tail}."


def _article(result: str) -> str:
    """A result with its article, unless it was typed with one."""
    return result if result.partition(" ")[0].casefold() in ("a", "an", "the") else a(result)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
