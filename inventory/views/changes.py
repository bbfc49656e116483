"""Changes of a bottle's stock and state. What can't be undone has a page that first shows the figures."""

from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from inventory import states
from inventory.amounts import from_base, signed
from inventory.forms import CountForm, DisposeForm, ReasonForm, new_key
from inventory.models import Lot
from inventory.selectors import active_holds_of, descendants_of, ledger_of
from inventory.services import change_lot_state, correct_stock, reverse_movement
from inventory.services import dispose as dispose_of
from inventory.views.lots import lot_or_404
from inventory.views.shown import shown_lot
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


@require_http_methods(_READ_OR_SEND)
def correct(request: SignedInRequest, code: str) -> HttpResponse:
    """Correct the ledger after a count: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)
    form = CountForm(_typed(request), lot=lot)

    def save(data: dict[str, Any]) -> str:
        row = correct_stock(actor=request.user, lot=lot, **data)
        return "The count agrees with the ledger. It is noted." if row is None else "The ledger is corrected."

    def change(found: tuple[int, str]) -> int:
        return found[0] - lot.on_hand

    return _in_two_steps(request, lot, form, "inventory/lot_correct.html", change=change, save=save)


@require_http_methods(_READ_OR_SEND)
def dispose(request: SignedInRequest, code: str) -> HttpResponse:
    """Write off what goes to waste: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)
    form = DisposeForm(_typed(request), lot=lot)

    def save(data: dict[str, Any]) -> str:
        dispose_of(actor=request.user, lot=lot, **data)
        return "Written off."

    def change(gone: tuple[int, str]) -> int:
        return -gone[0]

    return _in_two_steps(request, lot, form, "inventory/lot_dispose.html", change=change, save=save)


def _typed(request: SignedInRequest) -> QueryDict | None:
    """What was typed: sent, or in the address of the page that shows the figures."""
    return request.POST if request.method == "POST" else request.GET or None


def _in_two_steps(
    request: SignedInRequest, lot: Lot, form: Any, template: str, *, change: Any, save: Any
) -> HttpResponse:
    """First the figures, as a page with an address, so that going back loses and resends nothing;
    then the change, which alone is a POST."""
    context: dict[str, Any] = {"form": form, "lot": lot, "shown": shown_lot(lot), "figures": None}
    status = 200
    if form.is_bound and not form.is_valid():
        status = 422
    elif request.method == "POST":
        try:
            messages.success(request, save(dict(form.cleaned_data)))
        except DomainError as refusal:
            # Somebody was faster: the page shows the bottle as it is now, and asks again.
            lot.refresh_from_db()
            form.data = {**form.data.dict(), "expected_on_hand": lot.on_hand, "idempotency_key": new_key()}
            form.show(refusal)
            context["shown"] = shown_lot(lot)
            status = refusal.status
        else:
            return redirect("inventory:lot", lot.code)
    elif form.is_bound and "edit" not in request.GET:
        context["figures"] = _figures(lot, change(form.checked))
    return render(request, template, context, status=status)


def _figures(lot: Lot, change: int) -> dict[str, Decimal | str]:
    """What the bottle has and will have [its unit]."""
    return {
        "before": from_base(lot.on_hand, lot.unit),
        "change": from_base(change, lot.unit),
        "signed_change": signed(change, lot.unit),
        "after": from_base(lot.on_hand + change, lot.unit),
        "held": from_base(lot.held, lot.unit),
        "free": from_base(lot.free + change, lot.unit),
    }


@require_http_methods(_READ_OR_SEND)
def state(request: SignedInRequest, code: str, event: str) -> HttpResponse:
    """Change a bottle's state, on a page that says what it means."""
    policy.require(request.user, "change_lot_state")
    lot = lot_or_404(request, code)
    if event not in states.LOT_EVENTS:
        raise Http404("There is no such change.")
    asks = event in states.LOT_EVENTS_WITH_REASON
    form = ReasonForm(request.POST if request.method == "POST" else None, asks=asks)
    if request.method == "POST" and form.is_valid():
        try:
            change_lot_state(actor=request.user, lot=lot, event=event, reason=form.cleaned_data["reason"])
        except DomainError as refusal:
            form.show(refusal)
            status = refusal.status
        else:
            lot.refresh_from_db()
            messages.success(request, f"{lot.code} is now {lot.get_state_display().lower()}.")
            return redirect("inventory:lot", lot.code)
    else:
        status = 422 if request.method == "POST" else 200
    context = {
        "form": form,
        "lot": lot,
        "shown": shown_lot(lot),
        "event": event,
        "words": states.LOT_EVENTS[event],
        "possible": (lot.state, event) in states.LOT_NEXT,
        "asks_reason": asks,
        "holds": active_holds_of(lot),
        "descendants": descendants_of(lot) if event == "recall" else (),
    }
    return render(request, "inventory/lot_state.html", context, status=status)


@require_http_methods(_READ_OR_SEND)
def reverse(request: SignedInRequest, code: str, entry: int) -> HttpResponse:
    """Undo an entry of the ledger by one that adds its opposite."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)
    movement = get_object_or_404(ledger_of(lot, actor=request.user), pk=entry)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                reverse_movement(actor=request.user, movement=movement, **form.cleaned_data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "Reversed. Both entries stay in the ledger.")
                return redirect("inventory:lot", lot.code)
    context = {
        "form": form,
        "lot": lot,
        "shown": shown_lot(lot),
        "movement": movement,
        "figures": _figures(lot, -movement.amount),
    }
    return render(request, "inventory/movement_reverse.html", context, status=status)
