"""The pages of unknowns: sets, the form in three steps, one set, its key, the list of codes for the cart.

A key is opened by a post and never by following a link, because every opening is written down.
"""

from typing import Any, Final

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from prepdesk.core.spreadsheet import csv_lines
from requests_app.concealing import may_open_key
from requests_app.models import UnknownSet
from requests_app.sample_codes import is_sound, tidied
from requests_app.selectors import rooms_used
from requests_app.selectors.unknowns import (
    KeyRow,
    key_rows,
    readings_of_key,
    sample_visible_to,
    unknown_set_or_404,
    unknown_set_rows,
)
from requests_app.services.unknowns import (
    cancel_unknowns,
    check_unknowns,
    name_reader,
    not_begun,
    open_key,
    order_unknowns,
    remove_reader,
    sent_before,
)
from requests_app.unknown_forms import ReaderForm, UnknownsForm, fresh_unknowns

PER_PAGE: Final = 50
_LONGEST_CODE: Final = 20
CSV_HEADER: Final = (
    "set",
    "code",
    "spare",
    "substance",
    "drawn",
    "made",
    "unit",
    "expanded uncertainty, k = 2, %",
    "within tolerance",
    "state",
    "batch",
    "lot",
)


# --- the list -----------------------------------------------------------------------------------
@require_safe
def unknowns(request: SignedInRequest) -> HttpResponse:
    """The sets a person may see, and a field that finds the set of a code on a bottle."""
    policy.require(request.user, "see_own_orders")
    typed = request.GET.get("code", "").strip()[:_LONGEST_CODE]
    said = ""
    if typed:
        code = tidied(typed)
        sample = sample_visible_to(request.user, code)
        if sample is not None:
            address = reverse("requests_app:unknown_set", args=[sample.unknown_set.reference])
            return redirect(f"{address}#{sample.code}")
        said = _not_found(code)
    page = Paginator(unknown_set_rows(request.user), PER_PAGE).get_page(request.GET.get("page"))
    context = {
        "place": "requests_app:order_list",
        "page": page,
        "typed": typed,
        "said": said,
        "may_order": policy.may(request.user, "order_unknowns"),
    }
    return render(request, "requests_app/unknowns.html", context, status=404 if said else 200)


def _not_found(code: str) -> str:
    if not is_sound(code):
        return (
            f"{code} is garbled: a code has four characters, a dash and a check character, and this check "
            "character does not belong to the others. Read the bottle again."
        )
    return f"{code} is well read, but is no sample of a set that you may see."


# --- the form -----------------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def unknowns_new(request: SignedInRequest) -> HttpResponse:
    """Fill in, check, send; every step carries all that was typed."""
    policy.require(request.user, "order_unknowns")
    if request.method != "POST":
        return _form_page(request, UnknownsForm(initial=fresh_unknowns(request.user), actor=request.user))
    step = request.POST.get("step", "check")
    if step == "change":
        return _form_page(request, UnknownsForm(initial=_typed(request), actor=request.user))
    form = UnknownsForm(request.POST, actor=request.user)
    if not form.is_valid():
        return _form_page(request, form, 422)
    try:
        return _send(request, form) if step == "send" else _check(request, form)
    except InvalidInput as refusal:
        form.show(refusal.errors)
        return _form_page(request, form, 422)


def _send(request: SignedInRequest, form: UnknownsForm) -> HttpResponse:
    made = order_unknowns(actor=request.user, draft=form.draft(), idempotency_key=form.cleaned_data["key"])
    return redirect(f"{reverse('requests_app:unknown_set', args=[made.reference])}?sent")


def _check(request: SignedInRequest, form: UnknownsForm) -> HttpResponse:
    draft = form.draft()
    first = sent_before(actor=request.user, draft=draft, idempotency_key=form.cleaned_data["key"])
    if first is not None:
        # By the back button: a fresh check page would look as if nothing had been sent.
        messages.info(request, f"This form was sent before, as {first.reference}. Nothing was sent again.")
        return redirect("requests_app:unknown_set", first.reference)
    checked = check_unknowns(actor=request.user, draft=draft)
    context = {"place": "requests_app:order_list", "form": form, "draft": draft, "checked": checked}
    response = render(request, "requests_app/unknowns_check.html", context)
    # The answer to a post that is not kept at all leaves the back button with nothing to show.
    response["Cache-Control"] = "private, no-cache"
    return response


def _typed(request: SignedInRequest) -> dict[str, Any]:
    several = ("sections", "readers")
    return {
        name: request.POST.getlist(name) if name in several else request.POST.get(name, "")
        for name in UnknownsForm.base_fields
    }


def _form_page(request: SignedInRequest, form: UnknownsForm, status: int = 200) -> HttpResponse:
    choices = [
        error.params["choices"] for error in _substance_errors(form) if (error.params or {}).get("choices")
    ]
    context = {
        "place": "requests_app:order_list",
        "form": form,
        "rooms": rooms_used(),
        "forms_meant": choices,
        "shows_typed": request.method == "POST",
    }
    return render(request, "requests_app/unknowns_new.html", context, status=status)


def _substance_errors(form: UnknownsForm) -> list[Any]:
    return list(form.errors.as_data().get("substance", [])) if form.is_bound else []


# --- one set ------------------------------------------------------------------------------------
@require_safe
def unknown_set(request: SignedInRequest, reference: str) -> HttpResponse:
    """One set without its key: codes, where each sample stands, who may open the key and who did."""
    found = unknown_set_or_404(request.user, reference)
    return _set_page(request, found)


def _set_page(
    request: SignedInRequest, found: UnknownSet, form: ReaderForm | None = None, status: int = 200
) -> HttpResponse:
    own = found.ordered_by_id == request.user.pk
    samples = list(found.samples.all())
    names = own or request.user.role == policy.MANAGER
    context = {
        "place": "requests_app:order_list",
        "unknowns": found,
        "samples": samples,
        "own": own,
        "may_open": may_open_key(request.user, found),
        "may_name": names,
        "may_see_orders": own or policy.may(request.user, "see_every_order"),
        "reader_form": form or (ReaderForm(unknowns=found, own=own) if names else None),
        "readings": readings_of_key(found) if names or may_open_key(request.user, found) else (),
        "may_cancel": own and bool(not_begun(samples)),
        "sent": "sent" in request.GET,
        "waiting": sum(sample.order.state == "waiting" for sample in samples),
        "form": form,
    }
    return render(request, "requests_app/unknown_set.html", context, status=status)


@require_safe
def codes(request: SignedInRequest, reference: str) -> HttpResponse:
    """The list of codes for the cart and the door: what stands where, and nothing of what is in it."""
    found = unknown_set_or_404(request.user, reference)
    context = {"place": "requests_app:order_list", "unknowns": found, "samples": found.samples.all()}
    return render(request, "requests_app/unknown_codes.html", context)


# --- the key ------------------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def key(request: SignedInRequest, reference: str) -> HttpResponse:
    """Ask first; a post opens the key, and that is written down."""
    found = unknown_set_or_404(request.user, reference)
    if not may_open_key(request.user, found):
        # Also asked by the service; here so that the page to ask from is not shown either.
        open_key(actor=request.user, unknowns=found)
    context: dict[str, Any] = {"place": "requests_app:order_list", "unknowns": found}
    if request.method == "POST":
        open_key(actor=request.user, unknowns=found)
        context["rows"] = key_rows(found)
    response = render(request, "requests_app/unknown_key.html", context)
    # Neither the browser nor anything between keeps it: going back asks again.
    response["Cache-Control"] = "private, no-store"
    return response


@require_POST
def key_csv(request: SignedInRequest, reference: str) -> StreamingHttpResponse:
    """The key as a file; that is written down too."""
    found = unknown_set_or_404(request.user, reference)
    open_key(actor=request.user, unknowns=found, what="took the key as a file")
    lines = csv_lines(CSV_HEADER, [_cells(found, row) for row in key_rows(found)])
    response = StreamingHttpResponse(lines, content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="key-{found.reference}.csv"'
    response["Cache-Control"] = "private, no-store"
    return response


def _cells(found: UnknownSet, row: KeyRow) -> list[str]:
    order = row.sample.order
    batch = order.batch
    lot = batch.prepared_lot if batch is not None else None
    return [
        found.reference,
        row.sample.code,
        "yes" if row.sample.is_spare else "no",
        found.substance.name,
        row.target,
        row.made,
        row.unit,
        row.uncertainty_percent,
        ("yes" if row.inside else "no") if row.made else "",
        order.get_state_display(),
        batch.reference if batch is not None else "",
        lot.code if lot is not None else "",
    ]


@require_POST
def readers(request: SignedInRequest, reference: str) -> HttpResponse:
    """Name a reader of the key, or take one off."""
    found = unknown_set_or_404(request.user, reference)
    own = found.ordered_by_id == request.user.pk
    gone = request.POST.get("remove", "")
    if gone:
        reader = next((one for one in found.readers.all() if str(one.pk) == gone), None)
        if reader is not None:
            remove_reader(actor=request.user, unknowns=found, reader=reader)
            messages.success(request, f"{reader} can't open the key any more.")
        return redirect("requests_app:unknown_set", found.reference)
    form = ReaderForm(request.POST, unknowns=found, own=own)
    reader = _named(form)
    try:
        # Without a person in the form the service still says who may name one.
        name_reader(
            actor=request.user,
            unknowns=found,
            reader=reader or found.ordered_by,
            reason=request.POST.get("reason", ""),
        )
    except InvalidInput as refusal:
        for name, text in refusal.errors.items():
            if name not in form.errors:
                form.add_error(name if name in form.fields else None, text)
        return _set_page(request, found, form, 422)
    messages.success(request, f"{reader} can open the key now, and was told so.")
    return redirect("requests_app:unknown_set", found.reference)


def _named(form: ReaderForm) -> User | None:
    form.is_valid()
    return form.people.get(form.cleaned_data.get("reader", ""))


@require_http_methods(["GET", "HEAD", "POST"])
def cancel(request: SignedInRequest, reference: str) -> HttpResponse:
    """A page of its own before samples are cancelled, since that can't be undone."""
    policy.require(request.user, "order_unknowns")
    found = unknown_set_or_404(request.user, reference)
    if request.method == "POST":
        gone, kept = cancel_unknowns(
            actor=request.user, unknowns=found, reason=request.POST.get("reason", "").strip()[:300]
        )
        said = f"{len(gone)} cancelled." if gone else "None was cancelled."
        if kept:
            said += f" {len(kept)} stay, being made or made: {', '.join(kept)}."
        messages.success(request, said)
        return redirect("requests_app:unknown_set", found.reference)
    samples = list(found.samples.all())
    going = not_begun(samples)
    context = {
        "place": "requests_app:order_list",
        "unknowns": found,
        "own": found.ordered_by_id == request.user.pk,
        "going": going,
        "staying": [one for one in samples if one not in going and one.order.state != "cancelled"],
    }
    return render(request, "requests_app/unknown_cancel.html", context)
