"""Whom a recall reaches, and which batches stand still because of a bottle."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.db.models import OuterRef, Prefetch, Q, QuerySet, Subquery
from django.http import Http404

from inventory.models import Lot, LotEvent
from inventory.selectors import family_below
from inventory.states import ACTIVE, DRAWN, LOT_STATES, RECALLED, STOPPED
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.models import Batch, BatchHold, Order, Recall, Section

AT_BENCH: Final = (states.CLAIMED, states.IN_WORK)
# A bottle that ran out at the bench is drawn, and what it gave is in the solution that is being made.
_IN_BATCH: Final = Q(hold__state=ACTIVE) | Q(hold__state=DRAWN, batch__state__in=AT_BENCH)


@dataclass(frozen=True, slots=True)
class Reach:
    """What follows from a lot now.

    Attributes:
        lot: the one that is recalled.
        on_shelf: what was made of it or filled from it and still has something in it.
        used_up: the same with nothing in it any more.
        queued, at_bench, ready, handed_over: batches, with their orders, sections and people.
    """

    lot: Lot
    on_shelf: tuple[Lot, ...]
    used_up: tuple[Lot, ...]
    queued: tuple[Batch, ...]
    at_bench: tuple[Batch, ...]
    ready: tuple[Batch, ...]
    handed_over: tuple[Batch, ...]

    @property
    def batches(self) -> tuple[Batch, ...]:
        """All of them, the most urgent kind first."""
        return (*self.at_bench, *self.queued, *self.ready, *self.handed_over)

    @property
    def orders(self) -> tuple[Order, ...]:
        """The orders of all of them."""
        return tuple(order for batch in self.batches for order in orders_of(batch))

    @property
    def lot_ids(self) -> frozenset[int]:
        """Keys of the lot and of everything that follows from it."""
        return frozenset(lot.pk for lot in (self.lot, *self.on_shelf, *self.used_up))


def orders_of(batch: Batch) -> list[Order]:
    """The orders a loaded batch is made for; cancelled ones get nothing of it."""
    return [order for order in batch.orders.all() if order.state != states.CANCELLED]


def reach_of(lot: Lot, *, left_out: Iterable[int] = ()) -> Reach:
    """Everything and everybody a lot leads to, in a number of queries that doesn't grow.

    Args:
        left_out: keys of lots that somebody decided are not concerned, and with them their batches.
    """
    family = family_below(lot)
    spared = set(left_out) - {lot.pk}
    others = [other for other in family.others if other.pk not in spared]
    concerned = {lot.pk, *(other.pk for other in others)}
    batches = list(_with_people(batches_of_lots(concerned)))

    def in_state(*wanted: str) -> tuple[Batch, ...]:
        return tuple(batch for batch in batches if batch.state in wanted)

    return Reach(
        lot=family.lots[lot.pk],
        on_shelf=tuple(other for other in others if other.on_hand),
        used_up=tuple(other for other in others if not other.on_hand),
        queued=in_state(states.QUEUED),
        at_bench=in_state(*AT_BENCH),
        ready=in_state(states.READY),
        handed_over=in_state(states.HANDED_OVER),
    )


def batches_of_lots(lots: Iterable[int]) -> QuerySet[Batch]:
    """The batches that are promised something of these lots, or whose finished solution is one of them."""
    wanted = set(lots)
    promised = BatchHold.objects.filter(_IN_BATCH, hold__lot__in=wanted).values("batch_id")
    return (
        Batch.objects.filter(
            Q(pk__in=promised) | Q(prepared_lot__in=wanted, state__in=(states.READY, states.HANDED_OVER))
        )
        .exclude(state=states.CANCELLED)
        .order_by("due_at", "pk")
    )


def _with_people(batches: QuerySet[Batch]) -> QuerySet[Batch]:
    sections = Section.objects.select_related("course", "instructor")
    orders = Order.objects.select_related("course", "ordered_by").prefetch_related(
        Prefetch("sections", sections)
    )
    found = batches.select_related("claimed_by", "prepared_lot")
    return found.prefetch_related(Prefetch("orders", orders), "batch_holds")


def people_reached(reach: Reach) -> list[User]:
    """Whom a recall concerns: who ordered, who teaches the sections, who makes it; and the stockroom."""
    people = {person.pk: person for person in stockroom()}
    for batch in reach.batches:
        if batch.claimed_by is not None:
            people[batch.claimed_by.pk] = batch.claimed_by
        for order in orders_of(batch):
            people[order.ordered_by.pk] = order.ordered_by
            people.update((section.instructor.pk, section.instructor) for section in order.sections.all())
    return sorted((one for one in people.values() if one.is_active), key=lambda one: (one.role, str(one)))


def stockroom() -> QuerySet[User]:
    """Everybody who keeps the stock."""
    return User.objects.filter(role__in=(policy.PREP, policy.MANAGER), is_active=True)


# --- batches that stand still --------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Stopped:
    """A bottle a batch can't go on with, and why."""

    lot: Lot
    reason: str

    @property
    def words(self) -> str:
        """One sentence for a screen at arm's length."""
        return f"{self.lot.code} {self.lot.title or self.lot.substance.name} is {self.state}: {self.reason}"

    @property
    def state(self) -> str:
        """Recalled or quarantined."""
        return LOT_STATES[self.lot.state].lower()


def stopped_lots(batches: Iterable[int]) -> dict[int, list[Stopped]]:
    """The quarantined or recalled bottles that batches hold, or that stand ready for their orders.

    Args:
        batches: keys; those where nothing is amiss are left out of the answer.
    """
    wanted = set(batches)
    pairs = [
        *BatchHold.objects.filter(_IN_BATCH, batch__in=wanted, hold__lot__state__in=STOPPED).values_list(
            "batch_id", "hold__lot_id"
        ),
        *Batch.objects.filter(pk__in=wanted, state=states.READY, prepared_lot__state__in=STOPPED).values_list(
            "pk", "prepared_lot_id"
        ),
    ]
    if not pairs:
        return {}
    why = LotEvent.objects.filter(lot=OuterRef("pk"), to_state__in=STOPPED).exclude(reason="")
    lots = (
        Lot.objects.filter(pk__in={lot for _, lot in pairs})
        .select_related("substance")
        .annotate(why=Subquery(why.order_by("-pk").values("reason")[:1]))
        .in_bulk()
    )
    found: dict[int, list[Stopped]] = defaultdict(list)
    for batch, lot in dict.fromkeys(pairs):
        found[batch].append(Stopped(lots[lot], lots[lot].why or "no reason is written down"))
    return dict(found)


# --- recalls that were made -----------------------------------------------------------------------
def recalls_visible_to(actor: User) -> QuerySet[Recall]:
    """Recalls name whom they reached, so they are for those who see the ledger."""
    recalls = Recall.objects.select_related("lot__substance", "actor")
    return recalls if policy.may(actor, "see_ledger") else recalls.none()


def recall_or_404(actor: User, number: int) -> Recall:
    """One recall with all its page shows."""
    found = (
        recalls_visible_to(actor)
        .prefetch_related(
            Prefetch("lots", Lot.objects.select_related("substance").order_by("code")),
            Prefetch("left_out", Lot.objects.select_related("substance").order_by("code")),
            Prefetch("batches", Batch.objects.select_related("claimed_by", "prepared_lot")),
            Prefetch(
                "orders",
                Order.objects.select_related("course", "ordered_by", "batch")
                .prefetch_related("sections")
                .order_by("due_at", "pk"),
            ),
        )
        .filter(pk=number)
        .first()
    )
    if found is None:
        raise Http404("There is no such recall that you may see.")
    return found


def last_recall_of(lot: Lot) -> Recall | None:
    """The newest recall that marked this lot, while it is recalled."""
    return lot.recalls.order_by("-pk").first() if lot.state == RECALLED else None
