"""Orders that nobody wants any more: cancelled in the queue, withdrawn from what is begun."""

from collections.abc import Mapping, Sequence
from decimal import Decimal

from prepdesk.accounts.models import User
from requests_app import sheets, states
from requests_app.concealing import is_unknown
from requests_app.differences import volume_words, wanted_words
from requests_app.drafts import draft_of, plain
from requests_app.models import Batch, Order, OrderRevision
from requests_app.services.batching import open_orders, replan_batch
from requests_app.services.handing_over import free_shares
from requests_app.services.moves import move
from requests_app.services.revisions import (
    NO_PREFACE,
    by_whom,
    describe_again,
    drawn,
    held_words,
    section_words,
    write_revision,
)


def drop_orders(
    *,
    actor: User,
    batches: dict[int, Batch],
    orders: Sequence[Order],
    reason: str,
    key: str,
    preface: Mapping[int, str] = NO_PREFACE,
) -> list[OrderRevision]:
    """Let go of locked open orders: cancelled in the queue, withdrawn from what is begun.

    A batch of the queue is planned again for the rest of its orders or dissolved. One that is begun goes on;
    should nobody want it any more, its page says so, and what stands ready is free for others.
    """
    was: dict[int, sheets.Plan] = {}
    rows = []
    for order in orders:
        batch = batches.get(order.batch_id or 0)
        begun = batch is not None and batch.state != states.QUEUED
        if batch is not None and batch.pk not in was:
            was[batch.pk] = sheets.current_sheet(batch).plan
        state = order.get_state_display()
        move(actor=actor, row=order, event="withdraw" if begun else "cancel", note=reason)
        rows.append((order, batch, begun, state))
    for batch in {batch.pk: batch for _, batch, _, _ in rows if batch is not None}.values():
        if batch.state == states.QUEUED:
            replan_batch(actor=actor, batch=batch, reason=reason, or_keep=True)
        else:
            _without_them(actor, batch, reason)
    revisions = []
    for order, batch, begun, state in rows:
        words = [*filter(None, [preface.get(order.pk)]), *_dropped_words(order, batch, begun, was)]
        needs_seeing = begun and batch is not None and batch.state in states.OPEN_BATCH_STATES
        changes = {"state": [state, order.get_state_display()]}
        revisions.append(
            write_revision(
                actor=actor,
                order=order,
                changes=changes,
                words=words,
                reason=reason,
                key=key,
                batch=batch,
                needs_seeing=needs_seeing,
            )
        )
    return revisions


def _without_them(actor: User, batch: Batch, reason: str) -> None:
    """A begun batch after some of its orders were withdrawn."""
    if batch.state == states.READY and not open_orders(batch):
        move(actor=actor, row=batch, event="shelve", note=f"nobody wants it any more: {reason}"[:300])
    else:
        describe_again(batch)
    if batch.prepared_lot_id:
        free_shares(actor=actor, batch=batch, reason=reason)


def _dropped_words(order: Order, batch: Batch | None, begun: bool, was: dict[int, sheets.Plan]) -> list[str]:
    draft = draft_of(order)
    said = f"{section_words(order)}: {wanted_words(draft)} of {order.title} are not needed"
    if batch is None:
        return [f"{said}; nothing was held for it."]
    if not begun:
        return _freed_words(order, batch, said, was[batch.pk])
    if batch.state == states.SHELVED:
        return [f"{said}; {batch.reference} was made already and stays on the shelf, free for others."]
    if open_orders(batch):
        return [f"{said}; {batch.reference} is begun already, so as much of it will be left over."]
    return [
        f"{said}; {batch.reference} is begun already{by_whom(batch)}, and nobody else wants it: "
        "whoever makes it stops it, or finishes it for the shelf."
    ]


def _freed_words(order: Order, batch: Batch, said: str, was: sheets.Plan) -> list[str]:
    """What becomes of a batch of the queue, and what is held otherwise; of an unknown no amounts."""
    if batch.state == states.CANCELLED:
        held = [f"{plain(value)} {unit} of {named}" for (named, unit), value in drawn(was).items()]
        words = [f"{said}; batch {batch.reference} is not made.", f"Free again: {', '.join(held)}."]
    else:
        plan = sheets.current_sheet(batch).plan
        rest = volume_words(Decimal(plan["volume"]["value"]), plan["volume"]["unit"])
        words = [f"{said}; batch {batch.reference} is made for its other orders, {rest}."]
        words += held_words(batch, was, plan)
    return words[:1] if is_unknown(order) else words
