"""Bottles and what is told of them: who sees which, their ledger, what they were made of and went into."""

from django.db.models import F, Q, QuerySet

from inventory import codes, states
from inventory.models import Hold, Lot, LotEvent, Movement, Substance
from prepdesk.access import policy
from prepdesk.accounts.models import User


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
