"""The timetable as its pages and its file show it: terms, sections, and what meets in a week."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import Http404
from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.core.spreadsheet import Cell
from requests_app import states
from requests_app.models import Meeting, Order, Room, Section, TeachingChange, Term
from requests_app.selectors.work import orders_visible_to
from requests_app.timetable import WEEKDAYS, clock_words


def terms() -> QuerySet[Term]:
    """Terms with their breaks, the newest first, each with ``section_count``."""
    return Term.objects.prefetch_related("breaks").annotate(section_count=Count("sections"))


def sections_of(term: Term | None) -> QuerySet[Section]:
    """The sections of a term, or those outside any, by course and name."""
    sections = Section.objects.filter(term=term).select_related("course", "term", "room", "instructor")
    return sections.prefetch_related("co_instructors").order_by("course__code", "name")


def section_or_404(key: int) -> Section:
    """One section with who teaches it."""
    sections = Section.objects.select_related("course", "term", "room", "instructor")
    found = sections.prefetch_related("co_instructors").filter(pk=key).first()
    if found is None:
        raise Http404("There is no such section.")
    return found


def changes_of(kind: str, row: int) -> QuerySet[TeachingChange]:
    """What was changed about a term, a room, a course or a section, the newest first."""
    return TeachingChange.objects.filter(kind=kind, row=row).select_related("actor").order_by("-id")


def section_file_rows(sections: Iterable[Section]) -> Iterator[list[Cell]]:
    """One row for each section of a term, in the order of the columns of the file."""
    for one in sections:
        if one.term is None:
            continue
        yield [
            one.term.code,
            one.course.code,
            one.course.title,
            one.name,
            "" if one.weekday is None else WEEKDAYS[one.weekday],
            clock_words(one.starts_at),
            clock_words(one.ends_at),
            one.room.code if one.room else "",
            one.students,
            one.groups,
            one.instructor.username,
            "; ".join(sorted(other.username for other in one.co_instructors.all())),
        ]


@dataclass(frozen=True, slots=True)
class Day:
    """One day of a week with what meets on it."""

    day: date
    meetings: tuple[Meeting, ...]
    break_name: str = ""


def week_of(
    actor: User, monday: date, *, room: Room | None = None, person: User | None = None
) -> tuple[Day, ...]:
    """What meets in the week that begins on a Monday; of the orders those the actor may see.

    Each meeting carries ``seen_orders``. The number of queries doesn't grow with the meetings.
    """
    begins = _start_of(monday)
    found = Meeting.objects.filter(starts_at__gte=begins, starts_at__lt=_start_of(monday + timedelta(days=7)))
    if room is not None:
        found = found.filter(room=room)
    if person is not None:
        shared = Section.co_instructors.through.objects.filter(user=person).values("section_id")
        found = found.filter(Q(section__instructor=person) | Q(section__in=shared))
    orders = orders_visible_to(actor).exclude(state=states.CANCELLED).order_by("pk")
    rows = list(
        found.select_related("section__course", "section__instructor", "section__term", "room")
        .prefetch_related("section__co_instructors", Prefetch("orders", orders, to_attr="seen_orders"))
        .order_by("starts_at", "section__course__code", "section__name")
    )
    breaks = {
        day: one.name
        for term in Term.objects.filter(
            starts_on__lte=monday + timedelta(days=6), ends_on__gte=monday
        ).prefetch_related("breaks")
        for one in term.breaks.all()
        for day in (monday + timedelta(days=number) for number in range(7))
        if one.starts_on <= day <= one.ends_on
    }
    by_day: dict[date, list[Meeting]] = {}
    for meeting in rows:
        by_day.setdefault(timezone.localtime(meeting.starts_at).date(), []).append(meeting)
    days = (monday + timedelta(days=number) for number in range(7))
    return tuple(
        Day(day, tuple(by_day.get(day, ())), breaks.get(day, ""))
        for day in days
        # A weekend without anything is left out.
        if day.weekday() < 5 or day in by_day
    )


def orders_without_meeting(actor: User, monday: date, person: User | None) -> QuerySet[Order]:
    """Orders due in that week that hang on no meeting."""
    orders = orders_visible_to(actor).filter(
        meeting=None, due_at__gte=_start_of(monday), due_at__lt=_start_of(monday + timedelta(days=7))
    )
    if person is not None:
        orders = orders.filter(ordered_by=person)
    return orders.exclude(state=states.CANCELLED).select_related("course").order_by("due_at", "pk")


def teaching_people() -> QuerySet[User]:
    """Who teaches anything, to be chosen from."""
    shared = Section.co_instructors.through.objects.values("user_id")
    own = Section.objects.values("instructor_id")
    people = User.objects.filter(Q(pk__in=own) | Q(pk__in=shared))
    return people.order_by("last_name", "first_name", "username")


def _start_of(day: date) -> datetime:
    return timezone.make_aware(datetime.combine(day, time()))
