"""The day of the stockroom: from batches to jobs, what each of them waits for, and the suggested plan.

Two queries of its own, however many batches: the batches of the day with all that is asked of them, and the
balances and hoods there are. A page that has its batches already annotates them by :func:`with_day` and calls
:func:`jobs_of`, :func:`readiness_of` and :func:`plan_of_day`, which ask the database nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from inventory.models import ApparatusItem
from inventory.states import ACTIVE, BOOKED, STOPPED
from prepdesk.accounts.models import User
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.bench_time import OPENS
from requests_app.day_plan import Capacity, DayPlan, Job, Slot, plan_day
from requests_app.models import (
    Batch,
    BatchBooking,
    BatchHold,
    DepartmentRules,
    OrderRevision,
    Sheet,
    StepRecord,
)
from requests_app.selectors.rules import department_rules
from requests_app.selectors.work import batches_visible_to
from requests_app.sheets import local_date

UNFINISHED: Final = (states.QUEUED, states.CLAIMED, states.IN_WORK)
_MOST_BATCHES: Final = 400
_MOST_MAKERS: Final = 2
_SATURDAY: Final = 5
SHARED: Final = (
    ApparatusItem.Type.BALANCE,
    ApparatusItem.Type.FUME_HOOD,
    ApparatusItem.Type.FLASK,
    ApparatusItem.Type.CYLINDER,
    ApparatusItem.Type.CARBOY,
)
# An unknown is planned with this: how long it takes would say how it is diluted (common practice).
_UNKNOWN: Final = timedelta(minutes=30)


# --- the batches of a day -----------------------------------------------------------------------
def with_day(batches: QuerySet[Batch], on: date) -> QuerySet[Batch]:
    """Batches with what the day needs to know of each, in the query that loads them.

    Adds ``card`` (of the newest sheet, see :func:`requests_app.cards.card_of`), ``revision`` (of that
    sheet), ``steps_done``, and whether it ``stands_still`` (a bottle it holds is recalled or quarantined),
    ``has_expired`` (a bottle it holds is out of date on that day), ``lacks_apparatus`` (what is booked for
    it is out of service or past its calibration on that day), ``is_unseen`` (an order was changed and
    nobody at the bench has seen it).
    """
    newest = Sheet.objects.filter(batch=OuterRef("pk")).order_by("-revision")
    steps = (
        StepRecord.objects.filter(batch=OuterRef("pk"))
        .order_by()
        .values("batch")
        .annotate(done=Count("step_number", distinct=True))
    )
    held = BatchHold.objects.filter(batch=OuterRef("pk"), hold__state=ACTIVE)
    booked = BatchBooking.objects.filter(batch=OuterRef("pk"), booking__state=BOOKED)
    gone = Q(booking__item__in_service=False) | Q(booking__item__calibration_due_on__lt=on)
    unseen = OrderRevision.objects.filter(batch=OuterRef("pk"), needs_seeing=True, seen_at=None)
    return batches.annotate(
        card=Subquery(newest.values("card")[:1]),
        revision=Subquery(newest.values("revision")[:1]),
        steps_done=Coalesce(Subquery(steps.values("done")), 0),
        stands_still=Exists(held.filter(hold__lot__state__in=STOPPED)),
        has_expired=Exists(held.filter(hold__lot__expires_on__lt=on)),
        lacks_apparatus=Exists(booked.filter(gone)),
        is_unseen=Exists(unseen),
    )


def batches_of_day(actor: User, on: date) -> QuerySet[Batch]:
    """The work of a day: unfinished batches due by its end, what is due on the next morning, what is begun.

    Annotated by :func:`with_day`, with ``claimed_by`` loaded, what is due first first.
    """
    ends = _at(next_working_day(on), MORNING_ENDS)
    wanted = Q(due_at__lt=ends) | Q(state__in=(states.CLAIMED, states.IN_WORK))
    rows = batches_visible_to(actor).filter(wanted, state__in=UNFINISHED).select_related("claimed_by")
    return with_day(rows, on).order_by("due_at", "pk")[:_MOST_BATCHES]


# What is due earlier in the morning may have to be made the day before (common practice).
MORNING_ENDS: Final = time(10)


def _at(day: date, hour: time) -> datetime:
    return timezone.make_aware(datetime.combine(day, hour))


# --- what a batch waits for ---------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Readiness:
    """Whether work on a batch can begin or go on.

    Attributes:
        waits_for: a sentence for each thing that is in the way; empty where nothing is.
    """

    waits_for: tuple[str, ...] = ()

    @property
    def is_ready(self) -> bool:
        """Nothing is in the way."""
        return not self.waits_for


@dataclass(frozen=True, slots=True)
class Bench:
    """The balances, hoods and vessels there are.

    Attributes:
        balances, vessels: how many of each, by key as text.
        names: what it is called, by key.
        hoods: how many.
        unusable: why a balance can't be used on the day, by key.
    """

    balances: Mapping[str, int] = field(default_factory=dict)
    vessels: Mapping[str, int] = field(default_factory=dict)
    names: Mapping[str, str] = field(default_factory=dict)
    hoods: int = 0
    unusable: Mapping[str, str] = field(default_factory=dict)


def bench_on(on: date) -> Bench:
    """What the work of a day shares, in one query."""
    return bench_of(ApparatusItem.objects.filter(type__in=SHARED).order_by("pk"), on)


def bench_of(items: Iterable[ApparatusItem], on: date) -> Bench:
    """The same of apparatus that is loaded; what is not shared is left out."""
    balances, vessels, names, unusable, hoods = {}, {}, {}, {}, 0
    for item in items:
        if item.type not in SHARED:
            continue
        key = str(item.pk)
        names[key] = item.words
        if item.type == ApparatusItem.Type.FUME_HOOD:
            hoods += item.there
            continue
        if item.type != ApparatusItem.Type.BALANCE:
            vessels[key] = item.there
            continue
        balances[key] = item.there
        if not item.in_service:
            unusable[key] = "is out of service"
        elif item.is_past_calibration(on):
            unusable[key] = "is past its calibration"
    return Bench(balances, vessels, names, hoods, unusable)


def readiness_of(row: Any, bench: Bench) -> Readiness:
    """What a batch annotated by :func:`with_day` waits for; asks the database nothing.

    Its stock is held since it was planned, so it only says what became of it since.
    """
    said = []
    if row.stands_still:
        said.append("A bottle it holds is recalled or quarantined, so it stands still.")
    if row.has_expired:
        said.append("A bottle it holds is out of date by then.")
    if row.lacks_apparatus:
        said.append("Apparatus booked for it is out of service or past its calibration.")
    keys = {str(key) for key in (row.card or {}).get("balances", ())}
    said += [f"The {bench.names[key]} {bench.unusable[key]}." for key in sorted(keys & set(bench.unusable))]
    if row.is_unseen:
        said.append("An order was changed and nobody at the bench has seen it yet.")
    return Readiness(tuple(said))


def makers_of(orders: Iterable[Any], rows: Sequence[Any]) -> dict[int, tuple[str, ...]]:
    """Which open batches make what a waiting order lacks, a sentence each, by key of the order.

    The first :data:`_MOST_MAKERS` for each substance. Asks the database nothing: ``waiting_for`` stands on
    the order, what a batch makes on its card. An unknown is nobody's ingredient.
    """
    makes: dict[str, list[str]] = {}
    for row in rows:
        if row.unknown_of_id is None:
            for name in (row.card or {}).get("solutes", ()):
                said = makes.setdefault(name, [])
                if len(said) < _MOST_MAKERS:
                    due = absolute_words(row.due_at)
                    said.append(f"{row.reference} makes a solution of {name}, due {due}.")
    found = {}
    for order in orders:
        lacks = dict.fromkeys(reason.get("substance", "") for reason in order.waiting_for)
        lines = [line for name in lacks for line in makes.get(name, ())]
        if lines:
            found[order.pk] = tuple(lines)
    return found


# --- jobs ---------------------------------------------------------------------------------------
def jobs_of(rows: Iterable[Any], on: date, now: datetime) -> list[Job]:
    """The jobs of a day among batches annotated by :func:`with_day`, with ``pk`` as key; asks nothing.

    The day's work is what is due by its end, what somebody has, and what is due so early on the next working
    day that it can't be made then. Left out: what is finished, what stands still, and for a day to come what
    is due before it.
    """
    # Moments are compared with the bounds of the days: to tell the day of each takes much longer.
    ends = _at(on + timedelta(days=1), time.min)
    next_ends = _at(next_working_day(on) + timedelta(days=1), time.min)
    earliest = _at(on, time.min) if on > local_date(now) else None
    return [
        _job(row, ends)
        for row in rows
        if row.state in UNFINISHED
        and not row.stands_still
        and (earliest is None or row.due_at >= earliest)
        and (row.due_at < ends or row.claimed_by_id is not None or _is_early(row, next_ends))
    ]


def _is_early(row: Any, next_ends: datetime) -> bool:
    """Whether it is due on the next working day before there is time to make it then."""
    if row.due_at >= next_ends:
        return False
    hands_on, waiting, _ = _left_of(row)
    return bool(_at(local_date(row.due_at), OPENS) + hands_on + waiting > row.due_at)


def next_working_day(day: date) -> date:
    day += timedelta(days=1)
    while day.weekday() >= _SATURDAY:
        day += timedelta(days=1)
    return day


def _job(row: Any, ends: datetime) -> Job:
    card = {} if row.unknown_of_id is not None else row.card or {}
    hands_on, waiting, at_balance = _left_of(row)
    return Job(
        key=row.pk,
        name=row.reference,
        due_at=row.due_at,
        hands_on=hands_on,
        waiting=waiting,
        balances=frozenset(map(str, card.get("balances", ()))) if at_balance else frozenset(),
        at_balance=at_balance,
        hood=bool(card.get("hood")),
        vessels=frozenset(map(str, card.get("booked", ()))),
        person=row.claimed_by_id,
        begun=row.state == states.IN_WORK,
        # What was begun for another day doesn't go before the work of this one.
        paused=row.paused_at is not None or row.due_at >= ends,
    )


def _left_of(row: Any) -> tuple[timedelta, timedelta, timedelta]:
    """What is left of a batch: with hands, without, and with hands until its last weighing."""
    if row.unknown_of_id is not None:
        return _UNKNOWN, timedelta(), timedelta()
    card = row.card or {}
    steps = card.get("step_minutes")
    if steps is None:
        # Frozen before cards knew the time of each step.
        share = 1 - min(1.0, row.steps_done / card["steps"]) if card.get("steps") else 1.0
        whole = timedelta(minutes=card.get("minutes", 0)) * share
        return whole, timedelta(), whole
    left = steps[row.steps_done :]
    weighing = steps[row.steps_done : card["weighed_by"]]
    return (
        timedelta(minutes=sum(hands for hands, _ in left)),
        timedelta(minutes=sum(waits for _, waits in left)),
        timedelta(minutes=sum(hands for hands, _ in weighing)),
    )


def day_jobs(actor: User, on: date, now: datetime) -> list[Job]:
    """The jobs of a day; one query."""
    return jobs_of(batches_of_day(actor, on), on, now)


# --- the plan -----------------------------------------------------------------------------------
def capacity_of(bench: Bench, rules: DepartmentRules) -> Capacity:
    """Who and what there is: as many people as the department's rules say, named by the work they have."""
    return Capacity(
        people=(None,) * max(1, rules.hands),
        balances=bench.balances,
        hoods=bench.hoods,
        vessels=bench.vessels,
        names=bench.names,
    )


def plan_of_day(
    rows: Sequence[Any], *, on: date, now: datetime, bench: Bench, rules: DepartmentRules
) -> DayPlan:
    """The suggested day of batches annotated by :func:`with_day`; slots have ``pk`` as key. Asks nothing.

    It is the same for everybody who looks. It begins now, or when the day opens.
    """
    begins = timezone.localtime(max(now, _at(on, OPENS)))
    return plan_day(jobs_of(rows, on, now), now=begins, capacity=capacity_of(bench, rules))


@dataclass(frozen=True, slots=True)
class PlannedDay:
    """A day with its batches.

    Attributes:
        plan: of all jobs.
        rows: the batches, by due time.
        slots: by key of the batch; a batch without one is not planned, and ``readiness`` says why.
        readiness: by key of the batch.
    """

    plan: DayPlan
    rows: tuple[Any, ...]
    slots: Mapping[int, Slot]
    readiness: Mapping[int, Readiness]


def day_plan_for(actor: User, on: date, now: datetime) -> PlannedDay:
    """The suggested day as a person may see it: two queries, and one for the department's rules."""
    rows = tuple(batches_of_day(actor, on))
    bench = bench_on(on)
    plan = plan_of_day(rows, on=on, now=now, bench=bench, rules=department_rules())
    return PlannedDay(
        plan=plan,
        rows=rows,
        slots=plan.by_key,  # type: ignore[arg-type]  # the keys of these jobs are keys of batches
        readiness={row.pk: readiness_of(row, bench) for row in rows},
    )
