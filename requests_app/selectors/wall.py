"""The day at a glance for a screen on the wall: by hour and room, how far the orders are."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Final

from django.db.models import Q
from django.utils import timezone

from prepdesk.accounts.models import User
from requests_app import states
from requests_app.selectors.portions import as_rooms_are_counted
from requests_app.selectors.queue import bounds_of
from requests_app.selectors.work import orders_visible_to

# In the order of the work. What waits for stock is to be made too, as whoever asks at the door sees it.
COLUMNS: Final = {
    "to_make": "To be made",
    "in_work": "Being made",
    "ready": "Ready",
    "handed_over": "Handed over",
}
_COLUMN_OF: Final = {
    states.WAITING: "to_make",
    states.QUEUED: "to_make",
    states.IN_WORK: "in_work",
    states.READY: "ready",
    states.HANDED_OVER: "handed_over",
}
# What a screen of 1080 lines holds in digits that are read at three metres.
MOST_LINES: Final = 6
MOST_NAMED: Final = 3
MOST_TITLES: Final = 1


@dataclass(slots=True)
class WallLine:
    """The orders for one room at one time.

    Attributes:
        day, clock, room: when and where; the day is empty today.
        counts: how many stand in each column.
        makers: who is at it.
        titles: what is to be made still; the title of an unknown has no figure.
        late: how many of them should be ready by now and are not.
    """

    due_at: datetime
    day: str
    clock: str
    room: str
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMNS, 0))
    makers: list[str] = field(default_factory=list)
    titles: list[str] = field(default_factory=list)
    late: int = 0

    @property
    def makers_words(self) -> str:
        """Who is at it, in the words that have a place."""
        return _first_of(self.makers, MOST_NAMED)

    @property
    def titles_words(self) -> str:
        """What is to be made still."""
        return _first_of(self.titles, MOST_TITLES)

    @property
    def is_over(self) -> bool:
        """All of it was handed over."""
        return not any(count for name, count in self.counts.items() if name != "handed_over")


@dataclass(frozen=True, slots=True)
class Wall:
    """What the screen shows.

    Attributes:
        day: today.
        lines: what is open first, by time; at most :data:`MOST_LINES`.
        left_out: how many lines have no place.
        totals: of the whole day, by column.
        late: how many orders of the whole day are late.
    """

    day: date
    lines: tuple[WallLine, ...]
    left_out: int
    totals: dict[str, int]
    late: int

    @property
    def mark(self) -> str:
        """Another one as soon as anything on the screen is another."""
        return hashlib.sha256(repr(self).encode()).hexdigest()[:16]


def wall_for(actor: User, now: datetime) -> Wall:
    """The orders due today and those that are late, in one query. It reads no figure of any order."""
    today = timezone.localdate(now)
    start, end = bounds_of(today)
    late = Q(due_at__lt=start, state__in=(states.WAITING, states.QUEUED, states.IN_WORK, states.READY))
    of_today = Q(due_at__gte=start, due_at__lt=end, state__in=_COLUMN_OF)
    rows = (
        orders_visible_to(actor)
        .filter(late | of_today)
        .order_by("due_at", "room", "pk")
        .values_list(
            "due_at",
            "room",
            "state",
            "title",
            "batch__claimed_by__first_name",
            "batch__claimed_by__last_name",
            "batch__claimed_by__username",
        )
    )
    lines = _lines(rows, now, today)
    shown = sorted(lines, key=lambda line: (line.is_over, line.due_at, as_rooms_are_counted(line.room)))
    return Wall(
        day=today,
        lines=tuple(shown[:MOST_LINES]),
        left_out=max(0, len(shown) - MOST_LINES),
        totals={name: sum(line.counts[name] for line in lines) for name in COLUMNS},
        late=sum(line.late for line in lines),
    )


def _lines(rows: Iterable[tuple[Any, ...]], now: datetime, today: date) -> list[WallLine]:
    found: dict[tuple[datetime, str], WallLine] = {}
    for due_at, room, state, title, first, last, username in rows:
        if (due_at, room) not in found:
            here = timezone.localtime(due_at, timezone.get_default_timezone())
            day = "" if here.date() == today else f"{here:%a} {here.day} {here:%b}"
            found[due_at, room] = WallLine(due_at, day, f"{here:%H:%M}", room)
        line = found[due_at, room]
        line.counts[_COLUMN_OF[state]] += 1
        line.late += due_at < now and state in (states.WAITING, states.QUEUED, states.IN_WORK)
        if _COLUMN_OF[state] == "to_make" and title not in line.titles:
            line.titles.append(title)
        person = f"{first or ''} {last or ''}".strip() or username
        if state == states.IN_WORK and person and person not in line.makers:
            line.makers.append(person)
    return list(found.values())


def _first_of(words: list[str], most: int) -> str:
    more = len(words) - most
    return ", ".join(words[:most]) + (f", and {more} more" if more > 0 else "")
