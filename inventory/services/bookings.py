"""Apparatus is booked for hours, given back, released. The only writer of bookings.

The items concerned are locked first, once, in key order; only then is counted what is booked. A count
before the lock may be one that somebody else is changing, and unsorted locks wait for each other. Every
change of a booking happens under the lock of its item, so that lock guards the bookings too. On SQLite
there is one writer at a time and its lock is the database's.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory import states
from inventory.models import ApparatusItem, Booking
from inventory.selectors import Window, booked_between, booked_words, peak, reasons_not_to_use
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotInThisState

# (key of the item, how many, from, until)
Wanted = tuple[int, int, datetime, datetime]
# A class books hours or days; a booking for a season or for the year after next is a slip of the keyboard.
LONGEST: Final = timedelta(days=31)
FARTHEST: Final = timedelta(days=731)


@dataclass(frozen=True, slots=True)
class Clash:
    """What one item can't give in its window: wanted, free, and the bookings that take the rest."""

    item: ApparatusItem
    wanted: int
    free: int
    others: tuple[Booking, ...]

    def __str__(self) -> str:
        left = "none is free" if not self.free else f"{self.free} of {self.wanted} wanted free"
        taken = "; ".join(booked_words(one) for one in self.others)
        return f"{self.item.words[:1].upper()}{self.item.words[1:]}: {left}{f'. {taken}' if taken else ''}."


class AlreadyBooked(DomainError):
    """Apparatus is promised for those hours; ``clashes`` says what, by whom and until when."""

    code = "already_booked"
    status = 409
    title = "Booked for those hours"

    def __init__(self, clashes: tuple[Clash, ...]) -> None:
        super().__init__(" ".join(map(str, clashes)))
        self.clashes = clashes


# --- booking ----------------------------------------------------------------------------------
@atomic_with_retries
def book_apparatus(
    *,
    actor: User,
    wanted: Sequence[Wanted],
    purpose: str,
    idempotency_key: str,
    instead_of: Iterable[Booking | int] = (),
    by_hand: bool = False,
) -> list[Booking]:
    """Book apparatus so that nobody else is promised it for the same hours: all of it or nothing.

    Args:
        wanted: item key, how many, from, until (not included); times with a zone.
        purpose: for whom or what, at most 120 characters, shown to whoever wants it too.
        idempotency_key: the same key books once; later calls return the first bookings.
        instead_of: bookings released in the same stroke, when a plan replaces another one.
        by_hand: a person made it on the item's page, and may cancel it there.

    Raises:
        NotAllowed, InvalidInput.
        AlreadyBooked: fewer are free at some moment of the window than are wanted.
        NotInThisState: an item is out of service or past its calibration on that day.
        Conflict: the key was used for something else.
    """
    policy.require(actor, "book_apparatus")
    kept = _check_wanted(wanted, purpose)
    old = dict(Booking.objects.filter(pk__in=_keys(instead_of)).values_list("pk", "item_id"))
    items = _lock_items([*(item for item, *_ in wanted), *old.values()])
    rows = [
        Booking(
            item=items[item],
            count=count,
            starts_at=starts.astimezone(UTC),
            ends_at=ends.astimezone(UTC),
            purpose=kept,
            by_hand=by_hand,
            actor=actor,
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (item, count, starts, ends) in enumerate(sorted(wanted))
    ]
    first = _booked_before(rows, idempotency_key)
    if first is not None:
        return first
    _close(old, "release", actor, f"Replaced: {kept}")
    if not rows:
        return []
    _require_usable(rows)
    _require_free(rows)
    try:
        with transaction.atomic():
            return Booking.objects.bulk_create(rows)
    except IntegrityError as error:
        # The same form sent twice at one moment, for items whose locks don't meet.
        first = _booked_before(rows, idempotency_key)
        if first is None:
            raise Conflict("This was booked at the same moment. Look at the bookings again.") from error
        return first


def _check_wanted(wanted: Sequence[Wanted], purpose: str) -> str:
    reader = Reader()
    kept = reader.words("purpose", " ".join(purpose.split()), 120)
    if not kept:
        reader.refuse("purpose", "Say what it is booked for, so that others know whom to ask.")
    for _, count, starts, ends in wanted:
        if count < 1:
            reader.refuse("count", "Say how many, at least 1.")
        if ends.astimezone(UTC) <= starts.astimezone(UTC):
            reader.refuse("ends", "The end must lie after the beginning.")
    reader.done()
    return kept


def check_booking(*, item: ApparatusItem, count: int, starts: datetime, ends: datetime, purpose: str) -> None:
    """Read what a person typed about a booking, without saving it.

    Raises:
        InvalidInput: by field ``count``, ``starts``, ``ends``, ``purpose``.
    """
    errors: dict[str, str] = {}
    try:
        _check_wanted([(item.pk, count, starts, ends)], purpose)
    except InvalidInput as refusal:
        errors.update(refusal.errors)
    if count > item.count:
        errors.setdefault("count", f"There {'is' if item.count == 1 else 'are'} only {item.count}.")
    now = timezone.now()
    if ends <= now:
        errors.setdefault("ends", "That time has passed.")
    elif ends - starts > LONGEST:
        errors.setdefault("ends", f"At most {LONGEST.days} days are booked at once.")
    elif starts - now > FARTHEST:
        errors.setdefault("starts", "That is more than two years away. Check the day.")
    if errors:
        raise InvalidInput(errors)


def _require_usable(rows: Sequence[Booking]) -> None:
    for row in rows:
        day = timezone.localdate(row.ends_at)
        why = reasons_not_to_use([row.item], day).get(row.item_id)
        if why is not None:
            raise NotInThisState(f"The {row.item.words} {why}.")


def _require_free(rows: Sequence[Booking]) -> None:
    """Each window with what is booked already and what is wanted besides it in the same call."""
    first, last = min(row.starts_at for row in rows), max(row.ends_at for row in rows)
    around = booked_between(first, last).filter(item__in={row.item_id for row in rows})
    others: dict[int, list[Booking]] = defaultdict(list)
    for other in around.select_related("actor").order_by("ends_at", "pk"):
        others[other.item_id].append(other)
    clashes = []
    for row in rows:
        window = Window(row.starts_at, row.ends_at)
        beside = [one for one in rows if one is not row and one.item_id == row.item_id]
        taken = peak(
            [(one.starts_at, one.ends_at, one.count) for one in (*others[row.item_id], *beside)], window
        )
        free = max(row.item.there - taken, 0)
        if row.count > free:
            overlapping = [
                one
                for one in others[row.item_id]
                if one.starts_at < window.end and one.ends_at > window.start
            ]
            clashes.append(Clash(row.item, row.count, free, tuple(overlapping)))
    if clashes:
        raise AlreadyBooked(tuple(clashes))


def _booked_before(rows: Sequence[Booking], idempotency_key: str) -> list[Booking] | None:
    # Bookings of one call are numbered from 0; one number more shows a longer first call.
    keys = [f"{idempotency_key}#{position}" for position in range(len(rows) + 1)]
    first = list(Booking.objects.filter(idempotency_key__in=keys).order_by("pk"))
    if first and Counter(map(_told, first)) != Counter(map(_told, rows)):
        raise Conflict("This was sent before, for other hours. Nothing was booked; open the page afresh.")
    return first or None


def _told(row: Booking) -> tuple[int, int, datetime, datetime]:
    return (row.item_id, row.count, row.starts_at, row.ends_at)


# --- closing ----------------------------------------------------------------------------------
@atomic_with_retries
def release_bookings(*, actor: User, bookings: Iterable[Booking | int], reason: str) -> None:
    """Give up what is booked, because it isn't needed; what was closed before stays as it is.

    Raises:
        NotAllowed: for those who may not book either.
    """
    policy.require(actor, "book_apparatus")
    _lock_and_close(bookings, "release", actor, reason)


@atomic_with_retries
def end_bookings(*, actor: User, bookings: Iterable[Booking | int], reason: str) -> None:
    """The apparatus is back, at this moment: from now on it is free again.

    Raises:
        NotAllowed: for those who don't work batches.
    """
    policy.require(actor, "work_batch")
    _lock_and_close(bookings, "end", actor, reason)


@atomic_with_retries
def cancel_booking(*, actor: User, booking: Booking, reason: str = "") -> Booking:
    """Cancel a booking that a person made: one's own, or anybody's for those who manage apparatus.

    Cancelling it twice is the same as once.

    Raises:
        NotAllowed: another person's.
        NotInThisState: it belongs to a plan, or its time has passed.
    """
    policy.require(actor, "book_apparatus")
    _lock_items([booking.item_id])
    locked = Booking.objects.select_related("item").get(pk=booking.pk)
    if locked.actor_id != actor.pk:
        policy.require(actor, "manage_apparatus")
    if locked.state == states.RELEASED:
        return locked
    if not locked.by_hand:
        raise NotInThisState(
            f"This booking belongs to {locked.purpose}. Plan that work again or cancel it; "
            "the booking goes with it."
        )
    if (locked.state, "release") not in states.BOOKING_NEXT or locked.ends_at <= timezone.now():
        raise NotInThisState("The time of this booking has passed; there is nothing to cancel.")
    _close([locked.pk], "release", actor, reason or "Cancelled")
    locked.refresh_from_db()
    return locked


def _lock_and_close(bookings: Iterable[Booking | int], event: str, actor: User, reason: str) -> None:
    keys = _keys(bookings)
    # The item of a booking never changes, so it may be read before the lock; the state may not.
    _lock_items(Booking.objects.filter(pk__in=keys).values_list("item_id", flat=True))
    _close(keys, event, actor, reason)


def _close(keys: Iterable[int], event: str, actor: User, reason: str) -> None:
    """Close what is still open. The items are locked."""
    Booking.objects.filter(pk__in=list(keys), state=states.BOOKED).update(
        state=states.BOOKING_NEXT[states.BOOKED, event],
        closed_at=timezone.now(),
        closed_by=actor,
        closing_reason=reason[:300],
    )


def _keys(bookings: Iterable[Booking | int]) -> set[int]:
    return {one.pk if isinstance(one, Booking) else one for one in bookings}


def _lock_items(keys: Iterable[int]) -> dict[int, ApparatusItem]:
    wanted = sorted(set(keys))
    # NO KEY: a row that refers to an item (an event, another booking) need not wait for its lock.
    rows = ApparatusItem.objects.select_for_update(no_key=True).filter(pk__in=wanted).order_by("pk")
    found = {row.pk: row for row in rows}
    if len(found) != len(wanted):
        raise Conflict("One of the items is no longer listed. Look at the apparatus again.")
    return found
