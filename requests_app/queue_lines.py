"""The lines of the queue in words: a row, its orders and its place in the day, put together for the page."""

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Final, TypedDict

from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from prepdesk.core import times
from prepdesk.core.templatetags import prepdesk as draw
from requests_app import states
from requests_app.day_plan import DayPlan, Slot
from requests_app.selectors import QueueOrder, QueueRow

_NOBODY: Final = ("order", "cancelled", "Nobody wants it any more")
_STILL: Final = ("lot", "recalled", "Stands still: a bottle is not to be used")
_APPARATUS: Final = ("apparatus", "late", "Apparatus can’t be used as planned")
_EXPIRED: Final = ("lot", "expired", "A bottle is out of date by then")
_CHECK: Final = ("check", "waiting", "Waits for a second person")
_UNSEEN: Final = ("change", "waiting", "Changed, not seen yet")
_NEW: Final = ("change", "soon", "Changed since you looked")
_CHANGED: Final = ("change", "change", "Changed")
# So much of what says the same at every look is kept, piece by piece. No text comes marked as safe: it would
# be taken for the same text without that mark.
_KEPT: Final = 4096
_CODED: Final = "A coded sample; whoever claims it reads how it is made."


class QueueLine(TypedDict):
    """One line of the queue as the page says it: its cells drawn already.

    A mapping and no object, since a template looks into mappings first, and whole cells, since there are
    fifty lines on a page that is looked at all day. What says the same at every look is drawn once and kept.

    Attributes:
        reference: of the batch.
        due: when, and how far away that is.
        batch: its title, how much it makes, and what is said under it.
        way: how it is made.
        state: with what to look at before work on it goes on, who has it, and how far it is.
        work: its place in the suggestion, how long it takes, on what, and why it stands there.
        orders: whom it is for.
        order_count: for how many it is made.
        is_new: an order of it was changed since the reader looked last.
    """

    reference: str
    due: str
    batch: str
    way: str
    state: str
    work: str
    orders: str
    order_count: int
    is_new: bool


def queue_lines(
    rows: Iterable[QueueRow],
    *,
    now: datetime,
    orders: Mapping[int, list[QueueOrder]],
    slots: Mapping[Hashable, Slot],
    people: Mapping[int | None, str],
    names: Mapping[str, str],
    looked_at: datetime | None,
) -> list[QueueLine]:
    """The lines of the rows in view.

    Args:
        slots: their places in the day, by key of the batch.
        people: by name those who have work already, by key.
        names: what each balance is called, by key.
        looked_at: when the reader looked at the queue last.
    """
    today = timezone.localtime(now, timezone.get_default_timezone()).date()
    return [
        _line(row, orders.get(row.pk, []), slots.get(row.pk), people, names, looked_at, now, today)
        for row in rows
    ]


@lru_cache(_KEPT)
def address_of(reference: str) -> str:
    """The page of a batch."""
    return reverse("requests_app:batch", args=[reference])


def _line(  # noqa: PLR0917
    row: QueueRow,
    orders: list[QueueOrder],
    slot: Slot | None,
    people: Mapping[int | None, str],
    names: Mapping[str, str],
    looked_at: datetime | None,
    now: datetime,
    today: date,
) -> QueueLine:
    card = row.card
    is_new = looked_at is not None and row.changed_at is not None and row.changed_at > looked_at
    about = [f"{row.reference}, revision {row.revision}"]
    if len(orders) > 1:
        about.append(f"made together for {len(orders)} orders")
    return {
        "reference": row.reference,
        "due": _due(row, now),
        "batch": _batch(row.reference, row.title, draw.quantity(card["makes"]), tuple(about)),
        "way": _CODED if card.get("concealed") else draw.way_drawing(card.get("way", "[]"), row.reference),
        "state": _state(row, _flags(row, orders, is_new), now),
        "work": (_place(slot, people, today) if slot else SafeString(""))
        + _soft(*_work(row, names), *([slot.because] if slot and not slot.is_late else [])),
        "orders": SafeString("".join(map(order_html, orders))),
        "order_count": len(orders),
        "is_new": is_new,
    }


def _due(row: QueueRow, now: datetime) -> SafeString:
    until: str
    if row.late:
        until = draw.state("due", "late", times.late_words(row.due_at, now).capitalize())
    else:
        until = times.relative_words(row.due_at, now)
    return _due_html(row.due_at.isoformat(), times.absolute_words(row.due_at, now), until, row.late)


@lru_cache(_KEPT)
def _due_html(iso: str, absolute: str, until: str, is_late: bool) -> SafeString:
    # Late, the distance comes drawn: a key of its own, since a text is equal to the same text marked as safe.
    return format_html(
        '<time class="when" datetime="{}">{}</time><div class="soft">{}</div>', iso, absolute, until
    )


@lru_cache(_KEPT)
def _batch(reference: str, title: str, makes: SafeString, about: tuple[str, ...]) -> SafeString:
    return format_html(
        '<a class="queue-link" href="{}">{}</a><div>{}</div>{}',
        address_of(reference),
        title,
        makes,
        _soft(*about),
    )


def _state(row: QueueRow, flags: Iterable[tuple[str, str, str]], now: datetime) -> SafeString:
    held = ""
    if row.holder:
        since = times.since_words(row.claimed_at, now) if row.claimed_at else ""
        held = _held(row.holder, since)
    notes = [*_steps(row), *_ready_words(row), *([f"on the shelf as {row.lot}"] if row.lot else [])]
    state = draw.state("batch", row.state, row.state_words)
    return SafeString("".join((state, *(_flag(*flag) for flag in flags), held, _soft(*notes))))


@lru_cache(_KEPT)
def _held(holder: str, since: str) -> SafeString:
    return format_html(
        '<div><span class="person">{}</span> <span class="soft">{}</span></div>', holder, since
    )


def _place(slot: Slot, people: Mapping[int | None, str], today: date) -> SafeString:
    """The place of a batch in the suggestion; who is whose it is, or which of those who prepare."""
    late = SafeString("")
    if slot.is_late:
        late = draw.state("plan", "late", f"Too late by {length_words(slot.lateness)}")
    place = _place_html(_clock(slot.starts_at, today), _who(slot, people), _clock(slot.ready_at, today))
    return place + late


@lru_cache(_KEPT)
def _place_html(begins: str, who: str, ready: str) -> SafeString:
    return format_html("<div><strong>{}</strong> {}</div><div>ready {}</div>", begins, who, ready)


@lru_cache(_KEPT)
def _soft(*texts: str) -> SafeString:
    return format_html_join("", '<div class="soft">{}</div>', ((text,) for text in texts))


@lru_cache(256)
def _flag(kind: str, value: str, label: str) -> SafeString:
    return format_html("<div>{}</div>", draw.state(kind, value, label))


def order_html(order: QueueOrder, *, is_named: bool = True) -> SafeString:
    """Whom an order is for: course, sections, room and person; with its own number where that is wanted."""
    name = f", {order.reference}" if is_named else ""
    return _order_html(order.for_words, order.room, order.person, name, order.is_late)


@lru_cache(_KEPT)
def _order_html(for_words: str, room: str, person: str, name: str, is_late: bool) -> SafeString:
    return format_html(
        '<div class="order-for">{}<div class="soft">{}, for {}{}</div>{}</div>',
        for_words,
        room,
        person,
        name,
        draw.state("due", "late", "Sent late") if is_late else "",
    )


def _flags(row: QueueRow, orders: list[QueueOrder], is_new: bool) -> list[tuple[str, str, str]]:
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
    return flags


def _steps(row: QueueRow) -> list[str]:
    """How far the work is."""
    if row.state != states.IN_WORK or not row.steps_done:
        return []
    total = f" of {row.card['steps']}" if "steps" in row.card else ""
    return [f"{row.steps_done}{total} steps done"]


def _ready_words(row: QueueRow) -> list[str]:
    """Of what nobody has begun: its stock is held since it was planned, unless something became of it."""
    if row.state != states.QUEUED:
        return []
    said = ["no bottle that may be used"] if row.stands_still else []
    said += ["a bottle out of date by then"] if row.has_expired else []
    said += ["apparatus"] if row.lacks_apparatus else []
    return [f"Missing: {', '.join(said)}" if said else "Stock held, apparatus free"]


def _work(row: QueueRow, names: Mapping[str, str]) -> list[str]:
    """How long a batch takes and on what: ``25 minutes at it, 20 standing``."""
    card = row.card
    if not row.is_unfinished or card.get("concealed"):
        return []
    waiting = card.get("waiting", 0)
    minutes = f"{card.get('hands_on', card['minutes'])} minutes at it"
    things = [names[str(pk)] for pk in card.get("balances", ()) if str(pk) in names]
    if card.get("hood"):
        things.append("fume hood")
    return [minutes + (f", {waiting} standing" if waiting else ""), *([", ".join(things)] if things else [])]


def _who(slot: Slot, people: Mapping[int | None, str]) -> str:
    """By name whoever has work already; the others are counted."""
    return people.get(slot.person) or f"person {slot.bench + 1}"


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


# --- what can't be made yet -------------------------------------------------------------------------
class WaitingLine(TypedDict):
    """An order that can't be made yet: when it is due, what it waits for, whom it is for."""

    title: str
    reference: str
    address: str
    due: str
    reasons: str
    order: str


def waiting_lines(orders: Iterable[QueueOrder], makers: Mapping[int, tuple[str, ...]]) -> list[WaitingLine]:
    """The orders that can't be made yet.

    Args:
        makers: which batches make what it lacks, a sentence each, by key of the order.
    """
    return [
        {
            "title": order.title,
            "reference": order.reference,
            "address": _order_address(order.reference),
            "due": draw.when(order.due_at),
            "reasons": _listed(*_reasons(order), *makers.get(order.pk, ())),
            "order": order_html(order, is_named=False),
        }
        for order in orders
    ]


@lru_cache(_KEPT)
def _listed(*texts: str) -> SafeString:
    return format_html_join("", "<li>{}</li>", ((text,) for text in texts))


def _reasons(order: QueueOrder) -> list[str]:
    return [str(reason["text"]) for reason in order.waiting_for] or ["Not planned yet."]


@lru_cache(_KEPT)
def _order_address(reference: str) -> str:
    return reverse("requests_app:order", args=[reference])


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


def told_late(
    rows: Iterable[QueueRow], plan: DayPlan, now: datetime, most: int
) -> tuple[list[ToldLate], int]:
    """What can't be ready in time, or stands still, what is due first first; and how many more there are."""
    today = timezone.localtime(now, timezone.get_default_timezone()).date()
    slots = plan.by_key
    late = [row for row in rows if _stands(row) or ((slot := slots.get(row.pk)) is not None and slot.is_late)]
    told = []
    for row in sorted(late, key=lambda row: (row.due_at, row.pk))[:most]:
        slot = None if _stands(row) else slots[row.pk]
        told.append(
            ToldLate(
                row=row,
                address=address_of(row.reference),
                due=_clock(row.due_at, today),
                ready=_clock(slot.ready_at, today) if slot else "",
                why=slot.because if slot else _STOPPED_WHY,
                what_helps=_what_helps(row, slot, now, today) if slot else _STOPPED_HELP,
            )
        )
    return told, len(late) - len(told)


def _stands(row: QueueRow) -> bool:
    return row.is_unfinished and row.stands_still


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
