"""What there is: the list, and the page of one substance."""

from collections.abc import Iterable
from decimal import Decimal

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_safe

from inventory import codes, states
from inventory.amounts import from_base
from inventory.forms import StockFilter
from inventory.models import Lot, Place, Substance
from inventory.selectors import (
    SHOWS,
    StockLine,
    attachments_of,
    calc_catalogue,
    lots_of,
    pace_of,
    stock_lines_of,
    stock_rows,
    substance_history,
    substances_visible_to,
    usual_unit,
    what_the_code_says,
)
from inventory.views.shown import shown_lots
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.cautions import UNREVIEWED, caution, cautions_for
from prepdesk.calc.errors import InputError
from prepdesk.calc.storage import group_named


@require_safe
def stock(request: SignedInRequest) -> HttpResponse:
    """The list of substances with what there is of each; a scanned code leads to what bears it."""
    form = StockFilter({"show": "shelf", **request.GET.dict()})
    chosen = form.chosen()
    live = bool(getattr(request, "htmx", False))
    if chosen["query"] and not live:
        found = what_the_code_says(request.user, chosen["query"])
        if isinstance(found, Lot):
            return redirect("inventory:lot", found.code)
        if isinstance(found, Place):
            return redirect("inventory:place", found.code)
        if found:
            return redirect("inventory:apparatus_item", found.code)
    context = {
        "filter": form,
        "shows": SHOWS,
        "chosen": chosen,
        "stock": stock_rows(actor=request.user, **chosen),
        "narrowed": any(chosen[name] for name in ("query", "kind", "place", "state", "group")),
        "may_receive": policy.may(request.user, "receive_lot"),
        "like_a_code": codes.looks_like_one(chosen["query"]),
        "garbled": not codes.is_sound(codes.tidied(chosen["query"])),
    }
    return render(request, "inventory/_stock_list.html" if live else "inventory/stock.html", context)


@require_safe
def substance(request: SignedInRequest, key: str) -> HttpResponse:
    """One form of one substance: what it is, its other forms, its bottles."""
    user = request.user
    row = get_object_or_404(substances_visible_to(user), key=key)
    catalogue = calc_catalogue()
    try:
        facts = catalogue.by_key(key)
        mass = molar_mass(row.formula).g_per_mol
    except InputError:
        # A row that nothing can be computed for is still shown, so that it can be mended.
        facts, mass = None, None
    forms = [each for each in catalogue.forms_of(row.family or key) if each.key != key]
    unit = usual_unit(row)
    lines = stock_lines_of(row, actor=user)
    context = {
        "substance": row,
        "unit": unit,
        "chosen_group": group_named(row.storage_group),
        **_reorder(row, lines, unit),
        "files": attachments_of(row, actor=user),
        "facts_history": substance_history(row, actor=user),
        "event_words": states.SUBSTANCE_EVENTS,
        "sees_ledger": policy.may(user, "see_ledger"),
        "facts": facts,
        "molar_mass": None if mass is None else f"{mass:.2f}",
        "cautions": cautions_for(facts) if facts else (caution(UNREVIEWED),),
        "forms": forms,
        "lines": lines,
        "paces": pace_of(row.pk, actor=user),
        "lots": shown_lots(lots_of(row, actor=user)),
        "may_receive": policy.may(user, "receive_lot"),
    }
    return render(request, "inventory/substance.html", context)


def _reorder(row: Substance, lines: Iterable[StockLine], unit: str) -> dict[str, object]:
    """Below what the substance is ordered again [``unit``], and whether less than that is free of it pure."""
    if row.reorder_below is None:
        return {"reorder_below": None, "to_reorder": False}
    below = from_base(row.reorder_below, unit)
    pure = (Lot.Kind.SOLID, Lot.Kind.LIQUID)
    free = sum((line.free for line in lines if line.kind in pure and line.unit == unit), Decimal(0))
    return {"reorder_below": below, "to_reorder": free < below}
