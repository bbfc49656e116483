"""Meetings are laid out from what is said about their section, once for each teaching week.

What somebody did to one meeting by itself stays: a meeting that was moved, resized or cancelled is never
touched, nor is one that has begun, nor one that has orders. :func:`requests_app.selectors.meetings_to_move`
says which of these now stand elsewhere than their section.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from django.db.models import ProtectedError
from django.utils import timezone

from inventory.services import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.times import hours_words
from requests_app import states
from requests_app.models import Meeting, MeetingEvent, Section
from requests_app.selectors.laid_out import LAID_OUT, ordered_meetings, stands, touched_meetings
from requests_app.timetable import Slot, slots_of

_AT_A_TIME: Final = 500


@dataclass
class LaidOut:
    """What laying out did, in meetings."""

    made: int = 0
    moved: int = 0
    removed: int = 0
    # Those that differ from their section and stay, because orders hang on them.
    to_move: list[Meeting] = field(default_factory=list)


@atomic_with_retries
def lay_out_meetings(*, actor: User, section: Section) -> LaidOut:
    """One meeting for each teaching week of a section; a second run changes nothing.

    Raises:
        NotAllowed.
        InvalidInput: ``starts_at`` or ``ends_at`` falls into a change of the clocks on one of the days.
    """
    policy.require(actor, "manage_teaching")
    return lay_out(actor=actor, sections=[section])


def lay_out(*, actor: User, sections: Sequence[Section]) -> LaidOut:
    """The same for many sections, inside the caller's transaction; the number of queries stays the same."""
    keys = [section.pk for section in sections]
    # Sections in key order, then meetings: whoever changes the timetable waits here for one another.
    locked = Section.objects.select_for_update(of=("self",)).filter(pk__in=keys).order_by("pk")
    whole = list(locked.select_related("term", "room", "course").prefetch_related("term__breaks"))
    there: dict[int, dict[int, Meeting]] = {}
    rows = Meeting.objects.select_for_update(of=("self",)).filter(section__in=keys).order_by("pk")
    for meeting in rows.select_related("room"):
        there.setdefault(meeting.section_id, {})[meeting.week] = meeting
    found = [meeting for weeks in there.values() for meeting in weeks.values()]
    # Asked after the lock: an order that was sent at this moment is seen.
    ordered, touched = ordered_meetings(found), touched_meetings(found)
    done, now = LaidOut(), timezone.now()
    new: list[Meeting] = []
    moved: list[tuple[Meeting, str]] = []
    for section in whole:
        slots, weeks = slots_of(section), there.get(section.pk, {})
        new += [_new(section, week, slot) for week, slot in slots.items() if week not in weeks]
        for week, meeting in weeks.items():
            if meeting.pk in touched or meeting.starts_at <= now or stands(meeting, slots.get(week)):
                continue
            if meeting.pk in ordered:
                done.to_move.append(meeting)
            elif week not in slots:
                _remove(actor, meeting)
                done.removed += 1
            elif slots[week].starts_at > now:
                moved.append((meeting, meeting_words(meeting)))
                _move(meeting, slots[week])
    Meeting.objects.bulk_create(new, batch_size=_AT_A_TIME)
    _save(actor, moved)
    done.made, done.moved = len(new), len(moved)
    return done


def meeting_words(meeting: Meeting) -> str:
    """``Mon 3 Aug, 09:00 to 12:00 in 210``."""
    where = f" in {meeting.room}" if meeting.room else ""
    return f"{hours_words(meeting.starts_at, meeting.ends_at)}{where}"


def _new(section: Section, week: int, slot: Slot) -> Meeting:
    return Meeting(section=section, week=week, starts_at=slot.starts_at, ends_at=slot.ends_at, room=slot.room)


def _move(meeting: Meeting, slot: Slot) -> None:
    meeting.starts_at, meeting.ends_at, meeting.room = slot.starts_at, slot.ends_at, slot.room
    meeting.version += 1


def _save(actor: User, moved: Iterable[tuple[Meeting, str]]) -> None:
    rows = list(moved)
    Meeting.objects.bulk_update(
        [meeting for meeting, _ in rows],
        ["starts_at", "ends_at", "room", "version"],
        batch_size=_AT_A_TIME,
    )
    MeetingEvent.objects.bulk_create(
        [
            MeetingEvent(
                meeting=meeting,
                event=LAID_OUT,
                actor=actor,
                note=f"Was {before}; the section changed.",
                idempotency_key=f"layout-{meeting.pk}-{meeting.version}",
            )
            for meeting, before in rows
        ],
        batch_size=_AT_A_TIME,
    )


def _remove(actor: User, meeting: Meeting) -> None:
    """Take away a meeting that will never be; one that a cancelled order still names is cancelled instead."""
    try:
        meeting.events.filter(event=LAID_OUT).delete()
        meeting.delete()
    except ProtectedError:
        meeting.state = states.CANCELLED
        meeting.version += 1
        meeting.save(update_fields=["state", "version"])
        MeetingEvent.objects.create(
            meeting=meeting,
            event="cancel",
            actor=actor,
            note="Its section does not meet in this week any more.",
            idempotency_key=f"layout-{meeting.pk}-{meeting.version}",
        )
