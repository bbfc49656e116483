"""A person's calendar as an iCalendar object (RFC 5545): meetings, due times, work, decisions.

What may stand in it: times, rooms, states and the titles of orders, which name no figure of an unknown. The
same rows give the same bytes, so that a program that asks again is told that nothing changed. Components
carry ``DTSTAMP`` as the time of their last change, as section 3.8.7.2 asks of an object without a method.
"""

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final
from uuid import NAMESPACE_OID, uuid5
from zoneinfo import ZoneInfo

from django.conf import settings
from django.db.models import Max, Prefetch, Q
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar, Event

from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.models import Batch, Meeting, Order

BEFORE: Final = timedelta(days=30)
AFTER: Final = timedelta(days=180)
# Of each sort; a person's own term has a tenth of it.
MOST: Final = 1500
_ASK_AGAIN: Final = timedelta(hours=1)


def calendar_of(owner: User) -> bytes:
    """The calendar of one person, from :data:`BEFORE` ago to :data:`AFTER` ahead."""
    now = timezone.now()
    span = now - BEFORE, now + AFTER
    calendar = Calendar()
    calendar.add("prodid", "-//Prepdesk//Calendar//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("x-wr-calname", f"Prepdesk, {owner}")
    calendar.add("refresh-interval", _ASK_AGAIN, parameters={"VALUE": "DURATION"})
    events = [
        *_meetings(owner, span),
        *_orders(owner, span),
        *(_batches(owner, span) if policy.may(owner, "work_batch") else ()),
        *(_approvals(owner, span) if policy.may(owner, "approve_order") else ()),
    ]
    for event in events:
        calendar.add_component(event)
    calendar.add_missing_timezones()
    return bytes(calendar.to_ical())


def _meetings(owner: User, span: tuple[datetime, datetime]) -> Iterable[Event]:
    meetings = (
        Meeting.objects.filter(
            Q(section__instructor=owner) | Q(section__co_instructors=owner), starts_at__range=span
        )
        .select_related("section__course", "room")
        .prefetch_related(Prefetch("orders", Order.objects.exclude(state=states.CANCELLED).order_by("pk")))
        .annotate(changed_at=Max("events__at"))
        .distinct()
        .order_by("starts_at", "pk")[:MOST]
    )
    for meeting in meetings:
        said = [f"{order.title}: {order.get_state_display()}" for order in meeting.orders.all()]
        event = _event(owner, "meeting", meeting.pk, meeting.changed_at, meeting.version)
        event.add("summary", f"{meeting.section}, week {meeting.week}")
        event.add("dtstart", _here(meeting.starts_at))
        event.add("dtend", _here(meeting.ends_at))
        if meeting.room is not None:
            event.add("location", meeting.room.code)
        _describe(event, said, reverse("requests_app:meeting", args=[meeting.pk]))
        event.add("status", "CANCELLED" if meeting.state == states.CANCELLED else "CONFIRMED")
        yield event


def _orders(owner: User, span: tuple[datetime, datetime]) -> Iterable[Event]:
    orders = Order.objects.filter(ordered_by=owner, due_at__range=span).annotate(changed_at=Max("events__at"))
    for order in orders.order_by("due_at", "pk")[:MOST]:
        event = _event(owner, "order", order.pk, order.changed_at, order.revision)
        event.add("summary", f"Due: {order.title} ({order.get_state_display()})")
        _at(event, order.due_at, order.room)
        _describe(event, [order.reference], reverse("requests_app:order", args=[order.reference]))
        event.add("status", "CANCELLED" if order.state == states.CANCELLED else "CONFIRMED")
        yield event


def _batches(owner: User, span: tuple[datetime, datetime]) -> Iterable[Event]:
    wanted = Q(state=states.QUEUED) | Q(state__in=(states.CLAIMED, states.IN_WORK), claimed_by=owner)
    batches = Batch.objects.filter(wanted, due_at__range=span).annotate(changed_at=Max("events__at"))
    for batch in batches.order_by("due_at", "pk")[:MOST]:
        event = _event(owner, "batch", batch.pk, batch.changed_at, batch.version)
        mine = "yours" if batch.claimed_by_id == owner.pk else batch.get_state_display()
        event.add("summary", f"Make: {batch.title} ({mine})")
        _at(event, batch.due_at, batch.room)
        _describe(event, [batch.reference], reverse("requests_app:batch", args=[batch.reference]))
        event.add("status", "CONFIRMED")
        yield event


def _approvals(owner: User, span: tuple[datetime, datetime]) -> Iterable[Event]:
    orders = Order.objects.filter(state=states.APPROVAL, due_at__range=span).exclude(ordered_by=owner)
    for order in orders.annotate(changed_at=Max("events__at")).order_by("due_at", "pk")[:MOST]:
        event = _event(owner, "approval", order.pk, order.changed_at, order.revision)
        event.add("summary", f"For approval: {order.title}")
        _at(event, order.due_at, order.room)
        _describe(event, [order.reference], reverse("requests_app:order", args=[order.reference]))
        event.add("status", "TENTATIVE")
        yield event


# --- parts ------------------------------------------------------------------------------------------
def _event(owner: User, sort: str, key: int, changed_at: datetime | None, version: int) -> Event:
    # The same row stays the same entry of this person's calendar for ever, also under a new address.
    uid = uuid5(NAMESPACE_OID, f"prepdesk/{owner.pk}/{owner.date_joined.isoformat()}/{sort}/{key}")
    # What has no history yet was never changed since it could be read.
    moment = (changed_at or owner.date_joined).astimezone(ZoneInfo("UTC")).replace(microsecond=0)
    event = Event()
    event.add("uid", str(uid))
    event.add("dtstamp", moment)
    event.add("last-modified", moment)
    event.add("sequence", max(0, version - 1))
    return event


def _at(event: Event, due_at: datetime, room: str) -> None:
    """A time by which something stands there: it takes none, and keeps nobody from other things."""
    event.add("dtstart", _here(due_at))
    event.add("transp", "TRANSPARENT")
    if room:
        event.add("location", room)


def _describe(event: Event, lines: Iterable[str], path: str) -> None:
    text = "\n".join(lines)
    if text:
        event.add("description", text)
    if settings.SITE_URL:
        event.add("url", f"{settings.SITE_URL}{path}")


def _here(moment: datetime) -> datetime:
    return moment.astimezone(ZoneInfo(settings.TIME_ZONE))
