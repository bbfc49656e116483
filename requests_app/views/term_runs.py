"""A term ordered at once: what would be ordered, how far it is, stopping it and going on."""

from typing import Any, Final

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.models import Order, TermRun
from requests_app.selectors import sections_for, taught_courses
from requests_app.selectors import term as reading
from requests_app.services.term_runs import begin, go_on_with_run, has_stopped, start_run, stop_run
from requests_app.services.term_work import STAGES
from requests_app.term_forms import OrderTermForm
from requests_app.views.term_plan import term_or_404

# htmx stops asking when a poll is answered with this status.
STOP_POLLING: Final = 286
_WAITING_SHOWN: Final = 50


@require_http_methods(["GET", "HEAD", "POST"])
def order_term(request: SignedInRequest, term: int) -> HttpResponse:
    """Choose the courses and weeks of a term that are ordered at once."""
    policy.require(request.user, "plan_term")
    found = term_or_404(term)
    taught = set(taught_courses(request.user))
    courses = [one for one in reading.courses_of(found) if one in taught]
    weeks = reading.plan_of(found, courses, sections_for(request.user))
    form = OrderTermForm(request.POST or None, courses=courses, weeks=weeks)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                run = start_run(actor=request.user, term=found, **form.asked())
            except InvalidInput as refusal:
                form.show(refusal.errors)
            else:
                begin_if_new(run)
                return redirect("requests_app:term_run", run.pk)
    context = {
        "form": form,
        "term": found,
        "courses": courses,
        "weeks": weeks,
        "this_week": found.week_of(timezone.localdate()),
        "runs": reading.runs_visible_to(request.user).filter(term=found)[:10],
    }
    return render(request, "requests_app/term_order.html", context, status=status)


def begin_if_new(run: TermRun) -> None:
    """Set about a run nobody has begun; the same form sent again only looks at it."""
    if run.state == states.RUNNING and not run.stage:
        begin(run)


@require_safe
def term_run(request: SignedInRequest, run: int) -> HttpResponse:
    """How far a run is, and what came of it."""
    policy.require(request.user, "plan_term")
    found = get_object_or_404(reading.runs_visible_to(request.user), pk=run)
    live = bool(getattr(request, "htmx", False))
    stopped = has_stopped(found)
    working = found.state == states.RUNNING and not stopped
    chosen = found.options
    courses = [one for one in reading.courses_of(found.term) if one.pk in chosen["courses"]]
    waiting = Order.objects.filter(
        meeting__section__term=found.term,
        meeting__section__course__in=courses,
        meeting__week__gte=chosen["first"],
        meeting__week__lte=chosen["last"],
        meeting__section__in=sections_for(found.actor),
        state=states.WAITING,
    )
    context: dict[str, Any] = {
        "run": found,
        "courses": courses,
        "working": working,
        "stopped": stopped,
        "stage": STAGES.get(found.stage, "It is about to begin"),
        "may_go_on": stopped or (found.state, "go_on") in states.RUN_NEXT,
        "waiting": []
        if working
        else waiting.select_related("course").order_by("due_at", "pk")[:_WAITING_SHOWN],
        "live": live,
    }
    status = STOP_POLLING if live and not working else 200
    template = "requests_app/_term_run.html" if live else "requests_app/term_run.html"
    return render(request, template, context, status=status)


@require_POST
def stop(request: SignedInRequest, run: int) -> HttpResponse:
    """Stop a run; what it ordered stays."""
    policy.require(request.user, "plan_term")
    found = get_object_or_404(reading.runs_visible_to(request.user), pk=run)
    stop_run(actor=request.user, run=found)
    return redirect("requests_app:term_run", found.pk)


@require_POST
def go_on(request: SignedInRequest, run: int) -> HttpResponse:
    """Go on with what was stopped or failed."""
    policy.require(request.user, "plan_term")
    found = get_object_or_404(reading.runs_visible_to(request.user), pk=run)
    begin(go_on_with_run(actor=request.user, run=found))
    return redirect("requests_app:term_run", found.pk)
