"""What is booked for the batches of a list, and what of their apparatus can't be counted on any more."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from django.utils import timezone

from inventory.models import ApparatusItem, Booking
from inventory.selectors import overbooked, reasons_not_to_use
from inventory.states import BOOKED
from prepdesk.core.times import hours_words
from requests_app import states
from requests_app.cards import items_of
from requests_app.models import Batch, BatchBooking
from requests_app.sheets import local_date

_UNFINISHED = (states.QUEUED, states.CLAIMED, states.IN_WORK)
# What is to be done about it depends on how far the batch is.
_REMEDY = {
    states.QUEUED: "Plan it again.",
    states.CLAIMED: "Put it back and plan it again.",
    states.IN_WORK: "Decide what to use instead, and say so with the reading.",
}


@dataclass(frozen=True, slots=True)
class Booked:
    """The apparatus side of one batch.

    Attributes:
        bookings: what is booked for it now, with the item loaded.
        lines: the same in words, one for the hours: ``13:15 to 14:00: 1000 mL one-mark flask``.
        faults_of: sentences about what can't be used as planned, by the key of the item.
        remedy: what to do about them.
    """

    bookings: tuple[Booking, ...] = ()
    lines: tuple[str, ...] = ()
    faults_of: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    remedy: str = ""

    @property
    def faults(self) -> tuple[str, ...]:
        """All of these sentences, empty where all is well."""
        return tuple(text for texts in self.faults_of.values() for text in texts)


def booked_for(plans: Iterable[tuple[Batch, Mapping[str, Any]]]) -> dict[int, Booked]:
    """What is booked for each unfinished batch, by its key; the number of queries doesn't grow.

    Of an unknown that may not be read only what is wrong is told: a pipette and a flask are a dilution.

    Args:
        plans: each batch with the plan of its newest sheet.
    """
    wanted = [(batch, plan) for batch, plan in plans if batch.state in _UNFINISHED]
    by_batch: dict[int, list[Booking]] = defaultdict(list)
    links = BatchBooking.objects.filter(batch__in=[batch.pk for batch, _ in wanted], booking__state=BOOKED)
    for link in links.select_related("booking__item").order_by("booking__starts_at", "booking_id"):
        by_batch[link.batch_id].append(link.booking)
    too_many = overbooked(booking for bookings in by_batch.values() for booking in bookings)
    # A hood stands in no step as apparatus, but is booked.
    used = {
        batch.pk: items_of(dict(plan)) | {booking.item_id for booking in by_batch[batch.pk]}
        for batch, plan in wanted
    }
    items = ApparatusItem.objects.in_bulk(sorted(set().union(*used.values())))
    # Why something is out of service is asked once for all batches; a calibration depends on the day.
    out = reasons_not_to_use([item for item in items.values() if not item.in_service], timezone.localdate())
    found = {}
    for batch, plan in wanted:
        day = _day_of(batch, plan)
        there = [items[pk] for pk in sorted(used[batch.pk]) if pk in items]
        stopped = {
            item.pk: out.get(item.pk) or reasons_not_to_use([item], day)[item.pk]
            for item in there
            if not item.may_be_used_on(day)
        }
        faults = {pk: (f"The {items[pk].words} {why}.",) for pk, why in stopped.items()}
        bookings = by_batch[batch.pk]
        for booking in bookings:
            if booking.pk in too_many and booking.item_id not in stopped:
                faults[booking.item_id] = (f"More of the {booking.item.words} are booked than there are.",)
        remedy = _REMEDY[batch.state] if faults else ""
        if plan.get("concealed"):
            bookings = []
        found[batch.pk] = Booked(tuple(bookings), _lines(batch, bookings), faults, remedy)
    return found


def _lines(batch: Batch, bookings: list[Booking]) -> tuple[str, ...]:
    by_hours: dict[str, list[str]] = defaultdict(list)
    for booking in bookings:
        hours = hours_words(booking.starts_at, booking.ends_at, local_date(batch.due_at))
        passed = " (passed)" if booking.ends_at <= timezone.now() else ""
        count = f"{booking.count} × " if booking.count > 1 else ""
        by_hours[f"{hours}{passed}"].append(f"{count}{booking.item.words}")
    return tuple(f"{hours}: {', '.join(words)}" for hours, words in by_hours.items())


def _day_of(batch: Batch, plan: Mapping[str, Any]) -> date:
    at_bench = plan.get("at_bench")
    return local_date(datetime.fromisoformat(at_bench["ends_at"]) if at_bench else batch.due_at)
