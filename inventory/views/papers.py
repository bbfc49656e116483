"""Files of bottles and substances, what the stockroom keeps about a substance, and waste streams."""

from django.contrib import messages
from django.http import FileResponse, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.forms import AttachmentForm, FactsForm, ReasonForm, WasteStreamForm
from inventory.models import Lot, Substance
from inventory.selectors import attachments_visible_to, substances_visible_to, waste_streams
from inventory.services import (
    add_attachment,
    add_waste_stream,
    edit_substance,
    opened_file,
    set_waste_stream_in_use,
    withdraw_attachment,
)
from inventory.views.lots import lot_or_404
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


# --- files ------------------------------------------------------------------------------------------
@require_http_methods(_READ_OR_SEND)
def attach_to_lot(request: SignedInRequest, code: str) -> HttpResponse:
    """Add a file to a bottle."""
    policy.require(request.user, "receive_lot")
    return _attach(request, lot_or_404(request, code))


@require_http_methods(_READ_OR_SEND)
def attach_to_substance(request: SignedInRequest, key: str) -> HttpResponse:
    """Add a file to a substance."""
    policy.require(request.user, "receive_lot")
    return _attach(request, get_object_or_404(substances_visible_to(request.user), key=key))


def _attach(request: SignedInRequest, of: Lot | Substance) -> HttpResponse:
    sent = request.method == "POST"
    form = AttachmentForm(request.POST, request.FILES, of=of) if sent else AttachmentForm(of=of)
    status = 200
    if sent:
        status = 422
        if form.is_valid():
            try:
                kept = add_attachment(actor=request.user, of=of, **form.cleaned_data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"“{kept.name}” is added.")
                return _back(of)
    return render(request, "inventory/attachment_new.html", {"form": form, **_named(of)}, status=status)


def _named(of: Lot | Substance) -> dict[str, object]:
    """For a template: the bottle or the substance, and what the page calls it."""
    if isinstance(of, Lot):
        return {"lot": of, "called": f"{of.code}, {of.title or of.substance.name}"}
    return {"substance": of, "called": of.name}


def _back(of: Lot | Substance | None) -> HttpResponse:
    if isinstance(of, Lot):
        return redirect("inventory:lot", of.code)
    return redirect("inventory:substance", of.key) if of else redirect("inventory:stock")


@require_safe
def attachment(request: SignedInRequest, file: int) -> FileResponse:
    """Hand out a file, always to be saved and never to be shown as a page of this site."""
    row = get_object_or_404(attachments_visible_to(request.user), pk=file)
    response = FileResponse(
        opened_file(row), as_attachment=True, filename=row.name, content_type=row.content_type
    )
    response["X-Content-Type-Options"] = "nosniff"
    return response


@require_http_methods(_READ_OR_SEND)
def withdraw(request: SignedInRequest, file: int) -> HttpResponse:
    """Say that a file no longer counts."""
    policy.require(request.user, "receive_lot")
    row = get_object_or_404(attachments_visible_to(request.user), pk=file)
    of = row.lot or row.substance
    assert of is not None
    form = ReasonForm(request.POST or None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                withdraw_attachment(actor=request.user, attachment=row, reason=form.cleaned_data["reason"])
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"“{row.name}” is withdrawn. It stays in the history.")
                return _back(of)
    context = {"form": form, "file": row, **_named(of)}
    return render(request, "inventory/attachment_withdraw.html", context, status=status)


# --- substances ---------------------------------------------------------------------------------------
@require_http_methods(_READ_OR_SEND)
def facts(request: SignedInRequest, key: str) -> HttpResponse:
    """Change what the stockroom keeps about a substance."""
    policy.require(request.user, "receive_lot")
    row = get_object_or_404(substances_visible_to(request.user), key=key)
    may_restrict = policy.may(request.user, "approve_order")
    form = FactsForm(request.POST or None, substance=row, may_restrict=may_restrict)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                edit_substance(actor=request.user, substance=row, **form.cleaned_data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "The facts are up to date.")
                return redirect("inventory:substance", row.key)
    context = {"form": form, "substance": row}
    return render(request, "inventory/substance_facts.html", context, status=status)


# --- waste streams ------------------------------------------------------------------------------------
@require_http_methods(_READ_OR_SEND)
def waste(request: SignedInRequest) -> HttpResponse:
    """The department's waste streams, and adding one."""
    policy.require(request.user, "correct_stock")
    form = WasteStreamForm(request.POST or None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                row = add_waste_stream(actor=request.user, **form.cleaned_data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"“{row.name}” is added. Disposals may name it now.")
                return redirect("inventory:waste")
    context = {"form": form, "streams": waste_streams()}
    return render(request, "inventory/waste.html", context, status=status)


@require_POST
def waste_in_use(request: SignedInRequest, stream: int) -> HttpResponse:
    """Retire a waste stream, or take it up again."""
    policy.require(request.user, "correct_stock")
    row = get_object_or_404(waste_streams(), pk=stream)
    again = request.POST.get("in_use") == "1"
    set_waste_stream_in_use(actor=request.user, stream=row, in_use=again)
    said = "is in use again" if again else "is retired; what went into it stays in the ledger"
    messages.success(request, f"“{row.name}” {said}.")
    return redirect("inventory:waste")
