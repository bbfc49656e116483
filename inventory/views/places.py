"""Places: the tree, one place with what stands there, moving scanned lots, what should not stand together."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.forms import PlaceForm, PutForm
from inventory.models import Place
from inventory.selectors import (
    calc_catalogue,
    conflicts_in,
    kept_lot,
    path_to,
    place_by_code,
    place_tree,
    standing_in,
    storage_conflicts,
    within,
)
from inventory.services import add_place, change_place, move_lot, reopen_place, retire_place
from inventory.views.shown import ShownLot, shown_lots
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.calc.storage import group_named
from prepdesk.core.errors import DomainError

_READ_OR_SEND = ["GET", "HEAD", "POST"]


def place_or_404(request: SignedInRequest, code: str) -> Place:
    """The place with this code, for those who keep the stock."""
    policy.require(request.user, "receive_lot")
    found = place_by_code(request.user, code)
    if found is None:
        raise Http404("No place has this code.")
    return found


@require_http_methods(_READ_OR_SEND)
def places(request: SignedInRequest) -> HttpResponse:
    """The tree of places, and adding one."""
    policy.require(request.user, "receive_lot")
    inside = place_by_code(request.user, request.GET.get("in", ""))
    start = {"parent": inside.pk} if inside else {"kind": Place.Kind.ROOM}
    form = PlaceForm(request.POST if request.method == "POST" else None, initial=start)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                place = add_place(
                    actor=request.user,
                    **form.typed(form.cleaned_data),
                    idempotency_key=form.cleaned_data["idempotency_key"],
                )
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, f"{place.name} is added with the code {place.code}.")
                return redirect("inventory:place", place.code)
    retired = "retired" in request.GET
    context = {
        "form": form,
        "tree": place_tree(actor=request.user, retired=retired),
        "retired": retired,
        "any_retired": Place.objects.filter(in_use=False).exists(),
        "conflicts": len(storage_conflicts(standing_in(_every_key()))),
    }
    return render(request, "inventory/places.html", context, status=status)


@require_safe
def place(request: SignedInRequest, code: str) -> HttpResponse:
    """One place: what stands there and inside it, and what should not stand together."""
    found = place_or_404(request, code)
    if found.code != code:
        return redirect("inventory:place", found.code)
    return render(request, "inventory/place.html", _place_context(request, found))


def _place_context(request: SignedInRequest, found: Place, form: PutForm | None = None) -> dict[str, Any]:
    keys = within(found.pk)
    here = list(standing_in({found.pk}))
    path = path_to(found)
    return {
        "found": found,
        "path": path[:-1],
        "lots": _with_groups(shown_lots(here)),
        "inside": _below(request, found),
        "apparatus": found.apparatus.order_by("-in_service", "type", "id"),
        "conflicts": conflicts_in(keys),
        "put_form": form or PutForm(actor=request.user, place=found),
        "scanning": "scan" in request.GET or form is not None,
        "open_counts": found.stocktakes.filter(state="counting"),
    }


def _below(request: SignedInRequest, found: Place) -> list[Any]:
    """The places inside one, as far as they are in use."""
    tree = place_tree(actor=request.user)
    start = next((index for index, node in enumerate(tree) if node.place.pk == found.pk), None)
    if start is None:
        return []
    depth = tree[start].depth
    inside = []
    for node in tree[start + 1 :]:
        if node.depth <= depth:
            break
        inside.append((node, node.depth - depth))
    return inside


def _with_groups(shown: list[ShownLot]) -> list[tuple[ShownLot, str]]:
    """Each lot with its storage group in words; what is not judged or unknown says so."""
    catalogue = calc_catalogue()
    rows = []
    for each in shown:
        kept = kept_lot(each.lot, catalogue)
        group = group_named(kept.group)
        words = group.name if group else "Weak solution, not judged" if kept.dilute else "Unknown"
        rows.append((each, words))
    return rows


@require_http_methods(_READ_OR_SEND)
def change(request: SignedInRequest, code: str) -> HttpResponse:
    """Rename a place, or move it into another one."""
    found = place_or_404(request, code)
    form = PlaceForm(request.POST if request.method == "POST" else None, place=found)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                change_place(actor=request.user, place=found, **form.typed(form.cleaned_data))
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "Changed. What stands there went with it.")
                return redirect("inventory:place", found.code)
    context = {"form": form, "found": found}
    return render(request, "inventory/place_change.html", context, status=status)


@require_POST
def in_use(request: SignedInRequest, code: str) -> HttpResponse:
    """Retire an empty place, or take it into use again."""
    found = place_or_404(request, code)
    if request.POST.get("in_use") == "yes":
        reopen_place(actor=request.user, place=found)
        messages.success(request, f"{found.name} is in use again.")
    else:
        retire_place(actor=request.user, place=found)
        messages.success(request, f"{found.name} is retired. Its name stays in every history.")
    return redirect("inventory:place", found.code)


@require_POST
def put(request: SignedInRequest, code: str) -> HttpResponse:
    """Move the lot that was scanned to this place."""
    found = place_or_404(request, code)
    form = PutForm(request.POST, actor=request.user, place=found)
    status = 422
    if form.is_valid():
        lot, data = form.cleaned_data["scan"], form.cleaned_data
        stood = lot.place_id == found.pk
        try:
            move_lot(actor=request.user, lot=lot, place=found, storage_reason=data["storage_reason"])
        except DomainError as refusal:
            form.show(refusal)
            status = refusal.status
        else:
            told = "stands here already." if stood else "stands here now. Scan the next one."
            messages.success(request, f"{lot.code}, {lot.title or lot.substance.name}, {told}")
            return redirect(f"{reverse('inventory:place', args=[found.code])}?scan=1")
    return render(request, "inventory/place.html", _place_context(request, found, form), status=status)


@require_safe
def door(request: SignedInRequest, code: str) -> HttpResponse:
    """What stands in a place and inside it, on paper for its door."""
    found = place_or_404(request, code)
    nodes = [(None, found), *((node, node.place) for node, _ in _below(request, found))]
    lots = _with_groups(shown_lots(standing_in(within(found.pk))))
    parts = [(each, [row for row in lots if row[0].lot.place_id == each.pk]) for _, each in nodes]
    context = {
        "found": found,
        "path": path_to(found)[:-1],
        "parts": [(each, rows) for each, rows in parts if rows],
        "conflicts": conflicts_in(within(found.pk)),
    }
    return render(request, "inventory/place_door.html", context)


@require_safe
def conflicts(request: SignedInRequest) -> HttpResponse:
    """Everything that stands beside what it should not stand beside."""
    policy.require(request.user, "receive_lot")
    lots = list(standing_in(_every_key()))
    catalogue = calc_catalogue()
    context = {
        "conflicts": storage_conflicts(lots),
        "unknown": [each for each in shown_lots(lots) if not kept_lot(each.lot, catalogue).known],
    }
    return render(request, "inventory/storage_conflicts.html", context)


def _every_key() -> set[int]:
    return set(Place.objects.values_list("pk", flat=True))
