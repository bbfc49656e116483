"""A person's calendar feed, read back with a library and by the rules of RFC 5545."""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from icalendar import Calendar

from inventory.models import Substance
from prepdesk.accounts.calendar_keys import end_calendar_key, make_calendar_key
from prepdesk.accounts.models import CalendarKey
from requests_app.models import Meeting, Room, Term
from requests_app.services.claiming import claim_batch
from requests_app.services.orders import cancel_order
from tests.requests_app.conftest import bench, bottle, course, draft, salt, sections, send

__all__ = ["bench", "bottle", "course", "draft", "salt", "sections", "send"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def paris(settings):
    """Summer time ends on Sunday 25 October 2026 (EU directive 2000/84/EC)."""
    settings.TIME_ZONE = "Europe/Paris"
    timezone.get_default_timezone.cache_clear()
    yield
    timezone.get_default_timezone.cache_clear()


@pytest.fixture
def feed_of():
    """The calendar of a person as whoever has its address gets it, without signing in."""

    def ask(person, secret="", **headers):
        address = reverse("requests_app:calendar", args=[secret or make_calendar_key(actor=person)])
        return Client().get(address, headers=headers)

    return ask


def meetings(section):
    """Two meetings at 13:30 on the clock of the department, before and after the clocks change."""
    term = Term.objects.create(
        code="A", name="Autumn", starts_on=date(2026, 9, 7), ends_on=date(2026, 12, 18)
    )
    room = Room.objects.create(code="C-214; west, 2nd")
    days = [date(2026, 10, 19), date(2026, 10, 26)]
    return [
        Meeting.objects.create(
            section=section,
            week=term.week_of(day),
            room=room,
            starts_at=timezone.make_aware(datetime.combine(day, time(13, 30))),
            ends_at=timezone.make_aware(datetime.combine(day, time(16, 30))),
        )
        for day in days
    ]


def events_in(answer, words=""):
    found = Calendar.from_ical(answer.content)
    return [event for event in found.walk("VEVENT") if words in event["summary"]]


@time_machine.travel(datetime(2026, 10, 15, 9, 0, tzinfo=UTC), tick=False)
def test_meetings_keep_their_clock_time_over_the_change_of_the_clocks(paris, sections, instructor, feed_of):
    meetings(sections[0])
    before, after = events_in(feed_of(instructor))
    assert [one["dtstart"].dt.hour for one in (before, after)] == [13, 13]
    assert [one["dtstart"].dt.astimezone(UTC).hour for one in (before, after)] == [11, 12]
    assert before["dtstart"].params["TZID"] == "Europe/Paris"
    assert before["location"] == "C-214; west, 2nd"


@time_machine.travel(datetime(2026, 10, 15, 9, 0, tzinfo=UTC), tick=False)
def test_the_feed_keeps_the_rules_of_the_standard(paris, sections, instructor, feed_of, salt, send):
    meetings(sections[0])
    send(notes="x", room="210")
    answer = feed_of(instructor)
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    raw = answer.content
    # Section 3.1: lines end with CRLF and are folded at 75 octets.
    assert raw.endswith(b"\r\n")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 75
    # Section 3.6.1: UID and DTSTAMP exactly once in each; 3.6.5: the zone that is named is described.
    parts = raw.split(b"BEGIN:VEVENT")[1:]
    assert len(parts) == 3
    for part in parts:
        assert part.count(b"\r\nUID:") == part.count(b"\r\nDTSTAMP:") == 1
    assert raw.count(b"BEGIN:VTIMEZONE") == 1
    # Section 3.3.11: a semicolon and a comma in a text are escaped.
    assert rb"LOCATION:C-214\; west\, 2nd" in raw
    assert raw.count(b"PRODID:") == raw.count(b"VERSION:2.0") == 1


@time_machine.travel(datetime(2026, 10, 15, 9, 0, tzinfo=UTC), tick=False)
def test_a_change_keeps_the_uid_and_raises_the_sequence(sections, instructor, feed_of):
    first, _ = meetings(sections[0])
    before = events_in(feed_of(instructor))[0]
    Meeting.objects.filter(pk=first.pk).update(version=3, state="cancelled")
    after = events_in(feed_of(instructor))[0]
    assert after["uid"] == before["uid"]
    assert (before["sequence"], after["sequence"]) == (0, 2)
    assert (before["status"], after["status"]) == ("CONFIRMED", "CANCELLED")


def test_orders_stand_at_their_due_time_with_their_state(salt, send, instructor, feed_of):
    order = send()
    (event,) = events_in(feed_of(instructor))
    assert event["summary"] == f"Due: {order.title} (In the queue)"
    assert abs(event["dtstart"].dt - order.due_at) < timedelta(seconds=1)
    cancel_order(actor=instructor, order=order)
    (event,) = events_in(feed_of(instructor))
    assert event["status"] == "CANCELLED"


def test_each_role_finds_what_it_has_to_do(salt, send, instructor, prep, second_prep, manager, feed_of):
    order = send()
    assert len(events_in(feed_of(prep), "Make: ")) == 1
    claim_batch(actor=prep, batch=order.batch)
    assert len(events_in(feed_of(prep), "(yours)")) == 1
    assert events_in(feed_of(second_prep)) == []
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    send()
    assert len(events_in(feed_of(manager), "For approval")) == 1
    assert events_in(feed_of(instructor), "For approval") == []


def test_an_unchanged_calendar_is_answered_without_a_body(salt, send, instructor, feed_of):
    send()
    secret = make_calendar_key(actor=instructor)
    first = feed_of(instructor, secret)
    again = feed_of(instructor, secret, if_none_match=first["ETag"])
    assert (again.status_code, again.content) == (304, b"")
    assert first["Cache-Control"] == again["Cache-Control"] == "private, no-cache"
    send()
    assert feed_of(instructor, secret, if_none_match=first["ETag"]).status_code == 200


def test_a_wrong_an_old_and_an_ended_address_open_nothing(instructor, feed_of):
    old = make_calendar_key(actor=instructor)
    assert feed_of(instructor, old).status_code == 200
    new = make_calendar_key(actor=instructor)
    assert feed_of(instructor, old).status_code == 404
    assert feed_of(instructor, new[:-1]).status_code == 404
    assert feed_of(instructor, "x" * 3000).status_code == 404
    end_calendar_key(actor=instructor)
    assert feed_of(instructor, new).status_code == 404


def test_the_address_of_a_person_who_left_opens_nothing(instructor, feed_of):
    secret = make_calendar_key(actor=instructor)
    type(instructor).objects.filter(pk=instructor.pk).update(is_active=False)
    assert feed_of(instructor, secret).status_code == 404


def test_the_address_opens_the_calendar_and_nothing_else(instructor):
    secret = make_calendar_key(actor=instructor)
    client = Client()
    client.get(reverse("requests_app:calendar", args=[secret]))
    assert client.get("/orders/").status_code == 302
    assert client.get("/api/v1/schema/", headers={"authorization": f"Token {secret}"}).status_code == 401


def test_the_queries_do_not_grow_with_the_calendar(
    salt, send, instructor, django_assert_max_num_queries, feed_of
):
    for _ in range(4):
        send(volume="2")
    secret = make_calendar_key(actor=instructor)
    with django_assert_max_num_queries(6):
        assert len(events_in(feed_of(instructor, secret))) == 4


def test_the_address_is_shown_once_and_kept_as_a_hash(client, instructor):
    client.force_login(instructor)
    page = client.post(reverse("accounts:calendar_make")).content.decode()
    secret = re.search(r"/calendar/([\w-]+)\.ics", page).group(1)
    assert secret not in client.get("/accounts/me/").content.decode()
    assert secret not in CalendarKey.objects.get().hash
    client.post(reverse("accounts:calendar_end"))
    assert not CalendarKey.objects.exists()
