"""Recalling a bottle: first whom it reaches, then the one press that does it; and what came of it."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from inventory import states as lot_states
from inventory.models import Hold
from inventory.selectors import active_holds_of, lot_by_code
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import DomainError, InvalidInput
from requests_app import states
from requests_app.models import Batch, Recall
from requests_app.recall_forms import RecallForm, StopForm
from requests_app.selectors import batch_with_everything
from requests_app.selectors.recalls import Reach, people_reached, reach_of, recall_or_404, stopped_lots
from requests_app.services.recalls import recall_lot
from requests_app.services.stopping import stop_batch
from requests_app.views.of_a_batch import given_up_words


@require_http_methods(["GET", "HEAD", "POST"])
def recall(request: SignedInRequest, code: str) -> HttpResponse:
    """Show everything and everybody a bottle leads to, and recall it."""
    policy.require(request.user, "change_lot_state")
    lot = lot_by_code(request.user, code)
    if lot is None:
        raise Http404("No bottle has this code.")
    reach = reach_of(lot)
    form = RecallForm(request.POST if request.method == "POST" else None, on_shelf=reach.on_shelf)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                done = recall_lot(
                    actor=request.user,
                    lot=lot,
                    reason=form.cleaned_data["reason"],
                    left_out=form.left_out,
                    idempotency_key=form.cleaned_data["idempotency_key"],
                )
            except DomainError as refusal:
                _show(form, refusal)
                status = refusal.status
            else:
                messages.success(request, f"{lot.code} is recalled, and whoever is concerned is told.")
                return redirect("requests_app:recall_record", done.pk)
    context = {
        "place": "inventory:stock",
        "form": form,
        "lot": lot,
        "reach": reach,
        "parts": _parts(reach),
        "people": people_reached(reach),
        "possible": (lot.state, "recall") in lot_states.LOT_NEXT,
        "other_holds": _other_holds(reach),
    }
    return render(request, "requests_app/recall.html", context, status=status)


def _parts(reach: Reach) -> list[tuple[str, str, tuple[Batch, ...]]]:
    """The batches a recall reaches: heading, what becomes of them, and they themselves."""
    parts = (
        ("At the bench now", "They stand still at once, and whoever has them is told.", reach.at_bench),
        ("In the queue", "They are taken out and planned again from other bottles.", reach.queued),
        ("Ready, not handed over", "They are not handed over until somebody decides.", reach.ready),
        ("Handed over", "Whoever ordered or teaches is told to stop using it.", reach.handed_over),
    )
    return [part for part in parts if part[2]]


def _other_holds(reach: Reach) -> list[Hold]:
    """What is promised of the bottle and to none of the batches on the page."""
    if any(batch.prepared_lot_id == reach.lot.pk for batch in reach.ready):
        return []
    known = {link.hold_id for batch in reach.batches for link in batch.batch_holds.all()}
    return [hold for hold in active_holds_of(reach.lot) if hold.pk not in known]


def _show(form: Any, refusal: DomainError) -> None:
    for field, text in (refusal.errors if isinstance(refusal, InvalidInput) else {}).items():
        form.add_error(field if field in form.fields else None, text)
    if not form.errors:
        form.add_error(None, refusal.text)


@require_safe
def record(request: SignedInRequest, number: int) -> HttpResponse:
    """What a recall did, what is still to be decided, and who was told."""
    policy.require(request.user, "see_ledger")
    found = recall_or_404(request.user, number)
    batches = list(found.batches.all())
    stopped = stopped_lots(batch.pk for batch in batches)
    context = {
        "place": "inventory:stock",
        "recall": found,
        "undecided": [batch for batch in batches if batch.pk in stopped],
        "orders": found.orders.all(),
        "told": _told(found),
    }
    return render(request, "requests_app/recall_record.html", context)


def _told(found: Recall) -> list[Notice]:
    # One line a person; the key of the notice tells of which recall it is.
    of_this = Notice.objects.filter(key=f"recall-{found.pk}") | Notice.objects.filter(
        key__startswith=f"recall-{found.pk}-"
    )
    latest: dict[int, Notice] = {}
    for notice in of_this.select_related("person").order_by("pk"):
        latest.setdefault(notice.person_id, notice)
    return sorted(latest.values(), key=lambda notice: str(notice.person))


@require_http_methods(["GET", "HEAD", "POST"])
def stop(request: SignedInRequest, reference: str) -> HttpResponse:
    """Give up a batch that is begun or ready, on a page that says what it does."""
    policy.require(request.user, "work_batch")
    found = batch_with_everything(request.user, reference)
    form = StopForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                stop_batch(actor=request.user, batch=found, reason=form.cleaned_data["reason"])
            except DomainError as refusal:
                _show(form, refusal)
                status = refusal.status
            else:
                messages.success(request, given_up_words(found))
                return redirect("requests_app:batch", found.reference)
    context = {
        "place": "requests_app:queue",
        "form": form,
        "batch": found,
        "possible": (found.state, "stop") in states.BATCH_NEXT,
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
    }
    return render(request, "requests_app/stop.html", context, status=status)
