"""Counts: what is expected on which shelf, what was found, by whom, and what nobody has seen."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Final

from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory import states
from inventory.amounts import as_text, from_base
from inventory.models import Hold, Lot, Place, Stocktake, StocktakeLine
from inventory.selectors.places import places, standing, standing_in, within
from prepdesk.access import policy
from prepdesk.accounts.models import User

# Somebody who counted on a shelf within this time is probably still standing there.
STILL_THERE: Final = timedelta(minutes=15)


@dataclass(frozen=True, slots=True)
class CountRow:
    """One lot in a count: expected here, counted, or both.

    ``expected`` is ``None`` where the count is blind and the lot not yet counted.
    """

    lot: Lot
    line: StocktakeLine | None
    expected: Decimal | None
    stands: str
    elsewhere: bool
    held: str

    @property
    def name(self) -> str:
        """What the label says is in it."""
        return self.lot.title or self.lot.substance.name

    @property
    def field(self) -> str:
        """Name of its field in the list that is typed down."""
        return f"counted_{self.lot.pk}"


@dataclass(frozen=True, slots=True)
class ShelfProgress:
    """How far one place of a count is."""

    place: Place
    name: str
    expected: int
    counted: int
    last: str


def stocktakes_visible_to(actor: User) -> QuerySet[Stocktake]:
    """The counts a person may see, newest first."""
    rows = Stocktake.objects.select_related("place", "started_by", "closed_by").order_by("-id")
    return rows if policy.may(actor, "correct_stock") else rows.none()


def lines_of(stocktake: Stocktake) -> QuerySet[StocktakeLine]:
    """What counts of a stocktake: lines that were neither undone nor counted again."""
    rows = stocktake.lines.filter(undone_at=None).order_by("id")
    return rows.select_related("lot__substance", "lot__place", "counted_by", "found_in", "movement")


def count_rows(stocktake: Stocktake, *, at: Place | None = None) -> list[CountRow]:
    """The lots of a count, or of one place of it: those expected there and those found there."""
    keys = within(at.pk) if at else within(stocktake.place_id)
    lines = {line.lot_id: line for line in lines_of(stocktake)}
    expected = {lot.pk: lot for lot in standing_in(keys)}
    found = {
        line.lot_id: line.lot
        for line in lines.values()
        if at is None or line.found_in_id in keys or line.lot.place_id in keys
    }
    lots = sorted({**expected, **found}.values(), key=lambda lot: (lot.place_id is None, lot.code))
    names, held = dict(places()), _held_words(lots)
    return [
        CountRow(
            lot=lot,
            line=(line := lines.get(lot.pk)),
            expected=_shown_expected(stocktake, lot, line),
            stands=names.get(lot.place_id or 0, "no place"),
            elsewhere=bool(line and line.found_in_id and line.found_in_id != lot.place_id),
            held=held.get(lot.pk, ""),
        )
        for lot in lots
    ]


def not_seen(stocktake: Stocktake) -> list[Lot]:
    """Lots that the ledger expects there and nobody has counted."""
    counted = lines_of(stocktake).values("lot_id")
    return list(standing_in(within(stocktake.place_id)).exclude(pk__in=counted))


def progress_of(stocktake: Stocktake) -> list[ShelfProgress]:
    """Each place of a count with how many of its lots were counted, and who counted there last."""
    keys, names = within(stocktake.place_id), dict(places())
    expected: dict[int, set[int]] = {}
    for pk, place in standing().filter(place__in=keys).values_list("pk", "place_id"):
        expected.setdefault(place, set()).add(pk)
    counted: dict[int, set[int]] = {}
    last: dict[int, StocktakeLine] = {}
    for line in lines_of(stocktake):
        counted.setdefault(line.lot.place_id or 0, set()).add(line.lot_id)
        if line.found_in_id:
            last[line.found_in_id] = line
    rows = [
        ShelfProgress(
            place=place,
            name=names[place.pk],
            expected=len(expected.get(place.pk, set()) | counted.get(place.pk, set())),
            counted=len(counted.get(place.pk, ())),
            last=_who_and_when(last[place.pk]) if place.pk in last else "",
        )
        for place in Place.objects.filter(pk__in=keys, in_use=True)
    ]
    return sorted(rows, key=lambda row: row.name.lower())


def others_counting(
    stocktake: Stocktake, *, at: Place | None, actor: User, now: datetime | None = None
) -> str:
    """Who else counted at this place a moment ago, in words; empty where nobody did."""
    if at is None:
        return ""
    since = (now or timezone.now()) - STILL_THERE
    rows = stocktake.lines.filter(found_in=at, at__gte=since).exclude(counted_by=actor)
    latest = rows.select_related("counted_by").order_by("-id").first()
    return _who_and_when(latest) if latest else ""


def _who_and_when(line: StocktakeLine) -> str:
    return f"{line.counted_by}, {timezone.localtime(line.at):%H:%M}"


def _shown_expected(stocktake: Stocktake, lot: Lot, line: StocktakeLine | None) -> Decimal | None:
    if line:
        return line.expected_amount
    return None if stocktake.blind else from_base(lot.on_hand, lot.unit)


def _held_words(lots: Iterable[Lot]) -> dict[int, str]:
    """For each lot that is held in part: how much, and for what."""
    held = {lot.pk: lot for lot in lots if lot.held}
    purposes: dict[int, list[str]] = {}
    rows = Hold.objects.filter(Q(lot__in=held), state=states.ACTIVE).order_by("id")
    for lot_id, purpose in rows.values_list("lot_id", "purpose"):
        purposes.setdefault(lot_id, []).append(purpose or "an unnamed purpose")
    return {
        pk: f"{as_text(lot.held, lot.unit)} held for {', '.join(dict.fromkeys(purposes.get(pk, ['?'])))}"
        for pk, lot in held.items()
    }
