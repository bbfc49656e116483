"""The department at a glance, for the pages of the day: counts, hands, balances, the suggested sequence."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any, Final

from django.db.models import F, Func, IntegerField, JSONField, Q, QuerySet, Subquery
from django.utils import timezone

from inventory.models import ApparatusItem
from prepdesk.accounts.models import User
from prepdesk.core.prepared import Values, rows_of
from requests_app.bench_time import OPENS
from requests_app.day_plan import DayPlan, Job, plan_day
from requests_app.models import DepartmentRules
from requests_app.selectors.day import (
    MORNING_ENDS,
    SHARED,
    Bench,
    bench_of,
    capacity_of,
    jobs_of,
    next_working_day,
)
from requests_app.selectors.queue import (
    QUEUE_FILTERS,
    UNFINISHED,
    QueueRow,
    batches_under,
    bounds_of,
    limits_of,
    somebody,
    waiting_under,
)
from requests_app.selectors.work import batches_visible_to


# --- figures --------------------------------------------------------------------------------------
class _HowMany(Func):
    """Counts the rows of a subquery, which ``Count`` would group."""

    function = "COUNT"
    output_field = IntegerField()


class _AsList(Func):
    """The rows of a subquery as one list of lists."""

    output_field = JSONField()
    template = "JSON_GROUP_ARRAY(JSON_ARRAY(%(expressions)s))"

    def as_postgresql(self, compiler: Any, connection: Any, **context: Any) -> Any:
        return self.as_sql(
            compiler, connection, template="JSONB_AGG(JSONB_BUILD_ARRAY(%(expressions)s))", **context
        )


def _count_of(rows: QuerySet[Any]) -> Subquery:
    return Subquery(rows.order_by().annotate(rows=_HowMany(F("pk"))).values("rows"))


@dataclass(frozen=True, slots=True)
class Glance:
    """What a queue page says about the whole department.

    Attributes:
        counts: how many batches each filter shows.
        waiting: how many orders due by the end of the day can't be made yet.
        hands: how many people prepare at once.
        early: how many batches are due so early on the next working day that they are made before it.
        bench: the balances and hoods there are.
        out: the last day on which apparatus may be used, by key; None where it may not be used at all.
    """

    counts: Mapping[str, int]
    waiting: int
    hands: int
    early: int
    bench: Bench
    out: Mapping[int, date | None]


def queue_glance(
    actor: User, now: datetime, *, day: date | None = None, until: datetime | None = None
) -> Glance:
    """The figures of the whole department, in one query.

    Args:
        day: which the count of :data:`DAY` is for.
        until: of the orders that can't be made yet those due before then are counted, else all.
    """
    today = timezone.localdate(now)
    day = day or today
    end, early = bounds_of(day)[1], datetime.combine(next_working_day(day), MORNING_ENDS)
    values: dict[str, Any] = {
        "me": actor.pk,
        "day_ends": end,
        "early_ends": timezone.make_aware(early),
        "checked_until": max(today + _SOON, day),
    }
    for name in QUEUE_FILTERS:
        values |= limits_of(actor, name, now, day)
    if until is not None:
        values["until"] = until
    (row,) = rows_of(_figures, (actor.role, actor.is_active), values)
    found = dict(zip(_FIGURES, row, strict=True))
    bench, out = _apparatus(found["apparatus"] or (), day)
    return Glance(
        counts={name: found[name] or 0 for name in QUEUE_FILTERS},
        waiting=found["waiting"] or 0,
        hands=found["hands"] or DepartmentRules._meta.get_field("hands").default,
        early=found["early"] or 0,
        bench=bench,
        out=out,
    )


_FIGURES: Final = (*QUEUE_FILTERS, "waiting", "early", "hands", "apparatus")
_FACTS: Final = (
    "pk",
    "type",
    "nominal_ml",
    "readability_g",
    "name",
    "count",
    "in_service",
    "calibration_due_on",
)
# Apparatus whose calibration lasts longer than this is not looked at more closely.
_SOON: Final = timedelta(days=60)


def _figures(role: str, is_active: bool, values: Values) -> QuerySet[User, tuple[Any, ...]]:
    actor = somebody(role, is_active, values)
    # What is due on the next working day before there is time to make it then.
    early = batches_visible_to(actor).filter(
        state__in=UNFINISHED, due_at__gte=values["day_ends"], due_at__lt=values["early_ends"]
    )
    matters = Q(type__in=SHARED)
    matters |= Q(in_service=False) | Q(count=0) | Q(calibration_due_on__lt=values["checked_until"])
    items = ApparatusItem.objects.order_by().filter(matters)
    figures = {
        **{name: _count_of(batches_under(actor, name, values)) for name in QUEUE_FILTERS},
        "waiting": _count_of(waiting_under(actor, values)),
        "early": _count_of(early),
        "hands": Subquery(DepartmentRules.objects.values("hands")[:1]),
        "apparatus": Subquery(
            items.annotate(list=_AsList(*map(F, _FACTS))).values("list"), output_field=JSONField()
        ),
    }
    return User.objects.filter(pk=values["me"]).annotate(**figures).values_list(*_FIGURES)


def _apparatus(rows: Iterable[list[Any]], day: date) -> tuple[Bench, dict[int, date | None]]:
    items: list[ApparatusItem] = []
    out: dict[int, date | None] = {}
    for pk, kind, nominal_ml, readability_g, name, count, in_service, due in rows:
        item = ApparatusItem(
            pk=pk,
            type=kind,
            nominal_ml=nominal_ml,
            readability_g=readability_g,
            name=name,
            count=count,
            in_service=bool(in_service),
            calibration_due_on=date.fromisoformat(due) if due else None,
        )
        items.append(item)
        if not item.there:
            out[pk] = None
        elif item.calibration_due_on is not None:
            out[pk] = item.calibration_due_on
    return bench_of(items, day), out


# --- the suggestion -------------------------------------------------------------------------------
def suggestion_for(rows: Iterable[QueueRow], glance: Glance, day: date, now: datetime) -> DayPlan:
    """The suggested day of these rows; slots have the key of the batch.

    It begins with this minute, or when the day opens, and is kept for that minute: whoever looks at the same
    work sees the same, and it is worked out once.
    """
    opens = timezone.make_aware(datetime.combine(day, OPENS))
    begins = timezone.localtime(max(now.replace(second=0, microsecond=0), opens))
    bench = glance.bench
    things = (bench.balances, bench.vessels, bench.names)
    balances, vessels, names = (tuple(sorted(one.items())) for one in things)
    jobs = _jobs(tuple(rows), day, now.replace(second=0, microsecond=0))
    return _suggested(jobs, begins, glance.hands, bench.hoods, balances, vessels, names)


@lru_cache(16)
def _jobs(rows: tuple[QueueRow, ...], day: date, minute: datetime) -> tuple[Job, ...]:
    # The rows themselves are the key, so nothing that a job is made of can be forgotten in it.
    return tuple(jobs_of(rows, day, minute))


@lru_cache(16)
def _suggested(  # noqa: PLR0917
    jobs: tuple[Job, ...],
    begins: datetime,
    hands: int,
    hoods: int,
    balances: tuple[tuple[str, int], ...],
    vessels: tuple[tuple[str, int], ...],
    names: tuple[tuple[str, str], ...],
) -> DayPlan:
    bench = Bench(balances=dict(balances), vessels=dict(vessels), names=dict(names), hoods=hoods)
    return plan_day(jobs, now=begins, capacity=capacity_of(bench, DepartmentRules(hands=hands)))


def forget_suggestions() -> None:
    """Work the next one out anew, as the first look of every minute does."""
    _jobs.cache_clear()
    _suggested.cache_clear()
