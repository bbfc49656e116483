"""What there is: the list, and the page of one substance."""

from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from inventory import codes
from inventory.forms import StockFilter
from inventory.models import Lot, Place
from inventory.selectors import (
    SHOWS,
    calc_catalogue,
    lots_of,
    stock_lines_of,
    stock_rows,
    substances_visible_to,
    what_the_code_says,
)
from inventory.views.shown import shown_lots
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.cautions import UNREVIEWED, caution, cautions_for
from prepdesk.calc.errors import InputError


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
            return redirect(f"{reverse('inventory:apparatus')}#item-{found.pk}")
    context = {
        "filter": form,
        "shows": SHOWS,
        "chosen": chosen,
        "stock": stock_rows(actor=request.user, **chosen),
        "narrowed": any(chosen[name] for name in ("query", "kind", "place", "state", "group")),
        "may_receive": policy.may(request.user, "receive_lot"),
        "like_a_code": codes.looks_like_one(chosen["query"]),
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
    context = {
        "substance": row,
        "facts": facts,
        "molar_mass": None if mass is None else f"{mass:.2f}",
        "cautions": cautions_for(facts) if facts else (caution(UNREVIEWED),),
        "forms": forms,
        "lines": stock_lines_of(row, actor=user),
        "lots": shown_lots(lots_of(row, actor=user)),
        "may_receive": policy.may(user, "receive_lot"),
    }
    return render(request, "inventory/substance.html", context)
