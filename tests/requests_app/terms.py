"""A term for tests: sections that meet every week, bench lists, and what they are made of."""

import uuid
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from django.utils import timezone

from prepdesk.accounts.models import User
from requests_app.models import (
    BenchList,
    BenchListVersion,
    Course,
    ListComponent,
    ListSolution,
    Meeting,
    PlannedExperiment,
    Room,
    Section,
    Term,
)
from tests.requests_app.conftest import substance_row

# (substance, target, unit, volume for a group)
SALT = ("sodium-chloride", "0.100", "mol/L", "25")
POTASSIUM = ("potassium-chloride", "0.5", "mol/L", "40")


def next_monday(today: date | None = None) -> date:
    """The Monday of next week, so that everything in a term lies ahead."""
    day = today or timezone.localdate()
    return day + timedelta(days=7 - day.weekday())


def make_term(weeks: int = 2, code: str = "T1", starts_on: date | None = None) -> Term:
    """A term of whole weeks that begins next Monday."""
    first = starts_on or next_monday()
    return Term.objects.create(
        code=code, name=f"Term {code}", starts_on=first, ends_on=first + timedelta(days=7 * weeks - 3)
    )


def make_section(
    course: Course, term: Term, name: str, instructor: User, *, groups: int = 10, weekday: int = 0
) -> Section:
    """A section with its meetings, one in every week of the term, from 10 to 12."""
    room, _ = Room.objects.get_or_create(code="210")
    section = Section.objects.create(
        course=course,
        term=term,
        name=name,
        instructor=instructor,
        groups=groups,
        weekday=weekday,
        starts_at=time(10),
        ends_at=time(12),
        room=room,
    )
    days = [term.monday_of(week) + timedelta(days=weekday) for week in range(1, term.weeks + 1)]
    Meeting.objects.bulk_create(
        Meeting(
            section=section,
            week=week,
            starts_at=datetime.combine(day, time(10), UTC),
            ends_at=datetime.combine(day, time(12), UTC),
            room=room,
        )
        for week, day in enumerate(days, start=1)
    )
    return section


def make_list(
    course: Course, title: str, author: User, solutions: Sequence[tuple[str, str, str, str]], **more: str
) -> BenchListVersion:
    """A bench list with its first version."""
    listed = BenchList.objects.create(
        course=course, title=title, created_by=author, idempotency_key=uuid.uuid4().hex
    )
    return make_version(listed, author, solutions, [uuid.uuid4() for _ in solutions], **more)


def make_version(
    listed: BenchList,
    author: User,
    solutions: Sequence[tuple[str, str, str, str]],
    lines: Sequence[uuid.UUID],
    **more: str,
) -> BenchListVersion:
    """The next version of a bench list, for these lines."""
    version = BenchListVersion.objects.create(
        bench_list=listed,
        number=listed.versions.count() + 1,
        created_by=author,
        idempotency_key=uuid.uuid4().hex,
    )
    for position, (line, (key, target, unit, volume)) in enumerate(zip(lines, solutions, strict=True)):
        solution = ListSolution.objects.create(
            version=version,
            line=line,
            position=position,
            volume_per_group=volume,
            **{"overage_percent": "10", **more},
        )
        ListComponent.objects.create(
            solution=solution, substance=substance_row(key), target_value=target, target_unit=unit
        )
    return version


def plan(term: Term, week: int, version: BenchListVersion) -> PlannedExperiment:
    """Put a bench list into a week."""
    return PlannedExperiment.objects.create(term=term, week=week, bench_list=version.bench_list)
