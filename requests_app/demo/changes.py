"""What changed since it was ordered: more groups, another day, one that falls out, a change at the bench."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from django.db.models import Max
from django.utils import timezone

from prepdesk.accounts.models import User
from requests_app import sheets, states
from requests_app.demo.days import DemoOrder
from requests_app.drafts import OrderDraft
from requests_app.models import Meeting, Order, Room, Section
from requests_app.services.changes import change_order
from requests_app.services.claiming import claim_batch
from requests_app.services.comments import comment_order
from requests_app.services.meeting_changes import change_meeting
from requests_app.services.meeting_wishes import as_it_is
from requests_app.services.orders import submit_order
from requests_app.services.recording import record_step

_SATURDAY: Final = 5
Sections = dict[tuple[str, str], Section]

ENLARGED: Final = DemoOrder(
    "fell", "CH 240", "B", (("potassium-bromide", "0.10", "mol/L"),), "30", 9, "305", 14.0
)
MOVED: Final = DemoOrder("quill", "CH 221", "B", (("glycine", "0.10", "mol/L"),), "40", 8, "214", 0)
FALLS_OUT: Final = (
    DemoOrder(
        "instructor",
        "CH 101",
        "C",
        (("magnesium-sulfate-heptahydrate", "0.20", "mol/L"),),
        "25",
        10,
        "210",
        0,
    ),
    DemoOrder("instructor", "CH 101", "C", (("ammonium-chloride", "0.50", "mol/L"),), "20", 10, "210", 0),
)
AT_THE_BENCH: Final = DemoOrder(
    "instructor", "CH 221", "A", (("sodium-hydrogen-carbonate", "0.50", "mol/L"),), "50", 8, "214", 5.0
)


def change_things(
    *,
    people: dict[str, User],
    sections: Sections,
    now: datetime,
    key: str,
    as_of: Callable[[datetime], AbstractContextManager[None]],
    draft: Callable[[DemoOrder, Sections, datetime], OrderDraft],
    moment: Callable[[datetime, tuple[int, int] | float], datetime],
) -> None:
    """Send these orders, and let happen to each what its name says."""

    def send(wanted: DemoOrder, name: str, meeting: Meeting | None = None) -> Order:
        due = meeting.starts_at - timedelta(minutes=30) if meeting else moment(now, wanted.due)
        told = draft(wanted, sections, due)
        if meeting is not None:
            told = replace(told, meeting_id=meeting.pk)
        with as_of(now - timedelta(days=1)):
            return submit_order(actor=people[wanted.by], draft=told, idempotency_key=f"{key}{name}")

    enlarged = send(ENLARGED, "enlarged")
    with as_of(now - timedelta(minutes=50)):
        change_order(
            actor=people["fell"],
            order=enlarged,
            draft_changes={"groups_per_section": 12},
            reason="nine more students enrolled",
            expected_revision=1,
            idempotency_key=f"{key}enlarged",
        )
    moved = _meeting(sections["CH 221", "B"], now)
    send(MOVED, "moved", moved)
    _change(people["quill"], moved, as_of(now - timedelta(minutes=40)), f"{key}moved", hours=4)
    off = _meeting(sections["CH 101", "C"], now)
    for number, wanted in enumerate(FALLS_OUT):
        send(wanted, f"off-{number}", off)
    _change(people["instructor"], off, as_of(now - timedelta(minutes=30)), f"{key}off", takes_place=False)
    _at_the_bench(people, send(AT_THE_BENCH, "bench"), now, key, as_of)


def _meeting(section: Section, now: datetime) -> Meeting:
    """The next meeting of a section; one is laid out where the timetable has none."""
    found = section.meetings.filter(starts_at__gt=now, state=states.PLANNED, orders=None).first()
    if found is not None:
        return found
    day = timezone.localtime(now) + timedelta(days=2)
    # Nobody teaches at the weekend: the Monday after.
    day += timedelta(days=7 - day.weekday() if day.weekday() >= _SATURDAY else 0)
    begins = day.replace(hour=9, minute=0, second=0, microsecond=0)
    week = (section.meetings.aggregate(last=Max("week"))["last"] or 0) + 1
    return Meeting.objects.create(
        section=section,
        week=week,
        starts_at=begins,
        ends_at=begins + timedelta(hours=3),
        room=Room.objects.get_or_create(code="210")[0],
    )


def _change(
    actor: User,
    meeting: Meeting,
    then: AbstractContextManager[None],
    key: str,
    *,
    hours: int = 0,
    takes_place: bool = True,
) -> None:
    wish = as_it_is(meeting)
    wish = replace(
        wish,
        starts_at=wish.starts_at + timedelta(hours=hours),
        ends_at=wish.ends_at + timedelta(hours=hours),
        takes_place=takes_place,
    )
    with then:
        change_meeting(
            actor=actor,
            meeting=meeting,
            wish=wish,
            reason="the excursion takes the morning"
            if takes_place
            else "the extraction in 210 is being serviced",
            expected_version=meeting.version,
            idempotency_key=key,
        )


def _at_the_bench(
    people: dict[str, User],
    order: Order,
    now: datetime,
    key: str,
    as_of: Callable[[datetime], AbstractContextManager[None]],
) -> None:
    """Its salt is weighed already when fewer come; whoever makes it has not looked yet."""
    batch = order.batch
    assert batch is not None
    with as_of(now - timedelta(minutes=35)):
        claim_batch(actor=people["prep"], batch=batch)
    step = sheets.current_sheet(batch).plan["steps"][0]
    with as_of(now - timedelta(minutes=25)):
        record_step(
            actor=people["prep"],
            batch=batch,
            step_number=1,
            reading_text=step["quantity"]["value"] if step.get("window") else "",
            idempotency_key=f"{key}bench-step",
        )
    with as_of(now - timedelta(minutes=20)):
        comment_order(
            actor=people["prep"],
            order=order,
            text="Do you want it in one bottle, or one for each side of the room?",
            idempotency_key=f"{key}asked",
        )
    with as_of(now - timedelta(minutes=12)):
        comment_order(
            actor=people["instructor"],
            order=order,
            text="One for each side, please.",
            idempotency_key=f"{key}told",
        )
        change_order(
            actor=people["instructor"],
            order=order,
            draft_changes={"groups_per_section": 6},
            reason="two groups are at the field station",
            expected_revision=1,
            idempotency_key=f"{key}fewer",
        )
