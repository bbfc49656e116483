"""What the people of an order are told when something happens to it.

Each runs in the transaction of the event. Nobody is told of what they did themselves.
"""

from collections.abc import Collection, Iterable

from django.urls import reverse

from prepdesk.access import policy
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.concealing import holds_unknown, is_unknown
from requests_app.models import Batch, Order, SecondCheck


def tell_ready(*, actor: User, batch: Batch, order: Order) -> None:
    """The solution stands ready; what was found outside the tolerance is said as a notice of its own."""
    _tell_owner(
        actor,
        order,
        kinds.ORDER_READY,
        f"{_named(order)}, is ready. It is wanted {absolute_words(order.due_at)} in {order.room}.",
        "ready",
    )
    found = batch.settlement or {}
    if not found.get("inside", True):
        # A notice is read by whoever sees the screen or the mail, so an unknown's figures stay out of it.
        said = (
            "It is outside its tolerance and was kept; its page says how far and why."
            if is_unknown(order)
            else f"{found.get('text', '')} Kept because: {found.get('reason', '')}"
        )
        _tell_owner(
            actor,
            order,
            kinds.BATCH_FLAGGED,
            f"{_named(order)}: {said}",
            "outside",
        )


def tell_handed_over(*, actor: User, order: Order) -> None:
    """The solution left the stockroom."""
    text = f"{_named(order)}, was handed over for {order.room}."
    # It may be handed over again, where the first time was a mistake.
    _tell_owner(actor, order, kinds.ORDER_HANDED_OVER, text, f"handed-over-{order.events.count()}")


def tell_not_delivered(*, actor: User, order: Order) -> None:
    """A bottle that was said to be delivered, or handed over, is still in the stockroom."""
    text = (
        f"{_named(order)}: a bottle was noted as delivered by mistake. It is still to come to {order.room}."
    )
    _tell_owner(actor, order, kinds.ORDER_HANDED_OVER, text, f"not-delivered-{order.events.count()}")


def tell_waits(*, actor: User, batch: Batch, order: Order) -> None:
    """The order stood in the queue as ``batch`` and waits for stock now."""
    why = " ".join(reason["text"] for reason in order.waiting_for)
    if is_unknown(order):
        why = "Its page says what for."
    text = f"{_named(order)}, can't be made now and waits. {why}"
    _tell_owner(actor, order, kinds.ORDER_WAITS, text, f"waits-{batch.pk}")


def tell_queued(*, actor: User, batch: Batch, order: Order) -> None:
    """The order waited for something and is in the queue now, as ``batch``.

    One that only waited to be planned, as those of a term that is ordered at once, was never held up.
    """
    if not order.waiting_for:
        return
    text = f"{_named(order)}, no longer waits: it is in the queue and its stock is held."
    _tell_owner(actor, order, kinds.ORDER_WAITS, text, f"queued-{batch.pk}")


def tell_cancelled(*, actor: User, order: Order, reason: str) -> None:
    """Somebody cancelled the order."""
    text = f"{_named(order)}, was cancelled by {actor}. {reason}"
    _tell_owner(actor, order, kinds.ORDER_CANCELLED, text, "cancelled")


def tell_asked(*, actor: User, order: Order) -> None:
    """A manager is asked whether the order may be made; its orderer hears of it where another planned it."""
    why = " ".join(point["text"] for point in order.approval_reasons)
    asks = f"asked-{order.events.count()}"
    text = f"{_named(order)}, for {order.ordered_by}, waits for approval. {why}"
    managers = User.objects.filter(role=policy.MANAGER, is_active=True).exclude(pk=actor.pk)
    _tell(managers, order, kinds.ORDER_APPROVAL, text, asks)
    _tell_owner(actor, order, kinds.ORDER_APPROVAL, f"{_named(order)}, waits for approval. {why}", asks)


def tell_approved(*, actor: User, order: Order) -> None:
    """The order may be made; whether it stands in the queue or waits for stock is said with it."""
    now = order.get_state_display()
    text = f"{_named(order)}, was approved by {actor}. It is now: {now[:1].lower()}{now[1:]}."
    _tell_owner(actor, order, kinds.ORDER_APPROVAL, text, f"approved-{order.events.count()}")


def tell_declined(*, actor: User, order: Order, reason: str) -> None:
    """The order will not be made."""
    text = f"{_named(order)}, was declined by {actor}: {reason}"
    _tell_owner(actor, order, kinds.ORDER_APPROVAL, text, "declined")


def tell_check_asked(*, actor: User, check: SecondCheck, takers_part: Collection[int]) -> None:
    """The stockroom hears that readings wait for a second person; those who took part can't be that one."""
    stockroom = User.objects.filter(role__in=(policy.PREP, policy.MANAGER), is_active=True)
    why = " ".join(point["text"] for point in check.points)
    text = f"{_batch_named(check.batch)}, waits for a second person. {why} Asked by {actor}."
    _tell_of_check(stockroom.exclude(pk__in=takers_part), check, text, "asked")


def tell_check_answered(*, actor: User, check: SecondCheck) -> None:
    """Whoever has the batch, and whoever asked, hear what the second person said."""
    said = (
        f"step {check.step_number} was sent back by {actor}: {check.note}"
        if check.state == states.SENT_BACK
        else f"the readings are signed by {actor}; the work can be closed."
    )
    people = [one for one in (check.batch.claimed_by, check.asked_by) if one is not None]
    _tell_of_check(people, check, f"{_batch_named(check.batch)}: {said}", check.state)


def _batch_named(batch: Batch) -> str:
    return f"{batch.reference}, {batch.title}"


def _tell_of_check(people: Iterable[User], check: SecondCheck, text: str, event: str) -> None:
    tell(
        people=people,
        kind=kinds.SECOND_LOOK,
        text=text,
        path=reverse("requests_app:check", args=[check.batch.reference]),
        key=f"check-{check.pk}-{event}",
    )


def tell_given(*, actor: User, batch: Batch, to: User, before: User) -> None:
    """A batch was handed to a colleague, by whoever had it or by a manager."""
    # A notice is read by whoever sees the screen, and of an unknown even a note may be a figure.
    stands = "Its page says where it stands." if holds_unknown(batch) or not batch.pause_note else ""
    stands = stands or f"It stands so: {batch.pause_note}"
    _tell_hands(actor, batch, to, f"{actor} hands you {batch.reference}, {batch.title}. {stands}")
    _tell_hands(
        actor, batch, before, f"{actor} handed {batch.reference}, {batch.title}, which you had, to {to}."
    )


def tell_taken_over(*, actor: User, batch: Batch, before: User) -> None:
    """A colleague took a batch over that somebody else had."""
    _tell_hands(actor, batch, before, f"{actor} took {batch.reference} over, {batch.title}, which you had.")


def _tell_hands(actor: User, batch: Batch, person: User, text: str) -> None:
    tell(
        people=[person] if person.pk != actor.pk else [],
        kind=kinds.BATCH_PASSED,
        text=text,
        path=reverse("requests_app:batch", args=[batch.reference]),
        key=f"batch-{batch.pk}-hands-{batch.version}",
    )


def _named(order: Order) -> str:
    return f"{order.reference}, {order.title}"


def _tell_owner(actor: User, order: Order, kind: str, text: str, event: str) -> None:
    if order.ordered_by_id != actor.pk:
        _tell([order.ordered_by], order, kind, text, event)


def _tell(people: Iterable[User], order: Order, kind: str, text: str, event: str) -> None:
    tell(
        people=people,
        kind=kind,
        text=text,
        path=reverse("requests_app:order", args=[order.reference]),
        key=f"order-{order.pk}-{event}",
    )
