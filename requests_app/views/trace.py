"""Where a bottle went and what a solution was made of, as a page and as a table for a spreadsheet."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, Final

from django.http import Http404, HttpResponse, StreamingHttpResponse
from django.shortcuts import redirect, render
from django.utils.safestring import SafeString
from django.views.decorators.http import require_safe

from inventory.models import Lot
from inventory.selectors import lot_by_code
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.spreadsheet import Cell, csv_lines
from prepdesk.core.times import in_file
from requests_app.models import Order
from requests_app.selectors import TraceRow, made_from, made_from_batch, order_with_everything, went_into
from requests_app.views.parts import certified

# Further in, a list is no longer moved to the right: the page would grow wider than any screen.
_DEEP: Final = 6
_WAYS: Final = {
    "start": "",
    "drawn": "drawn",
    "held": "held, not taken yet",
    "poured": "poured",
    "linked": "",
}
CSV_HEADER: Final = (
    "direction",
    "step",
    "lot",
    "what",
    "state",
    "maker's lot number",
    "certificate",
    "received or made",
    "amount",
    "unit",
    "how",
    "batch",
    "batch state",
    "made by",
    "made at",
    "order",
    "ordered by",
    "course",
    "sections",
    "room",
    "due",
    "handed over at",
    "handed over by",
)


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A line of a trace with the marks that make nested lists of a flat sequence."""

    row: TraceRow
    opening: SafeString
    closing: SafeString

    @property
    def certified(self) -> str:
        """What the label of the bottle certifies."""
        return certified(self.row.lot) if self.row.lot is not None else ""

    @property
    def way(self) -> str:
        """How the amount went over, in words."""
        return _WAYS[self.row.way]

    @property
    def is_deep(self) -> bool:
        """Whether the line says its step in words, because it is no longer set further in."""
        return self.row.depth >= _DEEP


def as_lists(rows: list[TraceRow]) -> list[ShownRow]:
    """Each row with the list marks before and after it; a depth never grows by more than one."""
    shown = []
    depths = [row.depth for row in rows]
    for row, before, after in zip(rows, [-1, *depths], [*depths[1:], -1], strict=False):
        opens = "" if row.depth <= before else _list_of(row.depth)
        closes = "" if after > row.depth else "</li>" + "</ul></li>" * (row.depth - max(after, 0))
        shown.append(
            ShownRow(row, SafeString(f"{opens}<li>"), SafeString(closes + ("</ul>" if after < 0 else "")))
        )
    return shown


def _list_of(depth: int) -> str:
    return '<ul class="trace trace-deep">' if depth > _DEEP else '<ul class="trace">'


# --- from a bottle ----------------------------------------------------------------------------
@require_safe
def lot_trace(request: SignedInRequest, code: str) -> HttpResponse:
    """One bottle both ways: what it went into, and what it was made from."""
    lot = _lot(request, code)
    if lot.code != code:
        return redirect("requests_app:lot_trace", lot.code)
    down, up = went_into(lot, actor=request.user), made_from(lot, actor=request.user)
    makings = {row.making.batch.pk: row.making for row in down if row.making}
    orders = {order.pk: order for making in makings.values() for order in making.orders}
    context = {
        "place": "inventory:stock",
        "lot": lot,
        "down": as_lists(down),
        "up": as_lists(up),
        "lots_reached": sum(1 for row in down[1:] if row.lot is not None and not row.again),
        "batches_reached": len(makings),
        "orders_reached": len(orders),
        "handed_over": sum(1 for making in makings.values() if making.handed_over_at),
    }
    return render(request, "requests_app/lot_trace.html", context)


@require_safe
def lot_trace_csv(request: SignedInRequest, code: str) -> StreamingHttpResponse:
    """The same as a file."""
    lot = _lot(request, code)
    rows = [
        *_cells("went into", went_into(lot, actor=request.user)),
        *_cells("made from", made_from(lot, actor=request.user)),
    ]
    return _file(rows, f"trace-{lot.code}")


def _lot(request: SignedInRequest, code: str) -> Lot:
    # Whom it went to is other people's business, so it is for those who see the whole ledger.
    policy.require(request.user, "see_ledger")
    lot = lot_by_code(request.user, code)
    if lot is None:
        raise Http404("No bottle has this code.")
    return lot


# --- from an order ----------------------------------------------------------------------------
@require_safe
def order_trace(request: SignedInRequest, reference: str) -> HttpResponse:
    """What went into one order, back to the bottles received."""
    order = order_with_everything(request.user, reference)
    context = {
        "place": "requests_app:order_list",
        "order": order,
        "up": as_lists(_into(request, order)),
        "sees_ledger": policy.may(request.user, "see_ledger"),
    }
    return render(request, "requests_app/order_trace.html", context)


@require_safe
def order_trace_csv(request: SignedInRequest, reference: str) -> StreamingHttpResponse:
    """The same as a file."""
    order = order_with_everything(request.user, reference)
    return _file(_cells("made from", _into(request, order), own=order), f"trace-{order.reference}")


def _into(request: SignedInRequest, order: Order) -> list[TraceRow]:
    return made_from_batch(order.batch, actor=request.user) if order.batch is not None else []


# --- the file ---------------------------------------------------------------------------------
def _cells(direction: str, rows: Iterable[TraceRow], own: Order | None = None) -> Iterator[list[Cell]]:
    """One line for each row, or for each order where a batch serves several.

    Args:
        own: the one order that may be named, when somebody traces their own.
    """
    for row in rows:
        orders = row.making.orders if row.making else ()
        if own is not None:
            orders = tuple(order for order in orders if order.pk == own.pk)
        for order in orders or (None,):
            yield [direction, row.depth, *_lot_cells(row), *_making_cells(row), *_order_cells(row, order)]


def _lot_cells(row: TraceRow) -> list[Cell]:
    lot = row.lot
    if lot is None:
        return [""] * 6
    came = lot.received_on.isoformat() if lot.received_on else ""
    what = lot.title or lot.substance.name
    return [lot.code, what, lot.get_state_display(), lot.lot_number, certified(lot), came]


def _making_cells(row: TraceRow) -> list[Cell]:
    making = row.making
    cells: list[Cell] = ["" if row.amount is None else row.amount, row.unit, _WAYS[row.way]]
    if making is None:
        return [*cells, "", "", "", ""]
    batch = making.batch
    made_by = str(making.made_by or batch.claimed_by or "")
    return [*cells, batch.reference, batch.get_state_display(), made_by, in_file(making.made_at)]


def _order_cells(row: TraceRow, order: Order | None) -> list[Cell]:
    making = row.making
    if order is None or making is None:
        return [""] * 8
    return [
        order.reference,
        str(order.ordered_by),
        order.course.code,
        " ".join(section.name for section in order.sections.all()),
        order.room,
        in_file(order.due_at),
        in_file(making.handed_over_at),
        str(making.handed_over_by or ""),
    ]


def _file(rows: Iterable[Any], name: str) -> StreamingHttpResponse:
    response = StreamingHttpResponse(csv_lines(CSV_HEADER, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}.csv"'
    return response
