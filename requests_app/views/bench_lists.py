"""The pages of bench lists: all of them, one with its versions, and the form that writes one."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import selectors
from requests_app.list_checks import USUAL_GROUPS, checked_solutions, judged
from requests_app.list_content import (
    MAX_APPARATUS,
    MAX_CONSUMABLES,
    MAX_SOLUTIONS,
    ApparatusLine,
    ListContent,
    content_of,
    differences,
)
from requests_app.list_forms import (
    EMPTY_SOLUTION,
    Bound,
    Values,
    after,
    bound,
    solution_from,
    typed,
    values_of,
)
from requests_app.models import BenchList, BenchListVersion
from requests_app.selectors.bench_lists import (
    bench_list_or_404,
    bench_list_rows,
    courses_to_write_for,
    may_write,
    names_in,
    versions_of,
)
from requests_app.selectors.corrections import correction_of
from requests_app.services.bench_lists import correct_list, require_in_use, retire_list, write_list


@require_safe
def bench_lists(request: SignedInRequest) -> HttpResponse:
    """Every list of the department, by course."""
    policy.require(request.user, "see_bench_lists")
    retired = request.GET.get("show") == "retired"
    mine = set(courses_to_write_for(request.user).values_list("pk", flat=True))
    context = {
        "rows": list(bench_list_rows(request.user, retired=retired)),
        "retired": retired,
        "may_write": bool(mine),
        "mine": mine,
    }
    return render(request, "requests_app/bench_lists.html", context)


@require_safe
def bench_list(request: SignedInRequest, number: int) -> HttpResponse:
    """One list: its newest version or the one asked for, whether its apparatus serves, its history."""
    policy.require(request.user, "see_bench_lists")
    found = bench_list_or_404(request.user, number)
    versions = versions_of(found)
    asked = request.GET.get("version", "")
    chosen = next((one for one in versions if str(one.number) == asked), versions[0])
    contents = {one.pk: content_of(one) for one in versions}
    names = names_in(*contents.values())
    content = contents[chosen.pk]
    verdict, verdicts = judged(content.apparatus)
    context = {
        "list": found,
        "version": chosen,
        "is_newest": chosen.pk == versions[0].pk,
        "solutions": list(zip(chosen.solutions.all(), checked_solutions(content.solutions), strict=True)),
        "consumables": content.consumables,
        "apparatus": [(one, verdicts.get(at)) for at, one in enumerate(content.apparatus)],
        "results": verdict.results if verdict else (),
        "history": _history(versions, contents, names),
        "may_write": may_write(request.user, found),
        "may_order": policy.may(request.user, "submit_order"),
        "behind": correction_of(versions[0]) if may_write(request.user, found) else None,
        "groups": USUAL_GROUPS,
        "planned": found.planned.select_related("term").order_by("-term__starts_on", "week"),
    }
    return render(request, "requests_app/bench_list.html", context)


def _history(
    versions: list[BenchListVersion], contents: dict[int, ListContent], names: dict[str, str]
) -> list[tuple[BenchListVersion, list[str]]]:
    rows = []
    for at, version in enumerate(versions):
        before = versions[at + 1] if at + 1 < len(versions) else None
        words = differences(contents[before.pk], contents[version.pk], names) if before else []
        rows.append((version, words))
    return rows


# --- the form -------------------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def bench_list_new(request: SignedInRequest) -> HttpResponse:
    """Write a list, from nothing or like another one (``?like=``)."""
    policy.require(request.user, "write_bench_list")
    if request.method == "POST":
        return _posted(request, None)
    values: Values = {"solutions": [EMPTY_SOLUTION], "consumables": [], "apparatus": []}
    like = request.GET.get("like", "")
    if like.isascii() and like.isdigit() and len(like) < 10:
        model = bench_list_or_404(request.user, int(like))
        newest = versions_of(model)[0]
        content = content_of(newest)
        values = {**values_of(content, names_in(content)), "title": model.title, "like": newest.pk}
    return _page(request, None, {**values, "key": uuid.uuid4().hex}, 200)


@require_http_methods(["GET", "HEAD", "POST"])
def bench_list_correct(request: SignedInRequest, number: int) -> HttpResponse:
    """Write the next version of a list."""
    policy.require(request.user, "write_bench_list")
    found = bench_list_or_404(request.user, number)
    if request.method == "POST":
        return _posted(request, found)
    require_in_use(found)
    newest = versions_of(found)[0]
    content = content_of(newest)
    values = {**values_of(content, names_in(content)), "key": uuid.uuid4().hex, "seen": str(newest.number)}
    return _page(request, found, values, 200)


@require_POST
def bench_list_check(request: SignedInRequest) -> HttpResponse:
    """The fragment beside the form: what it would make, and whether its apparatus serves. Saves nothing."""
    policy.require(request.user, "see_bench_lists")
    forms = bound(typed(request.POST), courses=courses_to_write_for(request.user), is_new=True)
    return render(request, "requests_app/_list_check.html", _checked(forms))


@require_http_methods(["GET", "HEAD", "POST"])
def bench_list_retire(request: SignedInRequest, number: int) -> HttpResponse:
    """Take a list out of use, or back into it."""
    policy.require(request.user, "write_bench_list")
    found = bench_list_or_404(request.user, number)
    if request.method == "POST":
        retire = request.POST.get("what") != "back"
        retire_list(actor=request.user, bench_list=found, is_retired=retire)
        said = "It is out of use; what was ordered of it stays." if retire else "It is in use again."
        messages.success(request, said)
        return redirect("requests_app:bench_list", found.pk)
    return render(request, "requests_app/bench_list_retire.html", {"list": found})


def _posted(request: SignedInRequest, found: BenchList | None) -> HttpResponse:
    values = typed(request.POST)
    step = request.POST.get("step", "keep")
    if step != "keep":
        return _page(request, found, after(step, values, selectors.substance_name), 200)
    forms = bound(values, courses=courses_to_write_for(request.user), is_new=found is None)
    if not forms.is_valid():
        return _page(request, found, values, 422, forms)
    try:
        return redirect("requests_app:bench_list", _kept(request, found, forms).pk)
    except InvalidInput as refusal:
        forms.show(refusal.errors)
        return _page(request, found, values, refusal.status, forms)
    except NotInThisState as refusal:
        forms.form.add_error(None, refusal.text)
        return _page(request, found, values, refusal.status, forms)
    except Conflict as refusal:
        forms.form.add_error(None, refusal.text)
        return _stale(request, found, values, refusal, forms)


def _stale(
    request: SignedInRequest, found: BenchList | None, values: Values, refusal: Conflict, forms: Bound
) -> HttpResponse:
    """What was typed, under what the versions written meanwhile changed."""
    versions = versions_of(found) if found else []
    if not versions:
        return _page(request, found, values, refusal.status, forms)
    newest = versions[0]
    base = next((one for one in versions if str(one.number) == values["seen"]), None)
    meanwhile: dict[str, Any] = {"newest": newest}
    if base is not None:
        before, now = content_of(base), content_of(newest)
        meanwhile |= {"base": base, "words": differences(before, now, names_in(before, now))}
    # Looked at and sent again, it is meant for the version that was written meanwhile.
    values = {**values, "seen": str(newest.number)}
    return _page(request, found, values, refusal.status, forms, meanwhile=meanwhile)


def _kept(request: SignedInRequest, found: BenchList | None, forms: Bound) -> BenchList:
    data = forms.form.cleaned_data
    if found is not None:
        version = correct_list(
            actor=request.user,
            bench_list=found,
            content=forms.content(),
            reason=data["reason"],
            seen_number=data["seen"] or 0,
            idempotency_key=data["key"],
        )
        messages.success(request, f"Version {version.number} is kept. What was ordered before is as it was.")
        return found
    made = write_list(
        actor=request.user,
        course=data["course"],
        title=data["title"],
        content=forms.content(),
        idempotency_key=data["key"],
        copied_from=BenchListVersion.objects.filter(pk=data["like"]).first(),
    )
    messages.success(request, "The list is kept, for all who teach the course.")
    return made


def _page(
    request: SignedInRequest,
    found: BenchList | None,
    values: Values,
    status: int,
    forms: Bound | None = None,
    *,
    meanwhile: dict[str, Any] | None = None,
) -> HttpResponse:
    courses = courses_to_write_for(request.user)
    shown = forms or bound(values, courses=courses, is_new=found is None)
    show_errors = forms is not None
    if not show_errors:
        _quiet(shown)
    checked = _checked(bound(values, courses=courses, is_new=found is None))
    context = {
        "list": found,
        "bound": shown,
        "seen": values.get("seen", ""),
        "key": values.get("key", ""),
        "like": values.get("like", ""),
        "meanwhile": meanwhile,
        "error_forms": shown.forms if show_errors else [],
        "shows_typed": request.method == "POST" or "like" in request.GET or found is not None,
        "may_add": {
            "solutions": len(shown.solutions) < MAX_SOLUTIONS,
            "consumables": len(shown.consumables) < MAX_CONSUMABLES,
            "apparatus": len(shown.apparatus) < MAX_APPARATUS,
        },
        **checked,
    }
    return render(request, "requests_app/bench_list_form.html", context, status=status)


def _quiet(shown: Bound) -> None:
    """Nobody has finished filling it in: no field is told off, but a name that fits several forms asks."""
    for form in shown.forms:
        form.full_clean()
        for name in list(form.errors):
            if not any(error.params and "choices" in error.params for error in form.errors.as_data()[name]):
                del form.errors[name]


def _checked(forms: Bound) -> dict[str, Any]:
    """What the parts that can be read would make; the others are still being typed."""
    lines = []
    for at, (solution, components) in enumerate(forms.solutions):
        if all([solution.is_valid(), components.is_valid()]):
            lines.append((at, solution_from(solution, components)))
    checks = checked_solutions([line for _, line in lines])
    apparatus = [form for form in forms.apparatus if form.is_valid()]
    content = ListContent(apparatus=tuple(ApparatusLine(**form.cleaned_data) for form in apparatus))
    verdict, verdicts = judged(content.apparatus)
    return {
        "checks": [(at + 1, check) for (at, _), check in zip(lines, checks, strict=True)],
        "verdicts": [
            (content.apparatus[position], verdicts[position])
            for position in range(len(apparatus))
            if position in verdicts
        ],
        "results": verdict.results if verdict else (),
        "unread": verdict is None,
        "groups": USUAL_GROUPS,
    }
