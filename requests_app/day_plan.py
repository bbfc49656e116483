"""The plan of a day: which batch is made by whom when, when it is ready, and what can't be in time and why.

Pure: jobs and a clock in, slots out; the same jobs give the same plan. Times in words are on the clock of
``now``. How it decides: ``prepdesk/docs/how-the-day-is-planned.md``.
"""

from collections import Counter
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from math import ceil, floor
from typing import Final

from requests_app.day_search import Placed, Search, Task

Key = Hashable

_ZERO: Final = timedelta()
# No key of a balance or a vessel is empty.
_HOOD: Final = ""


@dataclass(frozen=True, slots=True)
class Job:
    """One batch that is to be made.

    Attributes:
        key: of the batch; equal due times are taken in the order of the jobs.
        due_at: aware.
        hands_on: what is left of the work that needs a person.
        waiting: what is left of cooling, stirring and the like; it is counted after the hands-on work, and
            whoever does it is free for another batch then.
        name: what a sentence calls it.
        balances: keys of the balances it is weighed on.
        at_balance: how long from its start until the last weighing is done; None means all of it.
        hood: whether it belongs into the fume hood while somebody is at it.
        vessels: keys of what holds it until it is ready.
        person: key of whoever has it already.
        begun: work on it has begun.
        paused: it was begun and rests.
        not_before: aware; when it can be begun at the earliest.
        after: keys of what must be ready before; what is not among the jobs is taken to be there.
    """

    key: Key
    due_at: datetime
    hands_on: timedelta
    waiting: timedelta = _ZERO
    name: str = ""
    balances: frozenset[str] = frozenset()
    at_balance: timedelta | None = None
    hood: bool = False
    vessels: frozenset[str] = frozenset()
    person: int | None = None
    begun: bool = False
    paused: bool = False
    not_before: datetime | None = None
    after: frozenset[Key] = frozenset()


@dataclass(frozen=True, slots=True)
class Capacity:
    """Who and what there is.

    Attributes:
        people: keys of those who prepare, None for somebody who is not known by name yet.
        balances: how many there are of each, by key; one that is not named is there once.
        hoods: how many; 0 where none is listed, and then nobody waits for one.
        vessels: how many there are of each, by key; nobody waits for one that is not named.
        names: what a sentence calls a balance or a vessel, by key.
    """

    people: Sequence[int | None] = (None,)
    balances: Mapping[str, int] = field(default_factory=dict)
    hoods: int = 0
    vessels: Mapping[str, int] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Slot:
    """Where a batch lies in the day.

    Attributes:
        key: of the job.
        person: whose it is or whom it suits; None for whoever is free.
        bench: number of the pair of hands from 0, equal for what the same person does.
        starts_at, hands_until, ready_at: aware; between the last two it stands by itself.
        due_at: when it must be ready.
        because: why here, or for what is late why it can't be in time, as a sentence.
    """

    key: Key
    person: int | None
    bench: int
    starts_at: datetime
    hands_until: datetime
    ready_at: datetime
    due_at: datetime
    because: str = ""

    @property
    def lateness(self) -> timedelta:
        """How much too late it is ready; nothing where it is in time."""
        return max(_ZERO, self.ready_at - self.due_at)

    @property
    def is_late(self) -> bool:
        """Whether it can't be ready in time."""
        return self.ready_at > self.due_at


@dataclass(frozen=True, slots=True)
class DayPlan:
    """The suggested day.

    Attributes:
        slots: in the suggested sequence, by the time at which each begins.
    """

    slots: tuple[Slot, ...] = ()

    @property
    def by_key(self) -> dict[Key, Slot]:
        """Each slot by the key of its job."""
        return {slot.key: slot for slot in self.slots}

    @property
    def sequence(self) -> tuple[Key, ...]:
        """The keys in the suggested sequence."""
        return tuple(slot.key for slot in self.slots)

    @property
    def late(self) -> tuple[Slot, ...]:
        """What can't be ready in time, what was due first first."""
        return tuple(sorted((slot for slot in self.slots if slot.is_late), key=lambda slot: slot.due_at))


def plan_day(jobs: Iterable[Job], *, now: datetime, capacity: Capacity) -> DayPlan:
    """Plan the work from now on.

    Nobody does two things at once, no balance and no hood is used by two at one moment, nothing begins before
    it may or before what it waits for is ready; what a person has stays theirs, and what is under way goes
    before all other work of that person. Within that as few jobs as it can find are late, then the latest of
    them as little as it can, then what is weighed on the same balance stands together.
    """
    return _Day(tuple(jobs), now, capacity).plan()


class _Day:
    """Jobs as tasks, and tasks as words."""

    def __init__(self, jobs: Sequence[Job], now: datetime, capacity: Capacity) -> None:
        self.jobs = jobs
        self.now, self.utc = now, now.astimezone(UTC)
        self.capacity = capacity
        self.people = _benches(jobs, capacity)
        # Those who only finish what they have, beyond the people there are, get nothing new.
        self.open_to_all = tuple(range(max(1, len(capacity.people))))
        self.things, self.counts = self._things()
        self.tasks = self._tasks()

    def plan(self) -> DayPlan:
        if not self.jobs:
            return DayPlan()
        found = Search(self.tasks, len(self.people), self.counts).best()
        words = _Words(self.jobs, self.tasks, found, self)
        slots = [self._slot(number, job, found, words) for number, job in enumerate(self.jobs)]
        order = sorted(range(len(slots)), key=lambda one: (found.starts[one], slots[one].due_at, one))
        return DayPlan(tuple(slots[number] for number in order))

    def _things(self) -> tuple[list[str], list[int]]:
        """What may have to be waited for, and how many there are; what is there for all is left out."""
        wanted = Counter(key for job in self.jobs for key in (*job.balances, *job.vessels))
        there = dict(self.capacity.vessels)
        there |= {key: self.capacity.balances.get(key, 1) for job in self.jobs for key in job.balances}
        if self.capacity.hoods:
            wanted[_HOOD], there[_HOOD] = sum(job.hood for job in self.jobs), self.capacity.hoods
        # One that is out of service is there again once the work can be done at all.
        scarce = sorted(key for key in there if wanted[key] > max(1, there[key]))
        return scarce, [max(1, there[key]) for key in scarce]

    def _slot(self, number: int, job: Job, found: Placed, words: "_Words") -> Slot:
        task, start = self.tasks[number], found.starts[number]
        return Slot(
            key=job.key,
            person=self.people[found.lanes[number]],
            bench=found.lanes[number],
            starts_at=self.at(start),
            hands_until=self.at(start + task.hands),
            ready_at=self.at(start + task.hands + task.tail),
            due_at=job.due_at,
            because=words.of(number),
        )

    def at(self, moment: int) -> datetime:
        # Counted in UTC: across a change of summer time a day has 23 or 25 hours.
        return (self.utc + timedelta(seconds=moment)).astimezone(self.now.tzinfo)

    def _tasks(self) -> list[Task]:
        number_of = {job.key: number for number, job in enumerate(self.jobs)}
        thing_of = {key: number for number, key in enumerate(self.things)}
        bench_of = {person: bench for bench, person in enumerate(self.people) if person is not None}
        setups: dict[tuple[frozenset[str], bool], int] = {(frozenset(), False): 0}
        tasks = []
        for job in self.jobs:
            hands = _seconds(job.hands_on)
            weighing = hands if job.at_balance is None else min(hands, _seconds(job.at_balance))
            tail = _seconds(job.waiting)
            spans = [(key, weighing) for key in sorted(job.balances)]
            spans += [(_HOOD, hands)] if job.hood else []
            spans += [(key, hands + tail) for key in sorted(job.vessels)]
            needs = [(thing_of[key], span) for key, span in spans if key in thing_of and span]
            tasks.append(
                Task(
                    due=floor((job.due_at - self.utc).total_seconds()),
                    hands=hands,
                    tail=tail,
                    release=_seconds(job.not_before - self.utc) if job.not_before else 0,
                    needs=tuple(needs),
                    lanes=(bench_of[job.person],) if job.person is not None else self.open_to_all,
                    after=tuple(number_of[key] for key in sorted(job.after, key=str) if key in number_of),
                    setup=setups.setdefault((job.balances, job.hood), len(setups)),
                    first=job.begun and not job.paused,
                )
            )
        return tasks


def _benches(jobs: Sequence[Job], capacity: Capacity) -> list[int | None]:
    """Whose pair of hands each is: the people there are, those who hold work in place of unknown ones."""
    people = list(capacity.people) or [None]
    known = set(people)
    for job in sorted(jobs, key=lambda job: not job.begun):
        if job.person is None or job.person in known:
            continue
        known.add(job.person)
        if None in people:
            people[people.index(None)] = job.person
        else:
            people.append(job.person)
    return people


def _seconds(length: timedelta) -> int:
    """Whole seconds, begun ones counted; nothing is shorter than nothing."""
    return max(0, ceil(length.total_seconds()))


class _Words:
    """Why each job lies where it lies."""

    def __init__(self, jobs: Sequence[Job], tasks: Sequence[Task], found: Placed, day: _Day) -> None:
        self.jobs, self.tasks, self.found, self.day = jobs, tasks, found, day
        rows: dict[int, list[int]] = {}
        for number in sorted(range(len(jobs)), key=lambda one: (found.starts[one], one)):
            rows.setdefault(found.lanes[number], []).append(number)
        # The earliest due time of what the same person does later.
        self.due_later: dict[int, int] = {}
        for row in rows.values():
            earliest = tasks[row[-1]].due
            for number in reversed(row):
                self.due_later[number] = earliest
                earliest = min(earliest, tasks[number].due)
        self.before = {
            number: row[place - 1] if place else None
            for row in rows.values()
            for place, number in enumerate(row)
        }
        self.freed = {
            (resource, start + span)
            for task, start in zip(tasks, found.starts, strict=True)
            for resource, span in task.needs
        }

    def of(self, number: int) -> str:
        """One sentence or two."""
        return self._late(number) if self.found.late[number] > 0 else self._in_time(number)

    def _in_time(self, number: int) -> str:
        job, before = self.jobs[number], self.before[number]
        if self.tasks[number].first:
            return "It is under way, so it goes on before other work."
        if before is not None and self.tasks[before].setup == self.tasks[number].setup:
            if job.hood and self.day.capacity.hoods:
                return f"In the hood after {self._name(before)}."
            if job.balances:
                return f"On the same balance after {self._name(before)}."
        if before is not None and self.tasks[before].tail and not self._idle_between(before, number):
            return f"While {self._name(before)} stands and needs no hands."
        return self._in_turn(number)

    def _in_turn(self, number: int) -> str:
        if self.tasks[number].due <= self.due_later[number]:
            return "Its due time comes next."
        needs_it = next((other for other, task in enumerate(self.tasks) if number in task.after), None)
        if needs_it is not None:
            return f"{self._name(needs_it)} is made from it."
        if self.tasks[number].tail:
            return f"It stands {_length(self.tasks[number].tail)} by itself, so it is begun early."
        return "It fits in before what is due earlier."

    def _late(self, number: int) -> str:
        task = self.tasks[number]
        if task.due <= 0:
            return f"It was due {_ago(-task.due)} ago."
        takes = task.hands + task.tail
        if takes > task.due:
            left = _length(task.due, down=True)
            return (
                f"It needs {_length(takes)}, {left} {'is' if left in ('1 hour', '1 minute') else 'are'} left."
            )
        held_up = self._held_up(number)
        return f"It needs {_length(takes)}. {held_up}" if held_up else f"It needs {_length(takes)}."

    def _held_up(self, number: int) -> str:
        """What keeps it from an earlier start."""
        task, start = self.tasks[number], self.found.starts[number]
        if start <= 0:
            return ""
        for before in task.after:
            if self._ready(before) >= start:
                return f"{self._name(before)} must be made first and is ready at {self._clock(start)}."
        if task.release >= start:
            return f"It can’t be begun before {self._clock(start)}."
        for resource, _ in task.needs:
            if self._freed_at(resource, start):
                return f"{self._thing(resource)} taken until {self._clock(start)}."
        if self.jobs[number].person is not None:
            return f"Whoever has it is busy until {self._clock(start)}."
        return f"Nobody is free for it before {self._clock(start)}."

    def _freed_at(self, resource: int, moment: int) -> bool:
        return (resource, moment) in self.freed

    def _thing(self, resource: int) -> str:
        """The thing as the beginning of a sentence."""
        key, count = self.day.things[resource], self.day.counts[resource]
        name = "fume hood" if key == _HOOD else self.day.capacity.names.get(key, "balance")
        return f"The only {name} is" if count == 1 else f"Each {name} is"

    def _idle_between(self, before: int, number: int) -> bool:
        return self._ready(before) <= self.found.starts[number]

    def _ready(self, number: int) -> int:
        task = self.tasks[number]
        return self.found.starts[number] + task.hands + task.tail

    def _name(self, number: int) -> str:
        return self.jobs[number].name or str(self.jobs[number].key)

    def _clock(self, moment: int) -> str:
        at = self.day.at(moment)
        day = "" if at.date() == self.day.now.date() else f"{at:%a} {at.day} {at:%b}, "
        return f"{day}{at:%H:%M}"


def _length(seconds: int, *, down: bool = False) -> str:
    """``50 minutes``, ``1 hour 5 minutes``; what is left is rounded down, what is needed up."""
    minutes = seconds // 60 if down else -(-seconds // 60)
    hours, rest = divmod(minutes, 60)
    said = [_count(hours, "hour")] if hours else []
    return " ".join([*said, *([_count(rest, "minute")] if rest or not hours else [])])


def _ago(seconds: int) -> str:
    """The largest unit that keeps it readable."""
    if seconds < 3600:
        return _count(seconds // 60, "minute")
    return _count(seconds // 3600, "hour") if seconds < 48 * 3600 else _count(seconds // 86400, "day")


def _count(number: int, unit: str) -> str:
    return f"{number} {unit}" if number == 1 else f"{number} {unit}s"
