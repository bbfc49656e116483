"""Late orders: what the department's notice asks for, and what an order sent later pushes aside.

How it is reckoned, so that the sentence can be checked by hand:

* An order is on time until so many working days before it is due, at the same time of day. Saturdays,
  Sundays and the days of a break don't count.
* What it pushes aside: the hands-on minutes of every open batch are laid one after the other on the
  department's pairs of hands, from now on, within the hours of a working day. First in the order of due times
  with the new one among them; where that brings everything in time, nothing is pushed aside. Else the new one
  goes first, and each batch that would have been in time and is no longer is named.

It counts hands, not glass or balances, and it takes the planner's round minutes; so it says "about".
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from django.db.models import Count, FloatField, OuterRef, Q, Subquery
from django.db.models.fields.json import KeyTextTransform
from django.db.models.functions import Cast
from django.utils import timezone

from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.bench_time import OPENS
from requests_app.models import Batch, DepartmentRules, Order, Sheet, TermBreak
from requests_app.rules import RULES
from requests_app.selectors.rules import department_rules

# When nobody prepares any more (common practice).
CLOSES: Final = time(18)
_SATURDAY: Final = 5
# No break of a term is longer than this many days.
_LONGEST_BREAK: Final = 120
_MOST_BATCHES: Final = 400


@dataclass(frozen=True, slots=True)
class Work:
    """Work that is to be done by a time.

    Attributes:
        name: of the batch; empty for the new one.
        due_at: aware.
        minutes: at the bench, what is left of them.
        title: of the solution.
    """

    name: str
    due_at: datetime
    minutes: float
    title: str = ""


@dataclass(frozen=True, slots=True)
class Lateness:
    """What there is to say about when an order is sent.

    Attributes:
        is_late: sent later than the department's notice.
        notice: the rule in words.
        until: until when it would have been on time.
        displaces: a sentence for each thing it pushes aside.
    """

    is_late: bool
    notice: str
    until: datetime
    displaces: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The warning for whoever sends it."""
        return (
            f"This is late: notice is {self.notice}, the department’s rule, which was until "
            f"{absolute_words(self.until)}."
        )


# --- notice ---------------------------------------------------------------------------------------
def on_time_until(due_at: datetime, days: int, free_days: Iterable[tuple[date, date]] = ()) -> datetime:
    """So many working days before a time, at the same time of day.

    Args:
        free_days: first and last day of each break.
    """
    here = timezone.localtime(due_at)
    breaks = list(free_days)
    day = here.date()
    left = days
    while left > 0:
        day -= timedelta(days=1)
        if _is_working_day(day, breaks):
            left -= 1
    return timezone.make_aware(datetime.combine(day, here.time().replace(tzinfo=None)))


def marked(dues: Sequence[datetime], now: datetime, rules: DepartmentRules) -> list[Lateness]:
    """Whether each of many orders sent now is late; what they push aside is not reckoned. One query."""
    days = rules.notice_days
    breaks = free_days_before(max(dues), days, min(dues)) if dues else []
    notice = RULES["notice_days"].shown(days)
    untils = [on_time_until(due, days, breaks) for due in dues]
    return [Lateness(is_late=now > until, notice=notice, until=until) for until in untils]


def free_days_before(
    due_at: datetime, days: int, first_due: datetime | None = None
) -> list[tuple[date, date]]:
    """The breaks that may lie between a notice of so many working days and its due time."""
    day = timezone.localtime(due_at).date()
    first = timezone.localtime(first_due or due_at).date() - timedelta(days=2 * days + _LONGEST_BREAK)
    rows = TermBreak.objects.filter(starts_on__lte=day, ends_on__gte=first)
    return list(rows.values_list("starts_on", "ends_on"))


def _is_working_day(day: date, breaks: Iterable[tuple[date, date]]) -> bool:
    return day.weekday() < _SATURDAY and not any(first <= day <= last for first, last in breaks)


# --- what it pushes aside ---------------------------------------------------------------------------
def lateness_of(
    due_at: datetime, plan: dict[str, Any] | None, now: datetime | None = None, *, without: int | None = None
) -> Lateness:
    """Whether an order due then is late if sent now, and what it would push aside.

    Args:
        plan: how it would be made; without one that can be made nothing is reckoned.
        without: key of a batch that is the order's own.
    """
    now = now or timezone.now()
    rules = department_rules()
    notice = RULES["notice_days"].shown(rules.notice_days)
    breaks = free_days_before(due_at, rules.notice_days)
    until = on_time_until(due_at, rules.notice_days, breaks)
    if now <= until:
        return Lateness(is_late=False, notice=notice, until=until)
    displaces: list[str] = []
    if plan is not None and plan["feasible"]:
        new = Work("", due_at, plan["minutes"], plan["title"])
        pushed = pushed_aside(new, open_work(without), now, rules.hands, breaks)
        displaces += [
            f"{work.name}, {work.title}, due {absolute_words(work.due_at)}, would be ready about "
            f"{absolute_words(ready)}."
            for work, ready in pushed
        ]
        if pushed:
            hands = RULES["hands"].shown(rules.hands)
            displaces.append(
                f"Reckoned with {hands} preparing from {OPENS:%H:%M} to {CLOSES:%H:%M} on working days."
            )
        displaces += _taken_from_waiting(plan)
    return Lateness(is_late=True, notice=notice, until=until, displaces=tuple(displaces))


def open_work(without: int | None = None) -> list[Work]:
    """What the open batches still need at the bench: of what is begun, the share of steps not done."""
    newest = Sheet.objects.filter(batch=OuterRef("pk")).order_by("-revision")
    # As text, then as a number: SQLite would hand a bare number to a reader of JSON.
    minutes = Cast(KeyTextTransform("minutes", "plan"), FloatField())
    batches = (
        Batch.objects.filter(state__in=(states.QUEUED, states.CLAIMED, states.IN_WORK))
        .exclude(pk=without or 0)
        .annotate(
            minutes=Subquery(newest.annotate(minutes=minutes).values("minutes")[:1]),
            sheet=Subquery(newest.values("pk")[:1]),
            done=Count("step_records__step_number", distinct=True),
        )
        .order_by("due_at", "pk")[:_MOST_BATCHES]
    )
    found = list(batches)
    begun = [batch.sheet for batch in found if batch.done]
    steps = {sheet.pk: len(sheet.plan["steps"]) for sheet in Sheet.objects.filter(pk__in=begun)}
    return [
        Work(
            batch.reference,
            batch.due_at,
            float(batch.minutes or 0) * (1 - min(1.0, batch.done / steps[batch.sheet]) if batch.done else 1),
            batch.title,
        )
        for batch in found
    ]


def pushed_aside(
    new: Work,
    others: Sequence[Work],
    now: datetime,
    hands: int,
    breaks: Iterable[tuple[date, date]] = (),
) -> list[tuple[Work, datetime]]:
    """Which of the others would have been in time and no longer are when the new one goes first.

    Returns:
        Each with when it would be ready.
    """
    free = list(breaks)
    queue = sorted(others, key=lambda work: (work.due_at, work.name))
    in_time = {work for work, ready in _ready(queue, now, hands, free) if ready <= work.due_at}
    in_turn = sorted([*queue, new], key=lambda work: (work.due_at, work.name))
    if all(
        ready <= work.due_at for work, ready in _ready(in_turn, now, hands, free) if work in {*in_time, new}
    ):
        return []
    after = _ready([new, *queue], now, hands, free)
    return [(work, ready) for work, ready in after if work in in_time and ready > work.due_at]


def just_in_time(works: Sequence[Work], now: datetime) -> datetime:
    """When the last of these is ready, done one after the other by one person from now on."""
    return _ready(works, now, 1, [])[-1][1]


def _ready(
    works: Iterable[Work], now: datetime, hands: int, breaks: Sequence[tuple[date, date]]
) -> list[tuple[Work, datetime]]:
    """Each work by the next free pair of hands, and when it is ready."""
    free = [_at_work(now, breaks)] * max(1, hands)
    done = []
    for work in works:
        free.sort()
        ready = _later(free[0], work.minutes, breaks)
        free[0] = ready
        done.append((work, ready))
    return done


def _at_work(moment: datetime, breaks: Sequence[tuple[date, date]]) -> datetime:
    """The moment itself where somebody prepares then, else the next opening."""
    here = timezone.localtime(moment)
    day = here.date()
    if _is_working_day(day, breaks) and here.time() < CLOSES:
        return max(here, _on(day, OPENS))
    day += timedelta(days=1)
    while not _is_working_day(day, breaks):
        day += timedelta(days=1)
    return _on(day, OPENS)


def _later(start: datetime, minutes: float, breaks: Sequence[tuple[date, date]]) -> datetime:
    """So many minutes of work later, over as many working days as it takes."""
    left = timedelta(minutes=minutes)
    at = _at_work(start, breaks)
    while left > (rest := _on(timezone.localtime(at).date(), CLOSES) - at):
        left -= rest
        at = _at_work(_on(timezone.localtime(at).date(), CLOSES), breaks)
    return at + left


def _on(day: date, hour: time) -> datetime:
    return timezone.make_aware(datetime.combine(day, hour))


def _taken_from_waiting(plan: dict[str, Any]) -> list[str]:
    """What it takes of which another order waits for."""
    taken = {draw["substance"]: draw["amount"] for draw in plan["draws"] if draw["lot"]}
    if not taken:
        return []
    waiting = Order.objects.filter(~Q(waiting_for=[]), state=states.WAITING, unknown_sample=None)
    said = []
    for order in waiting.order_by("due_at", "pk")[:_MOST_BATCHES]:
        for reason in order.waiting_for:
            amount = taken.get(reason.get("substance", ""))
            if amount is not None:
                said.append(
                    f"{order.reference}, due {absolute_words(order.due_at)}, waits for "
                    f"{reason['substance']}; this takes {amount['value']} {amount['unit']} of it."
                )
    return said
