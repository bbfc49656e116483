"""What a term, a section and each week of it are, as values: read and compared before anything is saved.

A section keeps its time on the wall over the change of the clocks: its meetings are laid out from day and
local time, week by week, and never by adding hours.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final

from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from prepdesk.core.times import NotOnTheClock, on_the_clock
from requests_app.models import Course, Room, Section, Term, TermBreak

# Monday is 0, as Python counts; ISO 8601 has the same order and begins with 1.
WEEKDAYS: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True, slots=True, order=True)
class Break:
    """Days of a term on which nobody meets, both ends of them free."""

    starts_on: date
    ends_on: date
    name: str

    @property
    def words(self) -> str:
        """``Reading week, 2 to 6 Nov 2026``."""
        return f"{self.name}, {day_words(self.starts_on)} to {day_words(self.ends_on)}"


@dataclass(frozen=True, slots=True)
class TermFacts:
    """All that is said about a term; breaks in the order of their days."""

    code: str
    name: str
    starts_on: date
    ends_on: date
    breaks: tuple[Break, ...] = ()

    def told(self) -> dict[str, str]:
        """By heading, as a person reads it."""
        return {
            "Code": self.code,
            "Name": self.name,
            "First day": day_words(self.starts_on),
            "Last day": day_words(self.ends_on),
            "Breaks": "; ".join(each.words for each in self.breaks),
        }


@dataclass(frozen=True, slots=True)
class SectionFacts:
    """All that is said about a section; who teaches it too is in the order of their names."""

    course: Course
    name: str
    instructor: User
    term: Term | None = None
    groups: int = 1
    students: int | None = None
    weekday: int | None = None
    starts_at: time | None = None
    ends_at: time | None = None
    room: Room | None = None
    co_instructors: tuple[User, ...] = ()

    def told(self) -> dict[str, str]:
        """By heading, as a person reads it."""
        return {
            "Course": self.course.code,
            "Section": self.name,
            "Term": self.term.code if self.term else "",
            "Weekday": "" if self.weekday is None else WEEKDAYS[self.weekday],
            "Starts": clock_words(self.starts_at),
            "Ends": clock_words(self.ends_at),
            "Room": self.room.code if self.room else "",
            "Students": "" if self.students is None else str(self.students),
            "Groups": str(self.groups),
            "Instructor": person_words(self.instructor),
            "Co-instructors": ", ".join(person_words(one) for one in self.co_instructors),
        }


@dataclass(frozen=True, slots=True)
class Slot:
    """When and where a section meets in one week."""

    starts_at: datetime
    ends_at: datetime
    room: Room | None


def term_facts(term: Term) -> TermFacts:
    """What is said about a term now."""
    breaks = sorted(Break(one.starts_on, one.ends_on, one.name) for one in term.breaks.all())
    return TermFacts(term.code, term.name, term.starts_on, term.ends_on, tuple(breaks))


def section_facts(section: Section) -> SectionFacts:
    """What is said about a section now."""
    return SectionFacts(
        course=section.course,
        name=section.name,
        instructor=section.instructor,
        term=section.term,
        groups=section.groups,
        students=section.students,
        weekday=section.weekday,
        starts_at=section.starts_at,
        ends_at=section.ends_at,
        room=section.room,
        co_instructors=by_name(section.co_instructors.all()),
    )


def by_name(people: Iterable[User]) -> tuple[User, ...]:
    """People in the order of their names, nobody twice."""
    return tuple(sorted(set(people), key=lambda one: (str(one).casefold(), one.username)))


def differences(before: Mapping[str, str], after: Mapping[str, str]) -> list[list[str]]:
    """Heading, before, after of what is not the same."""
    return [
        [heading, before.get(heading, ""), now]
        for heading, now in after.items()
        if before.get(heading, "") != now
    ]


def teaching_weeks(term: Term, weekday: int, breaks: Iterable[TermBreak]) -> dict[int, date]:
    """The days on which something on that weekday meets, by week of the term."""
    free = [(one.starts_on, one.ends_on) for one in breaks]
    days = {week: term.monday_of(week) + timedelta(days=weekday) for week in range(1, term.weeks + 1)}
    return {
        week: day
        for week, day in days.items()
        if term.starts_on <= day <= term.ends_on and not any(first <= day <= last for first, last in free)
    }


def slots_of(section: Section) -> dict[int, Slot]:
    """When and where a section meets by what is said about it, by week; nothing while that is not known.

    Raises:
        InvalidInput: field ``starts_at`` or ``ends_at``, naming the day on which the clocks change there.
    """
    if section.term is None or section.weekday is None or not (section.starts_at and section.ends_at):
        return {}
    days = teaching_weeks(section.term, section.weekday, section.term.breaks.all())
    return {
        week: Slot(
            _moment(day, section.starts_at, "starts_at"),
            _moment(day, section.ends_at, "ends_at"),
            section.room,
        )
        for week, day in days.items()
    }


def _moment(day: date, clock: time, field: str) -> datetime:
    try:
        return on_the_clock(datetime.combine(day, clock))
    except NotOnTheClock as refusal:
        raise InvalidInput({field: f"On {day_words(day)}: {refusal}"}) from refusal


def day_words(day: date) -> str:
    """``Mon 3 Aug 2026``."""
    return f"{day:%a} {day.day} {day:%b %Y}"


def clock_words(clock: time | None) -> str:
    """``09:00``, empty for none."""
    return f"{clock:%H:%M}" if clock else ""


def person_words(person: User) -> str:
    """A name with the one that is typed in a file behind it, so that two of a name are told apart."""
    name = str(person)
    return name if name == person.username else f"{name} ({person.username})"
