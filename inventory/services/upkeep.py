"""Apparatus is counted, taken out of service and put back, calibrated.

Every change is written into the item's history in the same transaction; :func:`locked_item` and
:func:`note_event` serve :mod:`inventory.services.apparatus` too.
"""

from datetime import date, timedelta
from typing import Any, Final

from django.utils import timezone

from inventory import states
from inventory.models import ApparatusEvent, ApparatusItem
from inventory.services.lost import tell_what_is_lost
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict

# More of one kind than a department owns: a slip of the keyboard.
MOST: Final = 10_000


# --- how many, and whether in service -------------------------------------------------------------
@atomic_with_retries
def change_count(
    *,
    actor: User,
    item: ApparatusItem,
    count: int,
    reason: str,
    idempotency_key: str,
    expected_count: int | None = None,
) -> ApparatusItem:
    """Say how many there are now: one broke, some were bought, or somebody counted.

    Bookings that can't be kept any more stay and are shown as such; whoever relies on them is told.

    Args:
        expected_count: what the page showed; one that was changed meanwhile is told.

    Raises:
        NotAllowed, InvalidInput.
        Conflict: the count changed since the page was shown.
    """
    policy.require(actor, "manage_apparatus")
    locked = locked_item(item)
    if sent_before(locked, idempotency_key):
        return locked
    kept = check_new_count(item=locked, count=count, reason=reason)
    if expected_count is not None and expected_count != locked.count:
        raise Conflict(
            f"When the page was shown there were {expected_count}; now there are {locked.count}. "
            "Nothing was saved. Look again."
        )
    changes = [{"fact": "How many", "old": str(locked.count), "new": str(count)}]
    fewer = count < locked.count
    locked.count = count
    locked.save(update_fields=["count"])
    event = note_event(
        locked, "count", actor=actor, reason=kept, changes=changes, idempotency_key=idempotency_key
    )
    if fewer:
        tell_what_is_lost(actor=actor, item=locked, event=event)
    return locked


def check_new_count(*, item: ApparatusItem, count: int, reason: str) -> str:
    """Read a new count without saving it; the reason as it will be kept.

    Raises:
        InvalidInput: fields ``count`` and ``reason``.
    """
    reader = Reader()
    if not 0 <= count <= MOST:
        reader.refuse("count", f"Say how many there are now, from 0 to {MOST}.")
    elif count == item.count:
        reader.refuse("count", f"There are {count} in the list already.")
    kept = reader.reason("reason", reason, ask="Say what happened: one broke, two were bought, a count.")
    reader.done()
    return kept


@atomic_with_retries
def set_in_service(
    *,
    actor: User,
    item: ApparatusItem,
    in_service: bool,
    reason: str = "",
    idempotency_key: str | None = None,
) -> ApparatusItem:
    """Take apparatus out of service, or put it back; plans use only what is in service.

    What it is already stays so, and nothing is written down.

    Raises:
        NotAllowed: for those who don't manage it.
        InvalidInput: field ``reason``: why it goes out, or what was done before it comes back.
    """
    policy.require(actor, "manage_apparatus")
    locked = locked_item(item)
    if locked.in_service == in_service or sent_before(locked, idempotency_key):
        return locked
    reader = Reader()
    ask = "Say what was done to it." if in_service else "Say why, for whoever looks for it."
    kept = reader.reason("reason", reason, ask=ask)
    reader.done()
    locked.in_service = in_service
    locked.save(update_fields=["in_service"])
    name = "put_back" if in_service else "take_out"
    event = note_event(locked, name, actor=actor, reason=kept, idempotency_key=idempotency_key)
    if not in_service:
        tell_what_is_lost(actor=actor, item=locked, event=event)
    return locked


# --- calibration ----------------------------------------------------------------------------------
# Longer than any usual interval: a slip of the keyboard in the year.
LONGEST_INTERVAL: Final = timedelta(days=3660)


@atomic_with_retries
def record_calibration(
    *,
    actor: User,
    item: ApparatusItem,
    done_on: date | None,
    done_by: str,
    as_found: str,
    next_due_on: date | None,
    note: str = "",
    idempotency_key: str,
) -> ApparatusEvent:
    """Write down a calibration: from now on the item may be used until the next one is due.

    The interval is the department's own decision; none is proposed here.

    Args:
        as_found: ``within`` or ``outside`` its limits, before anything was adjusted.
        next_due_on: the last day on which it may be used without a new one; empty where none is kept.

    Raises:
        NotAllowed, InvalidInput.
    """
    policy.require(actor, "manage_apparatus")
    locked = locked_item(item)
    first = sent_before(locked, idempotency_key)
    if first is not None:
        return first
    kept = check_calibration(
        done_on=done_on, done_by=done_by, as_found=as_found, next_due_on=next_due_on, note=note
    )
    assert done_on is not None
    before = locked.calibration_due_on
    # One written down late doesn't take the place of a newer one.
    if locked.last_calibrated_on is None or done_on >= locked.last_calibrated_on:
        locked.last_calibrated_on = done_on
        locked.calibration_due_on = next_due_on
        locked.save(update_fields=["last_calibrated_on", "calibration_due_on"])
    event = note_event(
        locked,
        "calibrate",
        actor=actor,
        reason=kept,
        done_on=done_on,
        done_by=" ".join(done_by.split()),
        as_found=as_found,
        next_due_on=next_due_on,
        idempotency_key=idempotency_key,
    )
    if covers_less(before, locked):
        tell_what_is_lost(actor=actor, item=locked, event=event)
    return event


def covers_less(before: date | None, item: ApparatusItem) -> bool:
    """Whether the calibration of an item covers fewer days than it did; ``None`` covers them all."""
    now = item.calibration_due_on
    return now is not None and (before is None or now < before)


def check_calibration(
    *, done_on: date | None, done_by: str, as_found: str, next_due_on: date | None, note: str
) -> str:
    """Read what was typed about a calibration without saving it; the note as it will be kept.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    reader = Reader()
    today = timezone.localdate()
    if done_on is None:
        reader.refuse("done_on", "Say on which day it was done.")
    elif done_on > today:
        reader.refuse("done_on", "That day is still to come. Write it down when it is done.")
    elif next_due_on is not None and next_due_on <= done_on:
        reader.refuse("next_due_on", "The next one must lie after this one.")
    elif next_due_on is not None and next_due_on - done_on > LONGEST_INTERVAL:
        reader.refuse("next_due_on", "That is more than ten years later. Check the year.")
    if not reader.words("done_by", " ".join(done_by.split()), 120):
        reader.refuse("done_by", "Say who did it: a person, or a firm with the number of its certificate.")
    kept = reader.words("note", note, MAX_REASON)
    if as_found not in states.AS_FOUND:
        reader.refuse("as_found", "Say how it was found before anything was adjusted.")
    elif as_found == "outside" and not kept:
        reader.refuse("note", "Say how far it was out and what was done about it.")
    reader.done()
    return kept


# --- locks and history ------------------------------------------------------------------------------
def locked_item(item: ApparatusItem) -> ApparatusItem:
    """The item as it is now, locked until the transaction ends."""
    # NO KEY: a booking that refers to it need not wait for its lock.
    return ApparatusItem.objects.select_for_update(no_key=True).get(pk=item.pk)


def note_event(item: ApparatusItem, event: str, *, actor: User, **details: Any) -> ApparatusEvent:
    """Write a line of the history of a locked item."""
    return ApparatusEvent.objects.create(item=item, event=event, actor=actor, **details)


def sent_before(item: ApparatusItem, idempotency_key: str | None) -> ApparatusEvent | None:
    """What the same form wrote before; refuses a key that was used for another item."""
    if idempotency_key is None:
        return None
    first = ApparatusEvent.objects.filter(idempotency_key=idempotency_key).first()
    if first is not None and first.item_id != item.pk:
        raise Conflict("This form was sent before, for other apparatus. Nothing was changed; open it afresh.")
    return first
