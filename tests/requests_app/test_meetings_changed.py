"""Meetings are moved, resized, cancelled and reinstated, each with all of its orders in one action."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.models import Meeting, MeetingEvent, Order, OrderRevision, Room
from requests_app.selectors import touched_meetings
from requests_app.services.claiming import claim_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.meeting_changes import (
    cancel_meetings,
    change_meeting,
    foresee_meeting,
)
from requests_app.services.meeting_wishes import as_it_is
from requests_app.services.orders import submit_order
from requests_app.services.timetable import change_section, change_section_size
from requests_app.timetable import section_facts
from tests.requests_app.test_changes import joined, worked

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []


@pytest.fixture
def rooms(db) -> dict[str, Room]:
    return {code: Room.objects.create(code=code) for code in ("210", "214")}


@pytest.fixture
def meet(sections, rooms):
    """A meeting of a section in some days, in the morning."""

    def make(number=1, *, days=3, week=1):
        begins = (timezone.localtime() + timedelta(days=days)).replace(
            hour=9, minute=0, second=0, microsecond=0
        )
        return Meeting.objects.create(
            section=sections[number],
            week=week,
            starts_at=begins,
            ends_at=begins + timedelta(hours=3),
            room=rooms["210"],
        )

    return make


@pytest.fixture
def order_for(draft, instructor):
    """An order for a meeting, half an hour before it: 12 groups × 25 mL + 10 % = 330 mL."""

    def make(meeting, **changes):
        wanted = draft(
            section_ids=(meeting.section_id,),
            due_at=meeting.starts_at - timedelta(minutes=30),
            **{"meeting_id": meeting.pk, **changes},
        )
        key = f"order-{Order.objects.count()}"
        return submit_order(actor=changes.get("by", instructor), draft=wanted, idempotency_key=key)

    return make


@pytest.fixture
def change(instructor):
    count = iter(range(1000))

    def send(meeting, *, actor=None, reason="", key="", **wish):
        meeting.refresh_from_db()
        return change_meeting(
            actor=actor or instructor,
            meeting=meeting,
            wish=replace(as_it_is(meeting), **wish),
            reason=reason,
            expected_version=meeting.version,
            idempotency_key=key or f"meeting-{next(count)}",
        )

    return send


def volume_ml(batch) -> Decimal:
    volume = sheets.current_sheet(batch).plan["volume"]
    return Decimal(volume["value"]) * (1000 if volume["unit"] == "L" else 1)


# --- moved ----------------------------------------------------------------------------------------
def test_a_moved_meeting_takes_its_orders_along_in_time_and_room(salt, meet, order_for, change, rooms):
    meeting = meet()
    order = order_for(meeting)
    later = meeting.starts_at + timedelta(days=1, hours=2)
    outcome = change(
        meeting,
        starts_at=later,
        ends_at=later + timedelta(hours=3),
        room=rooms["214"],
        reason="the room is painted",
    )
    order.refresh_from_db()
    meeting.refresh_from_db()
    assert order.due_at == later - timedelta(minutes=30)
    assert (order.room, order.batch.room, order.batch.due_at) == ("214", "214", order.due_at)
    assert (meeting.version, meeting.starts_at, meeting.room) == (2, later, rooms["214"])
    event = meeting.events.get()
    assert event.event == "move"
    assert "room 210 → 214. The room is painted." in event.note
    assert "09:00 to 12:00 → " in event.note
    assert "Room: 210 → 214." in outcome.revisions[0].words
    # Half an hour before the class, as before.
    assert any(said.startswith("Needed: ") and "10:30" in said for said in outcome.revisions[0].words)


def test_another_size_is_another_volume_of_every_order(salt, meet, order_for, change):
    meeting = meet()
    orders = [order_for(meeting), order_for(meeting, volume="20")]
    batch = joined(*orders)
    outcome = change(meeting, groups=15)
    assert {order.groups_per_section for order in Order.objects.all()} == {15}
    # (330 + 264) mL × 15 / 12.
    assert volume_ml(batch) == Decimal("742.5")
    assert len(outcome.revisions) == 2
    # One new revision of the sheet, not one for each order.
    assert batch.sheets.count() == sheets.current_sheet(batch).revision
    assert batch.sheets.filter(reason="the meeting was changed").count() == 1


def test_the_change_of_the_clocks_keeps_the_wall_clock_time(salt, meet, order_for, change, settings):
    settings.TIME_ZONE = "Europe/Paris"
    timezone.get_default_timezone.cache_clear()
    timezone.activate("Europe/Paris")
    try:
        meeting = meet()
        order = order_for(meeting)
        zone = timezone.get_default_timezone()
        # In most of Europe clocks go forward on the last Sunday of March (Directive 2000/84/EC).
        from datetime import datetime

        after = datetime(2027, 3, 29, 9, 0, tzinfo=zone)
        change(meeting, starts_at=after, ends_at=after + timedelta(hours=3))
        order.refresh_from_db()
        assert timezone.localtime(order.due_at, zone).strftime("%d %H:%M") == "29 08:30"
    finally:
        timezone.deactivate()
        timezone.get_default_timezone.cache_clear()


# --- cancelled ----------------------------------------------------------------------------------
def test_cancelled_in_the_morning_frees_the_stock_and_clears_the_queue(salt, meet, order_for, change):
    meeting = meet(days=1)
    orders = [order_for(meeting), order_for(meeting, target="1.00")]
    outcome = change(meeting, takes_place=False, reason="the heating is out")
    salt.refresh_from_db()
    meeting.refresh_from_db()
    assert salt.held == 0
    for order in orders:
        order.refresh_from_db()
        assert (order.state, order.batch.state) == (states.CANCELLED, states.CANCELLED)
        revision = order.revisions.get()
        assert revision.words[0].startswith("CH 101 B does not meet on ")
        assert f"batch {order.batch.reference} is not made" in revision.words[1]
        assert revision.words[2].startswith("Free again: ")
        assert order.events.last().event == "change"
    assert (meeting.state, meeting.events.get().event) == (states.CANCELLED, "cancel")
    assert len(outcome.revisions) == 2


def test_a_shared_batch_is_made_for_the_others(salt, meet, order_for, change):
    gone, stays = meet(1), meet(2)
    orders = [order_for(gone), order_for(stays, volume="20")]
    batch = joined(*orders)
    outcome = change(gone, takes_place=False)
    batch.refresh_from_db()
    assert (batch.state, volume_ml(batch)) == (states.QUEUED, Decimal("264"))
    assert f"batch {batch.reference} is made for its other orders, 264 mL." in outcome.revisions[0].words[1]


def test_what_is_begun_is_withdrawn_and_its_maker_told_and_asked_to_look(
    salt, meet, order_for, change, prep, instructor, colleague, manager
):
    meeting = meet(days=1)
    meeting.section.co_instructors.add(colleague)
    order = order_for(meeting)
    worked(prep, order.batch, steps=1)
    outcome = change(meeting, takes_place=False, actor=manager, reason="the heating is out")
    order.refresh_from_db()
    assert (order.state, order.batch.state) == (states.CANCELLED, states.IN_WORK)
    revision = outcome.revisions[0]
    assert revision.needs_seeing
    assert "nobody else wants it" in revision.words[-1]
    told = {notice.person: notice for notice in Notice.objects.all()}
    assert set(told) == {instructor, colleague, prep}
    assert set(outcome.told) == set(told)
    assert told[prep].kind == "batch_changed"
    assert told[instructor].kind == told[colleague].kind == "meeting_changed"
    assert "The heating is out." in told[instructor].text


def test_what_was_handed_over_stays_handed_over(salt, meet, order_for, change, prep):
    meeting = meet(days=1)
    order = order_for(meeting)
    worked(prep, order.batch)
    from requests_app.services.closing import finish_batch

    finish_batch(actor=prep, batch=order.batch)
    hand_over_batch(actor=prep, batch=order.batch)
    outcome = change(meeting, takes_place=False)
    order.refresh_from_db()
    assert (order.state, outcome.revisions) == (states.HANDED_OVER, [])


def test_a_day_that_falls_out_is_one_action_for_all_its_meetings(salt, meet, order_for, manager):
    meetings = [meet(number) for number in range(3)]
    for meeting in meetings:
        order_for(meeting)
    outcome = cancel_meetings(
        actor=manager,
        meetings=meetings,
        reason="snow",
        expected_versions={one.pk: 1 for one in meetings},
        idempotency_key="snow",
    )
    salt.refresh_from_db()
    assert salt.held == 0
    assert len(outcome.events) == len(outcome.revisions) == 3
    assert set(Meeting.objects.values_list("state", flat=True)) == {states.CANCELLED}
    assert set(Order.objects.values_list("state", flat=True)) == {states.CANCELLED}


# --- after all -------------------------------------------------------------------------------------
def test_a_meeting_that_takes_place_after_all_has_its_orders_again(salt, meet, order_for, change):
    meeting = meet()
    order = order_for(meeting)
    change(meeting, takes_place=False)
    outcome = change(meeting, takes_place=True)
    (again,) = outcome.added
    assert again.pk != order.pk
    assert (again.state, again.meeting, again.ordered_by) == (states.QUEUED, meeting, order.ordered_by)
    assert f"In place of {order.reference}" in again.events.first().note
    assert MeetingEvent.objects.filter(event="reinstate").count() == 1
    # Cancelled by hand before, it stays so.
    change(meeting, takes_place=False)
    assert len(change(meeting, takes_place=True).added) == 1


def test_a_line_that_was_ordered_anew_is_not_ordered_twice(salt, meet, order_for, change):
    from uuid import uuid4

    meeting, line = meet(), uuid4()
    order_for(meeting, list_line=line)
    change(meeting, takes_place=False)
    order_for(meeting, list_line=line)
    assert change(meeting, takes_place=True).added == []


# --- a whole section ------------------------------------------------------------------------------
def test_another_enrolment_reaches_every_meeting_to_come_without_a_size_of_its_own(
    salt, meet, order_for, change, instructor, sections
):
    first, own, over = meet(week=1), meet(days=10, week=2), meet(days=17, week=3)
    orders = [order_for(first), order_for(own), order_for(over)]
    change(own, groups=10)
    Meeting.objects.filter(pk=over.pk).update(
        starts_at=timezone.now() - timedelta(hours=4), ends_at=timezone.now() - timedelta(hours=1)
    )
    outcome = change_section_size(
        actor=instructor,
        section=sections[1],
        groups=15,
        students=30,
        reason="",
        expected_version=1,
        idempotency_key="size",
    )
    for order in orders:
        order.refresh_from_db()
    assert [order.groups_per_section for order in orders] == [15, 10, 12]
    sections[1].refresh_from_db()
    assert (sections[1].groups, sections[1].students) == (15, 30)
    assert [event.meeting for event in outcome.events] == [first]
    with pytest.raises(Conflict, match=r"Groups was 12 and is 15 now \(Ines Vale\)"):
        change_section_size(
            actor=instructor,
            section=sections[1],
            groups=16,
            students=30,
            reason="",
            expected_version=1,
            idempotency_key="other",
        )


def test_a_manager_who_changes_the_section_itself_reaches_its_orders_too(
    salt, meet, order_for, manager, sections
):
    order = order_for(meet())
    change_section(
        actor=manager,
        section=sections[1],
        facts=replace(section_facts(sections[1]), groups=14),
        seen_version=1,
        idempotency_key="facts",
    )
    order.refresh_from_db()
    assert order.groups_per_section == 14
    # It followed its section, so it is no meeting that somebody changed by itself.
    assert touched_meetings(Meeting.objects.all()) == set()


# --- who, once, what not ----------------------------------------------------------------------------
def test_only_who_teaches_the_section_or_a_manager_changes_its_meetings(
    salt, meet, change, colleague, prep, manager
):
    meeting = meet()
    for stranger in (colleague, prep):
        with pytest.raises(NotAllowed):
            change(meeting, actor=stranger, takes_place=False)
    meeting.section.co_instructors.add(colleague)
    change(meeting, actor=colleague, takes_place=False)
    change(meeting, actor=manager, takes_place=True)


def test_sent_twice_it_happens_once(salt, meet, order_for, change):
    meeting = meet()
    order_for(meeting)
    first = change(meeting, key="k", takes_place=False)
    second = change(meeting, key="k", takes_place=False)
    assert [one.pk for one in first.events] == [one.pk for one in second.events]
    assert (MeetingEvent.objects.count(), OrderRevision.objects.count()) == (1, 1)


def test_of_two_who_change_a_meeting_the_second_is_told(salt, meet, change, instructor):
    meeting = meet()
    change(meeting, groups=15)
    with pytest.raises(Conflict, match=r"Ines Vale.*12 groups → 15"):
        change_meeting(
            actor=instructor,
            meeting=meeting,
            wish=replace(as_it_is(meeting), groups=9),
            reason="",
            expected_version=1,
            idempotency_key="stale",
        )


def test_what_it_would_do_is_said_before_with_who_is_told_and_nothing_stays(
    salt, meet, order_for, instructor, prep, rooms, sections
):
    meeting, other = meet(1), meet(2)
    order = order_for(meeting)
    claim_batch(actor=prep, batch=order.batch)
    foreseen = foresee_meeting(
        actor=instructor,
        meeting=meeting,
        wish=replace(as_it_is(meeting), groups=9),
        reason="",
        expected_version=1,
    )
    assert foreseen.events[0].note == "12 groups → 9."
    assert "330 mL → 247.5 mL" in foreseen.revisions[0].words[1]
    assert foreseen.told == [prep]
    assert foreseen.warnings == [
        f"CH 101 C meets in 210 then too, {foreseen.warnings[0].partition('too, ')[2]}"
    ]
    meeting.refresh_from_db()
    assert (meeting.version, meeting.groups, other.room) == (1, None, rooms["210"])
    assert not MeetingEvent.objects.exists()
    assert not OrderRevision.objects.exists()
    assert not Notice.objects.exists()


def test_what_can_not_be_is_refused(salt, meet, change):
    meeting = meet()
    past = timezone.now() - timedelta(days=2)
    for wish, field in (
        ({}, ""),
        ({"groups": 0}, "groups"),
        ({"ends_at": meeting.starts_at}, "ends"),
        ({"starts_at": past, "ends_at": past + timedelta(hours=3)}, "starts"),
    ):
        with pytest.raises(InvalidInput) as refusal:
            change(meeting, **wish)
        assert list(refusal.value.errors) == [field]
    Meeting.objects.update(starts_at=past, ends_at=past + timedelta(hours=3))
    with pytest.raises(NotInThisState, match="is over"):
        change(meeting, takes_place=False)
