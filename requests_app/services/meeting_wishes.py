"""How a meeting is wanted: what is different in words, and what can't be."""

from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.times import absolute_words, hours_words
from requests_app import states
from requests_app.drafts import MAX_GROUPS_PER_SECTION
from requests_app.models import Meeting, Room, Section
from requests_app.selectors.meetings import clashes, may_change


@dataclass(frozen=True, slots=True)
class MeetingWish:
    """How a meeting is wanted.

    Attributes:
        starts_at, ends_at: aware.
        room: where; None where nobody knows.
        groups: how many work there; None leaves it to the section.
        takes_place: False cancels it.
    """

    starts_at: datetime
    ends_at: datetime
    room: Room | None
    groups: int | None
    takes_place: bool = True


def as_it_is(meeting: Meeting) -> MeetingWish:
    """The wish that changes nothing; begin with it and replace what is wanted otherwise."""
    return MeetingWish(
        starts_at=meeting.starts_at,
        ends_at=meeting.ends_at,
        room=meeting.room,
        groups=meeting.groups,
        takes_place=meeting.state == states.PLANNED,
    )


# --- words ------------------------------------------------------------------------------------------
def event_word(meeting: Meeting, wish: MeetingWish) -> str:
    """The event that the history of the meeting keeps."""
    if wish.takes_place != (meeting.state == states.PLANNED):
        return "reinstate" if wish.takes_place else "cancel"
    moved = (wish.starts_at, wish.ends_at, wish.room) != (meeting.starts_at, meeting.ends_at, meeting.room)
    return "move" if moved else "resize"


def difference(meeting: Meeting, wish: MeetingWish) -> str:
    """What is different, in words; empty when nothing is."""
    if not wish.takes_place:
        return "" if meeting.state == states.CANCELLED else "It does not take place."
    parts = []
    if meeting.state == states.CANCELLED:
        parts.append("it takes place after all")
    was = hours_words(meeting.starts_at, meeting.ends_at)
    will = hours_words(wish.starts_at, wish.ends_at)
    if was != will:
        parts.append(f"{was} → {will}")
    if wish.room != meeting.room:
        parts.append(f"room {meeting.room or 'unknown'} → {wish.room or 'unknown'}")
    old, new = meeting.group_count, wish.groups or meeting.section.groups
    if old != new:
        parts.append(f"{old} group{'' if old == 1 else 's'} → {new}")
    elif wish.groups != meeting.groups:
        parts.append(
            "as many groups as the section"
            if wish.groups is None
            else f"{new} groups, whatever the section has"
        )
    said = "; ".join(parts)
    return f"{said[0].upper()}{said[1:]}." if said else ""


def sentence(reason: str) -> str:
    """A reason as a sentence of its own, empty for none."""
    said = " ".join(reason.split())
    return f"{said[0].upper()}{said[1:].rstrip('.')}." if said else ""


def preface(meeting: Meeting, wish: MeetingWish, note: str) -> str:
    """The first sentence in the revision of an order that follows its meeting."""
    if not wish.takes_place:
        return f"{meeting.section} does not meet on {absolute_words(meeting.starts_at)}."
    return f"{meeting.section}, week {meeting.week}: {note}"


def clash_words(meeting: Meeting, wish: MeetingWish) -> list[str]:
    """Who else meets there then; a warning, since two sections may share a large room."""
    if not wish.takes_place or wish.room is None:
        return []
    found = clashes(wish.room, wish.starts_at, wish.ends_at, but=meeting)
    return [
        f"{other.section} meets in {wish.room} then too, {hours_words(other.starts_at, other.ends_at)}."
        for other in found
    ]


# --- checks -----------------------------------------------------------------------------------------
def require_own(actor: User, section: Section) -> None:
    """Refuse whoever neither teaches the section nor manages."""
    if not may_change(actor, section):
        raise NotAllowed(f"{section} is taught by {section.instructor}. Ask them, or a manager.")


def require_fresh(meeting: Meeting, version: int | None) -> None:
    """Of two who change a meeting, the second is told what the first one did."""
    if version is not None and version != meeting.version:
        last = meeting.events.select_related("actor").order_by("-pk").first()
        said = f" {last.actor}, {absolute_words(last.at)}: {last.note}" if last else ""
        raise Conflict(
            f"{meeting.section}, week {meeting.week}, was changed since this page was shown.{said} Nothing "
            "of yours is saved; look at it again."
        )


def require_to_come(meeting: Meeting) -> None:
    """What is over stays as it was."""
    if meeting.ends_at <= timezone.now():
        raise NotInThisState(f"{meeting.section}, week {meeting.week}, is over and stays as it was.")


def check_wish(meeting: Meeting, wish: MeetingWish) -> None:
    """Refuse what no meeting can be, by field of the form."""
    errors = {}
    if wish.ends_at <= wish.starts_at:
        errors["ends"] = "It must end after it begins."
    if wish.starts_at != meeting.starts_at and wish.starts_at <= timezone.now():
        errors["starts"] = "That lies in the past. Choose a time to come."
    if wish.groups is not None and not 0 < wish.groups <= MAX_GROUPS_PER_SECTION:
        errors["groups"] = f"A meeting has 1 to {MAX_GROUPS_PER_SECTION} groups."
    if errors:
        raise InvalidInput(errors)


def check_groups(groups: int) -> None:
    """Refuse a number of groups that no section has."""
    if not 0 < groups <= MAX_GROUPS_PER_SECTION:
        raise InvalidInput({"groups": f"A section has 1 to {MAX_GROUPS_PER_SECTION} groups."})
