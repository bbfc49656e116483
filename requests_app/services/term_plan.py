"""The plan of a term: which bench list in which week of a course."""

from collections.abc import Collection, Mapping

from inventory.services import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app.models import BenchList, Course, PlannedExperiment, Term
from requests_app.selectors import taught_courses
from requests_app.term_plans import mark_of


@atomic_with_retries
def set_plan(
    *, actor: User, term: Term, course: Course, weeks: Mapping[int, Collection[int]], seen: str | None
) -> int:
    """Set what a course does in the weeks of a term. What was ordered stays ordered.

    Args:
        weeks: keys of bench lists by week; a week that isn't named does nothing.
        seen: :func:`requests_app.term_plans.mark_of` of the plan as it was shown; None for a change that
            looks at the plan itself.

    Returns:
        How many lines are new or gone; 0 when the plan is so already, as after a second click.

    Raises:
        NotAllowed: the actor neither teaches the course nor is a manager.
        Conflict: somebody changed the plan after it was shown.
        InvalidInput: ``week-<number>``, for a week or list that isn't of this term and course.
    """
    require_planner(actor, course)
    # Plans of a term are changed one after the other.
    term = Term.objects.select_for_update().get(pk=term.pk)
    rows = PlannedExperiment.objects.filter(term=term, bench_list__course=course)
    now = {(row.week, row.bench_list_id) for row in rows}
    wanted = {(week, key) for week, keys in weeks.items() for key in keys}
    if wanted == now:
        return 0
    before: dict[int, list[int]] = {}
    for week, key in now:
        before.setdefault(week, []).append(key)
    if seen is not None and mark_of(before) != seen:
        raise Conflict(
            f"The plan of {course.code} was changed after this page was shown. Nothing was saved; look at "
            "it again."
        )
    _require_of_course(term, course, wanted - now)
    for week, key in now - wanted:
        rows.filter(week=week, bench_list=key).delete()
    PlannedExperiment.objects.bulk_create(
        PlannedExperiment(term=term, week=week, bench_list_id=key) for week, key in sorted(wanted - now)
    )
    return len(wanted ^ now)


def require_planner(actor: User, course: Course) -> None:
    """Refuse unless the actor may plan and order for a course.

    Raises:
        NotAllowed: with who may.
    """
    policy.require(actor, "plan_term")
    if not taught_courses(actor).filter(pk=course.pk).exists():
        raise NotAllowed(
            f"The plan of {course.code} belongs to those who teach it. Ask one of them or a manager."
        )


def _require_of_course(term: Term, course: Course, added: Collection[tuple[int, int]]) -> None:
    lists = BenchList.objects.filter(course=course, retired_at=None, pk__in={key for _, key in added})
    known = set(lists.values_list("pk", flat=True))
    errors = {
        f"week-{week}": f"Choose a bench list of {course.code} in use, in a week from 1 to {term.weeks}."
        for week, key in added
        if key not in known or not 1 <= week <= term.weeks
    }
    if errors:
        raise InvalidInput(errors)
