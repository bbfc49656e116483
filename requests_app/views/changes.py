"""The pages that change an order after it was sent, and what people say about it."""

from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import InvalidInput
from requests_app import selectors, states
from requests_app.change_forms import CommentForm, OrderChangeForm, WithdrawForm
from requests_app.services.changes import (
    change_order,
    foresee_change,
    is_begun,
    require_no_unknown,
    see_changes,
    withdraw_order,
)
from requests_app.services.comments import comment_order
from requests_app.views.orders import order_page
from requests_app.views.two_looks import in_two_looks


@require_http_methods(["GET", "HEAD", "POST"])
def order_change(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say what is wanted otherwise, look at what that does, and do it."""
    policy.require(request.user, "change_order")
    order = selectors.order_with_everything(request.user, reference)
    require_no_unknown(order)

    def foresee(form: OrderChangeForm) -> list[str]:
        return foresee_change(
            actor=request.user,
            order=order,
            draft_changes=form.draft_changes,
            reason=form.cleaned_data["reason"],
            expected_revision=form.cleaned_data["revision"],
            expected_standing=form.cleaned_data["standing"],
        )

    def do(form: OrderChangeForm) -> str:
        change_order(
            actor=request.user,
            order=order,
            draft_changes=form.draft_changes,
            reason=form.cleaned_data["reason"],
            expected_revision=form.cleaned_data["revision"],
            expected_standing=form.cleaned_data["standing"],
            idempotency_key=form.cleaned_data["key"],
        )
        return f"{reverse('requests_app:order', args=[order.reference])}?changed"

    return in_two_looks(
        request,
        OrderChangeForm(request.POST if request.method == "POST" else None, order=order),
        "requests_app/order_change.html",
        foresee=foresee,
        do=do,
        context={
            "order": order,
            "begun": is_begun(order),
            "possible": order.is_open,
            "back": reverse("requests_app:order", args=[order.reference]),
        },
        anew=lambda: OrderChangeForm(order=selectors.order_with_everything(request.user, reference)),
    )


@require_http_methods(["GET", "HEAD", "POST"])
def order_withdraw(request: SignedInRequest, reference: str) -> HttpResponse:
    """A page of its own before an order that is begun is withdrawn, since that can't be undone."""
    policy.require(request.user, "change_order")
    order = selectors.order_with_everything(request.user, reference)
    form = WithdrawForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            withdraw_order(
                actor=request.user,
                order=order,
                reason=form.cleaned_data["reason"],
                idempotency_key=form.cleaned_data["key"],
            )
        except InvalidInput as invalid:
            for field, text in invalid.errors.items():
                form.add_error(field if field in form.fields else None, text)
        else:
            return redirect(f"{reverse('requests_app:order', args=[order.reference])}?changed")
    context = {
        "order": order,
        "form": form,
        "possible": (order.state, "withdraw") in states.ORDER_NEXT,
        "additions": order.additions.filter(state__in=states.OPEN_ORDER_STATES),
    }
    return render(request, "requests_app/order_withdraw.html", context, status=422 if form.errors else 200)


@require_POST
def order_comment(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say something about an order."""
    policy.require(request.user, "comment_order")
    order = selectors.order_with_everything(request.user, reference)
    form = CommentForm(request.POST)
    if form.is_valid():
        try:
            comment_order(
                actor=request.user,
                order=order,
                text=form.cleaned_data["text"],
                idempotency_key=form.cleaned_data["key"],
            )
        except InvalidInput as invalid:
            for field, text in invalid.errors.items():
                form.add_error(field, text)
        else:
            return redirect(f"{reverse('requests_app:order', args=[order.reference])}#comments")
    return order_page(request, order, comment_form=form, status=422)


@require_POST
def changes_seen(request: SignedInRequest, reference: str) -> HttpResponse:
    """Say that one has seen the changes on the page of a batch, and go on there."""
    policy.require(request.user, "work_batch")
    found = selectors.batch_with_everything(request.user, reference)
    see_changes(actor=request.user, batch=found, revisions=seen_keys(request.POST))
    messages.success(request, f"Noted: you have seen what changed for {found.reference}.")
    return redirect("requests_app:batch", found.reference)


def seen_keys(data: Any) -> list[int]:
    """The keys of the changes that a page showed, as its button carries them."""
    text = data.get("seen", "")[:2000]
    return [int(key) for key in text.split(",") if key.isascii() and key.isdigit() and len(key) < 19]
