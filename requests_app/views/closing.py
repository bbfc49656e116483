"""What can't be undone: the work is closed, the solution handed over."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from inventory.amounts import from_base
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.settle import added_unit, settle
from prepdesk.core.errors import InvalidInput
from requests_app.bench_forms import FinishForm, HandOverForm
from requests_app.models import Batch, Sheet
from requests_app.selectors import (
    BenchStep,
    active_holds,
    batch_with_everything,
    prepared_holds,
    readings_of,
)
from requests_app.selectors.second_look import second_look
from requests_app.selectors.together import division_of
from requests_app.services.added import read_added
from requests_app.services.closing import finish_batch
from requests_app.services.finishing import drawn_amounts
from requests_app.services.handing_over import hand_over_batch
from requests_app.views.of_a_batch import add_errors, common_context, steps_of
from requests_app.views.parts import (
    open_events,
    sheet_of,
)


@require_http_methods(["GET", "HEAD", "POST"])
def finish(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what is in the bottle and what closing the work will book, then close it."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    sheet_now = sheet_of(found)
    second = second_look(found, sheet_now, found.step_records.all())
    form = FinishForm(
        request.POST if request.method == "POST" else None,
        initial={"version": found.version, "added": second.added_text},
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
            add_errors(form, invalid)
        else:
            shelf = f"stands on the shelf as {done.prepared_lot}"
            messages.success(request, f"{done.reference} is made and {shelf}.")
            return redirect("requests_app:batch", done.reference)
    steps = steps_of(found, sheet_now)
    if "finish" not in open_events(request.user, found, steps):
        return redirect("requests_app:batch", found.reference)
    context = _finish_context(found, sheet_now, steps, form)
    return render(request, "requests_app/finish.html", context, status=422 if form.errors else 200)


def _finish_context(
    found: Batch, sheet_now: Sheet, steps: list[BenchStep], form: FinishForm
) -> dict[str, Any]:
    readings = readings_of(steps)
    added, added_text = None, str(form.initial["added"])
    if form.is_bound:
        added_text = form.added_text if "added" in form.cleaned_data else ""
    if added_text:
        try:
            added = read_added(sheet_now, added_text)
        except InvalidInput as invalid:
            add_errors(form, invalid)
    promised = active_holds(found)
    used = drawn_amounts(sheet_now.plan, readings, promised)
    return {
        **common_context(found, sheet_now, steps),
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
    steps = steps_of(found, sheet_of(found))
    if "hand_over" not in open_events(request.user, found, steps):
        return redirect("requests_app:batch", found.reference)
    context = {
        **common_context(found, sheet_of(found), steps),
        "form": form,
        "division": division_of(found, found.orders.all()),
        "leaving": [(hold.lot, from_base(hold.amount, hold.lot.unit)) for hold in prepared_holds(found)],
    }
    return render(request, "requests_app/hand_over.html", context, status=422 if form.is_bound else 200)
