"""A course's plan of a term as data: which bench lists in which week. Copying and shifting change no row."""

import hashlib
from collections.abc import Iterable, Mapping, Sequence

# Keys of bench lists by week.
Plan = dict[int, tuple[int, ...]]


def mark_of(plan: Mapping[int, Iterable[int]]) -> str:
    """The same for the same plan, so that a page that shows an older one is noticed.

    >>> mark_of({1: [3, 2]}) == mark_of({1: (2, 3), 2: ()}), mark_of({1: [3]}) == mark_of({2: [3]})
    (True, False)
    """
    lines = sorted((week, key) for week, keys in plan.items() for key in set(keys))
    return hashlib.sha256(repr(lines).encode()).hexdigest()[:16]


def copied(plan: Mapping[int, Sequence[int]], of_weeks: Sequence[int], to_weeks: Sequence[int]) -> Plan:
    """The plan of one term laid over another: its first teaching week over the other's first, and so on.

    What has no week there is left out.

    >>> copied({1: (7,), 3: (8,)}, [1, 3], [2, 3])
    {2: (7,), 3: (8,)}
    """
    pairs = zip(of_weeks, to_weeks, strict=False)
    return {to: tuple(plan[of]) for of, to in pairs if plan.get(of)}


def shifted(plan: Mapping[int, Sequence[int]], weeks: Sequence[int], first: int, by: int) -> Plan:
    """The plan with everything from a week on moved by so many teaching weeks.

    What is moved over the end or into what stands before is added there, so that nothing is lost.

    Args:
        weeks: the teaching weeks, in order; a week off is stepped over.
        first: the first week that is moved.
        by: 1 for a week later, -1 for a week earlier.

    >>> shifted({1: (7,), 2: (8,), 4: (9,)}, [1, 2, 4, 5], 2, 1)
    {1: (7,), 4: (8,), 5: (9,)}
    >>> shifted({1: (7,), 2: (8,)}, [1, 2], 1, 1)
    {2: (7, 8)}
    """
    moved: dict[int, list[int]] = {}
    for week, keys in sorted(plan.items()):
        to = week
        if week >= first and week in weeks:
            to = weeks[min(max(weeks.index(week) + by, 0), len(weeks) - 1)]
        moved.setdefault(to, []).extend(key for key in keys if key not in moved.get(to, []))
    return {week: tuple(keys) for week, keys in sorted(moved.items()) if keys}
