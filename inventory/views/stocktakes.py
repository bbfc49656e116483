"""A shelf is counted by walking along it with a scanner, or by typing down a list."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory import states
from inventory.amounts import as_text
from inventory.forms import AmountsForm, BeginCountForm, CloseCountForm, ReasonForm, code_trouble, new_key
from inventory.models import Lot, Place, Stocktake, StocktakeLine
from inventory.selectors import (
    count_rows,
    lines_of,
    lot_by_code,
    not_seen,
    others_counting,
    place_by_code,
    places,
    progress_of,
    stocktakes_visible_to,
    within,
)
from inventory.services import (
    CountedBefore,
    begin_stocktake,
    count_lots,
    give_up_stocktake,
    move_lot,
    post_stocktake,
    state_of_lines,
    undo_line,
)
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import DomainError, InvalidInput

_READ_OR_SEND = ["GET", "HEAD", "POST"]
_HISTORY = 50


def _stocktake_or_404(request: SignedInRequest, number: int) -> Stocktake:
    policy.require(request.user, "correct_stock")
    return get_object_or_404(stocktakes_visible_to(request.user), pk=number)


@require_http_methods(_READ_OR_SEND)
def counts(request: SignedInRequest) -> HttpResponse:
    """The counts under way and before, and beginning one."""
    policy.require(request.user, "correct_stock")
    at = place_by_code(request.user, request.GET.get("place", ""))
    form = BeginCountForm(
        request.POST if request.method == "POST" else None, initial={"place": at.pk if at else None}
    )
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                begun = begin_stocktake(actor=request.user, **form.cleaned_data)
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                return redirect("inventory:count", begun.pk)
    names, rows = dict(places()), stocktakes_visible_to(request.user)
    under_way = rows.filter(state=states.COUNTING)
    before = rows.exclude(state=states.COUNTING)[:_HISTORY]
    context = {
        "form": form,
        "under_way": [(row, names[row.place_id], _how_far(row)) for row in under_way],
        "before": [(row, names[row.place_id]) for row in before],
    }
    return render(request, "inventory/stocktakes.html", context, status=status)


def _how_far(stocktake: Stocktake) -> tuple[int, int]:
    counted = lines_of(stocktake).count()
    return counted, counted + len(not_seen(stocktake))


@require_http_methods(_READ_OR_SEND)
def count(request: SignedInRequest, number: int) -> HttpResponse:
    """Count at one place: scan a lot, type the amount, go on; below it the list to type down."""
    stocktake = _stocktake_or_404(request, number)
    if stocktake.state != states.COUNTING:
        return _closed(request, stocktake)
    at = _standing_at(request, stocktake)
    if request.method == "POST":
        return _count_typed(request, stocktake, at)
    scanned, trouble = None, ""
    typed = request.GET.get("scan", "")
    if typed.strip():
        shelf = place_by_code(request.user, typed)
        if shelf and shelf.pk in within(stocktake.place_id):
            messages.success(request, f"You stand at {shelf.name}.")
            return redirect(_address(stocktake, shelf))
        scanned = lot_by_code(request.user, typed)
        if shelf:
            trouble = f"{shelf.name} is not part of this count."
        elif scanned is None:
            trouble = code_trouble(typed)
    form = AmountsForm(lots=[scanned], choose_unit=True) if scanned else None
    return _page(request, stocktake, at, scanned=scanned, one=form, trouble=trouble)


def _standing_at(request: SignedInRequest, stocktake: Stocktake) -> Place | None:
    """Where the person stands: a place of this count, else the counted place itself if nothing is in it."""
    told = request.POST.get("at") or request.GET.get("at") or ""
    found = place_by_code(request.user, told)
    keys = within(stocktake.place_id)
    if found and found.pk in keys:
        return found
    return stocktake.place if len(keys) == 1 else None


def _address(stocktake: Stocktake, at: Place | None, **more: str) -> str:
    words = {"at": at.code, **more} if at and at.code else more
    return reverse("inventory:count", args=[stocktake.pk]) + (f"?{urlencode(words)}" if words else "")


def _count_typed(request: SignedInRequest, stocktake: Stocktake, at: Place | None) -> HttpResponse:
    """Amounts were sent: of the scanned lot, or typed down the list."""
    scanned = lot_by_code(request.user, request.POST.get("scan", ""))
    lots = [scanned] if scanned else [row.lot for row in count_rows(stocktake, at=at)]
    form = AmountsForm(request.POST, lots=lots, choose_unit=scanned is not None)
    status, before = 422, None
    if form.is_valid():
        found = form.found()
        try:
            lines = count_lots(
                actor=request.user,
                stocktake=stocktake,
                found=found,
                at=at,
                again=request.POST.get("again") == "yes",
                idempotency_key=form.cleaned_data["idempotency_key"],
            )
        except CountedBefore as refusal:
            form.show(refusal)
            status, before = refusal.status, refusal.line
        except DomainError as refusal:
            form.show(refusal)
            status = refusal.status
        else:
            for line in lines[:3]:
                messages.success(request, _told(line))
            if len(lines) > 3:
                messages.success(request, f"And {len(lines) - 3} more.")
            if not lines:
                messages.warning(request, "Nothing was typed, so nothing was counted.")
            return redirect(_address(stocktake, at))
    one, many = (form, None) if scanned else (None, form)
    return _page(request, stocktake, at, scanned=scanned, one=one, many=many, before=before, status=status)


def _told(line: StocktakeLine) -> str:
    unit, name = line.lot.unit, line.lot.title or line.lot.substance.name
    counted = f"{line.lot.code}, {name}: {as_text(line.counted, unit)} counted"
    if not line.difference:
        return f"{counted}, as the ledger says."
    more = "more" if line.difference > 0 else "less"
    told = f"{counted}, {as_text(abs(line.difference), unit)} {more} than the ledger says."
    if line.counted < line.lot.held:
        told += (
            f" {as_text(line.lot.held, unit)} of it are held; it can be posted only once that is released."
        )
    return told


def _page(
    request: SignedInRequest,
    stocktake: Stocktake,
    at: Place | None,
    *,
    scanned: Lot | None = None,
    one: AmountsForm | None = None,
    many: AmountsForm | None = None,
    before: StocktakeLine | None = None,
    trouble: str = "",
    status: int = 200,
) -> HttpResponse:
    rows = count_rows(stocktake, at=at)
    many = many or AmountsForm(lots=[row.lot for row in rows])
    names = dict(places())
    elsewhere = bool(scanned and at and scanned.place_id != at.pk)
    context = {
        "stocktake": stocktake,
        "name": names[stocktake.place_id],
        "at": at,
        "progress": progress_of(stocktake),
        "rows": [(row, many[row.field]) for row in rows],
        "form": one or many,
        "typed_down": many,
        "one": one,
        "scanned": scanned,
        "scanned_row": next((row for row in rows if scanned and row.lot.pk == scanned.pk), None),
        "scanned_stands": names.get(scanned.place_id or 0, "no place") if scanned and elsewhere else "",
        "amount": one[f"counted_{scanned.pk}"] if one and scanned else None,
        "unit": one[f"unit_{scanned.pk}"] if one and scanned else None,
        "counted_before": before,
        "others": others_counting(stocktake, at=at, actor=request.user),
        "trouble": trouble,
        "error_title": bool(trouble),
        "counted": sum(1 for row in rows if row.line),
        "undo_key": new_key(),
    }
    return render(request, "inventory/stocktake.html", context, status=status)


def _closed(request: SignedInRequest, stocktake: Stocktake) -> HttpResponse:
    """A count that is over: what was found, by whom, and what was posted."""
    if request.method == "POST":
        # Says by whom and when it was closed; what was typed was not counted.
        count_lots(actor=request.user, stocktake=stocktake, found=(), at=None, idempotency_key="closed")
    context = {
        "stocktake": stocktake,
        "name": dict(places())[stocktake.place_id],
        "state_label": states.STOCKTAKE_STATES[stocktake.state],
        "lines": lines_of(stocktake),
        "taken_back": stocktake.lines.exclude(undone_at=None).select_related(
            "lot__substance", "counted_by", "undone_by"
        ),
    }
    return render(request, "inventory/stocktake_closed.html", context)


def _line_or_404(request: SignedInRequest, number: int, line: int) -> StocktakeLine:
    rows = StocktakeLine.objects.select_related("stocktake", "lot__substance", "found_in")
    return get_object_or_404(rows, pk=line, stocktake=_stocktake_or_404(request, number))


@require_POST
def undo(request: SignedInRequest, number: int, line: int) -> HttpResponse:
    """Take a line back."""
    row = _line_or_404(request, number, line)
    undo_line(actor=request.user, line=row)
    messages.success(request, f"Taken back: {row.lot.code} counts as not seen again.")
    return redirect(_address(row.stocktake, row.found_in))


@require_POST
def move_here(request: SignedInRequest, number: int, line: int) -> HttpResponse:
    """A lot was found where it does not belong; from now on it does."""
    row = _line_or_404(request, number, line)
    if row.found_in is None:
        raise InvalidInput({"place": "Nobody said where it was found. Move it on the page of its place."})
    try:
        move_lot(
            actor=request.user,
            lot=row.lot,
            place=row.found_in,
            reason=f"Found there in {row.stocktake}",
            storage_reason=request.POST.get("storage_reason", ""),
        )
    except InvalidInput as refusal:
        messages.error(request, refusal.text)
        return redirect(f"{reverse('inventory:place', args=[row.found_in.code])}?scan=1")
    messages.success(request, f"{row.lot.code} stands at {row.found_in.name} from now on.")
    return redirect(_address(row.stocktake, row.found_in))


@require_http_methods(_READ_OR_SEND)
def close(request: SignedInRequest, number: int) -> HttpResponse:
    """The differences, what nobody has seen, and posting it all in one stroke."""
    stocktake = _stocktake_or_404(request, number)
    if stocktake.state != states.COUNTING:
        return redirect("inventory:count", stocktake.pk)
    lines, unseen = list(lines_of(stocktake)), not_seen(stocktake)
    sent = request.method == "POST"
    shown = {"seen": state_of_lines(stocktake)}
    form = CloseCountForm(request.POST if sent else None, lines=lines, unseen=unseen, initial=shown)
    status = 200
    if sent:
        status = 422
        if form.is_valid():
            try:
                post_stocktake(actor=request.user, stocktake=stocktake, **form.typed())
            except DomainError as refusal:
                form.data = {**request.POST.dict(), **shown}
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(request, "Posted. Every correction stands in the ledger of its lot.")
                return redirect("inventory:count", stocktake.pk)
    names = dict(places())
    fields = set(form.fields)
    context = {
        "stocktake": stocktake,
        "name": names[stocktake.place_id],
        "form": form,
        "differences": [
            (line, form[f"reason_{line.pk}"], form[f"leave_{line.pk}"])
            for line in lines
            if f"reason_{line.pk}" in fields
        ],
        "agreeing": [line for line in lines if not line.difference],
        "unseen": [(lot, form[f"answer_{lot.pk}"], names.get(lot.place_id or 0, "")) for lot in unseen],
    }
    return render(request, "inventory/stocktake_close.html", context, status=status)


@require_http_methods(_READ_OR_SEND)
def give_up(request: SignedInRequest, number: int) -> HttpResponse:
    """Close a count without changing anything."""
    stocktake = _stocktake_or_404(request, number)
    form = ReasonForm(request.POST if request.method == "POST" else None)
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                give_up_stocktake(actor=request.user, stocktake=stocktake, reason=form.cleaned_data["reason"])
            except DomainError as refusal:
                form.show(refusal)
                status = refusal.status
            else:
                messages.success(
                    request, "Given up. The ledger is as it was; what was counted stays readable."
                )
                return redirect("inventory:counts")
    context = {"stocktake": stocktake, "name": dict(places())[stocktake.place_id], "form": form}
    return render(request, "inventory/stocktake_give_up.html", context, status=status)


@require_safe
def paper(request: SignedInRequest, number: int) -> HttpResponse:
    """The list of a count on paper, to be filled in by pen."""
    stocktake = _stocktake_or_404(request, number)
    names = dict(places())
    rows = count_rows(stocktake)
    parts: dict[str, list[Any]] = {}
    for row in rows:
        parts.setdefault(row.stands, []).append(row)
    context = {
        "stocktake": stocktake,
        "name": names[stocktake.place_id],
        "parts": sorted(parts.items(), key=lambda part: part[0].lower()),
    }
    return render(request, "inventory/stocktake_paper.html", context)
