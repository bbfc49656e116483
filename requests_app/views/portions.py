"""The bottles of one batch: poured for whom, their labels, divided, poured back."""

from typing import Any, Final

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_POST, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.models import Portion
from requests_app.portion_forms import PourBackForm, SplitForm
from requests_app.selectors import batch_with_everything
from requests_app.selectors.portions import (
    PortionRow,
    as_rooms_are_counted,
    labels_of,
    left_before,
    portion_by_code,
    rows_of_batch,
)
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.together import division_of
from requests_app.services.portions import pour_back, pour_portions, split_portion
from requests_app.views.of_a_batch import add_errors, common_context, steps_of
from requests_app.views.parts import sheet_of

LABEL_SIZES: Final = {"bottle": "For a bottle, 100 × 70 mm", "vial": "For a vial, 70 × 40 mm"}


@require_safe
def portions(request: SignedInRequest, reference: str) -> HttpResponse:
    """What is poured for whom, and what may be done with each bottle."""
    policy.require(request.user, "pour_portions")
    return _page(request, reference)


def _page(request: SignedInRequest, reference: str, *, status: int = 200, **more: Any) -> HttpResponse:
    found = batch_with_everything(request.user, reference)
    sheet = sheet_of(found)
    rows = rows_of_batch(request.user, found)
    poured = {row.portion.order_id for row in rows}
    shares = division_of(found, found.orders.all())
    to_pour = [one for one in shares if one.is_ready and one.order.pk not in poured]
    waiting = [row for row in rows if row.is_waiting]
    context = {
        **common_context(found, sheet, steps_of(found, sheet)),
        "rows": rows,
        "to_pour": to_pour,
        "had_before": left_before(request.user, found, (one.order for one in to_pour)),
        "waiting": waiting,
        "rooms": sorted({row.portion.room for row in waiting}, key=as_rooms_are_counted),
        "split_form": SplitForm(auto_id=False),
        "back_form": PourBackForm(auto_id=False),
        **more,
    }
    return render(request, "requests_app/portions.html", context, status=status)


@require_POST
def pour(request: SignedInRequest, reference: str) -> HttpResponse:
    """Pour a ready batch into its bottles."""
    policy.require(request.user, "pour_portions")
    found = batch_with_everything(request.user, reference)
    made = pour_portions(actor=request.user, batch=found)
    count = sum(one.state in states.WAITING_PORTIONS for one in made)
    bottles = "1 bottle stands" if count == 1 else f"{count} bottles stand"
    messages.success(request, f"{bottles} on the list. Print the labels before the first is filled.")
    return redirect("requests_app:portions", found.reference)


def portion_or_404(request: SignedInRequest, code: str) -> Portion:
    """The bottle with that code, for whoever sees it."""
    found = portion_by_code(request.user, code)
    if found is None:
        raise Http404
    return found


@require_POST
def split(request: SignedInRequest, code: str) -> HttpResponse:
    """Take so much of a bottle into a second one."""
    policy.require(request.user, "pour_portions")
    found = portion_or_404(request, code)
    form = SplitForm(request.POST)
    if form.is_valid():
        try:
            second = split_portion(
                actor=request.user,
                portion=found,
                amount=form.cleaned_data["amount"].text,
                unit="mL",
                idempotency_key=form.cleaned_data["key"],
            )
        except InvalidInput as invalid:
            add_errors(form, invalid)
        else:
            messages.success(request, f"{second.code} is a bottle of its own. Print both labels again.")
            return redirect("requests_app:portions", found.batch.reference)
    return _page(request, found.batch.reference, status=422, form=form, asked="split", asked_of=found.pk)


@require_POST
def back(request: SignedInRequest, code: str) -> HttpResponse:
    """Pour a bottle back that nobody wants."""
    policy.require(request.user, "pour_portions")
    found = portion_or_404(request, code)
    form = PourBackForm(request.POST)
    if form.is_valid():
        done = pour_back(actor=request.user, portion=found, reason=form.cleaned_data["reason"])
        messages.success(
            request, f"{done.code} is poured back; what was held for it in {done.lot.code} is free."
        )
        return redirect("requests_app:portions", found.batch.reference)
    return _page(request, found.batch.reference, status=422, form=form, asked="back", asked_of=found.pk)


# --- labels ---------------------------------------------------------------------------------------
@require_safe
def labels(request: SignedInRequest, reference: str) -> HttpResponse:
    """Labels to print, for all bottles that have not left or for one of them."""
    policy.require(request.user, "pour_portions")
    found = batch_with_everything(request.user, reference)
    size = request.GET.get("size", "")
    only = request.GET.get("only", "")
    rows = [row for row in rows_of_batch(request.user, found) if _is_asked(row, only)]
    context = {
        "place": "requests_app:queue",
        "batch": found,
        "stopped": stopped_lots([found.pk]).get(found.pk, ()),
        "labels": labels_of(rows),
        "size": size if size in LABEL_SIZES else "bottle",
        "sizes": LABEL_SIZES,
        "only": only,
    }
    return render(request, "requests_app/labels.html", context)


def _is_asked(row: PortionRow, only: str) -> bool:
    return row.portion.code == only if only else row.is_waiting
