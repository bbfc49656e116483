"""Who may work on a batch, and under which lock: what every service at the bench asks first.

Each of them locks the batch row first, so that of two people who press the same button exactly one
is served and the other is told by whom.
"""

from typing import Final

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.concealing import may_make
from requests_app.models import Batch, Order
from requests_app.services.batching import open_orders
from requests_app.services.moves import move, note_event

AT_WORK: Final = (states.CLAIMED, states.IN_WORK)


def locked_batch(batch: Batch) -> Batch:
    # No join: whoever waits for the lock gets the row as it is then, but joined rows as they were before.
    return Batch.objects.select_for_update().get(pk=batch.pk)


def move_with_orders(*, actor: User, batch: Batch, event: str, note: str = "") -> list[Order]:
    move(actor=actor, row=batch, event=event, note=note)
    orders = open_orders(batch)
    for order in orders:
        move(actor=actor, row=order, event=states.ORDER_EVENT_OF[event], note=note)
    return orders


def require_at_work(actor: User, batch: Batch) -> None:
    if batch.state not in AT_WORK:
        raise NotInThisState(
            f"{batch.reference} is “{batch.get_state_display()}”; claim it before working on it."
            if batch.state == states.QUEUED
            else f"{batch.reference} is “{batch.get_state_display()}”; nothing more is recorded for it."
        )
    require_holder(actor, batch)
    _require_maker(actor, batch)


def _require_maker(actor: User, batch: Batch) -> None:
    """What is read and found of an unknown is for its maker's eyes, so not even a manager works for them."""
    if not may_make(actor, batch):
        raise Conflict(
            f"{batch.claimed_by} has {batch.reference} since {clock(batch)}, and it is an unknown: "
            "whoever has claimed it makes it. They can hand it to you, or put it back."
        )


def require_holder(actor: User, batch: Batch) -> None:
    if batch.claimed_by_id != actor.pk and actor.role != policy.MANAGER:
        raise Conflict(f"{batch.claimed_by} has {batch.reference} since {clock(batch)}.")


def require_fresh(batch: Batch, seen_version: int | None) -> None:
    if seen_version is not None and seen_version != batch.version:
        raise Conflict(
            f"{batch.reference} was changed since this page was shown, perhaps on another device. "
            "Nothing was saved; look at it again."
        )


def clock(batch: Batch) -> str:
    return absolute_words(batch.claimed_at) if batch.claimed_at else "a moment ago"


def go_on(*, actor: User, batch: Batch) -> None:
    """End the rest of a locked batch. What is recorded for it does so by itself.

    Whoever records a step is at the bench with it: a reading that was refused because a button was not
    pressed first would be a reading lost, and one that waited for a connection comes whenever it comes.
    """
    if batch.paused_at is None and not batch.pause_note:
        return
    rested = batch.paused_at is not None
    batch.paused_at = None
    batch.pause_note = ""
    batch.version += 1
    batch.save(update_fields=["paused_at", "pause_note", "version"])
    if rested:
        note_event(actor=actor, row=batch, event="resume")
