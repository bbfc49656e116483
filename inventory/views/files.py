"""What can be brought in and taken out as a file; and taking it out."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Final, NamedTuple

from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.columns import COUNT_COLUMNS, LEDGER_COLUMNS, LOT_COLUMNS, SUBSTANCE_COLUMNS
from inventory.forms import LedgerForm, StockFilter
from inventory.importers import importers_for
from inventory.selectors import (
    SHOWS,
    count_list_rows,
    import_runs,
    ledger_between,
    lot_rows,
    lots_as_listed,
    movement_rows,
    substance_rows,
    substances_visible_to,
)
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.spreadsheet import Cell
from prepdesk.core.tables import FORMATS, Column, Format, download

_RECENT: Final = 15
HOME: Final = "inventory:files"


class _Way(NamedTuple):
    """One file that can be taken out."""

    label: str
    says: str
    columns: Sequence[Column]
    rows: Callable[[User, Mapping[str, Any]], Iterable[Sequence[Cell]]]


def _lots(user: User, chosen: Mapping[str, Any]) -> Iterable[Sequence[Cell]]:
    return lot_rows(lots_as_listed(actor=user, **chosen))


def _counts(user: User, chosen: Mapping[str, Any]) -> Iterable[Sequence[Cell]]:
    return count_list_rows(lots_as_listed(actor=user, **{**chosen, "show": "shelf"}))


def _substances(user: User, chosen: Mapping[str, Any]) -> Iterable[Sequence[Cell]]:
    found = substances_visible_to(user)
    if chosen["query"] or chosen["kind"] or chosen["place"] or chosen["show"] != "all":
        # Those that the list shows for the same choices: the ones with such bottles.
        found = found.filter(pk__in=lots_as_listed(actor=user, **chosen).order_by().values("substance_id"))
    return substance_rows(found)


WAYS: Final = {
    "bottles": _Way("Bottles", "Every bottle with what it holds and where it stands.", LOT_COLUMNS, _lots),
    "substances": _Way(
        "Substances", "The list with storage, shelf life and reorder level.", SUBSTANCE_COLUMNS, _substances
    ),
    "count-list": _Way(
        "List to count by",
        "What stands on the shelf, with nothing under Counted: fill it in and bring it in again.",
        COUNT_COLUMNS,
        _counts,
    ),
}


@require_safe
def index(request: SignedInRequest) -> HttpResponse:
    """What can be brought in and taken out."""
    policy.require(request.user, "export_stock")
    return _index(request, LedgerForm())


def _index(request: SignedInRequest, form: LedgerForm, status: int = 200) -> HttpResponse:
    importers = importers_for(request.user, home=HOME)
    labels = {each.kind: each.label for each in importers}
    runs = list(import_runs(labels)[:_RECENT])
    chosen = StockFilter({"show": "all", **request.GET.dict()}).chosen()
    narrowing = ("query", "kind", "place", "state", "group")
    narrowed = chosen["show"] != "all" or any(chosen[name] for name in narrowing)
    context = {
        "importers": importers,
        "ways": WAYS,
        "formats": FORMATS,
        "runs": [(run, labels[run.kind]) for run in runs],
        "form": form,
        "chosen": chosen,
        "shown": SHOWS[chosen["show"]],
        "narrowed": narrowed,
        "may_see_ledger": policy.may(request.user, "see_ledger"),
    }
    return render(request, "inventory/files.html", context, status=status)


@require_safe
def take_out(request: SignedInRequest, what: str, form: str) -> HttpResponseBase:
    """A file of what the stock list shows for the choices in the address; of everything without any."""
    policy.require(request.user, "export_stock")
    way = WAYS.get(what)
    if way is None:
        raise Http404("There is no such file.")
    chosen = StockFilter({"show": "all", **request.GET.dict()}).chosen()
    chosen.pop("page", None)
    return download(
        way.columns,
        way.rows(request.user, chosen),
        name=f"{what}-{timezone.localdate().isoformat()}",
        title=way.label,
        format=format_or_404(form),
    )


@require_safe
def ledger(request: SignedInRequest) -> HttpResponseBase:
    """The entries of the ledger between two days."""
    policy.require(request.user, "see_ledger")
    form = LedgerForm(request.GET)
    if not form.is_valid():
        return _index(request, form, status=422)
    data = form.cleaned_data
    days = "-to-".join(str(day) for day in (data["first"], data["last"]) if day)
    return download(
        LEDGER_COLUMNS,
        movement_rows(ledger_between(request.user, data["first"], data["last"])),
        name=f"ledger-{days or timezone.localdate().isoformat()}",
        title="Ledger",
        format=data["form"] or "csv",
    )


def format_or_404(text: str) -> Format:
    """The format that the end of an address names."""
    for known in FORMATS:
        if text == known:
            return known
    raise Http404("Files are CSV or XLSX.")
