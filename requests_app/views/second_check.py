"""A second person looks at the readings: the maker asks, somebody else signs or sends back."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from inventory.models import Lot
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.settle import added_unit, settle
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.bench_forms import fresh_key
from requests_app.check_forms import REASONS, AnswerForm, AskForm, SendBackForm
from requests_app.models import Batch, SecondCheck
from requests_app.rules import NO_SECOND_LOOK_AT_UNKNOWNS
from requests_app.second_look import makers_of
from requests_app.selectors import BenchStep, batch_with_everything, readings_of
from requests_app.selectors.second_look import SecondLook
from requests_app.services.added import read_added
from requests_app.services.second_check import ask_check, send_back, sign_check
from requests_app.views.of_a_batch import add_errors, common_context, steps_of
from requests_app.views.parts import cautions_of_the_whole, certified, holds, sheet_of


@require_http_methods(["GET", "HEAD", "POST"])
def check(request: SignedInRequest, reference: str) -> HttpResponse:
    """For the maker: what is asked and why. For the second person: the readings, to sign or send back."""
    policy.require(request.user, "check_batch")
    found = batch_with_everything(request.user, reference)
    if request.method != "POST":
        return _page(request, found)
    what = request.POST.get("do", "")
    if what == "ask":
        return _ask(request, found)
    if what == "sign":
        return _sign(request, found)
    if what == "send_back":
        return _send_back(request, found)
    return _page(request, found, status=422)


def _ask(request: SignedInRequest, found: Batch) -> HttpResponse:
    form = AskForm(request.POST, unit=added_unit(sheet_of(found).plan))
    if form.is_valid():
        try:
            ask_check(
                actor=request.user,
                batch=found,
                idempotency_key=form.cleaned_data["key"],
                added_text=form.added_text,
                seen_version=form.cleaned_data["version"],
            )
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            messages.success(request, f"{found.reference} waits for a second person. The stockroom was told.")
            return redirect("requests_app:check", found.reference)
    return _page(request, found, ask_form=form, status=422)


def _sign(request: SignedInRequest, found: Batch) -> HttpResponse:
    form = AnswerForm(request.POST)
    if not form.is_valid():
        return _page(request, found, status=422)
    sign_check(actor=request.user, check=_check_of(found, form))
    messages.success(request, f"You signed the readings of {found.reference}. Whoever made it was told.")
    return redirect("requests_app:check", found.reference)


def _send_back(request: SignedInRequest, found: Batch) -> HttpResponse:
    form = SendBackForm(request.POST)
    if form.is_valid():
        try:
            done = send_back(
                actor=request.user,
                check=_check_of(found, form),
                step_number=form.cleaned_data["step"],
                note=form.cleaned_data["note"],
            )
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            messages.success(request, f"Step {done.step_number} of {found.reference} is sent back.")
            return redirect("requests_app:check", found.reference)
    return _page(request, found, back_form=form, status=422)


def _check_of(found: Batch, form: AnswerForm) -> SecondCheck:
    check = found.checks.filter(pk=form.cleaned_data["check_id"]).first()
    if check is None:
        raise Http404
    return check


def _page(
    request: SignedInRequest,
    found: Batch,
    *,
    ask_form: AskForm | None = None,
    back_form: SendBackForm | None = None,
    status: int = 200,
) -> HttpResponse:
    sheet = sheet_of(found)
    steps = steps_of(found, sheet)
    context = {**common_context(found, sheet, steps), "unknown_words": NO_SECOND_LOOK_AT_UNKNOWNS}
    if context["unknown"]:
        return render(request, "requests_app/check.html", context, status=status)
    second: SecondLook = context["second"]
    is_open = found.state in (states.CLAIMED, states.IN_WORK)
    recorders = [record.actor_id for record in found.step_records.all()]
    asked_by = second.asked.asked_by_id if second.asked else None
    took_part = request.user.pk in makers_of(found.claimed_by_id, recorders, asked_by)
    all_done = bool(steps) and all(one.is_done for one in steps)
    chosen = _step_to_send_back(request, back_form, steps)
    context |= {
        "took_part": took_part,
        "all_done": all_done,
        "may_ask": False,
        "may_answer": is_open and second.asked is not None and not took_part,
        "lines": _lines(steps),
        "cautions": cautions_of_the_whole(sheet.plan),
        "to_send_back": chosen,
        "reasons": REASONS,
    }
    if all_done and is_open:
        context |= _found_so_far(context, sheet.plan, steps, second, ask_form)
        # What is outside may still be put right with solvent, and that is a question of its own.
        is_new = not (second.asked or second.signed) or not context["as_read"]["inside"]
        context["may_ask"] = bool(second.points) and is_new and holds(request.user, found)
    if context["may_answer"]:
        context["back_form"] = back_form or SendBackForm(
            initial={
                "check_id": second.asked.pk if second.asked else 0,
                "step": chosen and chosen.step["number"],
            }
        )
    return render(request, "requests_app/check.html", context, status=status)


def _found_so_far(
    context: dict[str, Any],
    plan: dict[str, Any],
    steps: list[BenchStep],
    second: SecondLook,
    ask_form: AskForm | None,
) -> dict[str, Any]:
    """What is in the bottle by the readings, and with the solvent that was added to it."""
    readings = readings_of(steps)
    added = read_added(context["sheet"], second.added_text)
    as_read = settle(plan, readings).as_dict()
    form = ask_form or AskForm(
        unit=added_unit(plan), initial={"key": fresh_key(), "version": context["batch"].version}
    )
    found = settle(plan, readings, added=added).as_dict()
    if added is not None:
        found["added"] = {"value": added.text, "unit": added_unit(plan)}
    return {"as_read": as_read, "settlement": found, "ask_form": form}


def _step_to_send_back(
    request: SignedInRequest, back_form: SendBackForm | None, steps: list[BenchStep]
) -> BenchStep | None:
    text = str(back_form["step"].value() or "") if back_form else request.GET.get("step", "")
    return next((one for one in steps if str(one.step["number"]) == text), None)


def _lines(steps: list[BenchStep]) -> list[tuple[BenchStep, Lot | None, str]]:
    """Every step with the bottle it takes from and what its label certifies."""
    keys = {int(one.step["lot"]["id"]) for one in steps if one.step.get("lot")}
    lots = Lot.objects.in_bulk(keys)
    found = []
    for one in steps:
        lot = lots.get(int(one.step["lot"]["id"])) if one.step.get("lot") else None
        found.append((one, lot, certified(lot) if lot else ""))
    return found
