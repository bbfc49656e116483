"""The plan of a term: which experiment in which week, what of it is ordered, and filling it in."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import InvalidInput
from prepdesk.core.tables import download
from requests_app.models import BenchList, Course, Term
from requests_app.selectors import taught_courses
from requests_app.selectors import term as reading
from requests_app.services.term_plan import require_planner, set_plan
from requests_app.term_forms import PlanForm
from requests_app.term_plan_import import PLAN_COLUMNS
from requests_app.term_plans import Plan, copied, mark_of, shifted


def term_or_404(key: int) -> Term:
    """The term of that key."""
    return get_object_or_404(Term, pk=key)


def _chosen_term(request: SignedInRequest) -> Term | None:
    asked = request.GET.get("term", "")
    if not asked:
        return reading.term_now()
    if not (asked.isascii() and asked.isdigit() and len(asked) < 10):
        raise Http404
    return term_or_404(int(asked))


@require_safe
def term_plan(request: SignedInRequest) -> HttpResponse:
    """The weeks of a term, the experiments of every course, and how much of each is ordered."""
    policy.require(request.user, "see_timetable")
    term = _chosen_term(request)
    context: dict[str, Any] = {"term": term, "terms": Term.objects.all()}
    if term is not None:
        courses = reading.courses_of(term)
        own = set(taught_courses(request.user).values_list("pk", flat=True))
        plans = policy.may(request.user, "plan_term")
        context |= {
            "courses": courses,
            "weeks": reading.plan_of(term, courses),
            "own": own if plans else set(),
            "may_bring": policy.may(request.user, "manage_teaching"),
            "this_week": term.week_of(timezone.localdate()),
            "runs": reading.runs_visible_to(request.user).filter(term=term)[:3] if plans else [],
        }
    return render(request, "requests_app/term_plan.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def fill_plan(request: SignedInRequest, term: int, course: int) -> HttpResponse:
    """Fill in what one course does in the weeks of a term."""
    found, of = term_or_404(term), get_object_or_404(Course, pk=course)
    require_planner(request.user, of)
    weeks = reading.plan_of(found, [of])
    now: Plan = {
        week.number: tuple(one.pk for one in week.cells[0].lists) for week in weeks if week.cells[0].lists
    }
    shown, told = _rearranged(request, found, of, now)
    planned = {key for keys in now.values() for key in keys}
    lists = [one for one in of.bench_lists.all() if one.retired_at is None or one.pk in planned]
    form = PlanForm(
        request.POST or None, weeks=weeks, lists=lists, plan=shown, initial={"seen": mark_of(now)}
    )
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                changed = set_plan(
                    actor=request.user,
                    term=found,
                    course=of,
                    weeks=form.plan(),
                    seen=form.cleaned_data["seen"],
                )
            except InvalidInput as refusal:
                for name, text in refusal.errors.items():
                    form.add_error(f"{name}-0" if f"{name}-0" in form.fields else None, text)
            else:
                said = (
                    f"The plan of {of.code} is saved." if changed else f"The plan of {of.code} is as it was."
                )
                messages.success(request, said)
                return redirect(f"{reverse('requests_app:term_plan')}?term={found.pk}")
    context = {
        "form": form,
        "term": found,
        "course": of,
        "weeks": weeks,
        "told": told,
        "lists": lists,
        "others": Term.objects.filter(experiments__bench_list__course=of).exclude(pk=found.pk).distinct(),
    }
    return render(request, "requests_app/term_fill.html", context, status=status)


def _rearranged(request: SignedInRequest, term: Term, course: Course, now: Plan) -> tuple[Plan, str]:
    """The plan as the address asks for it, copied or shifted, and what was done in words; not saved."""
    teaching = [week.number for week in reading.weeks_of(term) if not week.is_free]
    copy, first, by = (request.GET.get(name, "") for name in ("copy", "from", "by"))
    if request.method == "POST" or not (copy or first):
        return now, ""
    if copy.isascii() and copy.isdigit() and len(copy) < 10:
        other = term_or_404(int(copy))
        theirs = {
            week: tuple(one.pk for one in lists) for (_, week), lists in _planned(other, course).items()
        }
        weeks = [week.number for week in reading.weeks_of(other) if not week.is_free]
        used = set(BenchList.objects.filter(course=course, retired_at=None).values_list("pk", flat=True))
        kept = {week: tuple(key for key in keys if key in used) for week, keys in theirs.items()}
        return copied(kept, weeks, teaching), f"This is the plan of {other}, week by week."
    if first.isascii() and first.isdigit() and len(first) < 4 and by in ("1", "-1"):
        way = "later" if by == "1" else "earlier"
        moved = shifted(now, teaching, int(first), int(by))
        return moved, f"Everything from week {first} on stands a week {way}."
    raise Http404


def _planned(term: Term, course: Course) -> dict[tuple[int, int], list[BenchList]]:
    return reading.planned_in(term, [course])


@require_safe
def plan_csv(request: SignedInRequest, term: int) -> HttpResponseBase:
    """The plan of a term as a file, in the columns it can be brought in with."""
    policy.require(request.user, "see_timetable")
    found = term_or_404(term)
    planned = reading.planned_in(found, reading.courses_of(found))
    rows = [
        [found.code, str(week), lists[0].course.code, one.title]
        for (_, week), lists in sorted(planned.items(), key=lambda item: (item[0][1], item[1][0].course.code))
        for one in lists
    ]
    return download(PLAN_COLUMNS, rows, name=f"term-plan-{found.pk}", title=f"Plan of {found}", format="csv")
