"""A change of stock in two steps: first its figures, as a page with an address, then the change itself."""

from collections.abc import Callable
from decimal import Decimal
from typing import Any

from django.contrib import messages
from django.http import HttpResponse, QueryDict
from django.shortcuts import redirect, render

from inventory.amounts import from_base, signed
from inventory.forms import new_key
from inventory.models import Lot
from inventory.services import was_sent
from inventory.views.shown import shown_lot
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError


def typed(request: SignedInRequest) -> QueryDict | None:
    """What was typed: sent, or in the address of the page that shows the figures."""
    return request.POST if request.method == "POST" else request.GET or None


def in_two_steps(
    request: SignedInRequest,
    lot: Lot,
    form: Any,
    template: str,
    *,
    change: Callable[[Any], int],
    save: Callable[[dict[str, Any]], str],
    more: dict[str, Any] | None = None,
) -> HttpResponse:
    """First the figures, as a page with an address, so that going back loses and resends nothing;
    then the change, which alone is a POST.

    Args:
        change: what the lot gains [base units], out of what the form's check answers.
        save: does it and answers with what to say.
        more: for the template.
    """
    context: dict[str, Any] = {
        "form": form,
        "lot": lot,
        "shown": shown_lot(lot),
        "figures": None,
        "address": request.path,
        **(more or {}),
    }
    status = 200
    if request.method == "POST" and was_sent(form.data.get("idempotency_key", ""), lot):
        # A double click or a page sent again: what it did stands in the ledger, so there it leads.
        messages.success(request, "This was sent before, and is in the ledger once.")
        return redirect("inventory:lot", lot.code)
    if form.is_bound and not form.is_valid():
        status = 422
    elif request.method == "POST":
        try:
            messages.success(request, save(dict(form.cleaned_data)))
        except DomainError as refusal:
            # Somebody was faster: the page shows the bottle as it is now, and asks again.
            lot.refresh_from_db()
            anew = form.data.copy()
            for name, value in {**form.shown_anew(), "idempotency_key": new_key()}.items():
                anew[name] = value
            form.data = anew
            form.show(refusal)
            context["shown"] = shown_lot(lot)
            status = refusal.status
        else:
            return redirect("inventory:lot", lot.code)
    elif form.is_bound and "edit" not in request.GET:
        context["figures"] = figures_of(lot, change(form.checked))
    return render(request, template, context, status=status)


def figures_of(lot: Lot, change: int) -> dict[str, Decimal | str]:
    """What the bottle has and will have [its unit]."""
    return {
        "before": from_base(lot.on_hand, lot.unit),
        "change": from_base(change, lot.unit),
        "signed_change": signed(change, lot.unit),
        "after": from_base(lot.on_hand + change, lot.unit),
        "held": from_base(lot.held, lot.unit),
        "free": from_base(lot.free + change, lot.unit),
    }
