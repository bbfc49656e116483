"""The bottle of the present step is empty: what it gave, from which one to go on, and what that does."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from inventory.models import Lot
from inventory.selectors import lot_by_code
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.going_on import CannotGoOn, GoneOn
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotAllowed, NotInThisState
from requests_app.bench_forms import fresh_key
from requests_app.concealing import ASK_THE_KEY, may_read_batch
from requests_app.models import Batch
from requests_app.run_out_forms import RunOutForm
from requests_app.selectors import BenchStep, batch_with_everything
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.run_outs import (
    bottles_to_go_on_from,
    emptied_by,
    run_out_shelf,
    why_not_this,
)
from requests_app.services.at_work import require_at_work
from requests_app.services.running_out import field_of, read_gave, run_out
from requests_app.views.of_a_batch import add_errors, common_context, refused_at_bench, steps_of
from requests_app.views.parts import certified, current_step, sheet_of


@require_http_methods(["GET", "HEAD", "POST"])
def run_out_page(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """Ask what the bottle gave, show which ones could give the rest, say what going on does, and do it."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if not may_read_batch(request.user, found):
        return refused_at_bench(request, found, NotAllowed(ASK_THE_KEY))
    steps = steps_of(found, sheet_of(found))
    chosen = next((one for one in steps if one.step["number"] == number), None)
    if chosen is None:
        raise Http404
    if request.method == "POST" and "go_on" in request.POST:
        # A second press of the same button comes after the sheet has changed, and is told so by the service.
        return _go_on(request, found, steps, chosen)
    refusal = _why_not(request, found, steps, chosen)
    if refusal is not None:
        return refused_at_bench(request, found, refusal)
    unit = chosen.step["quantity"]["unit"]
    if request.method != "POST":
        form = RunOutForm(unit=unit, initial={"key": fresh_key(), "version": found.version})
        return _page(request, found, steps, chosen, form)
    form = RunOutForm(request.POST, unit=unit)
    return _look(request, found, steps, chosen, form)


def _why_not(
    request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep
) -> DomainError | None:
    try:
        require_at_work(request.user, found)
    except (Conflict, NotInThisState) as refusal:
        return refusal
    stopped = stopped_lots([found.pk]).get(found.pk, ())
    if stopped:
        return NotInThisState(f"Stop. {'. '.join(one.words for one in stopped)}. Record nothing.")
    current = current_step(steps)
    if not chosen.is_current:
        where = f"Step {current.step['number']} is the present one" if current else "Every step is done"
        return NotInThisState(f"{where}; a bottle runs out at the step that is being done.")
    if not chosen.step.get("lot"):
        return NotInThisState(f"Step {chosen.step['number']} takes from no bottle.")
    return None


# --- looking --------------------------------------------------------------------------------------
def _look(
    request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep, form: RunOutForm
) -> HttpResponse:
    """Nothing is changed: which bottles there are with this, or what going on from the chosen one does."""
    if not form.is_valid():
        return _page(request, found, steps, chosen, form, status=422)
    try:
        read_gave(form.cleaned_data["gave"].text)
        if form.chosen_code:
            lot = _lot(request, form.chosen_code)
            return _page(
                request, found, steps, chosen, form, lot=lot, gone_on=_with(found, steps, chosen, form, lot)
            )
    except InvalidInput as invalid:
        _show(form, invalid)
        return _page(request, found, steps, chosen, form, status=422)
    return _page(request, found, steps, chosen, form)


def _lot(request: SignedInRequest, code: str) -> Lot:
    lot = lot_by_code(request.user, code)
    if lot is None:
        raise InvalidInput(
            {"code": f"No bottle has the code {code.strip()[:20]}. Scan it again, or choose one."}
        )
    return lot


def _with(found: Batch, steps: list[BenchStep], chosen: BenchStep, form: RunOutForm, lot: Lot) -> GoneOn:
    there = run_out_shelf(found, sheet_of(found))
    bottle = there.other(lot.pk)
    if bottle is None:
        raise InvalidInput({"lot": why_not_this(there, lot)})
    try:
        return there.gone_on(steps, chosen.step["number"], form.cleaned_data["gave"], bottle)
    except CannotGoOn as refused:
        raise InvalidInput({field_of(refused): refused.text}) from refused


def _show(form: RunOutForm, invalid: InvalidInput) -> None:
    """What is wrong with a bottle stands beside the code, the only field a person sees of it."""
    errors = {("code" if field == "lot" else field): text for field, text in invalid.errors.items()}
    add_errors(form, InvalidInput(errors))


def _page(
    request: SignedInRequest,
    found: Batch,
    steps: list[BenchStep],
    chosen: BenchStep,
    form: RunOutForm,
    *,
    status: int = 200,
    lot: Lot | None = None,
    gone_on: GoneOn | None = None,
    refusal: DomainError | None = None,
) -> HttpResponse:
    sheet_now = sheet_of(found)
    known = form.is_bound and "gave" in form.cleaned_data and "gave" not in form.errors
    gave = form.cleaned_data["gave"] if known else None
    if known:
        form.focus_on_code()
    bottles = [] if gone_on else bottles_to_go_on_from(found, sheet_now, steps, chosen.step, gave)
    context: dict[str, Any] = {
        **common_context(found, sheet_now, steps),
        "step": chosen.step,
        "form": form,
        "gave": gave,
        "serving": [(one, certified(one.lot)) for one in bottles if not one.refusal],
        "others": [(one, certified(one.lot)) for one in bottles if one.refusal],
        "lot": lot,
        "certified": certified(lot) if lot else "",
        "gone_on": gone_on,
        "emptied": emptied_by(found, steps, chosen.step, gave) if gone_on and gave else None,
        "refusal": refusal,
    }
    return render(request, "requests_app/run_out.html", context, status=status)


# --- doing ----------------------------------------------------------------------------------------
def _go_on(request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep) -> HttpResponse:
    number = chosen.step["number"]
    form = RunOutForm(request.POST, unit=(chosen.step.get("quantity") or {"unit": ""})["unit"])
    if not form.is_valid():
        return _wrong(request, found, steps, chosen, form)
    try:
        lot = _lot(request, form.chosen_code)
        sheet = run_out(
            actor=request.user,
            batch=found,
            step_number=number,
            gave_text=form.cleaned_data["gave"].text,
            other_lot=lot,
            idempotency_key=form.cleaned_data["key"],
            seen_version=form.cleaned_data["version"],
        )
    except InvalidInput as invalid:
        _show(form, invalid)
        return _wrong(request, found, steps, chosen, form)
    except DomainError as refusal:
        return _told(request, found.reference, number, refusal)
    gone = next(one for one in sheet.plan["steps"] if one["number"] == number)
    messages.success(
        request, f"{gone['lot']['code']} is marked as empty; this step takes the rest from {lot.code}."
    )
    return redirect("requests_app:step", found.reference, number + 1)


def _wrong(
    request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep, form: RunOutForm
) -> HttpResponse:
    """What is wrong beside its field; or why there is nothing to ask at this step at all."""
    refusal = _why_not(request, found, steps, chosen)
    if refusal is not None:
        return refused_at_bench(request, found, refusal)
    return _page(request, found, steps, chosen, form, status=422)


def _told(request: SignedInRequest, reference: str, number: int, refusal: DomainError) -> HttpResponse:
    """Somebody was faster: how it stands now; what was typed stays."""
    found = batch_with_everything(request.user, reference)
    steps = steps_of(found, sheet_of(found))
    # A sheet that was frozen meanwhile may have fewer steps.
    chosen = next((one for one in steps if one.step["number"] == number), None)
    if chosen is None or _why_not(request, found, steps, chosen) is not None:
        return refused_at_bench(request, found, refusal)
    unit = chosen.step["quantity"]["unit"]
    kept = {**request.POST.dict(), "key": fresh_key(), "version": found.version}
    form = RunOutForm(unit=unit, initial=kept)
    return _page(request, found, steps, chosen, form, status=refusal.status, refusal=refusal)
