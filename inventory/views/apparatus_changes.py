"""Changes of apparatus, each on a page with one form: facts, count, calibration, service, bookings."""

from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST

from inventory.forms import (
    ApparatusCountForm,
    ApparatusFactsForm,
    BookingForm,
    CalibrationForm,
    ServiceForm,
)
from inventory.models import ApparatusItem
from inventory.selectors import bookings_ahead, bookings_visible_to, overbooked
from inventory.services import (
    book_apparatus,
    cancel_booking,
    change_apparatus,
    change_count,
    record_calibration,
    set_in_service,
)
from inventory.views.apparatus import apparatus_or_404
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError
from prepdesk.core.times import absolute_words, hours_words

_READ_OR_SEND = ["GET", "HEAD", "POST"]


def _page(
    request: SignedInRequest,
    item: ApparatusItem,
    form: Any,
    *,
    title: str,
    button: str,
    save: Callable[[dict[str, Any]], str],
    intro: str = "",
    warning: str = "",
) -> HttpResponse:
    """Ask, check, save, and lead back to the item; a refusal keeps all that was typed."""
    status = 200
    if form.is_bound and not form.is_valid():
        status = 422
    elif form.is_bound:
        try:
            messages.success(request, save(dict(form.cleaned_data)))
        except DomainError as refusal:
            form.show(refusal)
            status = refusal.status
        else:
            return redirect("inventory:apparatus_item", item.code)
    said = {"title": title, "button": button, "intro": intro, "warning": warning}
    # What the server fills in itself is newer than what a browser kept.
    context = {"form": form, "item": item, "keep": not form.initial, **said}
    return render(request, "inventory/apparatus_change.html", context, status=status)


def _sent(request: SignedInRequest) -> Any:
    return request.POST if request.method == "POST" else None


@require_http_methods(_READ_OR_SEND)
def facts(request: SignedInRequest, code: str) -> HttpResponse:
    """Put the facts of an item right."""
    policy.require(request.user, "manage_apparatus")
    item = apparatus_or_404(request, code)
    form = ApparatusFactsForm(_sent(request), item=item)

    def save(_: dict[str, Any]) -> str:
        change_apparatus(actor=request.user, item=item, **form.typed())
        return "Changed. The history keeps what was there before."

    intro = "What it is and how many there are stay: another kind of apparatus is another entry."
    return _page(request, item, form, title="Change the facts", button="Save", save=save, intro=intro)


@require_http_methods(_READ_OR_SEND)
def count(request: SignedInRequest, code: str) -> HttpResponse:
    """One broke, some were bought."""
    policy.require(request.user, "manage_apparatus")
    item = apparatus_or_404(request, code)
    form = ApparatusCountForm(_sent(request), item=item)

    def save(data: dict[str, Any]) -> str:
        changed = change_count(
            actor=request.user,
            item=item,
            count=data["count"],
            reason=data["reason"],
            idempotency_key=data["idempotency_key"],
            expected_count=data["expected_count"],
        )
        said = f"There are {changed.count} now."
        lost = overbooked(bookings_ahead(changed, actor=request.user))
        return f"{said} More are booked than there are: see the bookings below." if lost else said

    return _page(
        request, item, form, title="How many there are", button="Save", save=save,
        intro=f"The list says {item.count}.",
    )  # fmt: skip


@require_http_methods(_READ_OR_SEND)
def calibration(request: SignedInRequest, code: str) -> HttpResponse:
    """Write down a calibration that was done."""
    policy.require(request.user, "manage_apparatus")
    item = apparatus_or_404(request, code)
    interval: timedelta | None = None
    if item.calibration_due_on and item.last_calibrated_on:
        interval = item.calibration_due_on - item.last_calibrated_on
    form = CalibrationForm(_sent(request))

    def save(data: dict[str, Any]) -> str:
        names = ("done_on", "done_by", "as_found", "next_due_on", "note", "idempotency_key")
        row = record_calibration(actor=request.user, item=item, **{name: data[name] for name in names})
        if row.as_found == "outside":
            return "Written down. It was outside its limits: judge what it measured since the last time."
        return "Written down."

    intro = f"Last time the next one was set {interval.days} days ahead." if interval else ""
    return _page(
        request, item, form, title="Write down a calibration", button="Write it down", save=save, intro=intro
    )


@require_http_methods(_READ_OR_SEND)
def service(request: SignedInRequest, code: str) -> HttpResponse:
    """Take apparatus out of service, or put it back."""
    policy.require(request.user, "manage_apparatus")
    item = apparatus_or_404(request, code)
    back = not item.in_service
    form = ServiceForm(_sent(request), initial={"in_service": "1" if back else "0"})

    def save(data: dict[str, Any]) -> str:
        set_in_service(
            actor=request.user,
            item=item,
            in_service=data["in_service"] == "1",
            reason=data["reason"],
            idempotency_key=data["idempotency_key"],
        )
        if data["in_service"] == "1":
            return "It is in service again."
        return "It is out of service; new plans do without it."

    booked = [] if back else list(bookings_ahead(item, actor=request.user))
    warning = " ".join(
        f"It is booked for {one.purpose} from {absolute_words(one.starts_at)}: plan that work again."
        for one in booked
    )
    title = "Put back in service" if back else "Take out of service"
    return _page(request, item, form, title=title, button=title, save=save, warning=warning)


@require_http_methods(_READ_OR_SEND)
def book(request: SignedInRequest, code: str) -> HttpResponse:
    """Book an item for some hours."""
    policy.require(request.user, "book_apparatus")
    item = apparatus_or_404(request, code)
    form = BookingForm(_sent(request), item=item)

    def save(data: dict[str, Any]) -> str:
        book_apparatus(
            actor=request.user,
            wanted=[(item.pk, data["count"], data["starts_at"], data["ends_at"])],
            purpose=data["purpose"],
            idempotency_key=f"hand-{data['idempotency_key']}",
            by_hand=True,
        )
        return f"Booked: {hours_words(data['starts_at'], data['ends_at'])}."

    ahead = [
        f"{one.count} for {one.purpose}, {hours_words(one.starts_at, one.ends_at)}"
        for one in bookings_ahead(item, actor=request.user)
    ]
    intro = f"There {'is 1' if item.count == 1 else f'are {item.count}'}. Booked already: "
    intro += ("; ".join(ahead) or "nothing") + "."
    return _page(request, item, form, title="Book it", button="Book it", save=save, intro=intro)


@require_POST
def cancel(request: SignedInRequest, code: str, booking: int) -> HttpResponse:
    """Cancel a booking that a person made."""
    policy.require(request.user, "book_apparatus")
    item = apparatus_or_404(request, code)
    row = get_object_or_404(bookings_visible_to(request.user), pk=booking, item=item)
    cancel_booking(actor=request.user, booking=row)
    messages.success(request, "The booking is cancelled.")
    return redirect("inventory:apparatus_item", item.code)
