"""One bottle: its dated history, its papers, what it may be poured together with."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import CharField, Q, QuerySet, Sum, Value

from inventory import states
from inventory.amounts import Unit
from inventory.models import (
    Attachment,
    Lot,
    LotEvent,
    Movement,
    Place,
    Substance,
    SubstanceEvent,
    WasteStream,
)
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.paging import Page
from inventory.selectors.places import within
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError

PER_PAGE: Final = 50
_MOVEMENT, _EVENT = "movement", "event"


# --- history ----------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One entry of the ledger with what was in the bottle after it [base units], or one event."""

    at: datetime
    movement: Movement | None = None
    balance: int = 0
    event: LotEvent | None = None


# A page of a bottle's history, newest first.
HistoryPage = Page[HistoryRow]


def history_of(lot: Lot, *, actor: User, page: int = 1, per_page: int = PER_PAGE) -> HistoryPage:
    """What happened to a bottle, ledger and events together, newest first; nothing for those who may not
    see the ledger.

    A page takes the same number of queries however long the history is.

    Args:
        page: from 1; a page past the end is the last one.
    """
    if not policy.may(actor, "see_ledger"):
        return HistoryPage((), 0, 1, 1)
    movements = lot.movements.order_by()
    events = lot.events.order_by()
    total = movements.count() + events.count()
    pages = max(1, -(-total // per_page))
    number = min(max(page, 1), pages)
    # Keys and times of both tables are sorted by the database; only one page of rows is fetched whole.
    both = (
        movements.annotate(what=_named(_MOVEMENT))
        .values_list("at", "pk", "what")
        .union(events.annotate(what=_named(_EVENT)).values_list("at", "pk", "what"), all=True)
    )
    listed = list(both.order_by("-at", "-what", "-pk")[(number - 1) * per_page : number * per_page])
    by_kind = {kind: [pk for _, pk, what in listed if what == kind] for kind in (_MOVEMENT, _EVENT)}
    whole = Movement.objects.select_related(
        "actor", "hold", "reverses", "reversed_by", "lot", "waste_stream"
    ).in_bulk(by_kind[_MOVEMENT])
    told = LotEvent.objects.select_related("actor").in_bulk(by_kind[_EVENT])
    balance = _balance_after(lot, [whole[pk] for pk in by_kind[_MOVEMENT]])
    rows = []
    for at, pk, what in listed:
        if what == _EVENT:
            rows.append(HistoryRow(at, event=told[pk]))
        else:
            rows.append(HistoryRow(at, movement=whole[pk], balance=balance))
            balance -= whole[pk].amount
    return HistoryPage(tuple(rows), total, number, pages)


def _named(what: str) -> Value:
    return Value(what, output_field=CharField())


def _balance_after(lot: Lot, newest_first: list[Movement]) -> int:
    """What was in the bottle after the newest of these entries: what is there, less all that came later."""
    if not newest_first:
        return lot.on_hand
    newest = newest_first[0]
    later = lot.movements.filter(Q(at__gt=newest.at) | Q(at=newest.at, pk__gt=newest.pk))
    return lot.on_hand - (later.aggregate(total=Sum("amount"))["total"] or 0)


def expiry_note_of(lot: Lot) -> str:
    """Why a bottle expires when it does, where the shelf life of its substance says so; else empty.

    An expiry corrected afterwards counts more, and then this says nothing.
    """
    about = Q(event="expiry") | Q(event="open") & ~Q(reason="")
    newer = Q(event="label", reason__contains="expiry “") | Q(event="merge", reason__contains="expires")
    last = lot.events.filter(about | newer).order_by("-id").first()
    return last.reason if last and last.event in ("expiry", "open") and lot.expires_on else ""


def substance_history(substance: Substance, *, actor: User) -> QuerySet[SubstanceEvent]:
    """Who changed what the department keeps about a substance, newest first."""
    rows = substance.events.select_related("actor").order_by("-id")
    return rows if policy.may(actor, "see_ledger") else rows.none()


# --- papers -------------------------------------------------------------------------------------------
def attachments_visible_to(actor: User) -> QuerySet[Attachment]:
    """The files a person may read: those that count for everybody who sees stock, the withdrawn ones for
    those who see its history."""
    rows = Attachment.objects.select_related("lot", "substance", "added_by", "withdrawn_by")
    if policy.may(actor, "see_ledger"):
        return rows
    return rows.filter(withdrawn_at=None) if policy.may(actor, "see_stock") else rows.none()


def attachments_of(of: Lot | Substance, *, actor: User) -> list[Attachment]:
    """The files of a bottle or a substance that this person may read, withdrawn ones last.

    Those of a bottle that was filled from another one include the other one's: it is the same lot.
    """
    rows = attachments_visible_to(actor)
    mine = Q(substance=of) if isinstance(of, Substance) else Q(lot__in=_filled_from(of))
    return sorted(rows.filter(mine), key=lambda row: (row.withdrawn_at is not None, row.kind, row.pk))


def _filled_from(lot: Lot) -> set[int]:
    """A bottle and those it was filled from, as far back as they go."""
    chain, before = {lot.pk}, lot.split_from_id
    while before and before not in chain:
        chain.add(before)
        before = Lot.objects.values_list("split_from_id", flat=True).get(pk=before)
    return chain


# --- waste, units, what left ----------------------------------------------------------------------------
def waste_streams(*, in_use: bool | None = None) -> QuerySet[WasteStream]:
    """The department's waste streams by name: all, or those in use."""
    rows = WasteStream.objects.order_by("-in_use", "name")
    return rows if in_use is None else rows.filter(in_use=in_use)


def usual_unit(substance: Substance, catalogue: Catalogue | None = None) -> str:
    """What the pure substance is counted in: g of a solid, mL of a liquid.

    Args:
        catalogue: for whoever asks about many; else it is asked for.
    """
    state = substance.record.get("state", "")
    if not state:
        try:
            state = (catalogue or calc_catalogue()).by_key(substance.key).state
        except InputError:
            state = Lot.Kind.SOLID
    return str(Unit.MILLILITRE if state == Lot.Kind.LIQUID else Unit.GRAM)


def gone_from(lot: Lot) -> int:
    """Base units that left a lot since it came: what was received or poured in, less what is there."""
    came = (Movement.Kind.RECEIVED, Movement.Kind.POURED)
    total = lot.movements.filter(
        Q(kind__in=came) | Q(kind=Movement.Kind.REVERSED, reverses__kind__in=came)
    ).aggregate(total=Sum("amount"))["total"]
    return max(0, (total or 0) - lot.on_hand)


# --- the same lot -----------------------------------------------------------------------------------------
# What a label says about the contents; bottles that differ here are not one lot, whatever their number.
_SAME: Final = {
    "kind": "kind",
    "unit": "unit",
    "assay_percent": "assay",
    "assay_tolerance_percent": "tolerance of the assay",
    "mass_percent": "mass percent",
    "density_g_per_ml": "density",
    "concentration_mol_per_l": "concentration",
    "relative_uncertainty_percent": "uncertainty",
    "composition": "composition",
    "grade": "grade",
}


def lot_roots(substance_id: int) -> dict[int, int]:
    """For each lot of a substance the one it was first filled from, itself where it was received."""
    parents = dict(Lot.objects.filter(substance_id=substance_id).values_list("pk", "split_from_id"))
    roots: dict[int, int] = {}
    for pk in parents:
        root, seen = pk, {pk}
        while (parent := parents.get(root)) and parent not in seen:
            root = parent
            seen.add(root)
        roots[pk] = root
    return roots


def why_not_one_lot(one: Lot, other: Lot, roots: Mapping[int, int]) -> str:
    """Why two bottles are not of the same lot, in words; empty where they are."""
    if one.substance_id != other.substance_id:
        return f"{other.code} holds another substance, or another form of it."
    different = [word for field, word in _SAME.items() if getattr(one, field) != getattr(other, field)]
    if different:
        return f"{other.code} differs by its label: {', '.join(different)}."
    if roots[one.pk] == roots[other.pk]:
        return ""
    if not one.lot_number or one.lot_number != other.lot_number:
        return (
            f"{other.code} is not known to be of the same lot: it was not filled from the same bottle, and "
            "the lot numbers differ or aren't known."
        )
    return ""


def mergeable_with(lot: Lot, *, actor: User) -> list[Lot]:
    """The other bottles of the same lot that could be poured into this one now, by code."""
    if not policy.may(actor, "correct_stock"):
        return []
    roots = lot_roots(lot.substance_id)
    there = Lot.objects.filter(substance=lot.substance_id, state=states.AVAILABLE, on_hand__gt=0).exclude(
        pk=lot.pk
    )
    return [other for other in there.order_by("code") if not why_not_one_lot(lot, other, roots)]


def bottles_of_pouring(movement: Movement) -> list[Movement]:
    """Every row of the pouring that this one belongs to; none for a row that stands alone."""
    rows = Movement.objects.filter(pouring=movement.pouring).exclude(pouring="")
    return list(rows.select_related("lot").order_by("pk"))


def lots_at(place: Place | None, *, actor: User) -> QuerySet[Lot]:
    """The bottles with something in them that stand in this place and what is in it, or in none that is
    known."""
    where = Q(place=None) if place is None else Q(place__in=within(place.pk))
    lots = Lot.objects.select_related("substance").filter(where, on_hand__gt=0)
    return lots.order_by("place__name", "code") if policy.may(actor, "see_stock") else lots.none()


def split_into(lot: Lot) -> QuerySet[Lot]:
    """The smaller bottles that were filled from a lot."""
    return Lot.objects.filter(split_from=lot).select_related("substance").order_by("code")
