"""Which orders of the same solution are made as one batch: the fewest batches that window and vessels allow.

A batch is made on the day its first order is due, and its label must still be good on the day of its last
one; a day is the department's calendar day, as on the label (:func:`requests_app.shelf_life.expiry_of`).
Whatever there is in vessels sets the most that one batch may hold.

Without that limit the greedy rule is optimal: begin with the earliest day, take all that its label covers,
begin again. With it this is bin packing inside sliding windows. Several simple fillings are tried, batches
are then emptied into one another, and where a bound says that fewer might do, a search with a limit of
steps looks for them. All of it is deterministic: the same orders give the same batches in any sequence.
"""

import math
from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final

# What the search may look at before it keeps what it has; some tenths of a second at most.
_STEPS: Final = 20_000
# Volumes are told apart to such a part of the vessel.
_FINEST: Final = 20_000


@dataclass(frozen=True, slots=True)
class Want:
    """One order, as far as it matters for making it together with others.

    Attributes:
        key: of the order; the sequence of equals.
        solution: equal for orders of the same solution (:func:`requests_app.drafts.solution_of`).
        volume_ml: of finished solution [mL].
        due_on: the day it is due; for what is overdue the day it can still be made.
        keeps_days: how many days after the day it is made its label allows.
        alone: kept out of batches with others.
    """

    key: int
    solution: Hashable
    volume_ml: Decimal
    due_on: date
    keeps_days: int
    alone: bool = False


Group = tuple[Want, ...]


def groups_of(
    wants: Iterable[Want], *, most_ml: Decimal | None = None, together_days: int | None = None
) -> list[Group]:
    """Put orders together into the fewest batches.

    Args:
        wants: the orders, in any sequence.
        most_ml: the most that one batch may hold [mL]; None sets no limit. An order of more than that is a
            batch of its own, for the plan to judge.
        together_days: how many days the first and the last order of a batch may lie apart, as the
            department rules; None leaves it to the shelf life.

    Returns:
        The groups by their first day, each in the order of its days.
    """
    apart: list[Group] = []
    by_solution: dict[Hashable, list[Want]] = {}
    for want in wants:
        if want.alone or (most_ml is not None and want.volume_ml > most_ml):
            apart.append((want,))
        else:
            by_solution.setdefault(want.solution, []).append(want)
    found = list(apart)
    for same in by_solution.values():
        found += _Packing(same, most_ml, together_days).groups()
    return sorted(found, key=lambda group: (group[0].due_on, group[0].key))


def window_days(keeps_days: int, together_days: int | None) -> int:
    """How many days the first and the last order of one batch may lie apart.

    >>> window_days(30, None), window_days(30, 7), window_days(1, 7)
    (30, 7, 1)
    """
    return keeps_days if together_days is None else min(keeps_days, together_days)


def may_be_one(wants: Sequence[Want], *, most_ml: Decimal | None, together_days: int | None) -> str:
    """Why these orders can't be one batch, as a word: ``solution``, ``alone``, ``days`` or ``volume``.

    Empty where they can.
    """
    if len({want.solution for want in wants}) > 1:
        return "solution"
    if len(wants) > 1 and any(want.alone for want in wants):
        return "alone"
    days = [want.due_on for want in wants]
    if (max(days) - min(days)).days > window_days(min(want.keeps_days for want in wants), together_days):
        return "days"
    if len(wants) > 1 and most_ml is not None and sum(want.volume_ml for want in wants) > most_ml:
        return "volume"
    return ""


# --- one solution -----------------------------------------------------------------------------------
class _Bin:
    """A batch while it is put together."""

    __slots__ = ("first", "items", "last", "volume")

    def __init__(self, want: Want) -> None:
        self.items = [want]
        self.volume = want.volume_ml
        self.first = self.last = want.due_on

    def add(self, want: Want) -> None:
        self.items.append(want)
        self.volume += want.volume_ml
        self.first, self.last = min(self.first, want.due_on), max(self.last, want.due_on)


class _Packing:
    """All orders of one solution, and the ways of putting them into batches."""

    def __init__(self, wants: Iterable[Want], most_ml: Decimal | None, together_days: int | None) -> None:
        self.wants = sorted(wants, key=lambda want: (want.due_on, want.key))
        self.most = most_ml
        # Of one solution all keep equally long; should they not, the shortest counts for all.
        self.days = window_days(min(want.keeps_days for want in self.wants), together_days)

    def groups(self) -> list[Group]:
        least = self._at_least(self.wants)
        best: list[_Bin] = []
        for fill in (self._by_day, self._fullest, self._largest_first):
            found = self._emptied(fill())
            if not best or len(found) < len(best):
                best = found
            if len(best) <= least:
                break
        if len(best) > least:
            best = self._searched(best, least)
        return [tuple(sorted(one.items, key=lambda want: (want.due_on, want.key))) for one in best]

    def fits(self, into: _Bin, want: Want) -> bool:
        if self.most is not None and into.volume + want.volume_ml > self.most:
            return False
        return (max(into.last, want.due_on) - min(into.first, want.due_on)).days <= self.days

    # --- simple fillings ------------------------------------------------------------------------------
    def _by_day(self) -> list[_Bin]:
        """Each order into the first batch that still takes it, by day: what a person would do."""
        return self._first_fit(self.wants)

    def _largest_first(self) -> list[_Bin]:
        """The large ones first, as they are the hardest to place; the small ones fill what is left."""
        return self._first_fit(sorted(self.wants, key=lambda want: (-want.volume_ml, want.due_on, want.key)))

    def _first_fit(self, wants: Iterable[Want]) -> list[_Bin]:
        bins: list[_Bin] = []
        for want in wants:
            into = next((one for one in bins if self.fits(one, want)), None)
            if into is None:
                bins.append(_Bin(want))
            else:
                into.add(want)
        return bins

    def _fullest(self) -> list[_Bin]:
        """Begin with the earliest day left, and fill that batch from its window as full as it gets.

        Of the ways to fill it so full, the one that takes the early days.
        """
        if self.most is None:
            return self._by_day()
        unit = self._unit(self.most)
        room = int(self.most / unit)
        left = list(self.wants)
        bins = []
        while left:
            into = _Bin(left.pop(0))
            there = [want for want in left if self.fits(into, want)]
            sizes = [math.ceil(want.volume_ml / unit) for want in there]
            taken = {there[at].key for at in _fill(sizes, room - math.ceil(into.volume / unit))}
            for want in there:
                if want.key in taken:
                    into.add(want)
            left = [want for want in left if want.key not in taken]
            bins.append(into)
        return bins

    def _unit(self, most: Decimal) -> Decimal:
        """What all volumes are whole numbers of, or a little of the vessel where that is too fine [mL]."""
        shift: int = 10 ** max(0, *(-int(want.volume_ml.as_tuple().exponent) for want in self.wants))
        whole = math.gcd(*(int(want.volume_ml * shift) for want in self.wants))
        return max(Decimal(whole) / Decimal(shift), most / _FINEST)

    def _emptied(self, bins: list[_Bin]) -> list[_Bin]:
        """Give the orders of a small batch to the others, as long as one can be emptied so."""
        while True:
            for small in sorted(bins, key=lambda one: (one.volume, len(one.items), one.items[0].key)):
                others = [_copy(one) for one in bins if one is not small]
                if all(
                    self._placed(want, others) for want in sorted(small.items, key=lambda w: -w.volume_ml)
                ):
                    bins = others
                    break
            else:
                return bins

    def _placed(self, want: Want, bins: list[_Bin]) -> bool:
        fitting = [one for one in bins if self.fits(one, want)]
        if not fitting:
            return False
        # Where the least room is left afterwards.
        max(fitting, key=lambda one: one.volume).add(want)
        return True

    # --- a bound, and a search ------------------------------------------------------------------------
    def _at_least(self, wants: Sequence[Want]) -> int:
        """No fewer batches will do: days too far apart share none, and a batch holds only so much.

        The best chain of stretches of days, each further from the one before than a window.
        """
        by_day: dict[date, Decimal] = {}
        for want in wants:
            by_day[want.due_on] = by_day.get(want.due_on, Decimal(0)) + want.volume_ml
        days = sorted(by_day)
        best = [0] * (len(days) + 1)
        for end in range(len(days)):
            volume = Decimal(0)
            for start in range(end, -1, -1):
                volume += by_day[days[start]]
                before = next((at for at in range(start, 0, -1) if self._apart(days[at - 1], days[start])), 0)
                needed = 1 if self.most is None else math.ceil(volume / self.most)
                best[end + 1] = max(best[end + 1], best[before] + max(needed, 1), best[end])
        return best[-1]

    def _apart(self, early: date, late: date) -> bool:
        return (late - early).days > self.days

    def _searched(self, best: list[_Bin], least: int) -> list[_Bin]:
        """Branch and bound in the order of days, until a batch fewer is found, none can be, or time is up."""
        search = _Search(self, best, least)
        search.run()
        return search.best


class _Search:
    """Depth first through the orders in the sequence of their days, one batch after the other for each."""

    def __init__(self, packing: _Packing, best: list[_Bin], least: int) -> None:
        self.wants, self.fits = packing.wants, packing.fits
        self.most, self.days = packing.most, packing.days
        self.best, self.least = best, least
        self.steps = 0
        self.left = [Decimal(0)] * (len(self.wants) + 1)
        for at in range(len(self.wants) - 1, -1, -1):
            self.left[at] = self.left[at + 1] + self.wants[at].volume_ml

    def run(self) -> None:
        """Go on until enough is won or time is up; without recursion, which a term would be too deep for."""
        bins: list[_Bin] = []
        stack: list[Iterator[int]] = [iter(self._choices(0, bins))]
        chosen: list[int] = []
        while stack and len(self.best) > self.least and self.steps < _STEPS:
            if len(chosen) == len(stack):
                self._take_back(bins, chosen.pop())
            place = next(stack[-1], None)
            if place is None:
                stack.pop()
                continue
            self.steps += 1
            self._put(bins, place, self.wants[len(chosen)])
            chosen.append(place)
            at = len(chosen)
            if at == len(self.wants):
                if len(bins) < len(self.best):
                    self.best = [_copy(one) for one in bins]
                continue
            stack.append(iter(self._choices(at, bins) if self._may_win(at, bins) else ()))

    def _choices(self, at: int, bins: list[_Bin]) -> list[int]:
        """Where the next order may go: each batch that takes it, of equals one, or a new one."""
        want = self.wants[at]
        found: dict[tuple[Decimal, date], int] = {}
        for place, one in enumerate(bins):
            if self.fits(one, want):
                found.setdefault((one.volume, one.first), place)
        fullest = sorted(found.values(), key=lambda place: (-bins[place].volume, place))
        return [*fullest, len(bins)]

    def _may_win(self, at: int, bins: list[_Bin]) -> bool:
        """Whether what is left can still end in fewer batches than the best."""
        needed = len(bins)
        if self.most is not None:
            day = self.wants[at].due_on
            room = sum(
                (self.most - one.volume for one in bins if (day - one.first).days <= self.days), Decimal(0)
            )
            needed += max(0, math.ceil((self.left[at] - room) / self.most))
        return needed < len(self.best)

    @staticmethod
    def _put(bins: list[_Bin], place: int, want: Want) -> None:
        if place == len(bins):
            bins.append(_Bin(want))
        else:
            bins[place].add(want)

    @staticmethod
    def _take_back(bins: list[_Bin], place: int) -> None:
        # In the order of days, so the last one in is the last day of its batch.
        one = bins[place]
        gone = one.items.pop()
        if not one.items:
            bins.pop()
            return
        one.volume -= gone.volume_ml
        one.last = one.items[-1].due_on


def _fill(sizes: Sequence[int], room: int) -> list[int]:
    """Positions of the sizes that fill ``room`` as full as can be, the first ones where there is a choice.

    >>> _fill([4, 3, 3], 7), _fill([5, 5], 4)
    ([0, 1], [])
    """
    mask = (1 << (room + 1)) - 1
    # Bit n is set where the first sizes can add up to n.
    sums = [1]
    for size in sizes:
        sums.append((sums[-1] | sums[-1] << size) & mask)
    full = sums[-1].bit_length() - 1
    taken = []
    for at in range(len(sizes) - 1, -1, -1):
        if not sums[at] >> full & 1:
            taken.append(at)
            full -= sizes[at]
    return taken[::-1]


def _copy(one: _Bin) -> _Bin:
    copied = _Bin(one.items[0])
    for want in one.items[1:]:
        copied.add(want)
    return copied
