"""Bottles are filled into smaller ones, poured together, and put elsewhere."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods

from inventory.forms import MergeForm, MoveForm, MoveSeveralForm, SplitForm, each_bottle
from inventory.models import Place
from inventory.selectors import lots_at, places
from inventory.services import merge_lots, move_lot, move_lots, split_lot
from inventory.views.lots import lot_or_404
from inventory.views.shown import shown_lot, shown_lots
from inventory.views.two_steps import in_two_steps, typed
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


def _is_key(text: str) -> bool:
    """Whether this could be the key of a row; nothing longer is asked of the database."""
    return text.isascii() and text.isdigit() and len(text) <= 18


@require_http_methods(_READ_OR_SEND)
def split(request: SignedInRequest, code: str) -> HttpResponse:
    """Fill smaller bottles from this one: first the figures, then the change."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)

    def save(data: dict[str, Any]) -> str:
        amounts = each_bottle(data.pop("amounts"))
        bottles = split_lot(actor=request.user, lot=lot, amounts=amounts, **data)
        codes = ", ".join(bottle.code for bottle in bottles)
        return f"Filled: {codes}. Write each code on its bottle before it goes on the shelf."

    def change(found: tuple[list[int], str]) -> int:
        return -sum(found[0])

    form = SplitForm(typed(request), lot=lot)
    return in_two_steps(request, lot, form, "inventory/lot_split.html", change=change, save=save)


@require_http_methods(_READ_OR_SEND)
def merge(request: SignedInRequest, code: str) -> HttpResponse:
    """Pour what is left in other bottles of the same lot into this one: first the figures."""
    policy.require(request.user, "correct_stock")
    lot = lot_or_404(request, code)
    form = MergeForm(typed(request), lot=lot, actor=request.user)

    def save(data: dict[str, Any]) -> str:
        others = form.chosen(data)
        merge_lots(
            actor=request.user,
            into=lot,
            leftovers=others,
            reason=data["reason"],
            idempotency_key=data["idempotency_key"],
            expected=form.expected_balances(),
        )
        return f"Poured together. Empty now: {', '.join(other.code for other in others)}."

    def change(found: tuple[int, str]) -> int:
        return found[0]

    return in_two_steps(
        request,
        lot,
        form,
        "inventory/lot_merge.html",
        change=change,
        save=save,
        more={"candidates": form.candidates},
    )


@require_http_methods(_READ_OR_SEND)
def move(request: SignedInRequest, code: str) -> HttpResponse:
    """Say where a bottle stands now."""
    policy.require(request.user, "receive_lot")
    lot = lot_or_404(request, code)
    form = MoveForm(request.POST or None, initial={"place": lot.place_id})
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = form.cleaned_data
            try:
                moved = move_lot(
                    actor=request.user,
                    lot=lot,
                    place=data["place"],
                    reason=data["reason"],
                    storage_reason=data["storage_reason"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"{moved.code} stands now in: {moved.place or 'no known place'}.")
                return redirect("inventory:lot", lot.code)
    context = {"form": form, "lot": lot, "shown": shown_lot(lot)}
    return render(request, "inventory/lot_move.html", context, status=status)


@require_http_methods(_READ_OR_SEND)
def move_several(request: SignedInRequest) -> HttpResponse:
    """Put several bottles of one place elsewhere; ``?place=`` says which place is cleared."""
    policy.require(request.user, "receive_lot")
    key = request.GET.get("place", "")
    place = get_object_or_404(Place, pk=int(key)) if _is_key(key) else None
    there = lots_at(place, actor=request.user)
    form = MoveSeveralForm(request.POST or None, lots=there)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            data = form.cleaned_data
            try:
                moved = move_lots(
                    actor=request.user,
                    lots=data["lots"],
                    place=data["place"],
                    reason=data["reason"],
                    storage_reason=data["storage_reason"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                count = f"{len(moved)} bottle{'s' if len(moved) > 1 else ''}"
                messages.success(request, f"{count} stand now in: {data['place'] or 'no known place'}.")
                return redirect(f"{request.path}?place={place.pk if place else ''}")
    context = {
        "form": form,
        "cleared": place,
        "cleared_name": dict(places()).get(place.pk, "") if place else "",
        "all": places(),
        "there": shown_lots(there),
    }
    return render(request, "inventory/lots_move.html", context, status=status)
