"""The stock list: what is on the shelves, substance by substance, in a bounded number of queries."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from django.db.models import Count, F, Min, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce, Lower
from django.utils import timezone

from inventory import states
from inventory.amounts import from_base
from inventory.models import ApparatusItem, Lot, Substance
from inventory.selectors.lots import substances_visible_to
from inventory.selectors.paging import Page
from inventory.selectors.places import within
from inventory.selectors.search import substances_of_group, substances_that_fit
from prepdesk.access import policy
from prepdesk.accounts.models import User

SOON: Final = timedelta(days=30)
# What the list can be narrowed to, with the words of the choice.
SHOWS: Final = {
    "shelf": "On the shelf",
    "expiring": "Expired, or within 30 days",
    "stopped": "Quarantined or recalled",
    "short": "Below its reorder level",
    "all": "All substances, with or without stock",
}


def apparatus_visible_to(actor: User) -> QuerySet[ApparatusItem]:
    """What balances and glassware there is, in service first."""
    items = ApparatusItem.objects.order_by("-in_service", "type", "id")
    return items if policy.may(actor, "see_stock") else items.none()


@dataclass(frozen=True, slots=True)
class StockLine:
    """What there is of one substance in one kind of bottle; a solid and its solutions never add up."""

    kind: str
    unit: str
    on_hand: Decimal
    held: Decimal
    free: Decimal
    lots: int
    nearest_expiry: date | None
    expired: bool
    soon: bool
    quarantined: int
    recalled: int

    @property
    def kind_label(self) -> str:
        """Solid, liquid reagent or solution."""
        return str(Lot.Kind(self.kind).label)

    @property
    def quarantined_label(self) -> str:
        """How many of its lots are quarantined, in words."""
        return f"{self.quarantined} quarantined"

    @property
    def recalled_label(self) -> str:
        """How many of its lots are recalled, in words."""
        return f"{self.recalled} recalled"


@dataclass(frozen=True, slots=True)
class StockRow:
    """One substance of the list with what there is of it."""

    substance: Substance
    lines: tuple[StockLine, ...] = ()


# A page of the list, with how many substances the search found in all.
StockPage = Page[StockRow]


def stock_rows(
    *,
    actor: User,
    query: str = "",
    show: str = "shelf",
    kind: str = "",
    place: int | None = None,
    state: str = "",
    group: str = "",
    page: int = 1,
    per_page: int = 50,
    today: date | None = None,
) -> StockPage:
    """One row per substance that the search and the filters leave, in alphabetical order.

    Args:
        query: part of a name, synonym, CAS number or formula, a lot's code or number, or a place.
        show: a key of ``SHOWS``.
        kind: ``solid``, ``liquid``, ``solution`` or empty for all.
        place: only lots of this place and of what is in it.
        state: only lots in this state.
        group: only substances of this storage group, or ``unknown``.
        page: from 1; a page past the end is the last one.
    """
    day = today or timezone.localdate()
    lots = _lots_listed(actor, show, kind, place, day)
    if state:
        lots = lots.filter(state=state)
    found = substances_visible_to(actor)
    if query.strip():
        found = found.filter(pk__in=substances_that_fit(query, lots))
    if group:
        found = found.filter(pk__in=substances_of_group(group))
    if show == "short":
        found = _short(found, day)
    # A substance that ran out has no lot left to be found by, and is the shortest of all.
    if show not in ("all", "short") or kind or place or state:
        found = found.filter(pk__in=lots.values("substance_id"))
    total = found.count()
    pages = max(1, -(-total // per_page))
    number = min(max(page, 1), pages)
    shown = list(found.order_by(Lower("name"), "key")[(number - 1) * per_page : number * per_page])
    lines = _lines(lots, shown, day)
    rows = tuple(StockRow(substance, tuple(lines.get(substance.pk, ()))) for substance in shown)
    return StockPage(rows=rows, total=total, number=number, pages=pages)


def lots_as_listed(
    *,
    actor: User,
    query: str = "",
    show: str = "all",
    kind: str = "",
    place: int | None = None,
    state: str = "",
    group: str = "",
    today: date | None = None,
) -> QuerySet[Lot]:
    """The lots behind what :func:`stock_rows` shows for the same choices, by code."""
    day = today or timezone.localdate()
    lots = _lots_listed(actor, show, kind, place, day)
    if state:
        lots = lots.filter(state=state)
    if query.strip():
        lots = lots.filter(substance__in=substances_that_fit(query, lots))
    if group:
        lots = lots.filter(substance__in=substances_of_group(group))
    if show == "short":
        lots = lots.filter(substance__in=_short(substances_visible_to(actor), day).values("pk"))
    return lots.order_by("code")


def stock_lines_of(substance: Substance, *, actor: User, today: date | None = None) -> tuple[StockLine, ...]:
    """What there is of one substance, by kind of bottle."""
    day = today or timezone.localdate()
    lots = _lots_listed(actor, "shelf", "", None, day)
    return tuple(_lines(lots, [substance], day).get(substance.pk, ()))


def _short(substances: QuerySet[Substance], day: date) -> QuerySet[Substance]:
    """Those with a reorder level and less than it that may still be used, solids and liquids together."""
    usable = (
        Lot.objects.filter(substance=OuterRef("pk"), state=states.AVAILABLE)
        .filter(Q(expires_on=None) | Q(expires_on__gte=day))
        .exclude(kind=Lot.Kind.SOLUTION)
        .order_by()
        .values("substance")
        .annotate(total=Sum(F("on_hand") - F("held")))
        .values("total")
    )
    left = substances.annotate(left=Coalesce(Subquery(usable), 0))
    return left.filter(reorder_below__isnull=False, left__lt=F("reorder_below"))


def _lots_listed(actor: User, show: str, kind: str, place: int | None, day: date) -> QuerySet[Lot]:
    lots = Lot.objects.all() if policy.may(actor, "see_stock") else Lot.objects.none()
    if show == "expiring":
        lots = lots.filter(on_hand__gt=0, expires_on__lt=day + SOON)
    elif show == "stopped":
        lots = lots.filter(state__in=(states.QUARANTINED, states.RECALLED))
    elif show in ("shelf", "short"):
        lots = lots.filter(Q(on_hand__gt=0) & ~Q(state=states.EMPTY))
    if kind:
        lots = lots.filter(kind=kind)
    if place:
        lots = lots.filter(place__in=within(place))
    return lots


def _lines(lots: QuerySet[Lot], substances: Sequence[Substance], day: date) -> dict[int, list[StockLine]]:
    # Expired, quarantined and recalled bottles are counted as there, and as not free.
    usable = Q(state=states.AVAILABLE) & (Q(expires_on=None) | Q(expires_on__gte=day))
    sums = (
        lots.filter(substance__in=substances)
        .order_by()
        .values("substance_id", "kind", "unit")
        .annotate(
            total=Sum("on_hand"),
            promised=Sum("held"),
            loose=Sum(F("on_hand") - F("held"), filter=usable, default=0),
            bottles=Count("pk"),
            first_expiry=Min("expires_on"),
            quarantined=Count("pk", filter=Q(state=states.QUARANTINED)),
            recalled=Count("pk", filter=Q(state=states.RECALLED)),
        )
        .order_by("kind")
    )
    lines: dict[int, list[StockLine]] = {}
    for row in sums:
        expiry = row["first_expiry"]
        lines.setdefault(row["substance_id"], []).append(
            StockLine(
                kind=row["kind"],
                unit=row["unit"],
                on_hand=from_base(row["total"], row["unit"]),
                held=from_base(row["promised"], row["unit"]),
                free=from_base(row["loose"], row["unit"]),
                lots=row["bottles"],
                nearest_expiry=expiry,
                expired=expiry is not None and expiry < day,
                soon=expiry is not None and day <= expiry < day + SOON,
                quarantined=row["quarantined"],
                recalled=row["recalled"],
            )
        )
    return lines
