"""The lines of the queue in words: a row, its orders and its place in the day, put together for the page."""

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.urls import reverse
from django.utils import timezone

from prepdesk.core import times
from requests_app import states
from requests_app.day_plan import DayPlan, Slot
from requests_app.selectors import QueueOrder, QueueRow

# (kind, value, word) as the state tag takes them.
Flag = tuple[str, str, str]
_NOBODY: Final[Flag] = ("order", "cancelled", "Nobody wants it any more")
_STILL: Final[Flag] = ("lot", "recalled", "Stands still: a bottle is not to be used")
_APPARATUS: Final[Flag] = ("apparatus", "late", "Apparatus can’t be used as planned")
_EXPIRED: Final[Flag] = ("lot", "expired", "A bottle is out of date by then")
_CHECK: Final[Flag] = ("check", "waiting", "Waits for a second person")
_UNSEEN: Final[Flag] = ("change", "waiting", "Changed, not seen yet")
_NEW: Final[Flag] = ("change", "soon", "Changed since you looked")
_CHANGED: Final[Flag] = ("change", "change", "Changed")


@dataclass(frozen=True, slots=True)
class QueueLine:
    """One line of the queue as the page says it.

    Attributes:
        row, orders, slot: what it is made of; no slot where the day is not planned.
        address: of the page of the batch.
        due, until: when it is due, with the weekday, and how far away that is.
        flags: what to look at before work on it goes on.
        is_new: an order of it was changed since the reader looked last.
        held: who has it, and since when.
        ready_words: what is there and what is missing for a batch that nobody has begun.
        begins, ready: of the suggestion, on the clock; with the day where it is another one.
        who: whose it is, or which of the people who prepare takes it.
        late_words: how much too late it will be.
        because: why it stands there.
        work: how long it takes.
        things: on which balance, in the hood.
    """

    row: QueueRow
    orders: tuple[QueueOrder, ...]
    slot: Slot | None
    address: str
    due: str
    until: str
    flags: tuple[Flag, ...]
    is_new: bool
    held: str
    ready_words: str
    begins: str
    who: str
    ready: str
    late_words: str
    because: str
    work: str
    things: str

    @property
    def due_iso(self) -> str:
        """When it is due, for programs."""
        return self.row.due_at.isoformat()

    @property
    def together(self) -> int:
        """For how many orders it is made, where it is more than one."""
        return len(self.orders) if len(self.orders) > 1 else 0

    @property
    def steps(self) -> str:
        """How far the work is."""
        row = self.row
        if row.state != states.IN_WORK or not row.steps_done:
            return ""
        total = f" of {row.card['steps']}" if "steps" in row.card else ""
        return f"{row.steps_done}{total} steps done"


def queue_lines(
    rows: Iterable[QueueRow],
    *,
    now: datetime,
    orders: Mapping[int, list[QueueOrder]],
    slots: Mapping[Hashable, Slot],
    names: Mapping[str, str],
    looked_at: datetime | None,
) -> list[QueueLine]:
    """The lines of the rows in view.

    Args:
        slots: their places in the day, by key of the batch.
        names: what each balance is called, by key.
        looked_at: when the reader looked at the queue last.
    """
    zone = timezone.get_default_timezone()
    today = timezone.localtime(now, zone).date()
    lines = []
    for row in rows:
        wanted = tuple(orders.get(row.pk, ()))
        slot = slots.get(row.pk)
        is_new = looked_at is not None and row.changed_at is not None and row.changed_at > looked_at
        lines.append(
            QueueLine(
                row=row,
                orders=wanted,
                slot=slot,
                address=reverse("requests_app:batch", args=[row.reference]),
                due=times.absolute_words(row.due_at, now),
                until=times.late_words(row.due_at, now).capitalize()
                if row.late
                else times.relative_words(row.due_at, now),
                flags=_flags(row, wanted, is_new),
                is_new=is_new,
                held=times.since_words(row.claimed_at, now) if row.claimed_at else "",
                ready_words=_ready_words(row),
                begins=_clock(slot.starts_at, today) if slot else "",
                who=_who(row, slot) if slot else "",
                ready=_clock(slot.ready_at, today) if slot else "",
                late_words=_late_by(slot) if slot else "",
                because=slot.because if slot and not slot.is_late else "",
                work=work_words(row),
                things=_things(row, names),
            )
        )
    return lines


def _flags(row: QueueRow, orders: Iterable[QueueOrder], is_new: bool) -> tuple[Flag, ...]:
    flags = []
    if row.stands_still:
        flags.append(_STILL)
    if row.lacks_apparatus:
        flags.append(_APPARATUS)
    if row.has_expired:
        flags.append(_EXPIRED)
    if row.is_unseen:
        flags.append(_UNSEEN)
    elif row.changed_at is not None:
        flags.append(_NEW if is_new else _CHANGED)
    if row.asks_check:
        flags.append(_CHECK)
    if row.paused_at is not None:
        flags.append(("batch", "paused", f"Paused {times.since_words(row.paused_at)}"))
    if row.is_begun and not any(order.is_open for order in orders):
        flags.append(_NOBODY)
    return tuple(flags)


def _ready_words(row: QueueRow) -> str:
    """Of what nobody has begun: its stock is held since it was planned, unless something became of it."""
    if row.state != states.QUEUED:
        return ""
    said = ["no bottle that may be used"] if row.stands_still else []
    said += ["a bottle out of date by then"] if row.has_expired else []
    said += ["apparatus"] if row.lacks_apparatus else []
    return f"Missing: {', '.join(said)}" if said else "Stock held, apparatus free"


def work_words(row: QueueRow) -> str:
    """How long a batch takes: ``25 minutes at it, 20 standing``."""
    if not row.is_unfinished:
        return ""
    if row.card.get("concealed"):
        return f"about {row.card['minutes']} minutes"
    hands = row.card.get("hands_on", row.card["minutes"])
    waiting = row.card.get("waiting", 0)
    return f"{hands} minutes at it" + (f", {waiting} standing" if waiting else "")


def _things(row: QueueRow, names: Mapping[str, str]) -> str:
    if not row.is_unfinished:
        return ""
    said = [names[str(pk)] for pk in row.card.get("balances", ()) if str(pk) in names]
    if row.card.get("hood"):
        said.append("fume hood")
    return ", ".join(said)


def _who(row: QueueRow, slot: Slot) -> str:
    """By name where somebody has it; the others are counted."""
    return row.holder or f"person {slot.bench + 1}"


def _late_by(slot: Slot) -> str:
    return f"Too late by {length_words(slot.lateness)}" if slot.is_late else ""


def length_words(length: timedelta) -> str:
    """``50 minutes``, ``1 hour 5 minutes``; begun minutes count."""
    hours, minutes = divmod(-(-length // timedelta(minutes=1)), 60)
    said = [
        f"{count} {unit}{'' if count == 1 else 's'}" for count, unit in ((hours, "hour"), (minutes, "minute"))
    ]
    return " ".join(word for word, count in zip(said, (hours, minutes), strict=True) if count)


def _clock(moment: datetime, today: date) -> str:
    here = timezone.localtime(moment, timezone.get_default_timezone())
    return f"{here:%H:%M}" if here.date() == today else f"{here:%a} {here.day} {here:%b}, {here:%H:%M}"


# --- what can't be in time --------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class ToldLate:
    """A batch that can't be ready in time, for the top of the page.

    Attributes:
        row: the batch.
        due, ready: on the clock.
        why: the reason, a sentence or two.
        what_helps: what would make it possible, or what is to be said to whom.
    """

    row: QueueRow
    address: str
    due: str
    ready: str
    why: str
    what_helps: str


def told_late(rows: Iterable[QueueRow], plan: DayPlan, now: datetime) -> list[ToldLate]:
    """What can't be ready in time, or stands still, what is due first first."""
    today = timezone.localtime(now, timezone.get_default_timezone()).date()
    slots = plan.by_key
    told = []
    for row in rows:
        slot = slots.get(row.pk)
        if row.is_unfinished and row.stands_still:
            ready, why, helps = "", _STOPPED_WHY, _STOPPED_HELP
        elif slot is not None and slot.is_late:
            ready, why, helps = _clock(slot.ready_at, today), slot.because, _what_helps(row, slot, now, today)
        else:
            continue
        address = reverse("requests_app:batch", args=[row.reference])
        told.append(ToldLate(row, address, _clock(row.due_at, today), ready, why, helps))
    return sorted(told, key=lambda one: one.row.due_at)


_STOPPED_WHY: Final = "A bottle it holds is recalled or quarantined."
_STOPPED_HELP: Final = "Plan it again from another bottle, or have the bottle checked and released."


def _what_helps(row: QueueRow, slot: Slot, now: datetime, today: date) -> str:
    latest = slot.due_at - (slot.ready_at - slot.starts_at)
    if slot.due_at <= now or latest <= now:
        return "Tell whoever ordered it, and agree on another time."
    when = _clock(latest, today)
    if row.claimed_by_id is not None:
        return f"Begun by {when} it would be in time: hand it to somebody who is free."
    return (
        f"Begun by {when} it would be in time: one more person, or a later time for what is done before it."
    )
