"""A batch and its bench: the sheet, the steps one by one, finishing, handing over, paper."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.amounts import from_base
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.settle import added_unit, judge_reading, settle
from prepdesk.calc.typed import parse_positive
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.bench_forms import FinishForm, HandOverForm, PutBackForm, StepForm, fresh_key
from requests_app.booked import booked_for
from requests_app.concealing import ASK_THE_KEY, holds_unknown, may_read_batch
from requests_app.models import Batch, Sheet
from requests_app.saving import saving_of
from requests_app.selectors import (
    BenchStep,
    active_holds,
    batch_with_everything,
    bench_steps,
    prepared_holds,
    readings_of,
)
from requests_app.selectors.changes import changes_of, comments_on, is_unwanted, unseen_with_words
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.together import division_of, not_before
from requests_app.services.batches import (
    claim_batch,
    finish_batch,
    hand_over_batch,
    put_back_batch,
    read_added,
    record_step,
)
from requests_app.services.changes import see_changes
from requests_app.services.finishing import drawn_amounts
from requests_app.views.changes import seen_keys
from requests_app.views.parts import (
    cautions_of_the_whole,
    current_step,
    holds,
    identities,
    open_events,
    sheet_lines,
    sheet_of,
)
from requests_app.views.serving import choices_for


# --- the sheet --------------------------------------------------------------------------------
@require_safe
def batch(request: SignedInRequest, reference: str) -> HttpResponse:
    """Everything about one batch, and what may be done with it now."""
    policy.require(request.user, "see_queue")
    found = batch_with_everything(request.user, reference)
    return render(request, "requests_app/batch.html", _batch_context(request, found))


def _batch_context(request: SignedInRequest, found: Batch) -> dict[str, Any]:
    sheet = sheet_of(found)
    steps = _steps(found, sheet)
    return {
        **_common(found, sheet, steps),
        "identities": identities(found, sheet),
        "events": open_events(request.user, found, steps),
        "may_record": found.state in (states.CLAIMED, states.IN_WORK) and holds(request.user, found),
        "may_give_up": _may_give_up(request.user, found),
        "history": [(states.EVENT_WORDS[entry.event], entry) for entry in found.events.all()],
        "may_see": policy.may(request.user, "work_batch")
        and (found.state not in (states.CLAIMED, states.IN_WORK) or holds(request.user, found)),
        "changes": changes_of(found),
        "comments": comments_on(found),
        "older": [old for old in found.sheets.all() if old.pk != sheet.pk],
        "division": division_of(found, found.orders.all()),
        "not_before": not_before(found, found.orders.all()),
        "saving": saving_of(sheet.plan, list(found.orders.all())),
        "put_back_form": PutBackForm(),
        "booked": booked_for([(found, sheet.plan)]).get(found.pk),
        "serving": [(order, choices_for(request.user, order)) for order in found.orders.all()],
    }


def _may_give_up(actor: User, found: Batch) -> bool:
    """Whether a spoilt batch is theirs to give up; one that is only claimed is put back instead."""
    if found.state == states.READY:
        return policy.may(actor, "work_batch")
    mine = found.claimed_by_id == actor.pk
    return found.state == states.IN_WORK and (mine or actor.role == policy.MANAGER)


def _common(found: Batch, sheet: Sheet, steps: list[BenchStep]) -> dict[str, Any]:
    return {
        "place": "requests_app:queue",
        "batch": found,
        "sheet": sheet,
        "plan": sheet.plan,
        "steps": steps,
        "current": current_step(steps),
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
        "concealed": sheet.plan.get("concealed", False),
        "unknown": holds_unknown(found),
        "unseen": unseen_with_words(found),
        "unwanted": is_unwanted(found),
    }


def _steps(found: Batch, sheet: Sheet) -> list[BenchStep]:
    return bench_steps(sheet, found.step_records.all())


@require_safe
def sheet(request: SignedInRequest, reference: str) -> HttpResponse:
    """The sheet for paper; an older revision by ``?revision=`` stays readable and says what it is."""
    policy.require(request.user, "see_queue")
    found = batch_with_everything(request.user, reference)
    asked = request.GET.get("revision", "")
    chosen = sheet_of(found, int(asked) if asked.isascii() and asked.isdigit() else None)
    steps = _steps(found, chosen)
    context = {
        **_common(found, chosen, steps),
        "lines": sheet_lines(steps),
        "identities": identities(found, chosen),
        "newest": sheet_of(found),
        "division": division_of(found, found.orders.all()),
        "not_before": not_before(found, found.orders.all()),
        "cautions": cautions_of_the_whole(chosen.plan),
    }
    return render(request, "requests_app/sheet.html", context)


# --- who has it -------------------------------------------------------------------------------
@require_POST
def claim(request: SignedInRequest, reference: str) -> HttpResponse:
    """Take the batch; the page that follows is the one to work from."""
    policy.require(request.user, "work_batch")
    found = claim_batch(actor=request.user, batch=batch_with_everything(request.user, reference))
    messages.success(request, f"{found.reference} is yours. Put it back if you can't make it.")
    return redirect("requests_app:batch", found.reference)


@require_POST
def put_back(request: SignedInRequest, reference: str) -> HttpResponse:
    """Give the batch back to the queue."""
    policy.require(request.user, "work_batch")
    form = PutBackForm(request.POST)
    form.is_valid()
    found = put_back_batch(
        actor=request.user,
        batch=batch_with_everything(request.user, reference),
        reason=form.cleaned_data.get("reason", ""),
    )
    messages.success(request, f"{found.reference} is back in the queue.")
    return redirect("requests_app:batch", found.reference)


# --- at the bench -----------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def step(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """One step at arm's length: the number to reach, its window, one field, one button."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if not may_read_batch(request.user, found):
        return _refused(request, found, NotAllowed(ASK_THE_KEY))
    steps = _steps(found, sheet_of(found))
    chosen = next((one for one in steps if one.step["number"] == number), None)
    if chosen is None:
        raise Http404
    if request.method != "POST":
        refusal = _why_not(request, found, steps, chosen)
        if refusal is not None:
            return _refused(request, found, refusal)
        return _step_page(request, found, number, _empty_form(found, chosen))
    return (_seen if "seen" in request.POST else _record)(request, found, steps, chosen)


def _record(
    request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep
) -> HttpResponse:
    """The post of a step: recorded, or shown again with what to say."""
    number = chosen.step["number"]
    form = StepForm(request.POST, step=chosen.step)
    if not form.is_valid():
        return _step_page(request, found, number, form, status=422)
    try:
        record_step(
            actor=request.user,
            batch=found,
            step_number=number,
            reading_text=form.reading_text,
            reason=form.reason_text,
            idempotency_key=form.cleaned_data["key"],
            seen_version=form.cleaned_data["version"],
        )
    except InvalidInput as invalid:
        ways = _ways_out(found, chosen, steps, form)
        _add_errors(form, invalid)
        return _step_page(request, found, number, form, status=422, ask_reason=True, ways=ways)
    except (Conflict, NotInThisState) as refusal:
        return _told(request, found.reference, number, refusal)
    _warn_of_few_digits(request, chosen, form)
    return _onwards(request, found.reference)


def _seen(request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep) -> HttpResponse:
    """The change was looked at here; what was typed stands as it was, and is recorded by its own button."""
    see_changes(actor=request.user, batch=found, revisions=seen_keys(request.POST))
    again = batch_with_everything(request.user, found.reference)
    form = StepForm(step=chosen.step, initial={**request.POST.dict(), **_guards(again)})
    return _step_page(request, again, chosen.step["number"], form)


def _ways_out(found: Batch, chosen: BenchStep, steps: list[BenchStep], form: StepForm) -> tuple[str, ...]:
    """What could be done with a reading outside its window, by what it would make of the solution."""
    plan = sheet_of(found).plan
    readings = {**readings_of(steps), chosen.step["number"]: parse_positive(form.reading_text)}
    moved = next(
        (
            step
            for step in steps_with_rest(plan, readings)
            if "because" in step and step["number"] not in readings
        ),
        None,
    )
    if moved is None:
        return settle(plan, readings).remedies
    rest, lot = moved["quantity"], moved["lot"]["code"]
    return (
        f"Record it with the reason, as that the bottle is empty: step {moved['number']} then asks for"
        f" {rest['value']} {rest['unit']} from lot {lot}, and the whole comes right.",
    )


def _warn_of_few_digits(request: SignedInRequest, chosen: BenchStep, form: StepForm) -> None:
    if form.takes_reading:
        judged = judge_reading(chosen.step, parse_positive(form.reading_text))
        if judged.warning:
            messages.warning(request, f"Step {chosen.step['number']}, {form.reading_text}: {judged.warning}")


def _why_not(
    request: SignedInRequest, found: Batch, steps: list[BenchStep], chosen: BenchStep
) -> DomainError | None:
    """Why this person can't stand at this step now, in the order a person would ask."""
    if found.state == states.QUEUED:
        return NotInThisState(f"Nobody has claimed {found.reference} yet. Claim it, then begin.")
    if found.state not in (states.CLAIMED, states.IN_WORK):
        return NotInThisState(
            f"{found.reference} is “{found.get_state_display()}”; nothing is left to record."
        )
    if not holds(request.user, found) and found.claimed_at:
        return Conflict(
            f"{found.claimed_by} has {found.reference} since {absolute_words(found.claimed_at)}. "
            "Ask them to finish it, or take another batch."
        )
    stopped = stopped_lots([found.pk]).get(found.pk, ())
    if stopped:
        said = ". ".join(one.words for one in stopped)
        return NotInThisState(f"Stop. {said}. Take nothing more from it and record nothing.")
    current = current_step(steps)
    if not chosen.is_done and current is not None and not chosen.is_current:
        return NotInThisState(f"Step {current.step['number']} comes first; it has no record yet.")
    return None


def _refused(request: SignedInRequest, found: Batch, refusal: DomainError) -> HttpResponse:
    context = {
        "refusal": refusal,
        "batch": found,
        "place": "requests_app:queue",
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
    }
    return render(request, "requests_app/step_refused.html", context, status=refusal.status)


def _told(request: SignedInRequest, reference: str, number: int, refusal: DomainError) -> HttpResponse:
    """Somebody was faster, here or on another device: show how it stands now; the typed text stays."""
    found = batch_with_everything(request.user, reference)
    steps = _steps(found, sheet_of(found))
    chosen = next(one for one in steps if one.step["number"] == number)
    if _why_not(request, found, steps, chosen) is not None:
        return _refused(request, found, refusal)
    again = StepForm(step=chosen.step, initial={**request.POST.dict(), **_guards(found)})
    return _step_page(request, found, number, again, status=refusal.status, refusal=refusal)


def _step_page(
    request: SignedInRequest,
    found: Batch,
    number: int,
    form: StepForm,
    *,
    status: int = 200,
    ask_reason: bool = False,
    ways: tuple[str, ...] = (),
    refusal: DomainError | None = None,
) -> HttpResponse:
    sheet_now = sheet_of(found)
    steps = _steps(found, sheet_now)
    chosen = next(one for one in steps if one.step["number"] == number)
    context = {
        **_common(found, sheet_now, steps),
        "chosen": chosen,
        "step": chosen.step,
        "form": form,
        "ask_reason": ask_reason or bool(form.is_bound and form.wants_to_keep),
        "ways": ways,
        "refusal": refusal,
        "done": [one for one in steps if one.is_done],
    }
    return render(request, "requests_app/step.html", context, status=status)


def _empty_form(found: Batch, chosen: BenchStep) -> StepForm:
    return StepForm(step=chosen.step, initial=_guards(found))


def _guards(found: Batch) -> dict[str, object]:
    return {"key": fresh_key(), "version": found.version}


def _add_errors(form: Any, invalid: InvalidInput) -> None:
    for field, text in invalid.errors.items():
        form.add_error(field if field in form.fields else None, text)


def _onwards(request: SignedInRequest, reference: str) -> HttpResponse:
    """To the first step without a record, or to the closing page."""
    found = batch_with_everything(request.user, reference)
    current = current_step(_steps(found, sheet_of(found)))
    if current is None:
        return redirect("requests_app:finish", found.reference)
    return redirect("requests_app:step", found.reference, current.step["number"])


# --- what can't be undone ------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def finish(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what is in the bottle and what closing the work will book, then close it."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    sheet_now = sheet_of(found)
    form = FinishForm(
        request.POST if request.method == "POST" else None,
        initial={"version": found.version},
        unit=added_unit(sheet_now.plan),
    )
    if form.is_valid() and form.wants_to_close:
        try:
            done = finish_batch(
                actor=request.user,
                batch=found,
                reason=form.cleaned_data["reason"],
                added_text=form.added_text,
                seen_version=form.cleaned_data["version"],
            )
        except InvalidInput as invalid:
            _add_errors(form, invalid)
        else:
            shelf = f"stands on the shelf as {done.prepared_lot}"
            messages.success(request, f"{done.reference} is made and {shelf}.")
            return redirect("requests_app:batch", done.reference)
    steps = _steps(found, sheet_now)
    if "finish" not in open_events(request.user, found, steps):
        return redirect("requests_app:batch", found.reference)
    context = _finish_context(found, sheet_now, steps, form)
    return render(request, "requests_app/finish.html", context, status=422 if form.errors else 200)


def _finish_context(
    found: Batch, sheet_now: Sheet, steps: list[BenchStep], form: FinishForm
) -> dict[str, Any]:
    readings = readings_of(steps)
    added = None
    if form.is_bound and "added" in form.cleaned_data:
        try:
            added = read_added(sheet_now, form.added_text)
        except InvalidInput as invalid:
            _add_errors(form, invalid)
    promised = active_holds(found)
    used = drawn_amounts(sheet_now.plan, readings, promised)
    return {
        **_common(found, sheet_now, steps),
        "form": form,
        "as_read": settle(sheet_now.plan, readings).as_dict(),
        "settlement": settle(sheet_now.plan, readings, added=added).as_dict(),
        "drawn": [(hold.lot, from_base(used[hold.pk], hold.lot.unit)) for hold in promised],
    }


@require_http_methods(["GET", "HEAD", "POST"])
def hand_over(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what will leave the shelf and for whom, then hand it over."""
    policy.require(request.user, "hand_over_batch")
    found = batch_with_everything(request.user, reference)
    form = HandOverForm(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        done = hand_over_batch(actor=request.user, batch=found, note=form.cleaned_data["note"])
        messages.success(request, f"{done.reference} is handed over.")
        return redirect("requests_app:batch", done.reference)
    steps = _steps(found, sheet_of(found))
    if "hand_over" not in open_events(request.user, found, steps):
        return redirect("requests_app:batch", found.reference)
    context = {
        **_common(found, sheet_of(found), steps),
        "form": form,
        "division": division_of(found, found.orders.all()),
        "leaving": [(hold.lot, from_base(hold.amount, hold.lot.unit)) for hold in prepared_holds(found)],
    }
    return render(request, "requests_app/hand_over.html", context, status=422 if form.is_bound else 200)
