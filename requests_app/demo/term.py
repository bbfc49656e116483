"""The plan of the invented term, an experiment for every course and week, and two weeks of it ordered."""

from collections.abc import Mapping
from typing import Final

from prepdesk.accounts.models import User
from requests_app.demo.teaching import TODAY_IN_WEEK, current_term
from requests_app.models import BenchList, Course
from requests_app.selectors.term import weeks_of
from requests_app.services.term_plan import set_plan
from requests_app.services.term_runs import start_run
from requests_app.services.term_work import work_on_run
from requests_app.term_plans import mark_of

_KEY: Final = "demo-term-"
# The next two weeks.
_ORDERED: Final = (TODAY_IN_WEEK + 1, TODAY_IN_WEEK + 2)
# Who plans which course.
_PLANNERS: Final = {"CH 101": "instructor", "CH 221": "quill", "CH 240": "fell"}


def plan_the_term(*, people: Mapping[str, User]) -> None:
    """Fill in the plan: the lists of each course one after the other, over all weeks in which it meets."""
    term = current_term()
    teaching = [week.number for week in weeks_of(term) if not week.is_free]
    for code, planner in _PLANNERS.items():
        course = Course.objects.get(code=code)
        lists = list(BenchList.objects.filter(course=course, retired_at=None).order_by("pk"))
        weeks = {week: (lists[at % len(lists)].pk,) for at, week in enumerate(teaching)}
        set_plan(actor=people[planner], term=term, course=course, weeks=weeks, seen=mark_of({}))


def order_two_weeks(*, manager: User) -> None:
    """Order what the plan has for the next two weeks, at once."""
    first, last = _ORDERED
    run = start_run(
        actor=manager,
        term=current_term(),
        courses=list(Course.objects.filter(code__in=_PLANNERS)),
        first=first,
        last=last,
        idempotency_key=f"{_KEY}run",
    )
    work_on_run(run.pk, run.attempt)
