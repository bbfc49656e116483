"""Reading for orders from bench lists: whose meetings, which lists, what is ordered, a term's plan."""

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from uuid import UUID

from django.db.models import Count, OuterRef, Prefetch, Q, QuerySet, Subquery
from django.utils import timezone

from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.models import (
    BenchList,
    BenchListVersion,
    Course,
    ListComponent,
    ListSolution,
    Meeting,
    Order,
    OrderComponent,
    PlannedExperiment,
    Section,
    Term,
    TermRun,
)
from requests_app.selectors.work import sections_for, taught_courses


# --- the term that runs -------------------------------------------------------------------------
def term_now(today: date | None = None) -> Term | None:
    """The term that runs, else the next one, else the last one."""
    day = today or timezone.localdate()
    coming = Term.objects.filter(ends_on__gte=day).order_by("starts_on").first()
    return coming or Term.objects.order_by("-starts_on").first()


# --- lists --------------------------------------------------------------------------------------
def newest_versions() -> QuerySet[BenchListVersion]:
    """The newest version of every bench list, with all that an order needs of it."""
    newest = BenchListVersion.objects.filter(bench_list=OuterRef("bench_list")).order_by("-number")
    solutions = ListSolution.objects.prefetch_related(
        Prefetch("components", ListComponent.objects.select_related("substance"))
    )
    return (
        BenchListVersion.objects.filter(pk=Subquery(newest.values("pk")[:1]))
        .select_related("bench_list__course")
        .prefetch_related(Prefetch("solutions", solutions))
    )


def lists_to_order(actor: User) -> QuerySet[BenchList]:
    """The bench lists a person may order from, by course and title."""
    lists = BenchList.objects.filter(retired_at=None, course__in=taught_courses(actor))
    return lists.select_related("course").order_by("course__code", "title")


def meetings_to_order(actor: User, course: Course, term: Term, week: int) -> list[Meeting]:
    """The meetings of a course in a week that a person may order for, as they come."""
    return list(
        _with_rooms(
            Meeting.objects.filter(
                section__in=sections_for(actor),
                section__course=course,
                section__term=term,
                week=week,
                state=states.PLANNED,
            )
        ).order_by("starts_at", "section__name")
    )


def meetings_ahead(actor: User, term: Term) -> list[Meeting]:
    """The meetings of a term that have not begun and that a person may order for."""
    ahead = Meeting.objects.filter(
        section__in=sections_for(actor),
        section__term=term,
        state=states.PLANNED,
        starts_at__gt=timezone.now(),
    )
    return list(_with_rooms(ahead).order_by("starts_at", "section__name"))


def _with_rooms(meetings: QuerySet[Meeting]) -> QuerySet[Meeting]:
    return meetings.select_related("section__course", "section__instructor", "section__room", "room")


def meetings_with_rooms(keys: Collection[int]) -> list[Meeting]:
    """These meetings with all that an order needs of them, in the order of their keys."""
    return list(_with_rooms(Meeting.objects.filter(pk__in=keys)).order_by("pk"))


def ordered_lines(meetings: Iterable[Meeting], lines: Collection[UUID]) -> dict[tuple[UUID, int], Order]:
    """What is ordered already, by line of the bench list and key of the meeting."""
    found = Order.objects.filter(meeting__in=list(meetings), list_line__in=lines).exclude(
        state=states.CANCELLED
    )
    return {(one.list_line, one.meeting_id): one for one in found if one.list_line and one.meeting_id}


def orders_of_week(days: Collection[date]) -> list[Order]:
    """The orders of these ISO weeks whose making has not begun, with what makes them comparable."""
    if not days:
        return []
    first, last = min(days), max(days)
    start = first - timedelta(days=first.weekday())
    end = last + timedelta(days=7 - last.weekday())
    return list(
        Order.objects.filter(
            state__in=(states.WAITING, states.QUEUED), due_at__date__gte=start, due_at__date__lt=end
        )
        .select_related("course")
        .prefetch_related(
            "sections", Prefetch("components", OrderComponent.objects.select_related("substance"))
        )
        .order_by("due_at", "pk")
    )


# --- the plan of a term ------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Cell:
    """What a course does in a week.

    Attributes:
        lists: the bench lists, by title.
        ordered: how many orders stand.
        wanted: how many it takes: solutions of the lists times meetings.
        meetings: how many sections meet.
    """

    lists: tuple[BenchList, ...] = ()
    ordered: int = 0
    wanted: int = 0
    meetings: int = 0


@dataclass(frozen=True, slots=True)
class Week:
    """One week of a term's plan; its cells stand in the order of the courses."""

    number: int
    monday: date
    breaks: tuple[str, ...]
    is_free: bool
    cells: tuple[Cell, ...] = field(default=())


def weeks_of(term: Term) -> list[Week]:
    """The weeks of a term without cells; free is one whose working days within the term are all in breaks."""
    breaks = list(term.breaks.all())
    weeks = []
    for number in range(1, term.weeks + 1):
        monday = term.monday_of(number)
        days = [monday + timedelta(days=one) for one in range(5)]
        days = [day for day in days if term.starts_on <= day <= term.ends_on]
        sunday = monday + timedelta(days=6)
        touching = [one for one in breaks if one.starts_on <= sunday and one.ends_on >= monday]
        taught = [day for day in days if not any(one.starts_on <= day <= one.ends_on for one in touching)]
        weeks.append(Week(number, monday, tuple(one.name for one in touching), bool(days) and not taught))
    return weeks


def courses_of(term: Term) -> list[Course]:
    """The courses that have sections in a term or stand in its plan."""
    met = Section.objects.filter(term=term).values("course")
    planned = PlannedExperiment.objects.filter(term=term).values("bench_list__course")
    return list(Course.objects.filter(Q(pk__in=met) | Q(pk__in=planned)))


def planned_in(term: Term, courses: Iterable[Course]) -> dict[tuple[int, int], list[BenchList]]:
    """The bench lists of a term's plan, by key of the course and week."""
    planned = PlannedExperiment.objects.filter(term=term, bench_list__course__in=list(courses))
    found: dict[tuple[int, int], list[BenchList]] = {}
    for one in planned.select_related("bench_list__course").order_by("week", "bench_list__title"):
        found.setdefault((one.bench_list.course_id, one.week), []).append(one.bench_list)
    return found


def plan_of(term: Term, courses: list[Course], sections: QuerySet[Section] | None = None) -> list[Week]:
    """The plan of a term with what is ordered of it, week by week.

    Args:
        sections: only what these need and have ordered is counted; all where it isn't said.
    """
    meetings = Meeting.objects.filter(section__term=term, state=states.PLANNED)
    orders = Order.objects.filter(meeting__section__term=term).exclude(state=states.CANCELLED)
    if sections is not None:
        meetings = meetings.filter(section__in=sections)
        orders = orders.filter(meeting__section__in=sections)
    met = Counter(
        {
            (course, week): count
            for course, week, count in meetings.order_by()
            .values_list("section__course", "week")
            .annotate(count=Count("pk"))
        }
    )
    ordered = Counter(
        {
            (which, week): count
            for which, week, count in orders.filter(meeting__state=states.PLANNED)
            .order_by()
            .values_list("list_solution__version__bench_list", "meeting__week")
            .annotate(count=Count("pk"))
        }
    )
    planned = planned_in(term, courses)
    listed = {one.pk for lists in planned.values() for one in lists}
    lengths = {
        version.bench_list_id: len(version.solutions.all())
        for version in newest_versions().filter(bench_list__in=listed)
    }

    def cell(course: Course, week: int) -> Cell:
        lists = planned.get((course.pk, week), [])
        count = met[course.pk, week]
        return Cell(
            lists=tuple(lists),
            ordered=sum(ordered[one.pk, week] for one in lists),
            wanted=sum(lengths.get(one.pk, 0) for one in lists) * count,
            meetings=count,
        )

    return [
        Week(
            week.number,
            week.monday,
            week.breaks,
            week.is_free,
            tuple(cell(course, week.number) for course in courses),
        )
        for week in weeks_of(term)
    ]


# --- runs ---------------------------------------------------------------------------------------
def runs_visible_to(actor: User) -> QuerySet[TermRun]:
    """A person's own runs; a manager sees all."""
    runs = TermRun.objects.select_related("term", "actor")
    return runs if actor.role == policy.MANAGER else runs.filter(actor=actor)
