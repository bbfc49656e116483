"""From lot to lot: what one went into and what one was made of, over any number of steps.

Three kinds of rows say that one bottle went into another: the lots a prepared one was made of, the
bottle a smaller one was filled from, and the rows of a pouring over. All of them count, and none is
taken back when a pouring is reversed on paper: what may have touched is what a recall must find.

The database walks the steps itself, so the number of queries is the same for one step and for fifty,
for one child and for a thousand. UNION drops what was found before, which also ends a circle (leftovers
poured from A into B and later from B into A).
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from decimal import Decimal
from string import Template
from typing import Final

from django.db import connection
from django.db.models import QuerySet
from django.db.models.expressions import RawSQL

from inventory.amounts import from_base
from inventory.models import Lot, Movement

# Only words of this module are filled in; the keys of the lots are parameters of the query.
_WALK: Final = Template("""
    WITH RECURSIVE links(parent, child) AS (
        SELECT parent_id, child_id FROM inventory_lotparent
        UNION
        SELECT split_from_id, id FROM inventory_lot WHERE split_from_id IS NOT NULL
        UNION
        SELECT source.lot_id, target.lot_id
        FROM inventory_movement source
        JOIN inventory_movement target ON target.pouring = source.pouring
        WHERE source.pouring <> '' AND source.kind = 'poured' AND source.amount < 0
          AND target.pouring <> '' AND target.kind = 'poured' AND target.amount > 0
    ),
    reached(lot) AS (
        SELECT id FROM inventory_lot WHERE id IN ($marks)
        UNION
        SELECT links.$far FROM reached JOIN links ON links.$near = reached.lot
    )
    SELECT $what
""")
_LOTS: Final = "lot FROM reached"
_STEPS: Final = "DISTINCT links.$near, links.$far FROM links JOIN reached ON links.$near = reached.lot"
_DOWN: Final = {"near": "parent", "far": "child"}
_UP: Final = {"near": "child", "far": "parent"}


def _sql(what: str, way: dict[str, str], starts: Sequence[int]) -> str:
    marks = ", ".join(["%s"] * len(starts)) or "NULL"
    return _WALK.substitute(way, what=Template(what).substitute(way), marks=marks)


@dataclass(frozen=True, slots=True)
class Family:
    """Some lots with everything that lies in one direction from them.

    Attributes:
        starts: keys of the lots that were asked about.
        lots: every lot found, with the first ones, by key; substance, place and maker are loaded.
        steps: for each lot that leads on, the keys of those one step further, by code.
    """

    starts: tuple[int, ...]
    lots: dict[int, Lot]
    steps: dict[int, tuple[int, ...]]

    @property
    def others(self) -> list[Lot]:
        """Every lot found besides the first ones, by code."""
        found = (lot for pk, lot in self.lots.items() if pk not in self.starts)
        return sorted(found, key=lambda lot: lot.code)


def family_below(*lots: Lot) -> Family:
    """Everything these lots went into: made of them, filled or poured from them, and so on; two queries."""
    return _family(lots, _DOWN)


def family_above(*lots: Lot) -> Family:
    """Everything these lots were made of, back to what was received; two queries."""
    return _family(lots, _UP)


def _family(first: Sequence[Lot], way: dict[str, str]) -> Family:
    starts = tuple(sorted({lot.pk for lot in first}))
    with connection.cursor() as cursor:
        cursor.execute(_sql(_STEPS, way, starts), starts)
        links = cursor.fetchall()
    lots = {found.pk: found for found in _reached(starts, way)}
    steps: dict[int, list[int]] = {}
    for here, there in links:
        # A link that came between the two queries waits for the next look.
        if there in lots:
            steps.setdefault(here, []).append(there)
    return Family(
        starts=starts,
        lots=lots,
        steps={pk: tuple(sorted(found, key=lambda each: lots[each].code)) for pk, found in steps.items()},
    )


def _reached(starts: Sequence[int], way: dict[str, str]) -> QuerySet[Lot]:
    found = RawSQL(_sql(_LOTS, way, starts), starts)  # noqa: S611 (no word of it comes from outside)
    return Lot.objects.filter(pk__in=found).select_related("substance", "place", "prepared_by")


def descendants_of(lot: Lot) -> list[Lot]:
    """Every lot this one went into, over any number of steps, by code; one query."""
    return list(_reached([lot.pk], _DOWN).exclude(pk=lot.pk).order_by("code"))


def poured_between(lots: Iterable[int]) -> dict[tuple[int, int], Decimal]:
    """How much was poured from one lot into another [unit of the lots], by (source, target).

    Where several were poured into several at once, nobody knows which went where; those are left out.
    """
    rows = Movement.objects.filter(lot__in=set(lots), kind=Movement.Kind.POURED).exclude(pouring="")
    pourings: dict[str, list[tuple[int, int, str]]] = {}
    for pouring, lot, amount, unit in rows.order_by("pk").values_list(
        "pouring", "lot_id", "amount", "lot__unit"
    ):
        pourings.setdefault(pouring, []).append((lot, amount, unit))
    poured: dict[tuple[int, int], Decimal] = {}
    for found in pourings.values():
        sources = [row for row in found if row[1] < 0]
        targets = [row for row in found if row[1] > 0]
        if min(len(sources), len(targets)) != 1:
            continue
        for source, taken, unit in sources:
            for target, given, _ in targets:
                there = from_base(min(-taken, given), unit)
                poured[source, target] = poured.get((source, target), Decimal(0)) + there
    return poured
