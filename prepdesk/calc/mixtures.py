"""What does not go into one bottle: pairs that react, settle out or give off a gas."""

import re
from collections.abc import Sequence
from functools import cache
from itertools import combinations

from prepdesk.calc.errors import Problem
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.model import Substance
from prepdesk.calc.tables import Row, rows


def groups_of(substance: Substance) -> frozenset[str]:
    """The groups of the table that a substance belongs to, by its formula without hydrate water.

    Source: ``mixtures.toml``.

    >>> sorted(groups_of(Substance("x", "silver nitrate", "AgNO3")))
    ['a metal whose hydroxide is insoluble', 'silver']
    """
    return _groups(parse_formula(substance.formula).base, substance.hazards)


def incompatible(substances: Sequence[Substance]) -> list[Problem]:
    """Every pair of a mixture that must not, or had better not, be in one bottle.

    Args:
        substances: the components of one solution.

    Returns:
        Problems with code ``incompatible``; empty when no pair of the table meets. The table is short:
        an empty list is no promise.

    Source: ``mixtures.toml``, row by row.

    >>> salts = [Substance("a", "silver nitrate", "AgNO3"), Substance("b", "sodium chloride", "NaCl")]
    >>> incompatible(salts)[0].severity
    'stop'
    """
    found: dict[str, Problem] = {}
    for one, other in combinations(substances, 2):
        mine, theirs = groups_of(one), groups_of(other)
        for pair in _pairs():
            first, second = pair["groups"]
            if not ((first in mine and second in theirs) or (second in mine and first in theirs)):
                continue
            text = f"{one.name} and {other.name}: {pair['text']}."
            problem = Problem("incompatible", text, pair["severity"])
            # One sentence for two substances is enough, and the one that stops comes first.
            key = f"{one.key}|{other.key}"
            if key not in found or (found[key].severity == "warn" and problem.severity == "stop"):
                found[key] = problem
    return list(found.values())


@cache
def _groups(base: str, hazards: tuple[str, ...]) -> frozenset[str]:
    return frozenset(
        row["name"]
        for row in rows("mixtures.toml", "group")
        if re.search(row["pattern"], base) or row.get("hazard") in hazards
    )


@cache
def _pairs() -> tuple[Row, ...]:
    return rows("mixtures.toml", "pair")
