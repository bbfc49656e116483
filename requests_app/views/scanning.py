"""A bottle is scanned at a step: the answer is the part of the page about it, or the step again."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput, NotAllowed
from requests_app import sheets
from requests_app.bench_forms import fresh_key, time_by_the_server
from requests_app.concealing import ASK_THE_KEY, may_read_batch
from requests_app.models import Batch, Sheet
from requests_app.selectors import batch_with_everything
from requests_app.selectors.scans import ScanState, scan_state
from requests_app.services.scanning import scan_bottle
from requests_app.views.parts import sheet_of


class ScanForm(forms.Form):
    """What was scanned or typed, under a key that makes one sending one scan.

    A device that kept it while the connection was lost says by whom, on which sheet and when, by its clock.
    """

    scan = forms.CharField(required=False, max_length=1000)
    key = forms.CharField(max_length=64)
    version = forms.IntegerField(required=False)
    person = forms.IntegerField(required=False)
    revision = forms.IntegerField(required=False)
    taken_at = forms.DateTimeField(required=False)
    sent_at = forms.DateTimeField(required=False)

    def taken(self, now: datetime) -> datetime | None:
        """When it was scanned, by the server's clock; None where it was sent as it was scanned."""
        taken_at, sent_at = self.cleaned_data["taken_at"], self.cleaned_data["sent_at"]
        return time_by_the_server(taken_at, sent_at, now) if taken_at and sent_at else None


@require_POST
def scan(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """Judge the bottle that was scanned at a step.

    A page gets the part about the bottle, with 422 for one that was refused. A device that sends what it
    kept asks for JSON: 200 with ``right`` and the part for whatever was written down, right or wrong, or the
    refusal in words.
    """
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if may_read_batch(request.user, found) and sheets.step_of(sheet_of(found).plan, number) is None:
        raise Http404
    try:
        _scan(request, found, number)
    except DomainError as refusal:
        return _refused(request, found, number, refusal)
    if _is_kept(request):
        state, part = _part(request, found, number)
        return JsonResponse({"right": _was_right(state), "part": part})
    if not getattr(request, "htmx", False):
        return _back(request, found, number)
    state, part = _part(request, found, number)
    return HttpResponse(part, status=200 if _was_right(state) else 422)


def _scan(request: SignedInRequest, found: Batch, number: int) -> None:
    if not may_read_batch(request.user, found):
        raise NotAllowed(ASK_THE_KEY)
    form = ScanForm(request.POST)
    if not form.is_valid():
        raise InvalidInput({"scan": "This did not arrive whole. Scan the bottle again."})
    sent = form.cleaned_data
    if sent["person"] not in (None, request.user.pk):
        raise NotAllowed("Somebody else scanned this on this device. Only they can send it.")
    scan_bottle(
        actor=request.user,
        batch=found,
        step_number=number,
        scanned=sent["scan"],
        idempotency_key=sent["key"],
        seen_version=sent["version"],
        seen_revision=sent["revision"],
        taken_at=form.taken(timezone.now()),
    )


def _is_kept(request: HttpRequest) -> bool:
    return request.headers.get("Accept") == "application/json"


def _refused(request: SignedInRequest, found: Batch, number: int, refusal: DomainError) -> HttpResponse:
    """Nothing was written down: to whoever asks, in the way they ask."""
    if _is_kept(request):
        said = {"title": refusal.title, "text": refusal.text, "code": refusal.code}
        return JsonResponse({"refused": said}, status=refusal.status)
    if isinstance(refusal, InvalidInput):
        if getattr(request, "htmx", False):
            return HttpResponse(_part(request, found, number, trouble=refusal.text)[1], status=422)
        messages.error(request, refusal.text)
        return _back(request, found, number)
    # The step itself says that the figures of a coded sample are its maker's.
    if not isinstance(refusal, NotAllowed):
        messages.error(request, f"{refusal.title}. {refusal.text}")
    return _back(request, found, number, status=refusal.status)


def _part(request: SignedInRequest, found: Batch, number: int, trouble: str = "") -> tuple[ScanState, str]:
    sheet = sheet_of(found)
    step = sheets.step_of(sheet.plan, number) or {}
    state = scan_state(found, sheet, step)
    context = {"batch": found, "step": step, "trouble": trouble, "fresh": True, **_context(state)}
    return state, render_to_string("requests_app/_step_scan_part.html", context, request)


def _was_right(state: ScanState) -> bool:
    return state.last is not None and state.last.verdict == state.last.Verdict.RIGHT


def scan_context(found: Batch, sheet: Sheet, step: Mapping[str, Any]) -> dict[str, object]:
    """What the part about the bottle shows, for the page of a step."""
    return _context(scan_state(found, sheet, step))


def _context(state: ScanState) -> dict[str, object]:
    return {"scan": state, "scan_key": fresh_key()}


def _back(request: SignedInRequest, found: Batch, number: int, status: int = 409) -> HttpResponse:
    """To the step, which shows how it stands, or why nobody can stand at it now."""
    if not getattr(request, "htmx", False):
        return redirect("requests_app:step", found.reference, number)
    answer = HttpResponse(status=status)
    answer["HX-Redirect"] = reverse("requests_app:step", args=[found.reference, number])
    return answer
