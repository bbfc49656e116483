"""Late orders: working days of notice, and what an order that goes first pushes aside."""

from datetime import UTC, date, datetime, timedelta

import pytest
import time_machine
from django.utils import timezone

from prepdesk.calc.typed import parse_number
from requests_app.models import DepartmentRules, Term, TermBreak
from requests_app.selectors.lateness import Work, lateness_of, on_time_until, pushed_aside

# A Thursday.
DUE = datetime(2026, 11, 26, 13, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("due", "days", "until"),
    [
        # Counted by hand on a calendar of 2026.
        (DUE, 2, datetime(2026, 11, 24, 13, 0, tzinfo=UTC)),
        (DUE, 0, DUE),
        (datetime(2026, 11, 30, 9, 0, tzinfo=UTC), 2, datetime(2026, 11, 26, 9, 0, tzinfo=UTC)),
        (datetime(2026, 11, 29, 9, 0, tzinfo=UTC), 1, datetime(2026, 11, 27, 9, 0, tzinfo=UTC)),
    ],
)
def test_saturdays_and_sundays_are_no_working_days(due, days, until):
    assert on_time_until(due, days) == until


def test_the_days_of_a_break_do_not_count():
    free = [(date(2026, 11, 23), date(2026, 11, 25))]
    assert on_time_until(DUE, 2, free) == datetime(2026, 11, 19, 13, 0, tzinfo=UTC)


def test_the_time_of_day_stays_over_the_change_of_the_clocks(settings):
    """Europe/Paris went back to winter time on Sunday 25 October 2026 (EU directive 2000/84/EC)."""
    settings.TIME_ZONE = "Europe/Paris"
    timezone.get_default_timezone.cache_clear()
    try:
        due = datetime(2026, 10, 26, 12, 0, tzinfo=UTC)  # 13:00 in Paris, winter time
        assert on_time_until(due, 1) == datetime(2026, 10, 23, 11, 0, tzinfo=UTC)  # 13:00 in summer time
    finally:
        timezone.get_default_timezone.cache_clear()


def at(hour, minute=0, day=26):
    return datetime(2026, 11, day, hour, minute, tzinfo=UTC)


def test_what_fits_in_the_order_of_due_times_pushes_nothing_aside():
    new, other = Work("", at(12), 60), Work("B-1", at(10), 60)
    assert pushed_aside(new, [other], at(9), 1) == []


def test_what_no_longer_fits_is_named_with_when_it_would_be_ready():
    """By hand: one pair of hands from 9:00; 90 minutes and 60 minutes are ready at 10:30 and 11:30."""
    new, other = Work("", at(10, 30), 90), Work("B-1", at(10, 45), 60)
    assert pushed_aside(new, [other], at(9), 1) == [(other, at(11, 30))]
    assert pushed_aside(new, [other], at(9), 2) == [], "two people do both at once"


def test_what_would_have_been_late_anyway_is_not_laid_to_the_new_one():
    new, other = Work("", at(10, 30), 90), Work("B-1", at(9, 30), 60)
    assert pushed_aside(new, [other], at(9), 1) == []


def test_nobody_prepares_at_night_or_at_the_weekend():
    """Friday 17:30 with 60 minutes of work: 30 on Friday, 30 on Monday from 7:00."""
    new = Work("", at(7, 20, day=30), 60)
    other = Work("B-1", at(7, 30, day=30), 30)
    assert pushed_aside(new, [other], at(17, 30, day=27), 1) == [(other, at(8, 0, day=30))]


@pytest.mark.django_db
@time_machine.travel(datetime(2026, 11, 25, 9, 0, tzinfo=UTC), tick=False)
def test_an_order_sent_late_is_marked_and_says_what_it_pushes_aside(salt, send):
    DepartmentRules.objects.create(pk=1, notice_days=1)
    early = send(due_at=datetime(2026, 11, 27, 9, 0, tzinfo=UTC), target="0.50")
    assert not early.is_late
    first = send(due_at=timezone.now() + timedelta(minutes=25), volume="1", overage_percent=None)
    second = send(due_at=timezone.now() + timedelta(minutes=20), target="1.00", volume="1")
    assert first.is_late
    assert first.displaces == []
    assert second.is_late
    assert first.batch.reference in second.displaces[0]
    assert "1 person preparing from 07:00 to 18:00" in second.displaces[1]


@pytest.mark.django_db
@time_machine.travel(datetime(2026, 11, 25, 9, 0, tzinfo=UTC), tick=False)
def test_a_break_of_the_term_lengthens_the_notice(salt, send):
    due = datetime(2026, 11, 30, 9, 0, tzinfo=UTC)
    assert not lateness_of(due, None).is_late
    term = Term.objects.create(
        code="A26", name="Autumn", starts_on=date(2026, 9, 1), ends_on=date(2026, 12, 20)
    )
    TermBreak.objects.create(
        term=term, name="Reading days", starts_on=date(2026, 11, 26), ends_on=date(2026, 11, 27)
    )
    assert lateness_of(due, None).is_late
    assert send(due_at=due, per_section=parse_number("50")).is_late
