"""The bench: the steps one by one, at arm's length."""

from dataclasses import dataclass

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.rest import steps_that_wait, steps_with_rest
from prepdesk.calc.settle import judge_reading, settle
from prepdesk.calc.typed import parse_positive
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.bench_forms import StepForm, fresh_key
from requests_app.concealing import ASK_THE_KEY, may_read_batch
from requests_app.models import Batch, Sheet
from requests_app.selectors import (
    BenchStep,
    batch_with_everything,
    readings_of,
)
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.scans import ScanState, scan_state
from requests_app.services.changes import see_changes
from requests_app.services.recording import record_step
from requests_app.views.changes import seen_keys
from requests_app.views.of_a_batch import add_errors, common_context, refused_at_bench, steps_of
from requests_app.views.parts import (
    current_step,
    holds,
    sheet_of,
)
from requests_app.views.scanning import scan_context


@require_http_methods(["GET", "HEAD", "POST"])
def step(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """One step at arm's length: the number to reach, its window, one field, one button."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if not may_read_batch(request.user, found):
        return refused_at_bench(request, found, NotAllowed(ASK_THE_KEY))
    steps = steps_of(found, sheet_of(found))
    chosen = next((one for one in steps if one.step["number"] == number), None)
    if chosen is None:
        raise Http404
    if request.method != "POST":
        refusal = _why_not(request, found, steps, chosen)
        if refusal is not None:
            return refused_at_bench(request, found, refusal)
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
        add_errors(form, invalid)
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


def _told(request: SignedInRequest, reference: str, number: int, refusal: DomainError) -> HttpResponse:
    """Somebody was faster, here or on another device: show how it stands now; the typed text stays."""
    found = batch_with_everything(request.user, reference)
    steps = steps_of(found, sheet_of(found))
    # A sheet that was frozen meanwhile may have fewer steps.
    chosen = next((one for one in steps if one.step["number"] == number), None)
    if chosen is None or _why_not(request, found, steps, chosen) is not None:
        return refused_at_bench(request, found, refusal)
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
    steps = steps_of(found, sheet_now)
    chosen = next(one for one in steps if one.step["number"] == number)
    common = common_context(found, sheet_now, steps)
    context = {
        **common,
        "chosen": chosen,
        "step": chosen.step,
        "form": form,
        "ask_reason": ask_reason or bool(form.is_bound and form.wants_to_keep),
        "ways": ways,
        "refusal": refusal,
        "done": [one for one in steps if one.is_done],
        **scan_context(found, sheet_now, chosen.step),
        # A change that nobody has seen yet stops the work, with or without a connection.
        "ahead": [] if common["unseen"] else _ahead(found, sheet_now, steps, chosen),
    }
    return render(request, "requests_app/step.html", context, status=status)


@dataclass(frozen=True, slots=True)
class _Ahead:
    """A step that follows, ready to be shown without the server.

    Attributes:
        rests_on: the steps whose reading moves its figure; it waits until they are recorded.
        scan, scan_key: the bottle it asks for, and the key of the form that shows it.
    """

    chosen: BenchStep
    form: StepForm
    rests_on: tuple[int, ...]
    scan: ScanState
    scan_key: str


def _ahead(found: Batch, sheet: Sheet, steps: list[BenchStep], chosen: BenchStep) -> list[_Ahead]:
    waiting = steps_that_wait(sheet.plan)
    return [
        _Ahead(
            one,
            _empty_form(found, one),
            waiting.get(one.step["number"], ()),
            scan_state(found, sheet, one.step),
            fresh_key(),
        )
        for one in steps
        if not one.is_done and one != chosen
    ]


def _empty_form(found: Batch, chosen: BenchStep) -> StepForm:
    return StepForm(step=chosen.step, initial=_guards(found))


def _guards(found: Batch) -> dict[str, object]:
    return {"key": fresh_key(), "version": found.version}


def _onwards(request: SignedInRequest, reference: str) -> HttpResponse:
    """To the first step without a record, or to the closing page."""
    found = batch_with_everything(request.user, reference)
    current = current_step(steps_of(found, sheet_of(found)))
    if current is None:
        return redirect("requests_app:finish", found.reference)
    return redirect("requests_app:step", found.reference, current.step["number"])
