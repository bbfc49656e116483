"""What a manager decides about orders that wait for approval."""

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import InvalidInput
from requests_app import selectors, states
from requests_app.decide_forms import DeclineForm
from requests_app.services.deciding import approve_order, decline_order
from requests_app.views.orders import MAX_DIGITS


@require_POST
def order_approve(request: SignedInRequest, reference: str) -> HttpResponse:
    """Approve what is asked about an order."""
    policy.require(request.user, "approve_order")
    order = selectors.order_with_everything(request.user, reference)
    done = approve_order(actor=request.user, order=order, seen_event=_seen(request))
    messages.success(request, f"{done.reference} is approved.")
    return redirect("requests_app:order", done.reference)


@require_http_methods(["GET", "HEAD", "POST"])
def order_decline(request: SignedInRequest, reference: str) -> HttpResponse:
    """A page of its own before an order is declined, since that can't be undone and needs a reason."""
    policy.require(request.user, "approve_order")
    order = selectors.order_with_everything(request.user, reference)
    newest = order.events.order_by("-pk").values_list("pk", flat=True).first()
    form, status = DeclineForm(initial={"seen": newest}), 200
    if request.method == "POST":
        form, status = DeclineForm(request.POST), 422
        if form.is_valid():
            try:
                decline_order(
                    actor=request.user,
                    order=order,
                    seen_event=_seen(request),
                    reason=form.cleaned_data["reason"],
                )
            except InvalidInput as refusal:
                form.add_error("reason", refusal.text)
            else:
                messages.success(
                    request, f"{order.reference} is declined, and {order.ordered_by} is told why."
                )
                return redirect("requests_app:order", order.reference)
    context = {"order": order, "form": form, "waits": order.state == states.APPROVAL}
    return render(request, "requests_app/order_decline.html", context, status=status)


def _seen(request: SignedInRequest) -> int:
    text = request.POST.get("seen", "")
    return int(text) if text.isascii() and text.isdigit() and len(text) < MAX_DIGITS else -1
