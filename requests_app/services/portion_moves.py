"""The only place where the state of a poured bottle changes, always together with its history.

A bottle belongs to its batch: whoever moves it has locked the batch first, then its orders, then its lot.
"""

from collections.abc import Iterable
from datetime import datetime
from typing import Final

from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState
from requests_app import states
from requests_app.models import Batch, Meeting, Order, Portion, PortionEvent

_NOTE_LENGTH: Final = 300


def move_portion(*, actor: User, portion: Portion, event: str, note: str = "", key: str = "") -> None:
    """Let ``event`` happen to a locked bottle: its next state and the line of its history, in one go.

    Args:
        key: of a form, where the same deed may be sent twice; else the place in the history serves.

    Raises:
        NotInThisState: when the table has no such move.
    """
    before = portion.state
    try:
        portion.state = states.PORTION_NEXT[before, event]
    except KeyError:
        raise NotInThisState(
            f"{portion.code} is “{portion.get_state_display()}” and can't be {states.EVENT_WORDS[event]}."
        ) from None
    portion.save()
    note_portion(actor=actor, portion=portion, event=event, from_state=before, note=note, key=key)


def note_portion(
    *, actor: User, portion: Portion, event: str, from_state: str | None = None, note: str = "", key: str = ""
) -> None:
    """Write a line into the history of a bottle; without ``from_state`` the state stays as it is."""
    PortionEvent.objects.create(
        portion=portion,
        event=event,
        from_state=portion.state if from_state is None else from_state,
        to_state=portion.state,
        actor=actor,
        note=note[:_NOTE_LENGTH],
        idempotency_key=key or f"portion-{portion.pk}-{portion.events.count()}",
    )


def locked_portions(portions: Iterable[Portion]) -> tuple[dict[int, Batch], list[Portion]]:
    """Lock the batches of these bottles and then the bottles, each in key order, as they are now."""
    keys = {portion.pk for portion in portions}
    of_them = Portion.objects.filter(pk__in=keys).values("batch_id")
    batches = {row.pk: row for row in Batch.objects.select_for_update().filter(pk__in=of_them).order_by("pk")}
    rows = Portion.objects.select_for_update(of=("self",)).filter(pk__in=keys).order_by("pk")
    return batches, list(rows.select_related("lot", "section__course"))


def deliver_rest(*, actor: User, batch: Batch, orders: Iterable[Order], note: str) -> None:
    """The bottles of locked orders that are handed over as a whole leave with them."""
    waiting = Portion.objects.select_for_update().filter(
        batch=batch, order__in=[order.pk for order in orders], state__in=states.WAITING_PORTIONS
    )
    for portion in waiting.order_by("pk"):
        portion.delivered_at = timezone.now()
        move_portion(actor=actor, portion=portion, event="deliver", note=note)


def pour_rest_back(*, actor: User, portions: Iterable[Portion], reason: str) -> None:
    """Bottles of a locked batch that nobody waits for any more; their holds are released by the caller."""
    for portion in portions:
        move_portion(actor=actor, portion=portion, event="pour_back", note=reason)


def follow_orders(*, actor: User, batch: Batch) -> None:
    """The bottles of a locked batch that have not left go where and when their orders are wanted now."""
    waiting = batch.portions.select_for_update(of=("self",)).filter(state__in=states.WAITING_PORTIONS)
    for portion in waiting.select_related("order").order_by("pk"):
        room, due_at = portion.room, portion.due_at
        portion.room, portion.due_at = wanted_where(portion.order, portion.section_id)
        if (room, due_at) != (portion.room, portion.due_at):
            portion.save(update_fields=["room", "due_at"])
            where = f"from {room} to {portion.room}" if room != portion.room else "to another time"
            note_portion(
                actor=actor,
                portion=portion,
                event="move",
                note=f"{where}, as the order is wanted now; print its label again",
            )


def wanted_where(order: Order, section_id: int | None) -> tuple[str, datetime]:
    """Room and time of a bottle: those of its order; of several sections, of the section's own meeting.

    Sections that share an order meet in different rooms and hours of a day; the order names the first.
    """
    if section_id is None or order.meeting_id is not None or order.sections.count() < 2:
        return order.room, order.due_at
    day = timezone.localtime(order.due_at).date()
    meetings = Meeting.objects.filter(
        section=section_id, state=states.PLANNED, starts_at__date=day, starts_at__gte=order.due_at
    )
    meeting = meetings.select_related("room").order_by("starts_at").first()
    if meeting is None:
        return order.room, order.due_at
    return meeting.room.code if meeting.room else order.room, meeting.starts_at
