"""Changes of a bottle's stock and state. What can't be undone has a page that first shows the figures."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from inventory import states
from inventory.forms import CountForm, DisposeForm, ReasonForm, ReturnForm
from inventory.selectors import active_holds_of, bottles_of_pouring, ledger_of
from inventory.services import (
    change_lot_state,
    correct_stock,
    return_to_lot,
    reverse_movement,
    takes_back_opened,
)
from inventory.services import dispose as dispose_of
from inventory.views.lots import lot_or_404
from inventory.views.shown import shown_lot
from inventory.views.two_steps import figures_of, in_two_steps, typed
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


@require_http_methods(_READ_OR_SEND)
def correct(request: SignedInRequest, code: str) -> HttpResponse:
    """Correct the ledger after a count: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)

    def save(data: dict[str, Any]) -> str:
        row = correct_stock(actor=request.user, lot=lot, **data)
        return "The count agrees with the ledger. It is noted." if row is None else "The ledger is corrected."

    def change(found: tuple[int, str]) -> int:
        return found[0] - lot.on_hand

    form = CountForm(typed(request), lot=lot)
    return in_two_steps(request, lot, form, "inventory/lot_correct.html", change=change, save=save)


@require_http_methods(_READ_OR_SEND)
def dispose(request: SignedInRequest, code: str) -> HttpResponse:
    """Write off what goes to waste: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)

    def save(data: dict[str, Any]) -> str:
        dispose_of(actor=request.user, lot=lot, **data)
        return "Written off."

    def change(gone: tuple[int, str]) -> int:
        return -gone[0]

    form = DisposeForm(typed(request), lot=lot)
    return in_two_steps(request, lot, form, "inventory/lot_dispose.html", change=change, save=save)


@require_http_methods(_READ_OR_SEND)
def give_back(request: SignedInRequest, code: str) -> HttpResponse:
    """Put back what came back unused: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)

    def save(data: dict[str, Any]) -> str:
        return_to_lot(actor=request.user, lot=lot, **data)
        return "It is back in the ledger."

    def change(back: tuple[int, str]) -> int:
        return back[0]

    return in_two_steps(
        request,
        lot,
        ReturnForm(typed(request), lot=lot),
        "inventory/lot_return.html",
        change=change,
        save=save,
        more={"takes_back_opened": takes_back_opened(lot)},
    )


@require_http_methods(_READ_OR_SEND)
def state(request: SignedInRequest, code: str, event: str) -> HttpResponse:
    """Change a bottle's state, on a page that says what it means.

    A recall has a page of its own under this address, beside the orders: only they know whom it reaches.
    """
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
        "poured": bottles_of_pouring(movement),
        "figures": figures_of(lot, -movement.amount),
    }
    return render(request, "inventory/movement_reverse.html", context, status=status)
