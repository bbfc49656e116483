"""Readings and scans that reach the server later than they were taken: in whose order, and at what time.

A device at the bench keeps its readings while the connection is lost and sends them afterwards, one after
the other. Each goes on from the record of the one before it; whatever anybody else did in between is told
and nothing is recorded over it.
"""

from datetime import datetime, timedelta
from typing import Final

from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict
from prepdesk.core.times import absolute_words
from requests_app.models import Batch, BatchEvent, Sheet, StepRecord

# A device's clock may be ahead by so much; more is a wrong clock.
CLOCK_AHEAD: Final = timedelta(minutes=1)
# A reading that was on its way for longer belongs to another shift, and its time to a wrong clock.
LONGEST_ON_THE_WAY: Final = timedelta(hours=6)


def require_goes_on(
    actor: User,
    batch: Batch,
    sheet: Sheet,
    *,
    seen_version: int | None,
    seen_revision: int | None,
    after_key: str,
) -> None:
    """A record goes on from the page it was typed on, or from the sender's own record before it.

    Args:
        after_key: key of the reading that the same device sent before this one; it takes the place of
            ``seen_version``, since that page knew nothing of it.

    Raises:
        Conflict: the batch was changed by anybody else since; says what happened.
    """
    require_same_sheet(batch, sheet, seen_revision)
    expected = seen_version
    if after_key:
        before = StepRecord.objects.filter(batch=batch, actor=actor, idempotency_key=after_key).first()
        if before is None or before.version_after is None:
            raise Conflict(
                "The reading before this one was not recorded, so this one was not recorded either. Look at "
                f"{batch.reference} as it stands now."
            )
        expected = before.version_after
    if expected is not None and expected != batch.version:
        raise Conflict(
            f"{batch.reference} was changed since this page was shown, perhaps on another device."
            f"{_what_happened(batch, expected)} Nothing was saved; look at it again."
        )


def require_same_sheet(batch: Batch, sheet: Sheet, seen_revision: int | None) -> None:
    """Refuse what was read or scanned by an earlier sheet: the step may be another one by now.

    Raises:
        Conflict: naming both revisions.
    """
    if seen_revision is not None and seen_revision != sheet.revision:
        raise Conflict(
            f"{batch.reference} was planned anew since this was read: revision {sheet.revision} is the one "
            f"to work from, and this was read by revision {seen_revision}. Nothing was recorded."
        )


def _what_happened(batch: Batch, version: int) -> str:
    said = [
        f"Step {record.step_number} was recorded as "
        f"{f'{record.reading_text} {record.reading_unit}' if record.reading_text else 'done'} "
        f"by {record.actor}, {absolute_words(record.read_at)}."
        for record in batch.step_records.filter(version_after__gt=version).select_related("actor")
    ]
    if not said:
        last = BatchEvent.objects.filter(batch=batch).select_related("actor").last()
        said = [f"Last: {last.words.lower()} by {last.actor}, {absolute_words(last.at)}."] if last else []
    return "".join(f" {one}" for one in said)


def credible_time(batch: Batch, taken_at: datetime | None, now: datetime) -> tuple[datetime | None, str]:
    """When a reading was taken, as far as the device can be believed, and a note where it can't be.

    Args:
        taken_at: by the clock of the device; None where it was taken as it was sent.

    Returns:
        The time, or None for the server's own; and what to write beside the record then.
    """
    if taken_at is None:
        return None, ""
    began = batch.claimed_at
    too_late = taken_at - now > CLOCK_AHEAD
    too_early = now - taken_at > LONGEST_ON_THE_WAY or (began is not None and taken_at < began)
    if not (too_late or too_early):
        return min(taken_at, now), ""
    return None, (
        f"The device's clock said {absolute_words(taken_at, now)}, which can't be; "
        "the time is that of arrival."
    )
