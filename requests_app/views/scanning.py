"""A bottle is scanned at a step: the answer is the part of the page about it, or the step again."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput
from requests_app import sheets
from requests_app.bench_forms import fresh_key
from requests_app.concealing import may_read_batch
from requests_app.models import Batch, Sheet
from requests_app.selectors import batch_with_everything
from requests_app.selectors.scans import ScanState, scan_state
from requests_app.services.scanning import scan_bottle
from requests_app.views.parts import sheet_of


class ScanForm(forms.Form):
    """What was scanned or typed, under a key that makes one sending one scan."""

    scan = forms.CharField(required=False, max_length=1000)
    key = forms.CharField(max_length=64)
    version = forms.IntegerField(required=False)


@require_POST
def scan(request: SignedInRequest, reference: str, number: int) -> HttpResponse:
    """Judge the bottle that was scanned at a step. A refused one answers 422 where a part is asked for."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    if not may_read_batch(request.user, found):
        return _back(request, found, number)
    if sheets.step_of(sheet_of(found).plan, number) is None:
        raise Http404
    form = ScanForm(request.POST)
    if not form.is_valid():
        return _trouble(request, found, number, "This did not arrive whole. Scan the bottle again.")
    try:
        scan_bottle(
            actor=request.user,
            batch=found,
            step_number=number,
            scanned=form.cleaned_data["scan"],
            idempotency_key=form.cleaned_data["key"],
            seen_version=form.cleaned_data["version"],
        )
    except InvalidInput as invalid:
        return _trouble(request, found, number, invalid.text)
    except DomainError as refusal:
        messages.error(request, f"{refusal.title}. {refusal.text}")
        return _back(request, found, number, status=refusal.status)
    return _part(request, found, number) if getattr(request, "htmx", False) else _back(request, found, number)


def _trouble(request: SignedInRequest, found: Batch, number: int, text: str) -> HttpResponse:
    if getattr(request, "htmx", False):
        return _part(request, found, number, trouble=text)
    messages.error(request, text)
    return _back(request, found, number)


def _part(request: SignedInRequest, found: Batch, number: int, trouble: str = "") -> HttpResponse:
    sheet = sheet_of(found)
    step = sheets.step_of(sheet.plan, number) or {}
    state = scan_state(found, sheet, step)
    was_right = state.last is not None and state.last.verdict == state.last.Verdict.RIGHT
    context = {"batch": found, "step": step, "trouble": trouble, "fresh": True, **_context(state)}
    good = was_right and not trouble
    return render(request, "requests_app/_step_scan_part.html", context, status=200 if good else 422)


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
