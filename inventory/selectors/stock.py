"""What is on the shelves, for lists and pages. Reads only, in a number of queries that does not grow."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from django.db.models import Count, F, Min, Q, QuerySet, Sum
from django.db.models.functions import Lower
from django.utils import timezone

from inventory import codes, states
from inventory.amounts import from_base
from inventory.models import ApparatusItem, Hold, Lot, LotEvent, Movement, Place, Substance
from prepdesk.access import policy
from prepdesk.accounts.models import User

SOON: Final = timedelta(days=30)
# What the list can be narrowed to, with the words of the choice.
SHOWS: Final = {
    "shelf": "On the shelf",
    "expiring": "Expired, or within 30 days",
    "stopped": "Quarantined or recalled",
    "all": "All substances, with or without stock",
}
_SUBSCRIPTS: Final = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")


# --- lots -------------------------------------------------------------------------------------
def lots_visible_to(actor: User) -> QuerySet[Lot]:
    """The lots a person may see: all of them for whoever may see stock, none otherwise."""
    lots = Lot.objects.select_related("substance", "prepared_by")
    return lots if policy.may(actor, "see_stock") else lots.none()


def substances_visible_to(actor: User) -> QuerySet[Substance]:
    """The substances a person may see."""
    substances = Substance.objects.all()
    return substances if policy.may(actor, "see_stock") else substances.none()


def lot_by_code(actor: User, code: str) -> Lot | None:
    """The lot whose label says ``code``, typed or scanned; ``None`` where there is none."""
    return lots_visible_to(actor).filter(code=codes.tidied(code)).first()


def lots_of(substance: Substance, *, actor: User) -> QuerySet[Lot]:
    """The lots of one substance: those to use first on top, empty ones last."""
    return (
        lots_visible_to(actor)
        .filter(substance=substance)
        .annotate(is_empty=Q(state=states.EMPTY) | Q(on_hand=0))
        .order_by("is_empty", "kind", F("expires_on").asc(nulls_last=True), "code")
    )


def ledger_of(lot: Lot, *, actor: User) -> QuerySet[Movement]:
    """Every movement of a lot, newest first; nothing for those who may not see the ledger."""
    rows = lot.movements.select_related("actor", "hold", "reverses", "reversed_by", "lot")
    return rows.order_by("-id") if policy.may(actor, "see_ledger") else rows.none()


def events_of(lot: Lot, *, actor: User) -> QuerySet[LotEvent]:
    """What happened to a lot besides its stock, newest first."""
    rows = lot.events.select_related("actor")
    return rows.order_by("-id") if policy.may(actor, "see_ledger") else rows.none()


def active_holds_of(lot: Lot) -> QuerySet[Hold]:
    """What is promised of a lot and to what, oldest first."""
    return lot.holds.filter(state=states.ACTIVE).select_related("actor", "lot").order_by("id")


def parents_of(lot: Lot) -> QuerySet[Lot]:
    """The lots this one was made of."""
    return Lot.objects.filter(child_links__child=lot).select_related("substance").order_by("code")


def children_of(lot: Lot) -> QuerySet[Lot]:
    """The lots made of this one."""
    return Lot.objects.filter(parent_links__parent=lot).select_related("substance").order_by("code")


# --- apparatus and places -----------------------------------------------------------------------
def apparatus_visible_to(actor: User) -> QuerySet[ApparatusItem]:
    """What balances and glassware there is, in service first."""
    items = ApparatusItem.objects.order_by("-in_service", "type", "id")
    return items if policy.may(actor, "see_stock") else items.none()


def places() -> list[tuple[int, str]]:
    """Every place with its whole name, "Store / Cabinet 2", in order."""
    rows = {pk: (name, parent) for pk, name, parent in Place.objects.values_list("pk", "name", "parent_id")}

    def whole(pk: int, seen: frozenset[int] = frozenset()) -> str:
        name, parent = rows[pk]
        # A place moved into itself by hand must not hang the page.
        return f"{whole(parent, seen | {pk})} / {name}" if parent and parent not in seen | {pk} else name

    return sorted(((pk, whole(pk)) for pk in rows), key=lambda row: row[1].lower())


# --- the list -----------------------------------------------------------------------------------
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


@dataclass(frozen=True, slots=True)
class StockPage:
    """A page of the list, with how many substances the search found in all."""

    rows: tuple[StockRow, ...]
    total: int
    number: int
    pages: int

    @property
    def previous(self) -> int:
        """Number of the page before."""
        return self.number - 1

    @property
    def next(self) -> int:
        """Number of the page after."""
        return self.number + 1


def stock_rows(
    *,
    actor: User,
    query: str = "",
    show: str = "shelf",
    kind: str = "",
    place: int | None = None,
    page: int = 1,
    per_page: int = 50,
    today: date | None = None,
) -> StockPage:
    """One row per substance that the search and the filters leave, in alphabetical order.

    Args:
        query: part of a name, synonym, CAS number or formula, a lot's code, or a place.
        show: a key of ``SHOWS``.
        kind: ``solid``, ``liquid``, ``solution`` or empty for all.
        place: only lots of this place and of what is in it.
        page: from 1; a page past the end is the last one.
    """
    day = today or timezone.localdate()
    lots = _lots_listed(actor, show, kind, place, day)
    found = substances_visible_to(actor)
    if query.strip():
        found = found.filter(pk__in=_matches(query, lots))
    if show != "all" or kind or place:
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
    today: date | None = None,
) -> QuerySet[Lot]:
    """The lots behind what :func:`stock_rows` shows for the same choices, by code."""
    lots = _lots_listed(actor, show, kind, place, today or timezone.localdate())
    if query.strip():
        lots = lots.filter(substance__in=_matches(query, lots))
    return lots.order_by("code")


def stock_lines_of(substance: Substance, *, actor: User, today: date | None = None) -> tuple[StockLine, ...]:
    """What there is of one substance, by kind of bottle."""
    day = today or timezone.localdate()
    lots = _lots_listed(actor, "shelf", "", None, day)
    return tuple(_lines(lots, [substance], day).get(substance.pk, ()))


def _lots_listed(actor: User, show: str, kind: str, place: int | None, day: date) -> QuerySet[Lot]:
    lots = Lot.objects.all() if policy.may(actor, "see_stock") else Lot.objects.none()
    if show == "expiring":
        lots = lots.filter(on_hand__gt=0, expires_on__lt=day + SOON)
    elif show == "stopped":
        lots = lots.filter(state__in=(states.QUARANTINED, states.RECALLED))
    elif show == "shelf":
        lots = lots.filter(Q(on_hand__gt=0) & ~Q(state=states.EMPTY))
    if kind:
        lots = lots.filter(kind=kind)
    if place:
        lots = lots.filter(place__in=_within(place))
    return lots


def _within(place: int) -> set[int]:
    """A place and everything in it."""
    children: dict[int | None, list[int]] = {}
    for pk, parent in Place.objects.values_list("pk", "parent_id"):
        children.setdefault(parent, []).append(pk)
    inside, layer = set(), [place]
    while layer:
        inside.update(layer)
        layer = [child for pk in layer for child in children.get(pk, ()) if child not in inside]
    return inside


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


# --- search -------------------------------------------------------------------------------------
def _matches(query: str, lots: QuerySet[Lot]) -> set[int]:
    """Keys of the substances that the words fit: by themselves, or through a lot or a place."""
    words = folded(query).split()
    by_themselves = {
        pk
        for pk, *texts, synonyms in Substance.objects.values_list("pk", "name", "cas", "formula", "synonyms")
        if _all_in(words, [*texts, *synonyms])
    }
    code = codes.tidied(query)
    inside = [pk for pk, name in places() if _all_in(words, [name])]
    through_lots = lots.filter(
        Q(code__startswith=code) | Q(lot_number__iexact=query.strip()) | Q(place__in=inside)
    )
    return by_themselves | set(through_lots.values_list("substance_id", flat=True))


def folded(text: str) -> str:
    """Text as the search compares it: small letters, hydrate dots, subscripts and "sulphate" alike."""
    plain = text.translate(_SUBSCRIPTS).casefold()
    for sign in "·*•⋅":
        plain = plain.replace(sign, ".")
    return plain.replace("sulph", "sulf").replace("-", " ")


def _all_in(words: Iterable[str], texts: Iterable[str]) -> bool:
    whole = " ".join(folded(text) for text in texts)
    return all(word in whole for word in words)
