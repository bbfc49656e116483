"""The orders of the batches in view, and those that can't be made yet, in one query."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from django.db.models import QuerySet

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.prepared import Values, rows_of
from requests_app import states
from requests_app.concealing import NOT_SHOWN, may_read_figures
from requests_app.models import Order
from requests_app.selectors.queue import PAGE_SIZE, somebody, waiting_under
from requests_app.selectors.work import orders_visible_to

# So many of the orders that can't be made yet stand under the queue; the page says how many there are.
MOST_WAITING: Final = 20


@dataclass(frozen=True, slots=True)
class QueueOrder:
    """An order as a line of the queue says it.

    Attributes:
        reference, title, due_at, room, state, is_late: of the order.
        course: its code.
        sections: their names.
        person: who ordered it.
        waiting_for: why it can't be made yet, as it was frozen when it was last tried.
    """

    pk: int
    reference: str
    title: str
    due_at: datetime
    room: str
    state: str
    is_late: bool
    course: str
    person: str
    waiting_for: list[dict[str, Any]] = field(default_factory=list)
    sections: list[str] = field(default_factory=list)

    @property
    def for_words(self) -> str:
        """Whom it is for: ``CH 101 A, B``."""
        return f"{self.course} {', '.join(self.sections)}"

    @property
    def is_open(self) -> bool:
        """Neither handed over nor cancelled."""
        return self.state in states.OPEN_ORDER_STATES


_ORDER_COLUMNS: Final = (
    "batch_id",
    "pk",
    "reference",
    "title",
    "due_at",
    "room",
    "state",
    "is_late",
    "course__code",
    "ordered_by_id",
    "ordered_by__first_name",
    "ordered_by__last_name",
    "ordered_by__username",
    "waiting_for",
    "unknown_sample__pk",
    "batch__claimed_by_id",
    "sections__name",
)


def orders_in_view(
    actor: User, batches: Iterable[int], *, waiting: bool = False, until: datetime | None = None
) -> tuple[dict[int, list[QueueOrder]], list[QueueOrder]]:
    """The orders of the batches in view by batch, and the first of those that can't be made yet.

    One query for both.

    Args:
        waiting: whether the latter are asked for.
        until: those due before then, else all.
    """
    values: dict[str, Any] = {"batches": _filled_up(batches)}
    if not policy.may(actor, "see_every_order"):
        values["me"] = actor.pk
    if waiting and until is not None:
        values["until"] = until
    wanted = rows_of(_orders_of, (actor.role, actor.is_active, waiting), values)
    by_batch: dict[int, list[QueueOrder]] = defaultdict(list)
    found: dict[int, QueueOrder] = {}
    wait: list[QueueOrder] = []
    for batch, *columns, section in sorted(wanted, key=lambda row: (row[4], row[1], row[-1] or "")):
        pk = columns[0]
        if pk not in found:
            found[pk] = _order(actor, tuple(columns))
            (wait if found[pk].state == states.WAITING else by_batch[batch]).append(found[pk])
        if section and section not in found[pk].sections:
            found[pk].sections.append(section)
    return dict(by_batch), wait


def _filled_up(batches: Iterable[int]) -> tuple[int, ...]:
    """The keys, filled up to whole pages with one that nothing has: so one question serves every number."""
    keys = tuple(batches)
    return keys + (0,) * (-len(keys) % PAGE_SIZE or (0 if keys else PAGE_SIZE))


def _orders_of(role: str, is_active: bool, waiting: bool, values: Values) -> QuerySet[Order, tuple[Any, ...]]:
    actor = somebody(role, is_active, values)
    orders = orders_visible_to(actor)
    wanted = orders.filter(batch__in=values["batches"]).order_by().values_list(*_ORDER_COLUMNS)
    if not waiting:
        return wanted
    first = waiting_under(actor, values).values("pk")[:MOST_WAITING]
    return wanted.union(orders.filter(pk__in=first).order_by().values_list(*_ORDER_COLUMNS), all=True)


def _order(actor: User, values: tuple[Any, ...]) -> QueueOrder:
    (
        pk,
        reference,
        title,
        due_at,
        room,
        state,
        is_late,
        course,
        ordered_by,
        first,
        last,
        username,
        waiting_for,
        unknown,
        claimed_by,
    ) = values
    shown = may_read_figures(actor, ordered_by if unknown else None, claimed_by)
    return QueueOrder(
        pk=pk,
        reference=reference,
        title=title,
        due_at=due_at,
        room=room,
        state=state,
        is_late=bool(is_late),
        course=course,
        person=f"{first} {last}".strip() or username,
        waiting_for=waiting_for if shown else [{"text": NOT_SHOWN}],
    )
