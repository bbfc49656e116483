"""Times in words, as a person at the bench reads them: weekday first, the department's clock.

Differences are taken in UTC: two times of one zone subtract to wall time, which is an hour out
across a change of summer time.
"""

from datetime import UTC, date, datetime, timedelta

from django.conf import settings
from django.utils import timezone

_HOUR = timedelta(hours=1)
_DAYS_FROM = timedelta(hours=48)


def _span(length: timedelta) -> str:
    """A positive length in the largest unit that keeps it readable, rounded down."""
    if length < _HOUR:
        count, unit = int(length.total_seconds() // 60), "minute"
    elif length < _DAYS_FROM:
        count, unit = int(length.total_seconds() // 3600), "hour"
    else:
        count, unit = length.days, "day"
    return f"{count} {unit}" if count == 1 else f"{count} {unit}s"


def _between(start: datetime, end: datetime) -> timedelta:
    return end.astimezone(UTC) - start.astimezone(UTC)


def relative_words(moment: datetime, now: datetime | None = None) -> str:
    """``in 3 hours``, ``2 days ago``, or ``now`` within the minute."""
    ahead = _between(now or timezone.now(), moment)
    if abs(ahead) < timedelta(minutes=1):
        return "now"
    return f"in {_span(ahead)}" if ahead > timedelta(0) else f"{_span(-ahead)} ago"


def late_words(due: datetime, now: datetime | None = None) -> str:
    """``late by 3 hours`` once ``due`` has passed, else an empty text."""
    past = _between(due, now or timezone.now())
    return f"late by {_span(past)}" if past >= timedelta(minutes=1) else ""


def absolute_words(moment: datetime, now: datetime | None = None) -> str:
    """``Mon 3 Aug, 09:00`` on the department's clock; the year only when it is another one."""
    here = timezone.localtime(moment, timezone.get_default_timezone())
    today = timezone.localtime(now or timezone.now(), timezone.get_default_timezone())
    year = f" {here.year}" if here.year != today.year else ""
    return f"{here:%a} {here.day} {here:%b}{year}, {here:%H:%M}"


def hours_words(start: datetime, end: datetime, day: date | None = None) -> str:
    """``Mon 3 Aug, 09:00 to 11:00``; what lies on ``day``, which is said elsewhere, without it."""
    zone = timezone.get_default_timezone()
    first, last = timezone.localtime(start, zone), timezone.localtime(end, zone)
    begins = f"{first:%H:%M}" if first.date() == day else absolute_words(start)
    until = f"{last:%H:%M}" if last.date() == (day or first.date()) else absolute_words(end)
    return f"{begins} to {until}"


def since_words(moment: datetime, now: datetime | None = None) -> str:
    """``since 09:00`` for today, with the day before that."""
    here = timezone.localtime(moment, timezone.get_default_timezone())
    today = timezone.localtime(now or timezone.now(), timezone.get_default_timezone())
    return f"since {here:%H:%M}" if here.date() == today.date() else f"since {absolute_words(moment, now)}"


class NotOnTheClock(ValueError):
    """A time that the change of the clocks skips or shows twice; the text says so to a person."""


def on_the_clock(wanted: datetime) -> datetime:
    """A local time without a zone as a moment on the department's clock.

    Raises:
        NotOnTheClock: when the change of the clocks skips it or shows it twice that night.
    """
    zone = timezone.get_default_timezone()
    first, second = wanted.replace(tzinfo=zone, fold=0), wanted.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    assert before is not None
    assert after is not None
    if before == after:
        return first
    what = "is skipped" if before < after else "comes twice"
    raise NotOnTheClock(
        f"{wanted:%H:%M} {what} that night, when the clocks change. Choose a time an hour or two away."
    )


def department_zone() -> str:
    """The zone's name as people write it: ``Europe/Paris``, ``UTC``."""
    return settings.TIME_ZONE.replace("_", " ")


def in_file(moment: datetime | None) -> str:
    """``2026-08-03 09:00`` on the department's clock, as spreadsheets read it; empty for no time."""
    if moment is None:
        return ""
    return f"{timezone.localtime(moment, timezone.get_default_timezone()):%Y-%m-%d %H:%M}"
