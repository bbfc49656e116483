"""Which bottles are tried, and in which order: first expired first, one before several."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from prepdesk.calc.planner.bench import Bench
from prepdesk.calc.planner.bottles import together
from prepdesk.calc.planner.search import Found, Question, search
from prepdesk.calc.planner.supply import Supply
from prepdesk.calc.planner.wanted import Want
from prepdesk.calc.uncertainty import COVERAGE

_CLOSE: Final = 1e-9


def find_from_shelf(question: Question, bench: Bench, mixed: Sequence[bool]) -> Found:
    """Find the route with the bottles a stockroom would take.

    Of each kind (solid, liquid, stock) the bottle that expires first is tried before the others, and which
    kind it is decides the work. Several bottles are taken only where none alone holds enough; and where all
    of them together don't, the route shows what it would be with a full bottle.

    Args:
        question: with every bottle of a component, first expired first.
        mixed: which components may come from several bottles: not the ones whose bottle a person chose.
    """
    needs = [want.mol_per_l * question.volume_ml / 1000.0 for want in question.wants]
    first = tuple(
        first_of_each_kind(bottles, moles, want.tolerance)
        for bottles, moles, want in zip(question.supplies, needs, question.wants, strict=True)
    )
    found = search(replace(question, supplies=first), bench)
    if found.best is None and first != question.supplies:
        found = search(question, bench)
    if found.best is not None or not found.short:
        return found
    for supplies in _several(question, needs, mixed):
        joint = search(replace(question, supplies=supplies), bench)
        if joint.best is not None:
            return joint
    # With a full bottle it might do: then the sheet shows what is missing instead of an apparatus.
    first = tuple(
        first_of_each_kind(bottles, 0.0, want.tolerance)
        for bottles, want in zip(question.supplies, question.wants, strict=True)
    )
    full = search(replace(question, supplies=first, within_free=False), bench)
    if full.best is None and first != question.supplies:
        full = search(replace(question, within_free=False), bench)
    return full if full.best is not None or found.closest is None else found


def first_of_each_kind(bottles: tuple[Supply, ...], moles: float, tolerance: float) -> tuple[Supply, ...]:
    """Of each kind the first bottle that holds enough and is known well enough; all where there is none."""
    if len(bottles) < 2:
        return bottles
    kept: dict[str, Supply] = {}
    for one in bottles:
        if one.kind not in kept and holds(one, moles) and is_known(one, tolerance):
            kept[one.kind] = one
    return tuple(kept.values()) or bottles


def holds(supply: Supply, moles: float) -> bool:
    """Whether a bottle holds so many moles."""
    return supply.free * supply.mol_per_drawn >= moles * (1.0 - _CLOSE)


def is_known(supply: Supply, tolerance: float) -> bool:
    """Whether the bottle alone leaves something of a tolerance [1] to the apparatus."""
    return COVERAGE * math.sqrt(supply.least_variance) < tolerance


def _several(
    question: Question, needs: Sequence[float], mixed: Sequence[bool]
) -> Iterator[tuple[tuple[Supply, ...], ...]]:
    """Every component with its bottles and what they are together; the least known ones left out by turns."""
    depth = max((len(bottles) for bottles in question.supplies), default=0)
    for without in range(max(depth - 1, 0)):
        found = tuple(
            (*bottles, *(joint_sources(bottles, moles, without) if may else ()))
            for bottles, moles, may in zip(question.supplies, needs, mixed, strict=True)
        )
        if found == question.supplies:
            return
        yield found


def joint_sources(bottles: Sequence[Supply], moles: float, without: int) -> list[Supply]:
    """Bottles of each kind as one source, where they hold enough together.

    Args:
        bottles: of one form, first expired first.
        moles: needed [mol].
        without: so many of the least known bottles of a kind are left out.
    """
    found = []
    for kind in dict.fromkeys(one.kind for one in bottles):
        same = [one for one in bottles if one.kind == kind and one.lot is not None]
        for _ in range(without):
            if len(same) > 1:
                same.remove(max(same, key=lambda one: one.least_variance))
        joint = together(same, moles) if len(same) > 1 else None
        if joint is not None:
            found.append(joint)
    return found


def usable(choice: Sequence[Supply], taken: Supply, want: Want) -> list[Supply]:
    """The bottles of the kind that is taken which could serve a want, alone or with others."""
    same = [one for one in choice if one.kind == taken.kind and one.lot is not None]
    return [one for one in same if one.lot is taken.lot or is_known(one, want.tolerance)]
