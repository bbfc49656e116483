"""Apparatus for its list and pages: who sees it, what is due, why something may not be used."""

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Final

from django.db.models import Q, QuerySet
from django.utils import timezone

from inventory import codes
from inventory.models import ApparatusEvent, ApparatusItem
from inventory.selectors.stock import apparatus_visible_to
from prepdesk.access import policy
from prepdesk.accounts.models import User

DUE_SOON: Final = timedelta(days=30)
APPARATUS_SHOWS: Final = {
    "all": "All",
    "due": "Calibration due within 30 days",
    "out": "Out of service",
}


def apparatus_by_code(actor: User, code: str) -> ApparatusItem | None:
    """The item whose label says ``code``, typed or scanned; ``None`` where there is none."""
    return apparatus_visible_to(actor).filter(code=codes.tidied(code)).first()


def apparatus_shown(actor: User, chosen: str) -> QuerySet[ApparatusItem]:
    """The list under one of :data:`APPARATUS_SHOWS`; an unknown filter shows all."""
    return apparatus_visible_to(actor).filter(_narrowed(chosen))


def apparatus_counts(actor: User) -> dict[str, int]:
    """How many rows each filter shows."""
    items = apparatus_visible_to(actor)
    return {name: items.filter(_narrowed(name)).count() for name in APPARATUS_SHOWS}


def _narrowed(chosen: str) -> Q:
    if chosen == "due":
        # What is past its day is due all the more.
        return Q(calibration_due_on__lte=timezone.localdate() + DUE_SOON)
    if chosen == "out":
        return Q(in_service=False)
    return Q()


def apparatus_events(item: ApparatusItem, *, actor: User) -> QuerySet[ApparatusEvent]:
    """The history of an item, newest first; the stockroom's, as its ledger is."""
    rows = item.events.select_related("actor").order_by("-pk")
    return rows if policy.may(actor, "see_ledger") else rows.none()


def reasons_not_to_use(items: Iterable[ApparatusItem], day: date) -> dict[int, str]:
    """Why plans and bookings leave an item out on a day, by key, as the end of a sentence.

    What may be used has no entry. One query, and only when something is out of service.
    """
    found = list(items)
    out = [item.pk for item in found if not item.in_service]
    taken_out = ApparatusEvent.objects.filter(item__in=out, event="take_out").order_by("pk")
    last = {event.item_id: event for event in taken_out} if out else {}
    said = {}
    for item in found:
        event = last.get(item.pk)
        if not item.in_service and event is not None:
            why = f" ({event.reason})" if event.reason else ""
            said[item.pk] = f"is out of service since {short_day(timezone.localdate(event.at))}{why}"
        elif not item.in_service:
            said[item.pk] = "is out of service"
        elif item.count == 0:
            said[item.pk] = "is no longer there"
        elif item.calibration_due_on is not None and item.is_past_calibration(day):
            said[item.pk] = f"is past its calibration since {short_day(item.calibration_due_on)}"
    return said


def short_day(day: date) -> str:
    """``3 Nov``, with the year where it is another one."""
    year = "" if day.year == timezone.localdate().year else f" {day.year}"
    return f"{day.day} {day:%b}{year}"
