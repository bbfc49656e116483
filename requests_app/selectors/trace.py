"""What went where: from a bottle to the sections that got of it, and from a solution to its bottles.

The shelves know which lot went into which; the orders know for whom. Both are put together here, into
rows that read from top to bottom, each with its depth. The number of queries does not grow with either
depth or width.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from decimal import Decimal

from django.db.models import Prefetch, Sum

from inventory.amounts import from_base
from inventory.models import Lot
from inventory.selectors import Family, family_above, family_below, poured_between
from inventory.states import DRAWN, RELEASED
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.concealing import may_read_batch
from requests_app.models import Batch, BatchEvent, BatchHold, Order


@dataclass(frozen=True, slots=True)
class Making:
    """One batch as a trace tells of it.

    Attributes:
        batch: with who has it loaded.
        orders: those it was made for, with course, sections and who ordered loaded.
        made_by, made_at: who finished it and when; empty while it isn't.
        handed_over_by, handed_over_at: the same for handing over.
    """

    batch: Batch
    orders: tuple[Order, ...]
    made_by: User | None = None
    made_at: datetime | None = None
    handed_over_by: User | None = None
    handed_over_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class TraceRow:
    """One line of a trace.

    Attributes:
        depth: 0 for what was asked about.
        lot: the bottle the line is about, or empty for a batch that has none yet.
        making: downwards the batch that took of the bottle above; upwards the batch that made this one.
        amount, unit: how much went over, where it is known.
        way: ``start``, ``drawn``, ``held`` (promised, not taken yet), ``poured`` or ``linked``.
        again: that the lot stands further up already, with all that follows from it.
    """

    depth: int
    lot: Lot | None = None
    making: Making | None = None
    amount: Decimal | None = None
    unit: str = ""
    way: str = "start"
    again: bool = False


@dataclass(frozen=True, slots=True)
class _Taken:
    """What one batch took or holds of one lot [unit of the lot]; no amount where it may not be read."""

    batch_id: int
    lot_id: int
    amount: Decimal | None
    unit: str
    way: str


# --- what was asked about ---------------------------------------------------------------------
def went_into(lot: Lot, *, actor: User) -> list[TraceRow]:
    """Everything a lot went into: batches with their orders, the solutions made, bottles filled from it.

    What went into an unknown is named without the amount, except to those who may read it.
    """
    family = family_below(lot)
    taken = _taken(lots=family.lots)
    makings = _makings({one.batch_id for one in taken})
    taken = _without_secrets(taken, makings.values(), actor)
    by_lot: dict[int, list[_Taken]] = defaultdict(list)
    for one in taken:
        by_lot[one.lot_id].append(one)
    poured = poured_between(family.lots)

    def below(row: TraceRow) -> list[TraceRow]:
        if row.lot is None:
            return []
        rows, made = [], set()
        for one in by_lot[row.lot.pk]:
            making = makings[one.batch_id]
            child = family.lots.get(making.batch.prepared_lot_id or 0)
            if child is not None:
                made.add(child.pk)
            rows.append(_row(row, child, one, making))
        rows += [
            _poured_row(row, family.lots[pk], poured.get((row.lot.pk, pk)))
            for pk in family.steps.get(row.lot.pk, ())
            if pk not in made
        ]
        return rows

    return list(_walk([TraceRow(0, lot=family.lots[lot.pk])], below))


def made_from(lot: Lot, *, actor: User) -> list[TraceRow]:
    """Every lot that went into this one, back to what was received; of an unknown as :func:`went_into`."""
    family = family_above(lot)
    return _upwards(family, [TraceRow(0, lot=family.lots[lot.pk])], _making_of_lots(family.lots), actor)


def made_from_batch(batch: Batch, *, actor: User) -> list[TraceRow]:
    """Every lot that went into a batch, or is promised to it while it isn't made."""
    if batch.prepared_lot is not None:
        return made_from(batch.prepared_lot, actor=actor)
    lots = Lot.objects.filter(pk__in=[one.lot_id for one in _taken(batches=[batch.pk])])
    family = family_above(*lots)
    makings = {**_making_of_lots(family.lots), 0: _makings([batch.pk])[batch.pk]}
    return _upwards(family, [TraceRow(0, making=makings[0])], makings, actor)


def _upwards(
    family: Family, first: list[TraceRow], makings: dict[int, Making], actor: User
) -> list[TraceRow]:
    """Rows from the top down to what was received; ``makings`` by the key of the lot they made."""
    taken: dict[int, list[_Taken]] = defaultdict(list)
    rows_taken = _taken(batches=[making.batch.pk for making in makings.values()])
    for one in _without_secrets(rows_taken, makings.values(), actor):
        taken[one.batch_id].append(one)
    poured = poured_between(family.lots)

    def above(row: TraceRow) -> list[TraceRow]:
        making = makings.get(row.lot.pk) if row.lot is not None else row.making
        rows, used = [], set()
        for one in taken[making.batch.pk] if making is not None else ():
            if one.lot_id not in family.lots:
                continue
            used.add(one.lot_id)
            rows.append(_row(row, family.lots[one.lot_id], one, makings.get(one.lot_id)))
        if row.lot is not None:
            rows += [
                _poured_row(row, family.lots[pk], poured.get((pk, row.lot.pk)), makings.get(pk))
                for pk in family.steps.get(row.lot.pk, ())
                if pk not in used
            ]
        return rows

    told = [_with_making(row, makings) for row in first]
    return list(_walk(told, above))


def _with_making(row: TraceRow, makings: dict[int, Making]) -> TraceRow:
    return row if row.lot is None else replace(row, making=makings.get(row.lot.pk))


# --- walking ----------------------------------------------------------------------------------
def _walk(first: list[TraceRow], onwards: Callable[[TraceRow], list[TraceRow]]) -> Iterator[TraceRow]:
    """Depth first without recursion, so that a long ancestry can't exhaust the stack.

    A lot that comes a second time is named again, and what follows from it is not repeated.
    """
    seen: set[int] = set()
    waiting = first[::-1]
    while waiting:
        row = waiting.pop()
        if row.lot is not None and row.lot.pk in seen:
            yield replace(row, again=True)
            continue
        if row.lot is not None:
            seen.add(row.lot.pk)
        yield row
        waiting.extend(reversed(onwards(row)))


def _row(parent: TraceRow, lot: Lot | None, one: _Taken, making: Making | None) -> TraceRow:
    return TraceRow(parent.depth + 1, lot=lot, making=making, amount=one.amount, unit=one.unit, way=one.way)


def _poured_row(parent: TraceRow, lot: Lot, amount: Decimal | None, making: Making | None = None) -> TraceRow:
    poured = amount is not None
    unit = lot.unit if poured else ""
    way = "poured" if poured else "linked"
    return TraceRow(parent.depth + 1, lot=lot, making=making, amount=amount, unit=unit, way=way)


# --- the rows behind it -------------------------------------------------------------------------
def _taken(*, lots: Iterable[int] | None = None, batches: Iterable[int] | None = None) -> list[_Taken]:
    """What batches took or hold of lots, by the order of the batches."""
    links = BatchHold.objects.exclude(hold__state=RELEASED)
    if lots is not None:
        links = links.filter(hold__lot__in=set(lots))
    if batches is not None:
        links = links.filter(batch__in=set(batches))
    rows = links.order_by("batch_id", "hold__lot__code").values_list(
        "batch_id", "hold__lot_id", "hold__lot__unit", "hold__state", "hold__amount"
    )
    together: dict[tuple[int, int, str, str], int] = defaultdict(int)
    for batch, lot, unit, state, held, moved in rows.annotate(
        moved=Sum("hold__movements__amount", default=0)
    ):
        way = "drawn" if state == DRAWN else "held"
        together[batch, lot, unit, way] += -moved if state == DRAWN else held
    return [
        _Taken(batch, lot, from_base(base, unit), unit, way)
        for (batch, lot, unit, way), base in together.items()
    ]


def _without_secrets(taken: list[_Taken], makings: Iterable[Making], actor: User) -> list[_Taken]:
    hidden = {making.batch.pk for making in makings if not may_read_batch(actor, making.batch)}
    return [replace(one, amount=None, unit="") if one.batch_id in hidden else one for one in taken]


def _making_of_lots(lots: Iterable[int]) -> dict[int, Making]:
    """The batches that made these lots, by the key of the lot."""
    made = dict(Batch.objects.filter(prepared_lot__in=set(lots)).values_list("pk", "prepared_lot_id"))
    makings = _makings(made)
    return {lot: makings[batch] for batch, lot in made.items() if lot}


def _makings(batches: Iterable[int]) -> dict[int, Making]:
    told = BatchEvent.objects.filter(event__in=("finish", "hand_over")).select_related("actor")
    rows = (
        Batch.objects.filter(pk__in=set(batches))
        .select_related("claimed_by", "prepared_lot")
        .prefetch_related(
            Prefetch(
                "orders",
                Order.objects.select_related("course", "ordered_by", "unknown_sample").prefetch_related(
                    "sections"
                ),
            ),
            Prefetch("events", told),
        )
    )
    return {batch.pk: _making(batch) for batch in rows}


def _making(batch: Batch) -> Making:
    last = {event.event: event for event in batch.events.all()}
    made, over = last.get("finish"), last.get("hand_over")
    return Making(
        batch=batch,
        orders=tuple(order for order in batch.orders.all() if order.state != states.CANCELLED),
        made_by=made.actor if made else None,
        made_at=made.at if made else None,
        handed_over_by=over.actor if over else None,
        handed_over_at=over.at if over else None,
    )
