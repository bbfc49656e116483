"""Apparatus: what there is, one item with its history and bookings, and a day at a glance."""

from datetime import date, timedelta
from itertools import groupby

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from inventory.forms import ApparatusForm
from inventory.models import ApparatusItem
from inventory.selectors import (
    APPARATUS_SHOWS,
    APPROXIMATE,
    DUE_SOON,
    apparatus_by_code,
    apparatus_counts,
    apparatus_events,
    apparatus_shown,
    booked_on,
    bookings_ahead,
    bookings_past,
    calc_apparatus,
    overbooked,
    places,
    reasons_not_to_use,
)
from inventory.services import add_apparatus
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User

_ORDER = {kind: position for position, kind in enumerate(ApparatusItem.Type.values)}
# What a plan or a person takes each type for.
USED_FOR = {
    "balance": "Weighing. A plan takes the coarsest balance that still keeps the tolerance.",
    "one-mark flask": "Making up to the mark. A plan books it for the hours it holds the solution.",
    "one-mark pipette": "Aliquots of its one volume.",
    "graduated pipette": "Small volumes by its scale.",
    "burette": "Volumes by its scale.",
    "graduated cylinder": "Volumes by its scale, and making up where the tolerance is wide.",
    "piston pipette": "Small volumes, set on it.",
    "beaker": "Dissolving and mixing. Its marks are approximations and measure nothing.",
    "conical flask": "Dissolving and mixing. Its marks are approximations and measure nothing.",
    "carboy": "Large volumes and pouring together. A plan books it for the hours it is filled.",
    "fume hood": "Work that a step says belongs there. A plan books one for its hours.",
}
_BY_PEOPLE = "Booked by people; no plan asks for it."


def apparatus_or_404(request: SignedInRequest, code: str) -> ApparatusItem:
    """The item with this code, if this person may see it."""
    item = apparatus_by_code(request.user, code)
    if item is None:
        raise Http404("No apparatus has this code.")
    return item


@require_safe
def listing(request: SignedInRequest) -> HttpResponse:
    """What there is, by type, small before large; the filter stands in the address."""
    chosen = request.GET.get("show", "all")
    if chosen not in APPARATUS_SHOWS:
        chosen = "all"
    counts = apparatus_counts(request.user)
    context = {
        "tables": _tables(request.user, chosen),
        "chosen": chosen,
        "filters": [(name, label, counts[name]) for name, label in APPARATUS_SHOWS.items()],
        "may_manage": policy.may(request.user, "manage_apparatus"),
    }
    return render(request, "inventory/apparatus.html", context)


def _tables(user: User, chosen: str) -> list[dict[str, object]]:
    where, today = dict(places()), timezone.localdate()
    rows = []
    for item in apparatus_shown(user, chosen):
        told = calc_apparatus(item)
        size = 0.0 if told is None else told.nominal_ml or told.readability_g or 0.0
        rows.append(
            (_ORDER[item.type], size, item, told, where.get(item.place_id or 0, ""), _due(item, today))
        )
    rows.sort(key=lambda row: (*row[:2], row[2].pk))
    groups: dict[str, list[tuple[str, list[object]]]] = {"balance": [], "ware": [], "other": []}
    for kind, members in groupby(rows, key=lambda row: row[0]):
        of_type = ApparatusItem.Type.values[kind]
        table = "balance" if of_type == "balance" else "ware"
        table = "other" if of_type in ApparatusItem.COUNTED_ONLY else table
        groups[table].append((str(ApparatusItem.Type(of_type).label), [row[2:] for row in members]))
    captions = {
        "balance": ("Balances", ("Reads to", "Up to", "Repeatability, linearity")),
        "ware": ("Glassware, pipettes and vessels", ("Size", "Class and standard", "Limit of error")),
        "other": ("Hoods, ovens, plates and the like", ("What it is",)),
    }
    return [
        {"kind": kind, "caption": caption, "heads": heads, "groups": groups[kind]}
        for kind, (caption, heads) in captions.items()
        if groups[kind]
    ]


def _due(item: ApparatusItem, today: date) -> str:
    """Whether its calibration is over or soon will be, as a word for the state tag."""
    if item.calibration_due_on is None:
        return ""
    if item.is_past_calibration(today):
        return "expired"
    return "soon" if item.calibration_due_on <= today + DUE_SOON else ""


@require_http_methods(["GET", "HEAD", "POST"])
def new(request: SignedInRequest) -> HttpResponse:
    """Add apparatus."""
    policy.require(request.user, "manage_apparatus")
    form = ApparatusForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            item = add_apparatus(actor=request.user, **form.typed())
            messages.success(
                request, f"Added: {item.count} × {item}, {item.code}. Plans may use it from now on."
            )
            return redirect("inventory:apparatus")
    return render(request, "inventory/apparatus_new.html", {"form": form}, status=status)


@require_safe
def one(request: SignedInRequest, code: str) -> HttpResponse:
    """One item: its facts, what is booked of it, what happened to it."""
    item = apparatus_or_404(request, code)
    if item.code != code:
        return redirect("inventory:apparatus_item", item.code)
    today = timezone.localdate()
    ahead = list(bookings_ahead(item, actor=request.user))
    context = {
        "item": item,
        "told": calc_apparatus(item),
        "measures": item.type not in APPROXIMATE and item.type not in ApparatusItem.COUNTED_ONLY,
        "place_name": dict(places()).get(item.place_id or 0, ""),
        "why_not": reasons_not_to_use([item], today).get(item.pk, ""),
        "due": _due(item, today),
        "used_for": USED_FOR.get(item.type, _BY_PEOPLE),
        "ahead": [(booking, _may_cancel(request.user, booking)) for booking in ahead],
        "too_many": overbooked(ahead),
        "past": bookings_past(item, actor=request.user),
        "events": apparatus_events(item, actor=request.user),
        "may_manage": policy.may(request.user, "manage_apparatus"),
        "may_book": policy.may(request.user, "book_apparatus"),
        "sees_ledger": policy.may(request.user, "see_ledger"),
    }
    return render(request, "inventory/apparatus_item.html", context)


def _may_cancel(user: User, booking: object) -> bool:
    own = getattr(booking, "actor_id", None) == user.pk
    return bool(getattr(booking, "by_hand", False)) and (own or policy.may(user, "manage_apparatus"))


@require_safe
def day(request: SignedInRequest) -> HttpResponse:
    """What is booked on one day, item by item, for the screen and for the door."""
    asked = request.GET.get("on", "")
    try:
        chosen = date.fromisoformat(asked) if asked else timezone.localdate()
        around = (chosen - timedelta(days=1), chosen + timedelta(days=1))
    except (ValueError, OverflowError):
        chosen = timezone.localdate()
        around = (chosen - timedelta(days=1), chosen + timedelta(days=1))
    rows = booked_on(chosen, actor=request.user)
    context = {
        "day": chosen,
        "before": around[0],
        "after": around[1],
        "today": timezone.localdate(),
        "rows": rows,
        "too_many": overbooked(booking for _, bookings in rows for booking in bookings),
    }
    return render(request, "inventory/apparatus_day.html", context)
