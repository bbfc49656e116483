"""Times in words, on the department's clock."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from prepdesk.core.times import absolute_words, hours_words, late_words, relative_words, since_words

NOW = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ahead", "words"),
    [
        (timedelta(seconds=20), "now"),
        (timedelta(minutes=1), "in 1 minute"),
        (timedelta(minutes=59), "in 59 minutes"),
        (timedelta(hours=3, minutes=50), "in 3 hours"),
        (timedelta(hours=47), "in 47 hours"),
        (timedelta(days=2), "in 2 days"),
        (timedelta(hours=-1), "1 hour ago"),
        (timedelta(days=-9), "9 days ago"),
    ],
)
def test_a_distance_in_time_is_said_in_words(ahead, words):
    assert relative_words(NOW + ahead, NOW) == words


def test_late_is_said_only_once_it_is_late():
    assert late_words(NOW + timedelta(minutes=5), NOW) == ""
    assert late_words(NOW - timedelta(hours=3), NOW) == "late by 3 hours"


def test_the_hour_lost_in_spring_is_not_counted():
    # Summer time began in the European Union on 29 March 2026 at 01:00 UTC (Directive 2000/84/EC).
    paris = ZoneInfo("Europe/Paris")
    before = datetime(2026, 3, 28, 12, 0, tzinfo=paris)
    after = datetime(2026, 3, 29, 12, 0, tzinfo=paris)
    assert relative_words(after, before) == "in 23 hours"


def test_a_time_is_shown_on_the_departments_clock_with_its_weekday(settings):
    settings.TIME_ZONE = "Europe/Paris"
    assert absolute_words(datetime(2026, 7, 1, 7, 5, tzinfo=UTC), NOW) == "Wed 1 Jul, 09:05"


def test_another_year_is_named():
    assert absolute_words(datetime(2027, 1, 4, 9, 0, tzinfo=UTC), NOW) == "Mon 4 Jan 2027, 09:00"


def test_since_names_the_day_only_when_it_is_another_one():
    assert since_words(NOW - timedelta(hours=2), NOW) == "since 06:00"
    assert since_words(NOW - timedelta(hours=10), NOW) == "since Sun 1 Mar, 22:00"


def test_hours_name_the_day_only_where_it_is_not_said_already():
    nine, eleven = (datetime(timezone.now().year, 3, 2, hour, tzinfo=UTC) for hour in (9, 11))
    day = f"{nine:%a} 2 Mar, "
    assert hours_words(nine, eleven) == f"{day}09:00 to 11:00"
    assert hours_words(nine, eleven, nine.date()) == "09:00 to 11:00"
    next_day = eleven + timedelta(days=1)
    assert hours_words(nine, next_day, nine.date()) == f"09:00 to {next_day:%a} 3 Mar, 11:00"
    assert hours_words(nine, next_day, next_day.date()) == f"{day}09:00 to 11:00"
