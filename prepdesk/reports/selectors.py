"""What was used, for whom: read from the ledger, never from a copy of it."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from django.db.models import Q, Sum
from django.db.models.functions import Lower
from django.utils import timezone

from inventory.amounts import from_base
from inventory.models import Lot, Movement
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app.models import BatchHold, Order


def _booked_as(*kinds: str, through: str = "") -> Q:
    """Movements of these kinds and the reversals that undo them, so that a sum is what remains.

    ``through`` is the path from the row that is asked to its movements, as ``hold__movements__``.
    """
    return Q(**{f"{through}kind__in": kinds}) | Q(
        **{f"{through}kind": Movement.Kind.REVERSED, f"{through}reverses__kind__in": kinds}
    )


@dataclass(frozen=True, slots=True)
class Period:
    """Whole days of the department, both ends included."""

    first: date
    last: date

    @property
    def bounds(self) -> tuple[datetime, datetime]:
        """The half-open span of time [first midnight, midnight after the last day)."""
        zone = timezone.get_current_timezone()
        after = self.last + timedelta(days=1)
        return (
            datetime.combine(self.first, time.min, tzinfo=zone),
            datetime.combine(after, time.min, tzinfo=zone),
        )


@dataclass(frozen=True, slots=True)
class SubstanceUse:
    """What the ledger says of one substance in a period, each figure as a positive amount except the
    correction, which has a sign. ``kind`` is what stood on the shelf: millilitres of a concentrated
    reagent and of a solution made from it are never added up."""

    key: str
    name: str
    formula: str
    kind: str
    unit: str
    received: Decimal
    drawn: Decimal
    corrected: Decimal
    disposed: Decimal


@dataclass(frozen=True, slots=True)
class CourseUse:
    """What one course used of one substance, of one kind of bottle, in a period."""

    course: str
    title: str
    substance: str
    key: str
    formula: str
    kind: str
    unit: str
    drawn: Decimal
    batches: int


def use_by_substance(*, actor: User, period: Period) -> list[SubstanceUse]:
    """Received, drawn, corrected and disposed of, one row per substance, kind and unit.

    Raises:
        NotAllowed: when the actor may not see the review.
    """
    policy.require(actor, "see_review")
    start, end = period.bounds
    rows = (
        Movement.objects.filter(at__gte=start, at__lt=end)
        .values(
            "lot__substance__key",
            "lot__substance__name",
            "lot__substance__formula",
            "lot__kind",
            "lot__unit",
        )
        .annotate(
            received=Sum(
                "amount", filter=_booked_as(Movement.Kind.RECEIVED, Movement.Kind.RETURNED), default=0
            ),
            drawn=Sum("amount", filter=_booked_as(Movement.Kind.DRAWN), default=0),
            corrected=Sum("amount", filter=_booked_as(Movement.Kind.CORRECTED), default=0),
            disposed=Sum("amount", filter=_booked_as(Movement.Kind.DISPOSED), default=0),
        )
        .order_by(Lower("lot__substance__name"), "lot__kind", "lot__unit")
    )
    return [
        SubstanceUse(
            key=row["lot__substance__key"],
            name=row["lot__substance__name"],
            formula=row["lot__substance__formula"],
            kind=str(Lot.Kind(row["lot__kind"]).label),
            unit=row["lot__unit"],
            received=from_base(row["received"], row["lot__unit"]),
            drawn=from_base(-row["drawn"], row["lot__unit"]),
            corrected=from_base(row["corrected"], row["lot__unit"]),
            disposed=from_base(-row["disposed"], row["lot__unit"]),
        )
        for row in rows
    ]


def use_by_course(*, actor: User, period: Period) -> list[CourseUse]:
    """What was drawn for each course's batches, one row per course, substance, kind and unit.

    A batch that serves several orders is shared among them in proportion to the volume each asked
    for; the shares add up to what was drawn, to the last base unit.

    Raises:
        NotAllowed: when the actor may not see the review.
    """
    policy.require(actor, "see_review")
    start, end = period.bounds
    in_period = Q(hold__movements__at__gte=start, hold__movements__at__lt=end)
    drawn = _booked_as(Movement.Kind.DRAWN, through="hold__movements__")
    draws = list(
        BatchHold.objects.filter(in_period & drawn)
        .values(
            "batch_id",
            "hold__lot__substance__key",
            "hold__lot__substance__name",
            "hold__lot__substance__formula",
            "hold__lot__kind",
            "hold__lot__unit",
        )
        .annotate(base=Sum("hold__movements__amount"))
    )
    orders_of: dict[int, list[Order]] = defaultdict(list)
    served = Order.objects.filter(batch_id__in={row["batch_id"] for row in draws})
    for order in served.select_related("course").prefetch_related("sections").order_by("id"):
        if order.batch_id is not None:
            orders_of[order.batch_id].append(order)

    total: dict[tuple[str, str, str, str, str, str, str], int] = defaultdict(int)
    batches: dict[tuple[str, str, str, str, str, str, str], set[int]] = defaultdict(set)
    for row in draws:
        orders = orders_of[row["batch_id"]]
        for order, share in zip(orders, _shares(-row["base"], orders), strict=True):
            key = (
                order.course.code,
                order.course.title,
                row["hold__lot__substance__name"],
                row["hold__lot__substance__key"],
                row["hold__lot__substance__formula"],
                str(Lot.Kind(row["hold__lot__kind"]).label),
                row["hold__lot__unit"],
            )
            total[key] += share
            batches[key].add(row["batch_id"])
    return [
        CourseUse(*key, drawn=from_base(base, key[-1]), batches=len(batches[key]))
        for key, base in sorted(total.items(), key=lambda item: (item[0][0], item[0][2].lower(), item[0]))
    ]


def _shares(base: int, orders: list[Order]) -> list[int]:
    """Split ``base`` units among the orders by volume wanted; the remainder goes to the largest."""
    if len(orders) <= 1:
        return [base] * len(orders)
    weights = [
        Decimal(order.volume_per_group.replace(",", "."))
        * order.groups_per_section
        * max(1, len(order.sections.all()))
        * (1000 if order.volume_unit == "L" else 1)
        for order in orders
    ]
    whole = sum(weights)
    shares = [int(base * weight / whole) for weight in weights]
    shares[weights.index(max(weights))] += base - sum(shares)
    return shares
