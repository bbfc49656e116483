"""What bottles are of: substances of the department."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from inventory.forms import SubstanceForm
from inventory.services import add_substance
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


@require_http_methods(_READ_OR_SEND)
def new_substance(request: SignedInRequest) -> HttpResponse:
    """Add a substance that the catalogue doesn't have."""
    policy.require(request.user, "receive_lot")
    form = SubstanceForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                row = add_substance(
                    actor=request.user,
                    **form.typed(form.cleaned_data),
                    idempotency_key=form.cleaned_data["idempotency_key"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"{row.name} is in the list. Orders and bottles may name it now.")
                return redirect("inventory:substance", row.key)
    return render(request, "inventory/substance_new.html", {"form": form}, status=status)
