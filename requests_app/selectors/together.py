"""Orders of the same solution: what may be made as one batch, with which limits, and what that saves."""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from django.db.models import Prefetch, QuerySet, Sum
from django.utils import timezone

from inventory.amounts import from_base
from inventory.models import ApparatusItem
from inventory.selectors import calc_apparatus
from prepdesk.calc.planner.bench import bench_of
from prepdesk.calc.planner.vessels import largest_ml
from requests_app import states
from requests_app.consolidating import Want, may_be_one
from requests_app.drafts import VolumeWanted, draft_of, plain, solution_of, volume_of
from requests_app.models import Batch, DepartmentRules, Order, OrderComponent, OrderHold
from requests_app.shelf_life import shelf_life

_ML_PER_UNIT: Final = {"L": Decimal(1000), "mL": Decimal(1)}


def volume_ml(volume: VolumeWanted) -> Decimal:
    """A volume [mL]."""
    return volume.exact * _ML_PER_UNIT[volume.unit]


def volume_words(millilitres: Decimal) -> str:
    """A volume as one says it.

    >>> volume_words(Decimal("1800.0")), volume_words(Decimal("250"))
    ('1.8 L', '250 mL')
    """
    if millilitres >= _ML_PER_UNIT["L"]:
        return f"{plain(millilitres / _ML_PER_UNIT['L'])} L"
    return f"{plain(millilitres)} mL"


def loaded(orders: QuerySet[Order]) -> QuerySet[Order]:
    """Orders with what putting them together asks of them; three queries for any number."""
    return orders.select_related("course", "ordered_by", "unknown_sample").prefetch_related(
        "sections", Prefetch("components", OrderComponent.objects.select_related("substance", "from_lot"))
    )


# --- limits -----------------------------------------------------------------------------------
def most_ml() -> Decimal:
    """The largest volume that one batch may have with the vessels there are [mL]; 0 without any."""
    today = timezone.localdate()
    items = ApparatusItem.objects.filter(count__gt=0).order_by("pk")
    told = (calc_apparatus(item) for item in items if item.may_be_used_on(today))
    return Decimal(f"{largest_ml(bench_of(tuple(one for one in told if one is not None))):.6g}")


def together_days() -> int | None:
    """How far apart the department allows the orders of one batch [days]; None leaves it to the label."""
    return DepartmentRules.objects.filter(pk=1).values_list("together_days", flat=True).first()


def want_of(order: Order, today: date) -> Want:
    """An order, loaded by :func:`loaded`, as far as it matters for putting it together with others."""
    draft = draft_of(order)
    return Want(
        key=order.pk,
        solution=solution_of(draft),
        volume_ml=volume_ml(volume_of(draft)),
        due_on=max(timezone.localtime(order.due_at).date(), today),
        keeps_days=keeps_days(order),
        alone=order.made_alone or hasattr(order, "unknown_sample"),
    )


def keeps_days(order: Order) -> int:
    """How long the label of the ordered solution allows [days]."""
    return shelf_life([one.substance.family or one.substance.key for one in order.components.all()]).days


def why_not_one(orders: Sequence[Order], *, whatever_was_pulled_out: bool = False) -> str:
    """Why orders can't be one batch, as a sentence; empty where they can.

    Args:
        whatever_was_pulled_out: a person puts them together by hand, so an earlier pulling out is no reason.
    """
    today = timezone.localdate()
    if whatever_was_pulled_out and any(hasattr(order, "unknown_sample") for order in orders):
        return "An unknown is made by itself, so that its content stays with its code."
    wants = [want_of(order, today) for order in orders]
    if whatever_was_pulled_out:
        wants = [Want(one.key, one.solution, one.volume_ml, one.due_on, one.keeps_days) for one in wants]
    most, days = most_ml(), together_days()
    return _words(may_be_one(wants, most_ml=most, together_days=days), wants, most, days)


def _words(why: str, wants: Sequence[Want], most: Decimal, days: int | None) -> str:
    if why == "solution":
        return (
            "They are not the same solution: substance, concentration, temperature or chosen bottle differ."
        )
    if why == "alone":
        return "One of them was pulled out, to be made by itself."
    if why == "volume":
        total = sum((one.volume_ml for one in wants), Decimal(0))
        largest = f"the largest vessel here takes {volume_words(most)}"
        return f"Together they are {volume_words(total)}, and {largest}."
    if why == "days":
        keeps = min(one.keeps_days for one in wants)
        apart = (max(one.due_on for one in wants) - min(one.due_on for one in wants)).days
        rule = (
            f"the department puts orders of {_days(days)} together"
            if days is not None and days < keeps
            else f"the label allows {_days(keeps)} from the day it is made"
        )
        return f"The first and the last are {_days(apart)} apart, and {rule}."
    return ""


def _days(count: int) -> str:
    return f"{count} {'day' if count == 1 else 'days'}"


# --- batches of the queue ------------------------------------------------------------------------
def open_order_rows() -> QuerySet[Order]:
    """The orders a batch is made for, loaded."""
    return loaded(Order.objects.filter(state__in=states.OPEN_ORDER_STATES).order_by("due_at", "pk"))


def queued_batches(substance_keys: Iterable[str]) -> list[Batch]:
    """Batches that nobody has claimed, with a first component of these; their open orders are loaded."""
    found = Batch.objects.filter(
        state=states.QUEUED,
        orders__components__position=0,
        orders__components__substance__key__in=set(substance_keys),
    )
    return list(
        found.distinct().order_by("due_at", "pk").prefetch_related(Prefetch("orders", open_order_rows()))
    )


# --- the division ---------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Share:
    """How much of a batch goes into which bottle.

    Attributes:
        order: for whom, with course and sections loaded.
        words: how much, as it is measured out.
        is_ready: whether it can be handed over now.
    """

    order: Order
    words: str
    is_ready: bool


def division_of(batch: Batch, orders: Iterable[Order]) -> list[Share]:
    """What each order of a batch gets, the first due first; those that were cancelled get nothing.

    What stands ready is divided as it was held when it was finished.
    """
    wanted = [order for order in orders if order.state != states.CANCELLED]
    shares: dict[int, str] = {}
    if batch.prepared_lot_id and len(wanted) > 1:
        links = OrderHold.objects.filter(batch=batch).order_by().values_list("order_id")
        held = links.annotate(share=Sum("hold__amount"))
        shares = {order: f"{plain(from_base(amount, 'mL'))} mL" for order, amount in held}
    ready = batch.state == states.READY
    return [
        Share(
            order=order,
            words=shares.get(order.pk) or _share_words(order),
            is_ready=ready and order.state == states.READY,
        )
        for order in sorted(wanted, key=lambda one: (one.due_at, one.pk))
    ]


def not_before(batch: Batch, orders: Iterable[Order]) -> date | None:
    """The first day on which a batch not made yet keeps for the last of its orders; None from then on."""
    if batch.prepared_lot_id or batch.state not in states.OPEN_BATCH_STATES:
        return None
    wanted = [order for order in orders if order.state != states.CANCELLED]
    if not wanted:
        return None
    last = max(timezone.localtime(order.due_at).date() for order in wanted)
    first = last - timedelta(days=min(keeps_days(order) for order in wanted))
    return first if first > timezone.localdate() else None


def _share_words(order: Order) -> str:
    volume = volume_of(draft_of(order))
    return f"{volume.text} {volume.unit}"


def made_with(order: Order) -> list[Order]:
    """The other orders that an order's batch is made for."""
    if order.batch_id is None:
        return []
    others = Order.objects.filter(batch=order.batch_id).exclude(pk=order.pk).exclude(state=states.CANCELLED)
    return list(others.order_by("pk"))


# --- what could be one batch ------------------------------------------------------------------------
def proposals(queued: QuerySet[Batch]) -> list[tuple[list[Batch], Decimal]]:
    """Queued batches that could be one, with their volume together [mL]; nobody pulled any of them out.

    That is where they were ordered before there was room in each other's batch, or were planned apart.
    """
    today, most, days = timezone.localdate(), most_ml(), together_days()
    by_solution: dict[Hashable, list[tuple[Batch, list[Want]]]] = {}
    for batch in queued.order_by("due_at", "pk").prefetch_related(Prefetch("orders", open_order_rows())):
        wants = [want_of(order, today) for order in batch.orders.all()]
        if wants and not any(want.alone for want in wants):
            by_solution.setdefault(wants[0].solution, []).append((batch, wants))
    found = []
    for rows in by_solution.values():
        while rows:
            batch, wants = rows.pop(0)
            chosen = [batch]
            for row in list(rows):
                if not may_be_one([*wants, *row[1]], most_ml=most, together_days=days):
                    chosen.append(row[0])
                    wants = [*wants, *row[1]]
                    rows.remove(row)
            if len(chosen) > 1:
                found.append((chosen, sum((want.volume_ml for want in wants), Decimal(0))))
    return found
