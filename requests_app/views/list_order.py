"""Ordering from a bench list: choose the list and the week, look at what it makes, check, send.

The choice stands in the address; what is ticked and typed travels with every page, as in the order form, so
the back button loses nothing and everything works without a script.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import sheets
from requests_app.drafts import Wanted, draft_of, solution_of, volume_of, wanted_together
from requests_app.list_drafts import due_of, room_of
from requests_app.models import BenchList, BenchListVersion, ListSolution, Meeting, Order, Term
from requests_app.selectors import department_rules, orders_visible_to
from requests_app.selectors import term as reading
from requests_app.services.from_lists import (
    Changes,
    Checked,
    Line,
    check_solutions,
    lines_for,
    order_from_list,
    orders_of_form,
)
from requests_app.term_forms import ListOrderForm


@dataclass(frozen=True, slots=True)
class Shown:
    """One solution of the list as the page shows it.

    Attributes:
        lines: each with how its volume adds up.
        wanted: all of them together; None where all are ordered already.
        others: orders that stand and want the same solution in the same week.
        checked: what the calculation service says.
    """

    solution: ListSolution
    lines: list[tuple[Line, str]]
    wanted: Wanted | None
    others: list[Order]
    checked: Checked | None


@require_http_methods(["GET", "HEAD", "POST"])
def list_order(request: SignedInRequest) -> HttpResponse:
    """Choose, look, check, send."""
    policy.require(request.user, "submit_order")
    lists = list(reading.lists_to_order(request.user))
    terms = list(Term.objects.all())
    chosen = _chosen(request.GET.get("list", ""), lists)
    term = _chosen(request.GET.get("term", ""), terms) or reading.term_now()
    context: dict[str, Any] = {"lists": lists, "terms": terms, "list": chosen, "term": term}
    if chosen is None or term is None:
        return render(request, "requests_app/list_order.html", context)
    week = _week(request.GET.get("week", ""), chosen, term)
    context |= {"week": week, "weeks": reading.weeks_of(term)}
    version = reading.newest_versions().filter(bench_list=chosen).first()
    meetings = reading.meetings_to_order(request.user, chosen.course, term, week)
    if version is None or not version.solutions.all() or not meetings:
        return render(request, "requests_app/list_order.html", {**context, "version": version})
    context |= {"version": version, "meetings": meetings}
    return _answer(request, context, version, meetings)


def _answer(
    request: SignedInRequest, context: dict[str, Any], version: BenchListVersion, meetings: Sequence[Meeting]
) -> HttpResponse:
    form = ListOrderForm(request.POST or None, of=version, meetings=meetings)
    context |= {"form": form, "rows": _rows(form, meetings)}
    step = request.POST.get("step", "")
    if getattr(request, "htmx", False):
        form.is_valid()
        shown = _as_far(request.user, version, form)
        return render(request, "requests_app/_list_lines.html", {**context, "shown": shown})
    if step in ("check", "send"):
        return _check_or_send(request, context, version, form)
    # The page as it was begun, or with what was ticked and typed before the check page.
    if request.method == "POST":
        form.is_valid()
    shown = _as_far(request.user, version, form)
    return render(request, "requests_app/list_order.html", {**context, "shown": shown})


def _check_or_send(
    request: SignedInRequest, context: dict[str, Any], version: BenchListVersion, form: ListOrderForm
) -> HttpResponse:
    if not form.is_valid():
        return _refused(request, context, version, form)
    if form.cleaned_data["version"] != version.pk:
        form.add_error(None, f"{version.bench_list} was corrected meanwhile. Look at what it makes now.")
        return _refused(request, context, version, form)
    if request.POST["step"] == "send":
        return _send(request, context, version, form)
    shown = show_lines(request.user, version, form.chosen(), form.changes())
    errors = _problems(shown, form)
    if errors:
        form.show(errors)
        return _refused(request, context, version, form)
    context |= {"shown": shown, "before": orders_of_form(form.cleaned_data["key"])}
    response = render(request, "requests_app/list_check.html", context)
    # The answer to a post that is not kept at all leaves the back button with nothing to show.
    response["Cache-Control"] = "private, no-cache"
    return response


def _send(
    request: SignedInRequest, context: dict[str, Any], version: BenchListVersion, form: ListOrderForm
) -> HttpResponse:
    key = form.cleaned_data["key"]
    try:
        sent = order_from_list(
            actor=request.user,
            version=version,
            meetings=form.chosen(),
            changes=form.changes(),
            idempotency_key=key,
        )
    except InvalidInput as refusal:
        form.show(refusal.errors)
        return _refused(request, context, version, form)
    if sent.kept:
        named = ", ".join(f"{line.meeting.section} as {line.ordered}" for line in sent.kept[:12])
        more = f" and {len(sent.kept) - 12} more" if len(sent.kept) > 12 else ""
        messages.warning(request, f"Already ordered, and not ordered again: {named}{more}.")
    if not sent.made:
        return redirect(request.get_full_path())
    return redirect("requests_app:list_sent", key)


@require_safe
def list_sent(request: SignedInRequest, key: str) -> HttpResponse:
    """The orders of one form: what was made and where each of them is."""
    policy.require(request.user, "submit_order")
    visible = orders_visible_to(request.user).filter(pk__in=[order.pk for order in orders_of_form(key)])
    orders = list(
        visible.select_related(
            "batch", "meeting__section__course", "list_solution__version__bench_list"
        ).order_by("title", "due_at", "pk")
    )
    if not orders:
        raise Http404
    context = {
        "orders": orders,
        "list": orders[0].list_solution.version.bench_list if orders[0].list_solution else None,
        "batches": len({order.batch_id for order in orders if order.batch_id}),
        "waiting": sum(order.state == "waiting" for order in orders),
    }
    return render(request, "requests_app/list_sent.html", context)


# --- what is shown ------------------------------------------------------------------------------
def show_lines(
    actor: User,
    version: BenchListVersion,
    meetings: Sequence[Meeting],
    changes: Changes,
    *,
    plan: bool = True,
) -> list[Shown]:
    """Every solution with its volumes, together and with whom, and what stands already."""
    lines = lines_for(version, meetings, changes)
    checked = check_solutions(lines) if plan else {}
    days = {sheets.local_date(line.draft.due_at) for of_it in lines.values() for line in of_it}
    others: dict[Any, list[Order]] = {}
    visible = set(orders_visible_to(actor).values_list("pk", flat=True)) if days else set()
    for order in reading.orders_of_week(days):
        if order.pk in visible:
            others.setdefault(solution_of(draft_of(order)), []).append(order)
    shown = []
    for solution, of_it in lines.items():
        fresh = [line.draft for line in of_it if line.ordered is None]
        own = {line.ordered.pk for line in of_it if line.ordered}
        same = others.get(solution_of(of_it[0].draft), []) if of_it else []
        shown.append(
            Shown(
                solution,
                [(line, volume_of(line.draft).working) for line in of_it],
                wanted_together(fresh) if fresh else None,
                [order for order in same if order.pk not in own],
                checked.get(solution.pk),
            )
        )
    return shown


def _problems(shown: Sequence[Shown], form: ListOrderForm) -> dict[str, str]:
    errors = {
        f"line-{one.solution.line}": one.checked.refusal
        for one in shown
        if one.checked and one.checked.refusal
    }
    if not form.chosen():
        errors["meetings"] = "Choose at least one meeting."
    elif not any(one.lines for one in shown):
        errors["lines"] = "Choose at least one solution."
    return errors


def _refused(
    request: SignedInRequest, context: dict[str, Any], version: BenchListVersion, form: ListOrderForm
) -> HttpResponse:
    shown = _as_far(request.user, version, form)
    return render(request, "requests_app/list_order.html", {**context, "shown": shown}, status=422)


def _as_far(actor: User, version: BenchListVersion, form: ListOrderForm) -> list[Shown]:
    """The lines as far as they can be read; a meeting whose number can't be is left out until it is right."""
    meetings = [one for one in form.chosen() if not form.is_bound or f"groups-{one.pk}" not in form.errors]
    return show_lines(actor, version, meetings, form.changes())


def _rows(form: ListOrderForm, meetings: Sequence[Meeting]) -> dict[str, list[Any]]:
    rules = department_rules()
    return {
        "meetings": [
            (one, form[f"meeting-{one.pk}"], form[f"groups-{one.pk}"], due_of(one, rules), room_of(one))
            for one in meetings
        ],
        "solutions": [(one, form[f"line-{one.line}"]) for one in form.of.solutions.all()],
    }


# --- what the address says ------------------------------------------------------------------------
def _chosen(text: str, of: Sequence[Any]) -> Any:
    return next((one for one in of if str(one.pk) == text), None)


def _week(text: str, chosen: BenchList, term: Term) -> int:
    """The week asked for; else the next one that the plan has this list in, else the present one."""
    if text.isascii() and text.isdigit() and 1 <= int(text[:4]) <= term.weeks:
        return int(text[:4])
    now = min(max(term.week_of(timezone.localdate()), 1), term.weeks)
    planned = chosen.planned.filter(term=term).order_by("week").values_list("week", flat=True)
    return next((week for week in planned if week >= now), now)
