"""Puts the work of a day into an order: who does what when. Pure, whole seconds from now on, no words.

How it searches, and why it is enough for a prep room: see ``prepdesk/docs/how-the-day-is-planned.md``.

* Jobs are placed one after the other, each at the first moment at which a pair of hands, its balances and a
  hood are free together; gaps that were left are filled.
* In the order of due times (Jackson 1955) nothing is later than it must be with one pair of hands. Where that
  leaves some late, as few as can be are given up for late (Moore 1968), and these go as early as the others
  allow.
* Then what is weighed on the same balance, or belongs into the hood, is drawn together where nothing gets
  late or later by it.
"""

import heapq
from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Final

_NEVER: Final = 1 << 60
# How many placements of all jobs may be tried, times jobs: what keeps a day of 200 within 10 ms.
_WORK: Final = 500
_MOST_TRIES: Final = 200
# So far ahead one looks for more work on the same balance.
_LOOK_AHEAD: Final = 12
# For the sake of the same balance nothing goes before what is due so much earlier, or leaves it less to
# spare [s] (common practice: getting a balance or a hood ready again takes a few minutes).
_FAR: Final = 3 * 3600
_TO_SPARE: Final = 15 * 60
# Kept for drawing together.
_LAST_TRIES: Final = 2

# Free from, until; in order.
Gaps = list[tuple[int, ...]]


@dataclass(slots=True)
class Task:
    """One job in whole seconds from now on.

    Attributes:
        due: when it must be ready.
        hands: how long somebody is at it.
        tail: how long it stands by itself afterwards.
        release: not before.
        needs: resource and for how long, counted from its start.
        lanes: the pairs of hands that may do it.
        after: what must be ready before.
        setup: equal for what is done with the same things around it; 0 for none.
        first: it is under way, so it goes before all other work of its person.
    """

    due: int
    hands: int
    tail: int
    release: int = 0
    needs: tuple[tuple[int, int], ...] = ()
    lanes: tuple[int, ...] = (0,)
    after: tuple[int, ...] = ()
    setup: int = 0
    first: bool = False


@dataclass(slots=True)
class Placed:
    """Where each task lies: when its hands begin and whose they are."""

    starts: list[int]
    lanes: list[int]
    late: list[int] = field(default_factory=list)

    @property
    def key(self) -> tuple[int, int, int]:
        """How many are late, by how much at most, by how much together."""
        late = [one for one in self.late if one > 0]
        return len(late), max(late, default=0), sum(late)


class Search:
    """One day."""

    def __init__(self, tasks: Sequence[Task], lane_count: int, resources: Sequence[int]) -> None:
        self.tasks = tasks
        self.lane_count = lane_count
        self.resources = resources
        self.hands_due = _hands_due(tasks)
        self.least_hands = min((task.hands for task in tasks if task.hands), default=1)
        self.has_first = any(task.first for task in tasks)
        self.has_after = any(task.after for task in tasks)
        self.least_spans = [_NEVER] * len(resources)
        for task in tasks:
            for resource, span in task.needs:
                self.least_spans[resource] = min(self.least_spans[resource], span)
        self.tries = min(_MOST_TRIES, _WORK // max(1, len(tasks)))

    def best(self) -> Placed:
        """The order that is suggested."""
        in_turn = self._in_turn(range(len(self.tasks)))
        found = self.place(in_turn)
        if found.key[0]:
            found = self._few_late(in_turn, found)
        return self._grouped(found)

    # --- placing --------------------------------------------------------------------------------
    def place(self, order: Sequence[int], lanes: Sequence[int] | None = None) -> Placed:
        """Place the tasks in this order of precedence, what is under way before all.

        Args:
            lanes: who does which task, where that is settled.
        """
        tasks, least = self.tasks, self.least_hands
        free: list[Gaps] = [[(0, _NEVER)] for _ in range(self.lane_count)]
        things: list[list[Gaps]] = [[[(0, _NEVER)] for _ in range(count)] for count in self.resources]
        starts, chosen, late = [0] * len(tasks), [0] * len(tasks), [0] * len(tasks)
        for number in self._may_follow(order):
            task = tasks[number]
            earliest, hands, needs = task.release, task.hands, task.needs
            for before in task.after:
                other = tasks[before]
                earliest = max(earliest, starts[before] + other.hands + other.tail)
            best, where = _NEVER, 0
            for lane in task.lanes if lanes is None else (lanes[number],):
                at = _fits(free[lane], earliest, hands)
                if needs and at < best:
                    at = _together(free[lane], at, task, things)
                if at < best:
                    best, where = at, lane
                    if at == earliest:
                        break
            if hands:
                _take(free[where], best, hands, least)
            for resource, span in needs:
                for gaps in things[resource]:
                    if _fits(gaps, best, span) == best:
                        _take(gaps, best, span, self.least_spans[resource])
                        break
            starts[number], chosen[number] = best, where
            late[number] = best + hands + task.tail - task.due
        return Placed(starts, chosen, late)

    def _may_follow(self, order: Sequence[int]) -> Sequence[int]:
        """The order with what is under way at its head, and nothing before what it waits for."""
        tasks = self.tasks
        if self.has_first:
            order = sorted(order, key=lambda number: not tasks[number].first)
        if not self.has_after:
            return order
        followed: dict[int, None] = {}
        met: set[int] = set()

        def follow(number: int) -> None:
            # What waits for itself, by a mistake of the data, waits for nothing.
            if number not in met:
                met.add(number)
                for before in tasks[number].after:
                    follow(before)
                followed[number] = None

        for number in order:
            follow(number)
        return list(followed)

    def _in_turn(self, numbers: Sequence[int] | range) -> list[int]:
        return sorted(numbers, key=lambda number: (self.hands_due[number], number))

    # --- as few late as can be ------------------------------------------------------------------
    def _few_late(self, in_turn: list[int], in_due_order: Placed) -> Placed:
        best = in_due_order
        given_up = self._given_up(in_turn)
        while self.tries > 0:
            kept = [number for number in in_turn if number not in given_up]
            found = self._try([*kept, *self._in_turn(sorted(given_up))])
            if found.key < best.key:
                best = found
            missed = next((number for number in kept if found.late[number] > 0), None)
            if missed is None or self.tries <= _LAST_TRIES + 1:
                break
            given_up.add(self._in_the_way(missed, kept, found))
        return self._improved(self._late_ones_early(best))

    def _try(self, order: Sequence[int], lanes: Sequence[int] | None = None) -> Placed:
        self.tries -= 1
        return self.place(order, lanes)

    def _given_up(self, in_turn: Sequence[int]) -> set[int]:
        """Moore's rule: in the order of due times; where one comes late, the longest so far is left out."""
        tasks, loads = self.tasks, [0] * self.lane_count
        longest: list[list[tuple[int, int]]] = [[] for _ in loads]
        for task in tasks:
            if task.first:
                loads[task.lanes[0]] += task.hands
        left_out = set()
        for number in in_turn:
            task = tasks[number]
            if task.first:
                continue
            lane = min(task.lanes, key=loads.__getitem__)
            loads[lane] = max(loads[lane], task.release) + task.hands
            heapq.heappush(longest[lane], (-task.hands, number))
            if loads[lane] > task.due - task.tail:
                hands, out = heapq.heappop(longest[lane])
                loads[lane] += hands
                left_out.add(out)
        return left_out

    def _in_the_way(self, missed: int, kept: Sequence[int], found: Placed) -> int:
        """The longest of what is done before the missed one by the same hands or with the same things."""
        tasks, starts = self.tasks, found.starts
        things = {resource for resource, _ in tasks[missed].needs}
        lanes = found.lanes
        before = [one for one in kept if starts[one] <= starts[missed] and not tasks[one].first]
        rivals = [
            one
            for one in before
            if lanes[one] == lanes[missed] or any(resource in things for resource, _ in tasks[one].needs)
        ]
        return max(rivals, key=lambda number: (tasks[number].hands, number), default=missed)

    def _late_ones_early(self, found: Placed) -> Placed:
        """Move what is late anyway before work that has time to spare; earlier due goes earlier."""
        rows = []
        for row in self._rows(found):
            is_moved = {number: found.late[number] > 0 and not self.tasks[number].first for number in row}
            kept = [number for number in row if not is_moved[number]]
            late = self._in_turn([number for number in row if is_moved[number]])
            rows.append(self._woven(kept, late))
        moved = self._try(self._order_of(rows), found.lanes)
        return moved if moved.key < found.key else found

    def _woven(self, row: list[int], late: Sequence[int]) -> list[int]:
        """The row with each of the late ones as early as those in time can bear."""
        tasks = self.tasks
        after = sum(tasks[number].first for number in row)
        for place, number in enumerate(late):
            if after == len(row):
                return [*row, *late[place:]]
            ends, at = [], 0
            for one in row:
                at = max(at, tasks[one].release) + tasks[one].hands
                ends.append(at)
            where, here = len(row), len(row)
            while here > after:
                here -= 1
                other = tasks[row[here]]
                if other.due - other.tail - ends[here] < tasks[number].hands:
                    break
                where = here
            row = [*row[:where], number, *row[where:]]
            after = where + 1
        return row

    def _order_of(self, rows: Sequence[Sequence[int]]) -> list[int]:
        """The tasks of the rows by when each would begin, were there things enough."""
        begins = []
        for row in rows:
            at = 0
            for number in row:
                at = max(at, self.tasks[number].release)
                begins.append((at, number))
                at += self.tasks[number].hands
        return [number for _, number in sorted(begins)]

    def _improved(self, best: Placed) -> Placed:
        """Try other places for the late ones and for what goes before them, while there are tries left."""
        better = best.key[0] > 0
        while better:
            better = False
            for order in self._beside(best):
                if self.tries <= _LAST_TRIES:
                    return best
                found = self._try(order)
                if found.key < best.key:
                    best, better = found, True
                    break
        return best

    def _beside(self, best: Placed) -> Iterator[list[int]]:
        """Orders in which one late task goes before an earlier one, or an earlier one after it."""
        order = self._by_start(best)
        for number in order:
            if best.late[number] > 0:
                place = order.index(number)
                for where in range(place):
                    yield [*order[:where], number, *order[where:place], *order[place + 1 :]]
                for where in range(place):
                    yield [*order[:where], *order[where + 1 : place + 1], order[where], *order[place + 1 :]]

    # --- back to back ---------------------------------------------------------------------------
    def _by_start(self, found: Placed) -> list[int]:
        return sorted(range(len(self.tasks)), key=lambda one: (found.starts[one], one))

    def _rows(self, found: Placed) -> list[list[int]]:
        """What each pair of hands does, in its order."""
        rows: list[list[int]] = [[] for _ in range(self.lane_count)]
        for number in self._by_start(found):
            rows[found.lanes[number]].append(number)
        return rows

    def _grouped(self, found: Placed) -> Placed:
        """Draw together what has the same set-up, where nothing gets late or later by it."""
        rows = self._rows(found)
        drawn = [self._drawn_together(row, found) for row in rows]
        if drawn == rows:
            return found
        grouped = self._if_no_later(drawn, found)
        if grouped is not None:
            return grouped
        # Together they get into each other's way: one pair of hands after the other, while there are tries.
        for lane, row in enumerate(drawn):
            if row != rows[lane] and self.tries > 0:
                one = self._if_no_later([*rows[:lane], row, *rows[lane + 1 :]], found)
                if one is not None:
                    found, rows = one, self._rows(one)
        return found

    def _if_no_later(self, rows: Sequence[Sequence[int]], found: Placed) -> Placed | None:
        other = self._try(self._order_of(rows), found.lanes)
        worse = any(new > max(0, old) for new, old in zip(other.late, found.late, strict=True))
        return None if worse or self._changes(other) >= self._changes(found) else other

    def _changes(self, found: Placed) -> int:
        """How often something else is set up."""
        setup = [task.setup for task in self.tasks]
        return sum(setup[a] != setup[b] for row in self._rows(found) for a, b in pairwise(row))

    def _drawn_together(self, row: Sequence[int], found: Placed) -> list[int]:
        tasks, row = self.tasks, list(row)
        spare = [max(0, -found.late[number]) for number in row]
        for here in range(len(row) - 2):
            setup = tasks[row[here]].setup
            if not setup or tasks[row[here + 1]].setup == setup:
                continue
            least, latest = _NEVER, tasks[row[here + 1]].due + _FAR
            for there in range(here + 1, min(len(row), here + _LOOK_AHEAD)):
                number = row[there]
                hands = tasks[number].hands
                if tasks[number].setup == setup and not tasks[row[here + 1]].first:
                    if least >= hands + _TO_SPARE and tasks[number].due <= latest:
                        gained = sum(tasks[one].hands for one in row[here + 1 : there])
                        moved = spare[there] + gained
                        row[here + 1 : there + 1] = [number, *row[here + 1 : there]]
                        spare[here + 1 : there + 1] = [moved, *(s - hands for s in spare[here + 1 : there])]
                    break
                least, latest = min(least, spare[there]), min(latest, tasks[number].due + _FAR)
        return row


def _hands_due(tasks: Sequence[Task]) -> list[int]:
    """By when somebody must be done with each, for itself and for what waits for it."""
    due = [task.due - task.tail for task in tasks]
    changed = any(task.after for task in tasks)
    for _ in tasks if changed else ():
        changed = False
        for number, task in enumerate(tasks):
            for before in task.after:
                needed = due[number] - task.hands - tasks[before].tail
                if needed < due[before]:
                    due[before], changed = needed, True
        if not changed:
            break
    return due


# --- gaps -----------------------------------------------------------------------------------------
def _fits(gaps: Gaps, at: int, length: int) -> int:
    """The first moment from ``at`` on at which so long a piece fits."""
    place = bisect_left(gaps, (at,)) - 1
    if place < 0 or gaps[place][1] < at + length:
        place += 1
        while gaps[place][1] - gaps[place][0] < length:
            place += 1
    return max(at, gaps[place][0])


def _together(own: Gaps, at: int, task: Task, things: Sequence[Sequence[Gaps]]) -> int:
    """The first moment at which hands, free at ``at``, and things are free together."""
    while True:
        begin = at
        for resource, span in task.needs:
            alike = things[resource]
            first = _fits(alike[0], at, span)
            if first > at:
                for gaps in alike[1:]:
                    first = min(first, _fits(gaps, at, span))
                at = first
        if at == begin:
            return at
        at = _fits(own, at, task.hands)


def _take(gaps: Gaps, at: int, length: int, least: int) -> None:
    """Take a piece that fits; what is left beside it and serves nobody is not kept."""
    until = at + length
    place = bisect_left(gaps, (at + 1,)) - 1
    start, end = gaps[place]
    left = [(start, at)] if at - start >= least else []
    if end - until >= least:
        left.append((until, end))
    gaps[place : place + 1] = left
