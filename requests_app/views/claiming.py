"""Who has a batch: claimed, paused, handed to a colleague, taken over, put back."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.bench_forms import PutBackForm
from requests_app.concealing import holds_unknown
from requests_app.hands_forms import StandsForm
from requests_app.models import Batch
from requests_app.selectors import batch_with_everything
from requests_app.selectors.recalls import stockroom
from requests_app.services.at_work import AT_WORK
from requests_app.services.claiming import (
    claim_batch,
    give_batch,
    pause_batch,
    put_back_batch,
    resume_batch,
    take_over_batch,
)
from requests_app.views.of_a_batch import add_errors, common_context, steps_of
from requests_app.views.parts import current_step, holds, open_events, sheet_of


def hands_context(actor: User, found: Batch) -> dict[str, Any]:
    """What the buttons need to know about whose hands a batch is in."""
    at_work = found.state in AT_WORK
    mine = at_work and holds(actor, found) and policy.may(actor, "work_batch")
    theirs = at_work and found.claimed_by_id != actor.pk and policy.may(actor, "work_batch")
    free_to_take = found.paused_at is not None or actor.role == policy.MANAGER
    return {
        "may_pass_on": mine,
        "may_pause": mine and found.state == states.IN_WORK and found.paused_at is None,
        "may_take_over": theirs and free_to_take and not holds_unknown(found),
        "put_back_form": PutBackForm(),
    }


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


@require_http_methods(["GET", "HEAD", "POST"])
def pause(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say where it stands, then let it rest or choose who gets it."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if request.method != "POST":
        return _pause_page(request, found, StandsForm(initial={"version": found.version}))
    form = StandsForm(request.POST)
    if form.is_valid():
        try:
            done = pause_batch(
                actor=request.user,
                batch=found,
                note=form.words,
                seen_version=form.cleaned_data["version"],
            )
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            messages.success(request, f"{done.reference} rests. Go on with it here or on any other device.")
            return redirect("requests_app:batch", done.reference)
    return _pause_page(request, found, form, status=422)


@require_POST
def give(request: SignedInRequest, reference: str) -> HttpResponse:
    """Hand it to the colleague whose button was pressed."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    form = StandsForm(request.POST)
    wanted = _whole(request.POST.get("to", ""))
    to = stockroom().filter(pk=wanted).first() if wanted is not None else None
    if form.is_valid():
        try:
            if to is None:
                raise InvalidInput({"to": "Press the name of the colleague who gets it."})
            done = give_batch(
                actor=request.user,
                batch=found,
                to=to,
                note=form.words,
                seen_version=form.cleaned_data["version"],
            )
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            messages.success(request, f"{done.reference} is with {to} now, who is told.")
            return redirect("requests_app:batch", done.reference)
    return _pause_page(request, found, form, status=422)


@require_POST
def take_over(request: SignedInRequest, reference: str) -> HttpResponse:
    """Take what a colleague let rest."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    before = found.claimed_by
    done = take_over_batch(actor=request.user, batch=found, seen_version=_seen(request))
    told = f" {before} is told." if before is not None and before.pk != request.user.pk else ""
    messages.success(request, f"{done.reference} is yours now.{told}")
    return redirect("requests_app:batch", done.reference)


@require_POST
def resume(request: SignedInRequest, reference: str) -> HttpResponse:
    """Go on at the step at which it stands."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    resume_batch(actor=request.user, batch=found, seen_version=_seen(request))
    current = current_step(steps_of(found, sheet_of(found)))
    if current is None:
        return redirect("requests_app:batch", found.reference)
    return redirect("requests_app:step", found.reference, current.step["number"])


def _seen(request: SignedInRequest) -> int | None:
    return _whole(request.POST.get("version", ""))


def _whole(text: str) -> int | None:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 10 else None


def _pause_page(
    request: SignedInRequest, found: Batch, form: StandsForm, *, status: int = 200
) -> HttpResponse:
    sheet = sheet_of(found)
    steps = steps_of(found, sheet)
    context = {
        **common_context(found, sheet, steps),
        **hands_context(request.user, found),
        "events": open_events(request.user, found, steps),
        "may_record": found.state in AT_WORK and holds(request.user, found),
        "form": form,
        "colleagues": stockroom()
        .exclude(pk__in=[pk for pk in (request.user.pk, found.claimed_by_id) if pk])
        .order_by("first_name", "last_name", "username"),
    }
    return render(request, "requests_app/pause.html", context, status=status)
