"""Meetings of sections: which somebody changed by itself, which have orders, which stand elsewhere now."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from requests_app import states
from requests_app.models import Meeting, MeetingEvent, Order, Section
from requests_app.timetable import Slot, slots_of

# The event of a meeting that followed its section; every other one is about the meeting by itself.
LAID_OUT: Final = "lay_out"
_AT_A_TIME: Final = 500


def ordered_meetings(meetings: Iterable[Meeting]) -> set[int]:
    """Keys of the meetings that have an order that is not cancelled."""
    return {
        key
        for part in _parts(meetings)
        for key in Order.objects.filter(meeting__in=part)
        .exclude(state=states.CANCELLED)
        .order_by()
        .values_list("meeting_id", flat=True)
        if key
    }


def touched_meetings(meetings: Iterable[Meeting]) -> set[int]:
    """Keys of the meetings that were moved, resized or cancelled by themselves."""
    rows = list(meetings)
    events = {
        key
        for part in _parts(rows)
        for key in MeetingEvent.objects.filter(meeting__in=part)
        .exclude(event=LAID_OUT)
        .order_by()
        .values_list("meeting_id", flat=True)
    }
    resized_or_cancelled = {row.pk for row in rows if row.state == states.CANCELLED or row.groups is not None}
    return events | resized_or_cancelled


def _parts(meetings: Iterable[Meeting]) -> list[list[int]]:
    keys = sorted({meeting.pk for meeting in meetings})
    return [keys[begin : begin + _AT_A_TIME] for begin in range(0, len(keys), _AT_A_TIME)]


@dataclass(frozen=True, slots=True)
class ToMove:
    """A meeting with orders that its section does not stand by any more.

    Attributes:
        meeting: as it is.
        slot: when and where the section meets in that week now; ``None`` when it does not meet.
    """

    meeting: Meeting
    slot: Slot | None


def meetings_to_move(section: Section) -> list[ToMove]:
    """The coming meetings of a section that have orders and differ from what is said about the section.

    Laying out leaves them alone, because their orders name a time and a room. Whoever changes orders moves
    or cancels them. A meeting that somebody moved, resized or cancelled by itself is meant to differ and
    is not among them.
    """
    slots, now = slots_of(section), timezone.now()
    coming = list(section.meetings.filter(starts_at__gt=now).select_related("room").order_by("starts_at"))
    ordered, touched = ordered_meetings(coming), touched_meetings(coming)
    left = [meeting for meeting in coming if meeting.pk in ordered - touched]
    found = [ToMove(meeting, slots.get(meeting.week)) for meeting in left]
    return [one for one in found if not stands(one.meeting, one.slot)]


def stands(meeting: Meeting, slot: Slot | None) -> bool:
    """Whether a meeting is when and where its section says."""
    return slot is not None and (meeting.starts_at, meeting.ends_at, meeting.room_id) == (
        slot.starts_at,
        slot.ends_at,
        slot.room.pk if slot.room else None,
    )
