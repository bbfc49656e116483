"""How fast things go: what was used in each of the last full weeks, and how long the rest will last.

Used is what was drawn, less what came back and less what was entered by mistake. A reversal belongs to
the week of the entry it undoes, not to the week in which somebody noticed; so a mistake put right leaves
no trace in any week. The present week isn't over and would make every figure too small, so it is left out.
Solutions made here are left out too: they are made when somebody asks and leave when they are handed over,
so their cover would say nothing.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from statistics import median
from typing import Final

from django.db.models import F, Q, Sum
from django.db.models.functions import Coalesce, TruncWeek
from django.utils import timezone

from inventory import states
from inventory.amounts import from_base
from inventory.models import Lot, Movement
from inventory.selectors.stock import SOON
from prepdesk.access import policy
from prepdesk.accounts.models import User

WEEKS: Final = 12
_USED: Final = (Movement.Kind.DRAWN, Movement.Kind.RETURNED)
_DIGITS: Final = 3
_TENTH: Final = Decimal("0.1")


@dataclass(frozen=True, slots=True)
class WeekUse:
    """One week: its Monday, and what was used in it [unit]; less than zero when more came back."""

    monday: date
    amount: Decimal


@dataclass(frozen=True, slots=True)
class Use:
    """What was used of one kind of bottle of one substance.

    Attributes:
        kind, unit: solid and solution, gram and millilitre never add up.
        weeks: the last :data:`WEEKS` full weeks, the oldest first, those without use too.
    """

    kind: str
    unit: str
    weeks: tuple[WeekUse, ...]

    @property
    def kind_label(self) -> str:
        """Solid, liquid reagent, solution or pieces."""
        return str(Lot.Kind(self.kind).label)

    @property
    def total(self) -> Decimal:
        """Used in all these weeks [unit]."""
        return sum((week.amount for week in self.weeks), Decimal(0))

    @property
    def mean(self) -> Decimal:
        """Mean use in a week [unit]."""
        return self.total / len(self.weeks)

    @property
    def mean_shown(self) -> Decimal:
        """The mean to three figures [unit]."""
        return to_figures(self.mean)

    @property
    def median_shown(self) -> Decimal:
        """The median to three figures [unit]: one great class does not move it."""
        return to_figures(median(week.amount for week in self.weeks))

    def weeks_of_cover(self, free: Decimal) -> Decimal | None:
        """How many weeks ``free`` [unit] lasts at the mean use, to a tenth; ``None`` without any use.

        What is free divided by the mean use of a week (common practice in stockkeeping).
        """
        if self.mean <= 0:
            return None
        return (max(free, Decimal(0)) / self.mean).quantize(_TENTH, ROUND_HALF_EVEN)


def to_figures(value: Decimal) -> Decimal:
    """A figure to three significant digits, without zeros that say nothing.

    >>> to_figures(Decimal("12.3456")), to_figures(Decimal(1234)), to_figures(Decimal("0.00"))
    (Decimal('12.3'), Decimal('1234'), Decimal('0'))
    """
    if not value:
        return Decimal(0)
    place = min(value.adjusted() - _DIGITS + 1, 0)
    rounded = value.quantize(Decimal(1).scaleb(place), ROUND_HALF_EVEN)
    return rounded.quantize(Decimal(1)) if rounded == rounded.to_integral_value() else rounded.normalize()


def last_mondays(today: date) -> tuple[date, ...]:
    """The Mondays of the last full weeks, the oldest first."""
    this_monday = today - timedelta(days=today.weekday())
    return tuple(this_monday - timedelta(weeks=back) for back in range(WEEKS, 0, -1))


def use_per_week(substance_ids: Iterable[int], *, today: date | None = None) -> dict[int, tuple[Use, ...]]:
    """What was used of these substances in each of the last full weeks, by kind of bottle; one query.

    A substance, and a kind of bottle of it, of which nothing was used is left out.
    """
    zone = timezone.get_current_timezone()
    mondays = last_mondays(today or timezone.localdate())
    begins, ends = (
        datetime.combine(day, time.min, tzinfo=zone) for day in (mondays[0], mondays[-1] + timedelta(weeks=1))
    )
    booked = Q(kind__in=_USED) | Q(kind=Movement.Kind.REVERSED, reverses__kind__in=_USED)
    rows = (
        # A reversal never comes before what it undoes, so the index on the time serves for both.
        Movement.objects.filter(
            booked, at__gte=begins, lot__substance__in=set(substance_ids), lot__prepared_by=None
        )
        .annotate(belongs=Coalesce("reverses__at", "at"))
        .filter(belongs__gte=begins, belongs__lt=ends)
        .annotate(week=TruncWeek("belongs", tzinfo=zone))
        .order_by()
        .values_list("lot__substance_id", "lot__kind", "lot__unit", "week")
        .annotate(base=Sum("amount"))
    )
    found: dict[int, dict[tuple[str, str], dict[date, int]]] = {}
    for substance, kind, unit, week, base in rows:
        found.setdefault(substance, {}).setdefault((kind, unit), {})[week.date()] = -base
    return {
        substance: tuple(
            Use(kind, unit, tuple(WeekUse(day, from_base(by_week.get(day, 0), unit)) for day in mondays))
            for (kind, unit), by_week in sorted(by_kind.items())
        )
        for substance, by_kind in found.items()
    }


# --- the page of a substance ---------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Bar:
    """One week of the chart: where its bar begins and how high it is, in units of the drawing."""

    week: WeekUse
    x: float
    y: float
    height: float


@dataclass(frozen=True, slots=True)
class Pace:
    """One kind of bottle of one substance: what there is, how fast it goes, how long it lasts.

    Attributes:
        on_hand, held, free, expiring: amounts [unit]; ``expiring`` within :data:`SOON`, of what is usable.
        use: of the last full weeks, or ``None`` when there was none.
    """

    kind: str
    unit: str
    on_hand: Decimal
    held: Decimal
    free: Decimal
    expiring: Decimal
    use: Use | None

    HEIGHT: Final = 100
    WIDTH: Final = 20

    @property
    def kind_label(self) -> str:
        """Solid, liquid reagent, solution or pieces."""
        return str(Lot.Kind(self.kind).label)

    @property
    def weeks_of_cover(self) -> Decimal | None:
        """How long what is free will last [weeks]; ``None`` when nothing was used."""
        return self.use.weeks_of_cover(self.free) if self.use else None

    @property
    def highest(self) -> Decimal:
        """The greatest use of a week [unit], which is the full height of the chart."""
        return max((week.amount for week in self.use.weeks), default=Decimal(0)) if self.use else Decimal(0)

    @property
    def highest_shown(self) -> Decimal:
        """The same to three figures [unit]."""
        return to_figures(self.highest)

    @property
    def bars(self) -> list[Bar]:
        """The bars of the chart, one a week; a week in which more came back than went has none."""
        if self.use is None or self.highest <= 0:
            return []
        return [
            Bar(week, x=number * self.WIDTH + 3, y=round(self.HEIGHT - height, 2), height=round(height, 2))
            for number, week in enumerate(self.use.weeks)
            for height in [max(0.0, float(week.amount / self.highest)) * self.HEIGHT]
        ]

    @property
    def mean_line(self) -> float:
        """Where the line of the mean lies in the chart."""
        if self.use is None or self.highest <= 0:
            return float(self.HEIGHT)
        return round(self.HEIGHT * (1 - max(0.0, float(self.use.mean / self.highest))), 2)


def pace_of(substance_id: int, *, actor: User, today: date | None = None) -> list[Pace]:
    """How fast one substance goes, by kind of bottle; two queries. Nothing for who sees no ledger."""
    if not policy.may(actor, "see_ledger"):
        return []
    day = today or timezone.localdate()
    uses = {
        (use.kind, use.unit): use for use in use_per_week([substance_id], today=day).get(substance_id, ())
    }
    usable = Q(state=states.AVAILABLE) & (Q(expires_on=None) | Q(expires_on__gte=day))
    sums = {
        (row["kind"], row["unit"]): row
        for row in Lot.objects.filter(substance=substance_id, prepared_by=None)
        .order_by()
        .values("kind", "unit")
        .annotate(
            there=Sum("on_hand"),
            promised=Sum("held"),
            loose=Sum(F("on_hand") - F("held"), filter=usable, default=0),
            going=Sum("on_hand", filter=usable & Q(expires_on__lt=day + SOON), default=0),
        )
    }
    return [
        Pace(
            kind=kind,
            unit=unit,
            on_hand=from_base(row["there"], unit),
            held=from_base(row["promised"], unit),
            free=from_base(row["loose"], unit),
            expiring=from_base(row["going"], unit),
            use=uses.get((kind, unit)),
        )
        for (kind, unit), row in sorted(sums.items())
    ]
