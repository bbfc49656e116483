"""Balances and glassware: what there is, and what plans may use."""

from itertools import groupby

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.forms import ApparatusForm
from inventory.models import ApparatusItem
from inventory.selectors import apparatus_visible_to, calc_apparatus, places
from inventory.services import add_apparatus, set_in_service
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest

_BALANCE = ApparatusItem.Type.BALANCE.label
_ORDER = {kind: position for position, kind in enumerate(ApparatusItem.Type.values)}


@require_safe
def listing(request: SignedInRequest) -> HttpResponse:
    """Everything there is, by type, small before large."""
    where = dict(places())
    rows = []
    for item in apparatus_visible_to(request.user):
        told = calc_apparatus(item)
        size = 0.0 if told is None else told.nominal_ml or told.readability_g or 0.0
        rows.append((_ORDER[item.type], size, item, told, where.get(item.place_id or 0, "")))
    rows.sort(key=lambda row: (*row[:2], row[2].pk))
    groups = [
        (ApparatusItem.Type(ApparatusItem.Type.values[kind]).label, [row[2:] for row in members])
        for kind, members in groupby(rows, key=lambda row: row[0])
    ]
    tables = [
        {
            "caption": caption,
            "heads": heads,
            "groups": [group for group in groups if (group[0] == _BALANCE) == own],
        }
        for caption, heads, own in (
            ("Balances", ("Reads to", "Up to", "Repeatability, linearity"), True),
            ("Glassware, pipettes and vessels", ("Size", "Class and standard", "Limit of error"), False),
        )
    ]
    tables = [table for table in tables if table["groups"]]
    context = {"tables": tables, "may_manage": policy.may(request.user, "manage_apparatus")}
    return render(request, "inventory/apparatus.html", context)


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
            messages.success(request, f"Added: {item.count} × {item}. Plans may use it from now on.")
            return redirect("inventory:apparatus")
    return render(request, "inventory/apparatus_new.html", {"form": form}, status=status)


@require_POST
def service(request: SignedInRequest, item: int) -> HttpResponse:
    """Take apparatus out of service, or put it back."""
    row = get_object_or_404(apparatus_visible_to(request.user), pk=item)
    back = request.POST.get("in_service") == "1"
    set_in_service(actor=request.user, item=row, in_service=back)
    said = "is in service again" if back else "is out of service; new plans do without it"
    messages.success(request, f"{row} {said}.")
    return redirect("inventory:apparatus")
