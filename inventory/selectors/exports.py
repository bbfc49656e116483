"""The rows of the files that are taken out, one at a time, so that a long file costs no memory.

Columns and their order are those of :mod:`inventory.columns`: a file of bottles or substances can be
brought in again and then changes nothing.
"""

from collections.abc import Iterable, Iterator
from datetime import date, datetime, time
from typing import Any, Final

from django.db.models import Q, QuerySet, Sum
from django.utils import timezone

from inventory import states
from inventory.amounts import from_base
from inventory.columns import COUNT_COLUMNS, LEDGER_COLUMNS, LOT_COLUMNS, SUBSTANCE_COLUMNS
from inventory.models import Lot, Movement, Substance
from inventory.selectors.bottles import usual_unit
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.places import places
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.core.spreadsheet import Cell
from prepdesk.core.tables import Column

_AT_A_TIME: Final = 2_000
_AS_THEY_ARE: Final = (
    "code",
    "title",
    "kind",
    "assay_percent",
    "assay_tolerance_percent",
    "mass_percent",
    "density_g_per_ml",
    "concentration_mol_per_l",
    "relative_uncertainty_percent",
    "lot_number",
    "grade",
    "received_on",
    "opened_on",
    "expires_on",
    "note",
    "unit",
)


def _in_order(columns: Iterable[Column], values: dict[str, Cell]) -> list[Cell]:
    return [values.get(column.key) for column in columns]


def _number(base: int, unit: str) -> Cell:
    # Without zeros that say nothing, and never as a power of ten.
    return from_base(base, unit).normalize() + 0


def lot_rows(lots: QuerySet[Lot], *, today: date | None = None) -> Iterator[list[Cell]]:
    """One row per bottle."""
    day, where = today or timezone.localdate(), dict(places())
    for lot in lots.select_related("substance", "prepared_by").iterator(chunk_size=_AT_A_TIME):
        usable = lot.state == states.AVAILABLE and not (lot.expires_on and lot.expires_on < day)
        values: dict[str, Cell] = {name: getattr(lot, name) for name in _AS_THEY_ARE}
        values |= {
            "substance": lot.substance.name,
            "form": lot.substance.form,
            "cas": lot.substance.cas,
            "formula": lot.substance.formula,
            "amount": _number(lot.on_hand, lot.unit),
            "place": where.get(lot.place_id or 0, ""),
            "cost": None if lot.cost_minor is None else f"{lot.cost_minor / 100:.2f}",
            "held": _number(lot.held, lot.unit),
            "free": _number(lot.free if usable else 0, lot.unit),
            "state": states.LOT_STATES[lot.state],
            "prepared_by": str(lot.prepared_by) if lot.prepared_by else "",
        }
        yield _in_order(LOT_COLUMNS, values)


def count_list_rows(lots: QuerySet[Lot]) -> Iterator[list[Cell]]:
    """One row per bottle with nothing under what was counted: a list to count by."""
    where = dict(places())
    for lot in lots.select_related("substance").iterator(chunk_size=_AT_A_TIME):
        values: dict[str, Cell] = {
            "code": lot.code,
            "unit": lot.unit,
            "substance": lot.title or lot.substance.name,
            "place": where.get(lot.place_id or 0, ""),
        }
        yield _in_order(COUNT_COLUMNS, values)


def substance_rows(substances: QuerySet[Substance]) -> Iterator[list[Cell]]:
    """One row per form of a substance."""
    catalogue = calc_catalogue()
    there = dict(
        Lot.objects.filter(Q(kind=Lot.Kind.SOLID) | Q(kind=Lot.Kind.LIQUID), substance__in=substances)
        .order_by()
        .values_list("substance_id")
        .annotate(total=Sum("on_hand"))
    )
    for row in substances.order_by("name", "key").iterator(chunk_size=_AT_A_TIME):
        try:
            facts: Any = catalogue.by_key(row.key)
        except InputError:
            facts = None  # A row that nothing can be computed for is still told.
        unit = usual_unit(row, catalogue)
        values: dict[str, Cell] = {
            name: getattr(row, name)
            for name in (
                "key",
                "name",
                "formula",
                "cas",
                "family",
                "form",
                "grade",
                "storage_group",
                "shelf_life_closed_days",
                "shelf_life_opened_days",
            )
        }
        values |= {
            "physical_state": facts.state if facts else "",
            "synonyms": "; ".join(row.synonyms),
            "hazards": "; ".join(facts.hazards) if facts else "",
            "reorder_below": None if row.reorder_below is None else _number(row.reorder_below, unit),
            "reorder_unit": "" if row.reorder_below is None else unit,
            "on_hand": _number(there.get(row.pk, 0), unit),
        }
        yield _in_order(SUBSTANCE_COLUMNS, values)


def ledger_between(actor: User, first: date | None, last: date | None) -> QuerySet[Movement]:
    """Every entry of the ledger of these days, both included, oldest first."""
    rows = Movement.objects.order_by("id") if policy.may(actor, "see_ledger") else Movement.objects.none()
    if first:
        rows = rows.filter(at__gte=timezone.make_aware(datetime.combine(first, time())))
    if last:
        rows = rows.filter(at__lte=timezone.make_aware(datetime.combine(last, time.max)))
    return rows


def movement_rows(movements: QuerySet[Movement]) -> Iterator[list[Cell]]:
    """One row per entry of the ledger."""
    for row in movements.select_related("lot__substance", "actor").iterator(chunk_size=_AT_A_TIME):
        values: dict[str, Cell] = {
            "number": row.pk,
            "at": f"{timezone.localtime(row.at):%Y-%m-%d %H:%M:%S}",
            "kind": row.get_kind_display(),
            "code": row.lot.code,
            "substance": row.lot.title or row.lot.substance.name,
            "formula": row.lot.substance.formula,
            "amount": _number(row.amount, row.lot.unit),
            "unit": row.lot.unit,
            "by": str(row.actor),
            "reason": row.reason,
            "reverses": row.reverses_id,
        }
        yield _in_order(LEDGER_COLUMNS, values)
