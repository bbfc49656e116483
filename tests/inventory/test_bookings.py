"""Apparatus is booked for hours: never more at any moment than there is, and every refusal says who has it.

That half-open intervals which touch don't overlap, and that something is promised too often exactly when the
sum over some instant exceeds it, are facts of interval arithmetic; the property test asks every instant.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.db import IntegrityError, transaction
from django.test import override_settings
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import states
from inventory.models import ApparatusItem, Booking
from inventory.selectors import Window, booked_on, day_window, free_in, overbooked, peak
from inventory.services import (
    AlreadyBooked,
    add_apparatus,
    book_apparatus,
    cancel_booking,
    change_count,
    check_booking,
    end_bookings,
    record_calibration,
    release_bookings,
    set_in_service,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState

pytestmark = pytest.mark.django_db

DAY = datetime(2026, 12, 1, tzinfo=UTC)


def at(hour: float) -> datetime:
    return DAY + timedelta(hours=hour)


@pytest.fixture(autouse=True)
def the_day_before():
    with time_machine.travel(DAY - timedelta(hours=12), tick=False):
        yield


@pytest.fixture
def flask(prep):
    def add(count: int = 1, size: str = "2000") -> ApparatusItem:
        return add_apparatus(
            actor=prep,
            type="one-mark flask",
            nominal_ml=size,
            apparatus_class="A",
            standard="ISO 1042:1998",
            count=count,
        )

    return add


@pytest.fixture
def book(instructor):
    keys = iter(range(1000))

    def add(item, starts, ends, count=1, **more):
        values = {
            "actor": instructor,
            "purpose": "CH 101",
            "idempotency_key": f"key-{next(keys)}",
            "by_hand": True,
        }
        return book_apparatus(wanted=[(item.pk, count, at(starts), at(ends))], **{**values, **more})[0]

    return add


def test_one_flask_is_promised_once_for_the_same_hour_and_the_refusal_says_who_has_it(flask, book):
    item = flask()
    book(item, 9, 11, purpose="B-2601 2.00 mol/L sodium chloride")
    with pytest.raises(AlreadyBooked) as refused:
        book(item, 10, 12)
    assert refused.value.text == (
        "2000 mL one-mark flask: none is free. Ines Vale has booked one for B-2601 2.00 mol/L sodium "
        "chloride until Tue 1 Dec, 11:00."
    )
    (clash,) = refused.value.clashes
    assert (clash.wanted, clash.free, len(clash.others)) == (1, 0, 1)
    assert Booking.objects.count() == 1


def test_bookings_that_touch_do_not_overlap(flask, book):
    item = flask()
    book(item, 9, 11)
    book(item, 11, 12)
    book(item, 8, 9)
    assert Booking.objects.filter(state=states.BOOKED).count() == 3


def test_two_of_three_are_free_beside_bookings_that_never_meet(flask, book):
    """One booked from 9 to 10 and one from 10 to 11 take one flask, not two."""
    item = flask(3)
    book(item, 9, 10)
    book(item, 10, 11)
    assert free_in([item], Window(at(9), at(11))) == {item.pk: 2}
    book(item, 9, 11, count=2)
    with pytest.raises(AlreadyBooked, match="none is free"):
        book(item, 9.5, 9.75)


def test_all_or_nothing(flask, instructor, book):
    free, taken = flask(), flask(size="1000")
    book(taken, 9, 10)
    with pytest.raises(AlreadyBooked):
        book_apparatus(
            actor=instructor,
            wanted=[(free.pk, 1, at(9), at(10)), (taken.pk, 1, at(9), at(10))],
            purpose="B-2602",
            idempotency_key="both",
        )
    assert Booking.objects.filter(item=free).count() == 0


def test_one_call_that_wants_an_item_twice_counts_both(flask, instructor):
    item = flask(1)
    with pytest.raises(AlreadyBooked):
        book_apparatus(
            actor=instructor,
            wanted=[(item.pk, 1, at(9), at(11)), (item.pk, 1, at(10), at(12))],
            purpose="B-2602",
            idempotency_key="twice",
        )


def test_the_same_key_books_once_and_refuses_other_hours(flask, book):
    item = flask(5)
    first = book(item, 9, 11, idempotency_key="form")
    assert book(item, 9, 11, idempotency_key="form") == first
    with pytest.raises(Conflict, match="for other hours"):
        book(item, 9, 12, idempotency_key="form")
    assert Booking.objects.count() == 1


def test_a_plan_that_replaces_another_may_use_what_that_had_booked(flask, book):
    item = flask()
    old = book(item, 9, 11)
    new = book(item, 10, 12, instead_of=[old])
    old.refresh_from_db()
    assert (old.state, new.state) == (states.RELEASED, states.BOOKED)
    assert old.closing_reason == "Replaced: CH 101"


def test_a_replacement_that_is_refused_leaves_the_old_booking(flask, book):
    item, other = flask(), flask(size="1000")
    old = book(item, 9, 11)
    book(other, 9, 11)
    with pytest.raises(AlreadyBooked):
        book(other, 9, 11, instead_of=[old])
    old.refresh_from_db()
    assert old.state == states.BOOKED


def test_what_is_released_or_given_back_is_free_at_once(flask, book, prep, instructor):
    item = flask()
    first = book(item, 9, 11)
    release_bookings(actor=instructor, bookings=[first], reason="cancelled")
    second = book(item, 9, 11)
    end_bookings(actor=prep, bookings=[second.pk], reason="B-2601 is finished")
    second.refresh_from_db()
    assert (second.state, second.closed_by) == (states.ENDED, prep)
    release_bookings(actor=instructor, bookings=[second], reason="too late")
    second.refresh_from_db()
    assert second.state == states.ENDED, "what was closed stays as it was closed"
    book(item, 9, 11)


def test_what_is_out_of_service_or_past_its_day_is_not_booked(flask, book, prep):
    item = flask()
    set_in_service(actor=prep, item=item, in_service=False, reason="Cracked")
    with pytest.raises(NotInThisState, match=r"is out of service since 30 Nov \(Cracked\)"):
        book(item, 9, 11)
    set_in_service(actor=prep, item=item, in_service=True, reason="Replaced")
    record_calibration(
        actor=prep,
        item=item,
        done_on=DAY.date() - timedelta(days=300),
        done_by="Pia",
        as_found="within",
        next_due_on=DAY.date(),
        idempotency_key="c",
    )
    book(item, 9, 11)  # the due day itself is the last one
    with pytest.raises(NotInThisState, match="is past its calibration since 1 Dec"):
        book(item, 33, 35)


def test_a_person_cancels_own_bookings_and_the_stockroom_any_but_none_of_a_plan(
    flask, book, instructor, colleague, prep
):
    item = flask(3)
    mine, other = book(item, 9, 11), book(item, 9, 11)
    with pytest.raises(NotAllowed):
        cancel_booking(actor=colleague, booking=mine)
    for _ in range(2):
        assert cancel_booking(actor=instructor, booking=mine).state == states.RELEASED
    assert cancel_booking(actor=prep, booking=other).state == states.RELEASED
    of_plan = book(item, 9, 11, by_hand=False, purpose="B-2601 a solution")
    with pytest.raises(NotInThisState, match="belongs to B-2601"):
        cancel_booking(actor=prep, booking=of_plan)
    with time_machine.travel(at(12)), pytest.raises(NotInThisState, match="has passed"):
        cancel_booking(actor=instructor, booking=book(item, 9, 11))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"count": 0}, "count"),
        ({"count": 2}, "count"),
        ({"ends": at(9)}, "ends"),
        ({"purpose": "  "}, "purpose"),
        ({"purpose": "x" * 121}, "purpose"),
        ({"starts": at(-48), "ends": at(-40)}, "ends"),
        ({"ends": at(24 * 40)}, "ends"),
        ({"starts": at(24 * 800), "ends": at(24 * 800 + 1)}, "starts"),
    ],
)
def test_what_can_not_be_booked_is_refused_beside_its_field(flask, change, field):
    typed = {"item": flask(), "count": 1, "starts": at(9), "ends": at(11), "purpose": "CH 101"}
    check_booking(**typed)
    with pytest.raises(InvalidInput) as refused:
        check_booking(**{**typed, **change})
    assert list(refused.value.errors) == [field]


def test_the_database_refuses_a_booking_of_nothing_or_of_no_time(flask, instructor):
    row = {"item": flask(), "purpose": "x", "actor": instructor}
    for wrong in (
        {"count": 0, "starts_at": at(9), "ends_at": at(10)},
        {"starts_at": at(9), "ends_at": at(9)},
    ):
        with pytest.raises(IntegrityError), transaction.atomic():
            Booking.objects.create(**row, **wrong, idempotency_key=f"wrong-{len(wrong)}")


def test_more_are_booked_than_are_left_after_one_broke(flask, book, prep):
    item = flask(2)
    lost = [book(item, 9, 11), book(item, 10, 12)]
    kept = book(item, 12, 13)
    assert overbooked(Booking.objects.select_related("item")) == set()
    change_count(actor=prep, item=item, count=1, reason="One broke", idempotency_key="b", expected_count=2)
    assert overbooked(Booking.objects.select_related("item")) == {one.pk for one in lost}
    assert kept.pk not in overbooked(Booking.objects.select_related("item"))
    assert free_in([ApparatusItem.objects.get()], Window(at(10), at(11))) == {item.pk: 0}


# --- the clocks ------------------------------------------------------------------------------------
def test_a_day_of_the_department_is_23_or_25_hours_long_when_the_clocks_change():
    """Summer time in Berlin: 29 March 2026 loses the hour from 2 to 3, 25 October has it twice (Directive
    2000/84/EC: last Sunday of March and of October, at 01:00 UTC)."""
    with override_settings(TIME_ZONE="Europe/Berlin"), timezone.override(ZoneInfo("Europe/Berlin")):
        timezone.get_default_timezone.cache_clear()
        lengths = [day_window(datetime(2026, *day).date()).length for day in ((3, 29), (10, 25), (6, 1))]
    timezone.get_default_timezone.cache_clear()
    assert lengths == [timedelta(hours=hours) for hours in (23, 25, 24)]


def test_a_booking_across_the_change_of_the_clocks_lasts_as_long_as_it_lasts(flask, instructor):
    """From 1:30 to 3:30 in that night of March is one hour; 0:45 UTC is inside it, 1:45 UTC is not."""
    berlin, item = ZoneInfo("Europe/Berlin"), flask()
    starts = datetime(2027, 3, 28, 1, 30, tzinfo=berlin)
    ends = datetime(2027, 3, 28, 3, 30, tzinfo=berlin)
    book_apparatus(
        actor=instructor, wanted=[(item.pk, 1, starts, ends)], purpose="night", idempotency_key="n"
    )
    row = Booking.objects.get()
    assert row.ends_at - row.starts_at == timedelta(hours=1)
    quarter = timedelta(minutes=15)
    inside = datetime(2027, 3, 28, 0, 45, tzinfo=UTC)
    outside = datetime(2027, 3, 28, 1, 45, tzinfo=UTC)
    free = [free_in([item], Window(moment, moment + quarter))[item.pk] for moment in (inside, outside)]
    assert free == [0, 1]


def test_the_day_shows_what_is_booked_on_it_and_nothing_of_its_neighbours(flask, book, instructor):
    item = flask(3)
    overnight, morning = book(item, -2, 1), book(item, 9, 11)
    book(item, -5, 0)
    book(item, 24, 25)
    ((shown, bookings),) = booked_on(DAY.date(), actor=instructor)
    assert (shown, bookings) == (item, [overnight, morning])


# --- the property ----------------------------------------------------------------------------------
_hours = st.tuples(st.integers(0, 23), st.integers(1, 8), st.integers(1, 3))


@given(wanted=st.lists(_hours, min_size=1, max_size=14), start=st.integers(0, 23), length=st.integers(1, 9))
def test_the_peak_is_the_most_that_any_moment_takes(wanted, start, length):
    """All begins and ends on whole hours, so the half hours between them are all the moments there are."""
    intervals = [(at(first), at(first + hours), count) for first, hours, count in wanted]
    moments = [at(start + half / 2) for half in range(1, 2 * length, 2)]
    brute = max(
        sum(count for first, last, count in intervals if first <= moment < last) for moment in moments
    )
    assert peak(intervals, Window(at(start), at(start + length))) == brute


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(wanted=st.lists(_hours, min_size=1, max_size=14), count=st.integers(1, 4))
def test_random_bookings_never_take_more_than_there_are_at_any_moment_and_refuse_none_that_fit(
    flask, instructor, wanted, count
):
    with transaction.atomic():
        item = flask(count)
        accepted: list[tuple[int, int, int]] = []
        for number, (first, hours, wants) in enumerate(wanted):
            moments = [first + half / 2 for half in range(1, 2 * hours, 2)]
            taken = max(sum(c for f, h, c in accepted if f <= moment < f + h) for moment in moments)
            try:
                book_apparatus(
                    actor=instructor,
                    wanted=[(item.pk, wants, at(first), at(first + hours))],
                    purpose="any",
                    idempotency_key=f"{item.pk}-{number}",
                )
                accepted.append((first, hours, wants))
                assert taken + wants <= count
            except AlreadyBooked:
                assert taken + wants > count
        transaction.set_rollback(True)
