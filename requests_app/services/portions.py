"""A finished solution leaves in bottles, one for each section: poured, on the cart, delivered, poured back.

Pouring divides what is held for an order exactly, to the microlitre: the order's hold becomes one hold for
each bottle, under one lock. What a delivery draws is that hold, so a bottle leaves once or not at all.
"""

from collections.abc import Callable, Sequence
from typing import Final
from uuid import uuid4

from django.utils import timezone

from inventory.amounts import as_text
from inventory.codes import PORTION, code_of
from inventory.models import Hold
from inventory.services import draw_holds, hold_stock, in_transaction_with_retries, lock_lots, release_holds
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput, NotInThisState
from requests_app import states
from requests_app.models import Batch, Order, OrderHold, Portion, PortionEvent, Section
from requests_app.services.handing_over import (
    close_order,
    require_changes_seen,
    require_nothing_stopped,
    share_of,
)
from requests_app.services.moves import note_event
from requests_app.services.portion_moves import (
    locked_portions,
    move_portion,
    note_portion,
    wanted_where,
)

MOST_AT_ONCE: Final = 100
LONGEST_NAME: Final = 80


# --- pouring ----------------------------------------------------------------------------------
def pour_portions(*, actor: User, batch: Batch) -> list[Portion]:
    """Pour a ready solution out: a bottle for each section of each of its open orders.

    An order's bottles together are exactly what is held for it. Pouring twice is the same as once.

    Returns:
        Every bottle of the batch.

    Raises:
        NotInThisState: it isn't ready, wanted otherwise since somebody looked, quarantined or recalled.
    """
    policy.require(actor, "pour_portions")

    def pour() -> list[Portion]:
        locked = Batch.objects.select_for_update().get(pk=batch.pk)
        if locked.state != states.READY:
            if locked.portions.exists():
                return list(locked.portions.all())
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}”; only what stands ready is poured out."
            )
        orders = locked.orders.select_for_update().filter(state=states.READY).order_by("due_at", "pk")
        todo = [order for order in orders if not order.portions.filter(batch=locked).exists()]
        if todo:
            require_changes_seen(locked)
            require_nothing_stopped(locked)
        made = [portion for order in todo for portion in _pour_order(actor, locked, order)]
        if made:
            locked.version += 1
            locked.save(update_fields=["version"])
            named = ", ".join(portion.code for portion in made)
            note_event(actor=actor, row=locked, event="pour", note=f"into {named}")
        return list(locked.portions.all())

    return in_transaction_with_retries(pour)


def _pour_order(actor: User, batch: Batch, order: Order) -> list[Portion]:
    holds = share_of(batch, order)
    sections: list[Section | None] = list(
        order.sections.select_related("course").order_by("course__code", "name")
    ) or [None]
    parts = divided(sum(hold.amount for hold in holds), len(sections))
    made = [
        _new_portion(batch, order, section, part)
        for section, part in zip(sections, parts, strict=True)
        if part
    ]
    hold_each(actor=actor, portions=made, instead_of=holds, key="poured")
    for portion in made:
        note_portion(actor=actor, portion=portion, event="pour", from_state="")
    return made


def divided(share: int, count: int) -> list[int]:
    """So many parts that differ by one base unit at most and add up to the share.

    >>> divided(1000, 3)
    [334, 333, 333]
    """
    each, rest = divmod(share, count)
    return [each + (1 if number < rest else 0) for number in range(count)]


def _new_portion(batch: Batch, order: Order, section: Section | None, amount: int) -> Portion:
    assert batch.prepared_lot is not None
    room, due_at = wanted_where(order, section.pk if section else None)
    portion = Portion.objects.create(
        code=f"new-{uuid4().hex[:12]}",
        order=order,
        section=section,
        batch=batch,
        lot=batch.prepared_lot,
        amount=amount,
        room=room,
        due_at=due_at,
    )
    portion.code = code_of(portion.pk, PORTION)
    portion.save(update_fields=["code"])
    return portion


def hold_each(*, actor: User, portions: Sequence[Portion], instead_of: list[Hold], key: str) -> None:
    """One hold for each bottle in the place of these; nobody can come between, as the lot stays locked."""
    old = instead_of
    for portion in portions:
        made = hold_stock(
            actor=actor,
            draws={portion.lot_id: portion.amount},
            purpose=f"{portion.batch.reference}, {portion.code} for {_for_whom(portion)}"[:120],
            idempotency_key=f"portion-{portion.pk}-{key}",
            instead_of=old,
        )
        old = []
        portion.hold = made[portion.lot_id]
        portion.save(update_fields=["hold"])
        OrderHold.objects.create(order=portion.order, batch=portion.batch, hold=portion.hold)
    # The link says what is held for an order now; the holds that it led to stay in the ledger.
    OrderHold.objects.filter(hold__in=[hold.pk for hold in instead_of]).delete()


def _for_whom(portion: Portion) -> str:
    return f"{portion.section or portion.order.reference} in {portion.room}"


def split_portion(*, actor: User, portion: Portion, amount: str, unit: str, idempotency_key: str) -> Portion:
    """Take so much of a poured bottle into a second one for the same section, with a label of its own.

    Args:
        amount: for the new bottle, as typed, in ``unit``.
        idempotency_key: of the form; the same key splits once.

    Returns:
        The new bottle.

    Raises:
        InvalidInput: field ``amount``: not less than the bottle holds.
        NotInThisState: it has left, or stands on the cart.
    """
    policy.require(actor, "pour_portions")

    def split() -> Portion:
        batches, (locked,) = locked_portions([portion])
        first = PortionEvent.objects.filter(idempotency_key=f"split-{idempotency_key}").first()
        if first is not None:
            return first.portion
        if locked.state != states.POURED:
            raise NotInThisState(
                f"{locked.code} is “{locked.get_state_display()}”; what has left the shelf is not divided."
            )
        batch = batches[locked.batch_id]
        require_nothing_stopped(batch)
        reader = Reader()
        part = reader.amount("amount", amount, unit, counted_in=locked.lot.unit)
        if part >= locked.amount:
            holds = as_text(locked.amount, locked.lot.unit)
            reader.refuse("amount", f"{locked.code} holds {holds}; take less than that into another bottle.")
        reader.done()
        assert locked.hold is not None
        old = locked.hold
        locked.amount -= part
        locked.save(update_fields=["amount"])
        second = _new_portion(batch, locked.order, locked.section, part)
        turn = f"{second.pk}-split"
        hold_each(actor=actor, portions=[locked, second], instead_of=[old], key=turn)
        said = f"{as_text(part, locked.lot.unit)} of {locked.code} into {second.code}"
        note_portion(actor=actor, portion=locked, event="pour", note=said)
        note_portion(
            actor=actor,
            portion=second,
            event="pour",
            from_state="",
            note=said,
            key=f"split-{idempotency_key}",
        )
        return second

    return in_transaction_with_retries(split)


# --- the cart -----------------------------------------------------------------------------------
def load_portion(*, actor: User, portion: Portion) -> Portion:
    """Put a bottle on the cart; one that stands there already stays there.

    Raises:
        NotInThisState: it has left, or its solution is quarantined or recalled.
    """
    return _on_cart(actor, portion, "load", states.LOADED)


def unload_portion(*, actor: User, portion: Portion) -> Portion:
    """Take a bottle off the cart again; one that stands on the shelf stays there.

    Raises:
        NotInThisState: it has left.
    """
    return _on_cart(actor, portion, "unload", states.POURED)


def _on_cart(actor: User, portion: Portion, event: str, after: str) -> Portion:
    policy.require(actor, "deliver_portion")

    def step() -> Portion:
        batches, (locked,) = locked_portions([portion])
        if locked.state != after:
            if event == "load":
                require_nothing_stopped(batches[locked.batch_id])
            move_portion(actor=actor, portion=locked, event=event)
        return locked

    return in_transaction_with_retries(step)


# --- delivering -----------------------------------------------------------------------------------
def deliver_portions(
    *,
    actor: User,
    portions: Sequence[Portion],
    received_by: User | None = None,
    received_name: str = "",
    left_in_room: bool = False,
) -> list[Portion]:
    """Hand bottles to whoever takes them, or leave them in the room; each draws what is held for it.

    With its last bottle an order is handed over, with its last order the batch. A bottle that was delivered
    before stays as it was: twice is the same as once.

    Args:
        received_by, received_name, left_in_room: exactly one of them says who has it now.

    Raises:
        InvalidInput: field ``name``, when nobody, or more than one, is said to have it.
        NotInThisState: its solution is quarantined or recalled, or it is not wanted any more.
        ChangeUnseen: an order of the batch was changed since somebody looked.
    """
    policy.require(actor, "deliver_portion")
    name = " ".join(received_name.split())
    if [received_by is not None, bool(name), left_in_room].count(True) != 1:
        raise InvalidInput({"name": "Say who takes it, or that it is left in the room."})
    if len(name) > LONGEST_NAME:
        raise InvalidInput({"name": "That name is too long; a short one is enough to find them."})
    if len(portions) > MOST_AT_ONCE:
        raise InvalidInput({"": f"At most {MOST_AT_ONCE} bottles are delivered at once."})

    def deliver(batches: dict[int, Batch], bottles: list[Portion]) -> None:
        note = "left in the room" if left_in_room else f"to {received_by or name}"
        for bottle in bottles:
            bottle.received_by, bottle.received_name = received_by, name
            bottle.delivered_at = timezone.now()
            move_portion(actor=actor, portion=bottle, event="deliver", note=note)
            assert bottle.hold_id is not None
            draw_holds(
                actor=actor,
                amounts={bottle.hold_id: bottle.amount},
                reason=f"{bottle.batch.reference}, {bottle.code} delivered to {bottle.room}"[:300],
                idempotency_key=f"deliver-{bottle.pk}",
            )

    return _out_of_the_way(actor, portions, but=states.LEFT_PORTIONS, do=deliver)


def deliver_portion(
    *,
    actor: User,
    portion: Portion,
    received_by: User | None = None,
    received_name: str = "",
    left_in_room: bool = False,
) -> Portion:
    """Deliver one bottle; see :func:`deliver_portions`."""
    (done,) = deliver_portions(
        actor=actor,
        portions=[portion],
        received_by=received_by,
        received_name=received_name,
        left_in_room=left_in_room,
    )
    return done


def pour_back(*, actor: User, portion: Portion, reason: str) -> Portion:
    """Pour a bottle that nobody wants back before it left: what was held for it is free again.

    Twice is the same as once.

    Raises:
        InvalidInput: field ``reason``, when nothing says why.
        NotInThisState: it has left, or it is all that its order gets.
    """
    policy.require(actor, "pour_portions")
    why = " ".join(reason.split())
    if not why:
        raise InvalidInput({"reason": "Say why nobody wants it, for whoever looks for it."})

    def back(batches: dict[int, Batch], bottles: list[Portion]) -> None:
        for bottle in bottles:
            others = bottle.order.portions.filter(batch=bottle.batch_id).exclude(pk=bottle.pk)
            if not others.exclude(state=states.CANCELLED).exists():
                raise NotInThisState(
                    f"{bottle.code} is all that {bottle.order.reference} gets. If nobody needs it, have the "
                    "order withdrawn, and its bottles are poured back."
                )
            move_portion(actor=actor, portion=bottle, event="pour_back", note=why)
            assert bottle.hold_id is not None
            release_holds(actor=actor, holds=[bottle.hold_id], reason=f"{bottle.code}: {why}"[:300])

    (done,) = _out_of_the_way(actor, [portion], but=(states.CANCELLED,), do=back, leaves=False)
    return done


def _out_of_the_way(
    actor: User,
    portions: Sequence[Portion],
    *,
    but: tuple[str, ...],
    do: Callable[[dict[int, Batch], list[Portion]], None],
    leaves: bool = True,
) -> list[Portion]:
    """Let bottles go under all their locks, and close the orders that have nothing more to come."""

    def go() -> list[Portion]:
        batches, rows = locked_portions(portions)
        todo = [row for row in rows if row.state not in but]
        wanted = {row.order_id for row in todo}
        orders = Order.objects.select_for_update().filter(pk__in=wanted).order_by("pk")
        mine = {order.pk: order for order in orders}
        for batch in {row.batch_id: batches[row.batch_id] for row in todo}.values():
            if leaves:
                require_changes_seen(batch)
                require_nothing_stopped(batch)
        lock_lots({row.lot_id for row in todo})
        for row in todo:
            row.order, row.batch = mine[row.order_id], batches[row.batch_id]
        do(batches, todo)
        for order in mine.values():
            _close_if_all_out(actor, batches, order)
        return rows

    return in_transaction_with_retries(go)


def _close_if_all_out(actor: User, batches: dict[int, Batch], order: Order) -> None:
    batch = batches.get(order.batch_id or 0)
    if batch is None or order.state != states.READY:
        return
    waiting = order.portions.filter(batch=batch, state__in=states.WAITING_PORTIONS)
    if waiting.exists() or share_of(batch, order):
        return
    close_order(actor=actor, batch=batch, order=order, note="in all its bottles")
