"""What apparatus is promised for which hours, and how many are free in between.

Intervals are half-open: a booking from 9 to 11 and one from 11 to 12 don't overlap. Moments are compared
and subtracted in UTC, because two times of one zone subtract to wall time.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final

from django.db.models import QuerySet
from django.utils import timezone

from inventory import states
from inventory.models import ApparatusItem, Booking
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.times import absolute_words

Interval = tuple[datetime, datetime, int]
# How far back the page of an item shows what was booked.
BOOKINGS_SHOWN: Final = 20


@dataclass(frozen=True, slots=True)
class Window:
    """Hours at the bench: from ``start`` up to and not including ``end``, both in UTC."""

    start: datetime
    end: datetime

    @classmethod
    def ending(cls, end: datetime, length: timedelta) -> "Window":
        """The window of this length that ends at a moment."""
        end = end.astimezone(UTC)
        return cls(end - length, end)

    @property
    def length(self) -> timedelta:
        """How long it is."""
        return self.end - self.start


def peak(intervals: Iterable[Interval], window: Window) -> int:
    """The most that is taken at any one moment of a window.

    >>> nine, ten, eleven = (datetime(2026, 9, 1, hour, tzinfo=UTC) for hour in (9, 10, 11))
    >>> peak([(nine, ten, 2), (ten, eleven, 1)], Window(nine, eleven))
    2
    """
    changes: dict[datetime, int] = defaultdict(int)
    for start, end, count in intervals:
        first, last = max(start, window.start), min(end, window.end)
        if first < last:
            changes[first] += count
            changes[last] -= count
    most = taken = 0
    # What ends at a moment is back before what begins then: both are summed under one key.
    for _, change in sorted(changes.items()):
        taken += change
        most = max(most, taken)
    return most


def booked_between(start: datetime, end: datetime) -> QuerySet[Booking]:
    """The bookings that count at some moment from ``start`` up to ``end``."""
    return Booking.objects.filter(state=states.BOOKED, starts_at__lt=end, ends_at__gt=start)


def free_in(
    items: Iterable[ApparatusItem], window: Window, *, as_if_released: Iterable[int] = ()
) -> dict[int, int]:
    """How many of each item are free all through a window, by key; one query.

    Never less than none, though fewer may be left than are booked when some broke.
    """
    found = list(items)
    taken: dict[int, list[Interval]] = defaultdict(list)
    bookings = booked_between(window.start, window.end).filter(item__in=[item.pk for item in found])
    for pk, start, end, count in (
        bookings.exclude(pk__in=set(as_if_released))
        .order_by()
        .values_list("item_id", "starts_at", "ends_at", "count")
    ):
        taken[pk].append((start, end, count))
    return {item.pk: max(item.there - peak(taken[item.pk], window), 0) for item in found}


def bookings_ahead(item: ApparatusItem, *, actor: User) -> QuerySet[Booking]:
    """What is booked of an item and not over yet, soonest first."""
    return bookings_visible_to(actor).filter(item=item, state=states.BOOKED, ends_at__gt=timezone.now())


def bookings_past(item: ApparatusItem, *, actor: User) -> QuerySet[Booking]:
    """The latest bookings of an item that are over, given back or released, newest first."""
    ahead = bookings_ahead(item, actor=actor).values("pk")
    rows = bookings_visible_to(actor).filter(item=item).exclude(pk__in=ahead)
    return rows.order_by("-starts_at", "-pk")[:BOOKINGS_SHOWN]


def bookings_visible_to(actor: User) -> QuerySet[Booking]:
    """The bookings a person may see: all of them for whoever sees the apparatus."""
    rows = Booking.objects.select_related("item", "actor", "closed_by")
    return rows if policy.may(actor, "see_stock") else rows.none()


def day_window(day: date) -> Window:
    """A calendar day of the department, which is 23 or 25 hours long when the clocks change."""
    first = timezone.make_aware(datetime.combine(day, time()))
    last = timezone.make_aware(datetime.combine(day + timedelta(days=1), time()))
    return Window(first.astimezone(UTC), last.astimezone(UTC))


def booked_on(day: date, *, actor: User) -> list[tuple[ApparatusItem, list[Booking]]]:
    """What is booked on a day, by item in the order of the list, each by time."""
    window = day_window(day)
    rows = bookings_visible_to(actor).filter(
        state=states.BOOKED, starts_at__lt=window.end, ends_at__gt=window.start
    )
    by_item: dict[int, list[Booking]] = defaultdict(list)
    for row in rows.order_by("starts_at", "pk"):
        by_item[row.item_id].append(row)
    items = [bookings[0].item for bookings in by_item.values()]
    items.sort(key=lambda item: (ApparatusItem.Type.values.index(item.type), item.pk))
    return [(item, by_item[item.pk]) for item in items]


def overbooked(bookings: Iterable[Booking]) -> set[int]:
    """The keys of those bookings for which fewer are left than are booked, because some broke or went
    out of service after they were made."""
    ahead = [row for row in bookings if row.state == states.BOOKED]
    if not ahead:
        return set()
    around = booked_between(min(row.starts_at for row in ahead), max(row.ends_at for row in ahead))
    taken: dict[int, list[Interval]] = defaultdict(list)
    for pk, start, end, count in (
        around.filter(item__in={row.item_id for row in ahead})
        .order_by()
        .values_list("item_id", "starts_at", "ends_at", "count")
    ):
        taken[pk].append((start, end, count))
    return {
        row.pk
        for row in ahead
        if peak(taken[row.item_id], Window(row.starts_at, row.ends_at)) > row.item.there
    }


def booked_words(booking: Booking) -> str:
    """Who has it, for what, until when."""
    what = f"{booking.count} of them" if booking.count > 1 else "one"
    until = absolute_words(booking.ends_at)
    return f"{booking.actor} has booked {what} for {booking.purpose} until {until}"
