"""The next meetings of sections, so that an order is due in time for one of them."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.db.models import QuerySet
from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.models import Meeting
from requests_app.selectors.rules import department_rules
from requests_app.selectors.work import sections_for

_OFFERED: Final = 4


@dataclass(frozen=True, slots=True)
class NextMeeting:
    """A meeting that an order may be for.

    Attributes:
        due_at: the department's minutes before it begins; aware.
        room: its code, empty where it is not known.
    """

    meeting: Meeting
    due_at: datetime
    room: str

    @property
    def words(self) -> str:
        """``CH 101 A, Mon 30 Nov, 13:30 in C-214: due 13:00``."""
        where = f" in {self.room}" if self.room else ""
        due = timezone.localtime(self.due_at)
        return f"{self.meeting.section}, {absolute_words(self.meeting.starts_at)}{where}: due {due:%H:%M}"


def next_meetings(actor: User, sections: Collection[int]) -> list[NextMeeting]:
    """The next meetings of sections a person may order for, the first first."""
    if not sections:
        return []
    return [_offer(meeting) for meeting in _meetings(actor).filter(section__in=sections)[:_OFFERED]]


def next_meeting(actor: User, key: int) -> NextMeeting | None:
    """One of them by the key of the meeting."""
    meeting = _meetings(actor).filter(pk=key).first()
    return None if meeting is None else _offer(meeting)


def _meetings(actor: User) -> QuerySet[Meeting]:
    return (
        Meeting.objects.filter(
            section__in=sections_for(actor), state=states.PLANNED, starts_at__gt=timezone.now()
        )
        .select_related("section__course", "room")
        .order_by("starts_at", "pk")
    )


def _offer(meeting: Meeting) -> NextMeeting:
    due_at = meeting.starts_at - timedelta(minutes=department_rules().minutes_before)
    return NextMeeting(meeting, due_at, meeting.room.code if meeting.room else "")
