"""The term of the invented department: always one that is going on, with today in its sixth week."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import Final

from prepdesk.accounts.models import User
from requests_app.models import Room, Section, TeachingChange, Term
from requests_app.services.timetable import change_section, make_room, make_term
from requests_app.timetable import Break, SectionFacts, TermFacts

_KEY: Final = "demo-teaching-"
TODAY_IN_WEEK: Final = 6
WEEKS: Final = 14
BREAK_IN_WEEK: Final = 9
_FRIDAY: Final = timedelta(days=4)
_SEASONS: Final = ("winter", "spring", "summer", "autumn")

# room -> what is noted about it
ROOMS: Final = {
    "210": "24 places, balances at the window",
    "212": "20 places, next door to 210",
    "214": "16 places, burettes at every place",
    "305": "18 places, fume cupboards",
}


@dataclass(frozen=True, slots=True)
class Hours:
    """When and where a section meets, how large it is, who else teaches it. Monday is 0."""

    weekday: int
    starts: str
    ends: str
    room: str
    students: int
    groups: int
    together_with: str = ""


TIMETABLE: Final = {
    ("CH 101", "A"): Hours(0, "09:00", "12:00", "210", 24, 12, together_with="fell"),
    ("CH 101", "B"): Hours(1, "09:00", "12:00", "210", 23, 12),
    ("CH 101", "C"): Hours(2, "09:00", "12:00", "212", 19, 10),
    ("CH 101", "D"): Hours(2, "13:30", "16:30", "210", 22, 11),
    ("CH 221", "A"): Hours(3, "13:00", "17:00", "214", 16, 8),
    ("CH 221", "B"): Hours(4, "09:00", "13:00", "214", 13, 7),
    ("CH 240", "A"): Hours(1, "13:30", "16:30", "305", 18, 9, together_with="instructor"),
    ("CH 240", "B"): Hours(3, "09:00", "12:00", "305", 15, 8),
}


def set_up_teaching(
    *,
    actor: User,
    people: Mapping[str, User],
    sections: Mapping[tuple[str, str], Section],
    today: date,
) -> dict[tuple[str, str], Section]:
    """Make term and rooms, and say when each section meets, which lays out its meetings.

    Returns:
        The sections as they are then.
    """
    term = make_term(actor=actor, facts=_term(today), idempotency_key=f"{_KEY}term")
    rooms = {
        code: make_room(actor=actor, code=code, note=note, idempotency_key=f"{_KEY}room-{code}")
        for code, note in ROOMS.items()
    }
    return {
        name: _placed(actor, sections[name], _facts(sections[name], hours, term, rooms, people))
        for name, hours in TIMETABLE.items()
    }


def current_term() -> Term:
    """The term that is going on in the invented department.

    Raises:
        TeachingChange.DoesNotExist: before the demo is loaded.
    """
    return Term.objects.get(pk=TeachingChange.objects.get(idempotency_key=f"{_KEY}term").row)


def _term(today: date) -> TermFacts:
    monday = today - timedelta(days=today.weekday()) - timedelta(weeks=TODAY_IN_WEEK - 1)
    # December belongs to the winter that ends next year.
    season = _SEASONS[monday.month % 12 // 3]
    free = monday + timedelta(weeks=BREAK_IN_WEEK - 1)
    return TermFacts(
        code=f"{monday.year}-{season}",
        name=f"{season.capitalize()} term {monday.year}",
        starts_on=monday,
        ends_on=monday + timedelta(weeks=WEEKS - 1) + _FRIDAY,
        breaks=(Break(free, free + _FRIDAY, "Reading week"),),
    )


def _facts(
    section: Section, hours: Hours, term: Term, rooms: Mapping[str, Room], people: Mapping[str, User]
) -> SectionFacts:
    return SectionFacts(
        course=section.course,
        name=section.name,
        instructor=section.instructor,
        term=term,
        groups=hours.groups,
        students=hours.students,
        weekday=hours.weekday,
        starts_at=time.fromisoformat(hours.starts),
        ends_at=time.fromisoformat(hours.ends),
        room=rooms[hours.room],
        co_instructors=(people[hours.together_with],) if hours.together_with else (),
    )


def _placed(actor: User, section: Section, facts: SectionFacts) -> Section:
    changed = change_section(
        actor=actor,
        section=section,
        facts=facts,
        seen_version=section.version,
        idempotency_key=f"{_KEY}{section.course.code}-{section.name}",
    )
    return changed.section
