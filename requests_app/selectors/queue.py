"""The queue: the batches of a day or of all days, in a number of queries that does not depend on how many.

Three queries bring what the page shows: the figures about the whole department (:mod:`.glance`), the batches
with their cards and flags (:func:`queue_rows`), and the orders of the rows in view together with those that
can't be made yet (:mod:`.queue_orders`). They read columns, not objects, and no plan.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any, Final

from django.db.models import Count, Exists, F, Max, Min, OuterRef, Q, QuerySet, Subquery, TextField
from django.db.models.functions import Cast
from django.utils import timezone

from inventory.states import ACTIVE as HOLD_ACTIVE
from inventory.states import BOOKED, STOPPED
from prepdesk.accounts.models import User
from prepdesk.core.prepared import Values, rows_of
from requests_app import states
from requests_app.cards import Card, card_in
from requests_app.concealing import card_for_list, may_read_figures
from requests_app.models import (
    Batch,
    BatchBooking,
    BatchHold,
    Order,
    OrderRevision,
    SecondCheck,
    Sheet,
    StepRecord,
)
from requests_app.selectors.changes import SHOWN_FOR
from requests_app.selectors.work import batches_visible_to, orders_visible_to

# How long the finished work stays in the lists before one has to ask for it.
SHOW_DONE_FOR: Final = timedelta(days=14)
PAGE_SIZE: Final = 50

DAY: Final = "day"
QUEUE_FILTERS: Final = {
    DAY: "The day",
    "open": "All open",
    "unclaimed": "To be made",
    "mine": "Mine",
    "ready": "Ready",
    "done": "Handed over",
}
UNFINISHED: Final = (states.QUEUED, states.CLAIMED, states.IN_WORK)
_BEGUN: Final = (states.CLAIMED, states.IN_WORK, states.READY)


# --- which batches --------------------------------------------------------------------------------
def bounds_of(day: date) -> tuple[datetime, datetime]:
    """The first moment of a day on the department's clock, and that of the next day."""
    start, end = (datetime.combine(one, time.min) for one in (day, day + timedelta(days=1)))
    return timezone.make_aware(start), timezone.make_aware(end)


def limits_of(actor: User, chosen: str, now: datetime, day: date | None = None) -> dict[str, Any]:
    """The key and the moments that bound the list under one of :data:`QUEUE_FILTERS`.

    Args:
        day: for :data:`DAY`; today when it is left out.
    """
    if chosen == "mine":
        return {"me": actor.pk}
    if chosen == "done":
        return {"done_since": now - SHOW_DONE_FOR}
    if chosen != DAY:
        return {}
    today = timezone.localdate(now)
    start, end = bounds_of(day or today)
    return {"day_ends": end} if (day or today) == today else {"day_starts": start, "day_ends": end}


def batches_under(actor: User, chosen: str, limits: Values) -> QuerySet[Batch]:
    """The batches under one of :data:`QUEUE_FILTERS`, in the order of that list.

    The day is today where it has no beginning: today brings what is late with it. A day that has passed
    shows what was due on it, also what is handed over.
    """
    batches = batches_visible_to(actor)
    if chosen == "unclaimed":
        batches = batches.filter(state=states.QUEUED)
    elif chosen == "mine":
        batches = batches.filter(claimed_by=limits["me"], state__in=states.OPEN_BATCH_STATES)
    elif chosen == "ready":
        batches = batches.filter(state=states.READY)
    elif chosen == "done":
        finished = (states.HANDED_OVER, states.SHELVED)
        done = batches.filter(state__in=finished, due_at__gte=limits["done_since"])
        return done.order_by("-due_at", "-id")
    elif chosen == DAY:
        batches = batches.filter(_of_the_day(limits))
    else:
        batches = batches.filter(state__in=states.OPEN_BATCH_STATES)
    return batches.order_by("due_at", "id")


def _of_the_day(limits: Values) -> Q:
    if "day_starts" not in limits:
        return Q(state__in=states.OPEN_BATCH_STATES, due_at__lt=limits["day_ends"])
    shown = [state for state in states.BATCH_STATES if state != states.CANCELLED]
    return Q(state__in=shown, due_at__gte=limits["day_starts"], due_at__lt=limits["day_ends"])


def waiting_under(actor: User, limits: Values) -> QuerySet[Order]:
    """The orders that can't be made yet, due before ``until`` where there is one, most urgent first."""
    orders = orders_visible_to(actor).filter(state=states.WAITING)
    return (orders.filter(due_at__lt=limits["until"]) if "until" in limits else orders).order_by(
        "due_at", "id"
    )


def somebody(role: str, is_active: bool, values: Values) -> User:
    """A person as far as a kept question may know them: what they may see, and their key as a value.

    A rule that asks for more of them would find an empty key, and fail rather than answer for somebody else.
    """
    return User(pk=values.get("me"), role=role, is_active=is_active)


# --- the rows -------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class QueueRow:
    """One line of the queue, as columns: nothing is loaded when a page asks for more.

    Attributes:
        pk, reference, title, state, due_at, room, version: of the batch.
        sheet, revision, card: of its newest sheet; the card of an unknown that the reader may not see is
            almost empty and says ``concealed``.
        unknown_of_id: whose unknown it is, where it is one.
        claimed_by_id, holder, claimed_at: who has it, empty where nobody has.
        lot: the code it stands on the shelf under.
        paused_at: since when work that was begun rests.
        steps_done: for how many of its steps a record is there.
        is_unseen: a change waits until somebody at the bench has seen it.
        changed_at: when an order of it was changed last.
        stands_still: a bottle of it is recalled or quarantined.
        has_expired: a bottle it holds is out of date by the time it is due.
        lacks_apparatus: apparatus of it is out of service, gone, or past its calibration on its day.
        asks_check: a second person is to look at its readings.
        late: due before now and not yet ready.
    """

    pk: int
    reference: str
    title: str
    state: str
    due_at: datetime
    room: str
    version: int
    sheet: int
    revision: int
    card: Card
    unknown_of_id: int | None
    claimed_by_id: int | None
    holder: str
    claimed_at: datetime | None
    lot: str
    paused_at: datetime | None
    steps_done: int
    is_unseen: bool
    changed_at: datetime | None
    stands_still: bool
    has_expired: bool
    lacks_apparatus: bool
    asks_check: bool
    late: bool

    @property
    def is_open(self) -> bool:
        """Neither handed over nor on the shelf."""
        return self.state in states.OPEN_BATCH_STATES

    @property
    def is_unfinished(self) -> bool:
        """Still to be made."""
        return self.state in UNFINISHED

    @property
    def is_begun(self) -> bool:
        """Somebody has it, or has made it."""
        return self.state in _BEGUN

    @property
    def state_words(self) -> str:
        """Its state as people call it."""
        return states.BATCH_STATES[self.state]


_COLUMNS: Final = (
    "batch_id",
    "batch__reference",
    "batch__title",
    "batch__state",
    "batch__due_at",
    "batch__room",
    "batch__version",
    "pk",
    "revision",
    "card_text",
    "batch__claimed_by_id",
    "batch__claimed_by__first_name",
    "batch__claimed_by__last_name",
    "batch__claimed_by__username",
    "batch__claimed_at",
    "batch__prepared_lot__code",
    "batch__paused_at",
    "batch__unknown_of_id",
    "steps_done",
    "is_unseen",
    "changed_at",
    "stands_still",
    "expires_first",
    "asks_check",
    "booked_out",
)


def queue_rows(
    actor: User,
    chosen: str,
    now: datetime,
    *,
    day: date | None = None,
    out: Mapping[int, date | None] | None = None,
    page: int | None = None,
) -> list[QueueRow]:
    """The queue under one of :data:`QUEUE_FILTERS`, what is due first first, in one query.

    Args:
        day: as :func:`batches_under`.
        out: the apparatus that can't be counted on, as :class:`Glance` has it; without it only what is
            booked is looked at.
        page: counted from 1; all rows when it is left out.
    """
    values = limits_of(actor, chosen, now, day) | {"changed_since": now - SHOWN_FOR}
    found = rows_of(_sheets_under, (actor.role, actor.is_active, chosen, page), values)
    return [_row(actor, now, out or {}, row) for row in found]


def _sheets_under(
    role: str, is_active: bool, chosen: str, page: int | None, values: Values
) -> QuerySet[Sheet, tuple[Any, ...]]:
    batches = batches_under(somebody(role, is_active, values), chosen, values)
    newest = Sheet.objects.filter(batch=OuterRef("batch")).order_by("-revision").values("pk")[:1]
    wanted = batches.values("pk")
    if page is not None:
        wanted = wanted[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]
    sheets = Sheet.objects.filter(pk=Subquery(newest), batch__in=wanted).annotate(**_flags(values))
    names = map(str, batches.query.order_by)
    order = [f"-batch__{name[1:]}" if name[0] == "-" else f"batch__{name}" for name in names]
    return sheets.order_by(*order).values_list(*_COLUMNS)


def _flags(values: Values) -> dict[str, Any]:
    same = {"batch": OuterRef("batch")}
    changes = OrderRevision.objects.filter(**same).order_by()
    booked = BatchBooking.objects.filter(booking__state=BOOKED, **same)
    held = BatchHold.objects.filter(hold__state=HOLD_ACTIVE, **same)
    records = StepRecord.objects.filter(**same).order_by()
    item = "booking__item__"
    return {
        # As text: it is known from the last look, mostly.
        "card_text": Cast("card", TextField()),
        "steps_done": Subquery(
            records.values("batch").annotate(done=Count("step_number", distinct=True)).values("done")
        ),
        "is_unseen": Exists(changes.filter(needs_seeing=True, seen_at=None)),
        "changed_at": Subquery(
            changes.filter(at__gte=values["changed_since"])
            .values("batch")
            .annotate(last=Max("at"))
            .values("last")
        ),
        "stands_still": Exists(held.filter(hold__lot__state__in=STOPPED))
        | Q(batch__state=states.READY, batch__prepared_lot__state__in=STOPPED),
        # The first day, and no comparison: SQLite would call out to tell the day of a moment for every hold.
        "expires_first": Subquery(
            held.order_by().values("batch").annotate(day=Min("hold__lot__expires_on")).values("day")
        ),
        "asks_check": Exists(SecondCheck.objects.filter(state=states.ASKED, **same)),
        "booked_out": Exists(
            booked.filter(
                Q(**{f"{item}in_service": False})
                | Q(**{f"{item}count": 0})
                | Q(**{f"{item}calibration_due_on__lt": F("booking__ends_at__date")})
            )
        ),
    }


def _row(actor: User, now: datetime, out: Mapping[int, date | None], values: tuple[Any, ...]) -> QueueRow:
    (
        pk,
        reference,
        title,
        state,
        due_at,
        room,
        version,
        sheet,
        revision,
        card_text,
        claimed_by,
        first,
        last,
        username,
        claimed_at,
        lot,
        paused_at,
        unknown_of,
        steps_done,
        is_unseen,
        changed_at,
        stands_still,
        expires_first,
        asks_check,
        booked_out,
    ) = values
    card = card_in(card_text)
    unfinished = state in UNFINISHED
    is_out = unfinished and (bool(booked_out) or _uses_what_is_out(card, out, due_at))
    return QueueRow(
        pk=pk,
        reference=reference,
        title=title,
        state=state,
        due_at=due_at,
        room=room,
        version=version,
        sheet=sheet,
        revision=revision,
        card=card if may_read_figures(actor, unknown_of, claimed_by) else Card(card_for_list(card)),
        unknown_of_id=unknown_of,
        claimed_by_id=claimed_by,
        holder=f"{first} {last}".strip() or str(username) if claimed_by else "",
        claimed_at=claimed_at,
        lot=lot or "",
        paused_at=paused_at if state == states.IN_WORK else None,
        steps_done=steps_done or 0,
        is_unseen=bool(is_unseen) and state in states.OPEN_BATCH_STATES,
        changed_at=changed_at,
        stands_still=bool(stands_still) and state in states.OPEN_BATCH_STATES,
        has_expired=unfinished and expires_first is not None and expires_first < timezone.localdate(due_at),
        lacks_apparatus=is_out,
        asks_check=bool(asks_check),
        late=unfinished and due_at < now,
    )


def _uses_what_is_out(card: Card, out: Mapping[int, date | None], due_at: datetime) -> bool:
    if not out:
        return False
    day = timezone.localdate(due_at)
    last_days = [out[pk] for pk in card.get("apparatus", ()) if pk in out]
    return any(last_day is None or last_day < day for last_day in last_days)
