"""Readings that a device at the bench sends by itself, at once or when the connection is back."""

import json
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, JsonResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.settle import judge_reading
from prepdesk.calc.typed import parse_positive
from prepdesk.core.errors import DomainError, InvalidInput, NotAllowed
from requests_app.bench_forms import SentReadingForm
from requests_app.concealing import ASK_THE_KEY, may_read_batch
from requests_app.models import Batch, StepRecord
from requests_app.selectors import batch_with_everything
from requests_app.services.recording import record_step
from requests_app.views.of_a_batch import steps_of
from requests_app.views.parts import current_step, sheet_of


@require_POST
def record(request: SignedInRequest, reference: str, number: int) -> JsonResponse:
    """Book one reading of a device's outbox, once however often it arrives.

    Answers 200 with where the work goes on, or the refusal in words: 422 about what was typed, 409 about
    what happened meanwhile, 403 about who sends.
    """
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    try:
        return _recorded(request, found, number)
    except DomainError as refusal:
        said = {"title": refusal.title, "text": refusal.text, "code": refusal.code}
        return JsonResponse({"refused": said}, status=refusal.status)


def _recorded(request: SignedInRequest, found: Batch, number: int) -> JsonResponse:
    if not may_read_batch(request.user, found):
        raise NotAllowed(ASK_THE_KEY)
    form = SentReadingForm(_sent(request))
    if not form.is_valid():
        raise InvalidInput({name: " ".join(map(str, texts)) for name, texts in form.errors.items()})
    sent = form.cleaned_data
    if sent["person"] != request.user.pk:
        raise NotAllowed("Somebody else took this reading on this device. Only they can send it.")
    before = StepRecord.objects.filter(idempotency_key=sent["key"]).exists()
    done = record_step(
        actor=request.user,
        batch=found,
        step_number=number,
        reading_text=sent["reading"],
        reason=sent["reason"],
        idempotency_key=sent["key"],
        seen_version=sent["version"],
        seen_revision=sent["revision"],
        after_key=sent["after"],
        taken_at=form.taken(timezone.now()),
    )
    return JsonResponse(_answer(request, done, is_new=not before))


def _sent(request: HttpRequest) -> dict[str, Any]:
    try:
        sent = json.loads(request.body) if request.content_type == "application/json" else None
    except (ValueError, RecursionError):
        sent = None
    if not isinstance(sent, dict) or any(isinstance(value, dict | list) for value in sent.values()):
        raise InvalidInput({"": "What was sent is not a reading."})
    # As a form would have sent it: its fields read text.
    return {name: "" if value is None else str(value) for name, value in sent.items()}


def _answer(request: SignedInRequest, done: StepRecord, *, is_new: bool) -> dict[str, Any]:
    """Where the work goes on, and what was told of the reading; told once."""
    again = batch_with_everything(request.user, done.batch.reference)
    steps = steps_of(again, sheet_of(again))
    chosen = next((one for one in steps if one.step["number"] == done.step_number), None)
    if is_new and chosen is not None and done.reading_text:
        judged = judge_reading(chosen.step, parse_positive(done.reading_text))
        if judged.warning:
            told = f"Step {done.step_number}, {done.reading_text}: {judged.warning}"
            messages.warning(request, told)
    current = current_step(steps)
    if current is None:
        onwards = reverse("requests_app:finish", args=[again.reference])
    else:
        onwards = reverse("requests_app:step", args=[again.reference, current.step["number"]])
    return {"step": done.step_number, "version": done.version_after, "next": onwards}
