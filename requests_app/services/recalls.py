"""A recall: the faulty bottle and what was made of it are marked, and everybody concerned is told.

Locks are taken as everywhere, batches, then orders, then lots, each in key order. What a recall reaches
is read before the locks and once more under them; when it grew meanwhile, everything is let go and
begun afresh, because a lock taken late would be a lock taken out of order.
"""

from collections.abc import Callable, Iterable
from typing import Final

from django.urls import reverse

from inventory.models import Lot
from inventory.services import in_transaction_with_retries, lock_lots, recall_lots, release_holds
from prepdesk.access import policy
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.core.errors import Conflict, InvalidInput
from prepdesk.core.times import absolute_words
from requests_app import states
from requests_app.models import Batch, BatchHold, Order, Recall
from requests_app.selectors import active_holds
from requests_app.selectors.recalls import Reach, orders_of, reach_of, stockroom
from requests_app.services.reserving import release_for
from requests_app.services.stopping import plan_again, send_back

_TRIES: Final = 5
_REASON_LENGTH: Final = 300


class _Grown(Exception):
    """While the locks were taken the lot went into something new."""


def recall_lot(
    *, actor: User, lot: Lot, reason: str, idempotency_key: str, left_out: Iterable[int] = ()
) -> Recall:
    """Recall a lot with everything made of it that still stands on a shelf.

    Orders in the queue that were to be made of it are taken out, and planned again from other stock at
    once where that is possible. Batches at the bench and finished solutions stop until somebody decides:
    no step is recorded and nothing is handed over. Whoever ordered, teaches or makes one of them is told,
    and so is the stockroom.

    Args:
        left_out: keys of lots made of it that are not concerned, on purpose; their batches go on.
        idempotency_key: the same key recalls once; later calls give the first recall back.

    Raises:
        NotAllowed.
        InvalidInput: field ``reason``, when it is missing or too long.
        Conflict: the key was used for another lot, or too much happened at the same moment.
    """
    policy.require(actor, "change_lot_state")
    why = " ".join(reason.split())
    if not why:
        raise InvalidInput({"reason": "Say why it is recalled, for whoever holds the bottle next."})
    if len(why) > _REASON_LENGTH:
        raise InvalidInput({"reason": f"At most {_REASON_LENGTH} characters; put the rest into a file."})
    spared = set(left_out) - {lot.pk}
    freed: list[Order] = []

    def recall() -> Recall:
        freed.clear()
        first = _sent_before(lot, idempotency_key)
        if first is not None:
            return first
        reach = _locked_reach(lot, spared)
        # Once more under the locks: the same form may have been at work in another tab.
        first = _sent_before(lot, idempotency_key)
        if first is not None:
            return first
        marked = recall_lots(actor=actor, lots=[lot.pk, *(other.pk for other in reach.on_shelf)], reason=why)
        row = Recall.objects.create(lot=lot, reason=why, actor=actor, idempotency_key=idempotency_key)
        row.lots.set(marked)
        row.left_out.set(spared)
        row.batches.set(reach.batches)
        row.orders.set(reach.orders)
        _tell_everybody(actor, row, reach)
        for batch in reach.queued:
            mine = orders_of(batch)
            send_back(actor=actor, batch=batch, orders=mine, event="wait", reason=_waits_for(lot, why))
            release_holds(actor=actor, holds=active_holds(batch), reason=f"{lot.code} is recalled")
            freed.extend(mine)
        release_for(actor=actor, batches=reach.queued, reason=f"{lot.code} is recalled")
        return row

    done = _until_it_stands_still(recall)
    plan_again(actor=actor, orders=freed, reason=f"{lot.code} is recalled")
    return done


def _until_it_stands_still(recall: Callable[[], Recall]) -> Recall:
    for _ in range(_TRIES):
        try:
            return in_transaction_with_retries(recall)
        except _Grown:
            continue
    raise Conflict(
        "So much is being made of this bottle at this moment that the recall did not get its turn. "
        "Nothing was changed; quarantine the bottle first, then recall it."
    )


def _sent_before(lot: Lot, idempotency_key: str) -> Recall | None:
    first = Recall.objects.select_related("lot").filter(idempotency_key=idempotency_key).first()
    if first is not None and first.lot_id != lot.pk:
        raise Conflict(f"This form was sent before, for {first.lot}. Nothing was recalled; open it afresh.")
    return first


def _locked_reach(lot: Lot, spared: set[int]) -> Reach:
    """Lock batches, orders and lots, and return what the recall reaches under these locks."""
    before = reach_of(lot, left_out=spared)
    batches = {batch.pk for batch in before.batches if batch.state != states.HANDED_OVER}
    list(Batch.objects.select_for_update().filter(pk__in=batches).order_by("pk"))
    list(Order.objects.select_for_update().filter(batch__in=batches).order_by("pk"))
    held = BatchHold.objects.filter(batch__in=batches).values_list("hold__lot_id", flat=True)
    locked = before.lot_ids | set(held)
    lock_lots(locked)
    now = reach_of(lot, left_out=spared)
    if not {batch.pk for batch in now.batches if batch.state != states.HANDED_OVER} <= batches:
        raise _Grown
    if not now.lot_ids <= locked:
        raise _Grown
    return now


def _waits_for(lot: Lot, why: str) -> str:
    return f"{lot.code} {lot.title or lot.substance.name}, which it was to be made from, is recalled: {why}"


# --- telling ----------------------------------------------------------------------------------
def _tell_everybody(actor: User, row: Recall, reach: Reach) -> None:
    why = row.reason.rstrip(".")
    named = f"{reach.lot.code} {reach.lot.title or reach.lot.substance.name} is recalled: {why}"
    for batch in reach.batches:
        for order in orders_of(batch):
            _tell_of_order(actor, row, batch, order, named)
        if batch in reach.at_bench and batch.claimed_by is not None:
            tell(
                people=[batch.claimed_by],
                kind=kinds.BATCH_FLAGGED,
                text=f"Stop work on {batch.reference} {batch.title}. {named}",
                path=reverse("requests_app:batch", args=[batch.reference]),
                key=f"recall-{row.pk}-batch-{batch.pk}",
            )
    tell(
        people=[person for person in stockroom() if person.pk != actor.pk],
        kind=kinds.RECALL,
        text=f"{named}. {_count_words(reach)}",
        path=reverse("requests_app:recall_record", args=[row.pk]),
        key=f"recall-{row.pk}",
    )


def _tell_of_order(actor: User, row: Recall, batch: Batch, order: Order, named: str) -> None:
    where = f"{order.reference} {order.title} for {order.room}, {absolute_words(order.due_at)}"
    text = f"{named}. It concerns {where}. {_FATE[_state_for(batch, order)]}"
    key = f"recall-{row.pk}-order-{order.pk}"
    if order.ordered_by_id != actor.pk:
        path = reverse("requests_app:order", args=[order.reference])
        tell(people=[order.ordered_by], kind=kinds.RECALL, text=text, path=path, key=key)
    # Who teaches a section is not always who ordered for it, and then can't open the order.
    teaching = [
        section.instructor
        for section in order.sections.all()
        if section.instructor_id not in (order.ordered_by_id, actor.pk)
    ]
    path = reverse("inventory:lot", args=[row.lot.code])
    tell(people=teaching, kind=kinds.RECALL, text=text, path=path, key=key)


def _state_for(batch: Batch, order: Order) -> str:
    """Of a batch that is handed over order by order, one order may have its share already."""
    return states.HANDED_OVER if order.state == states.HANDED_OVER else batch.state


_FATE: Final = {
    states.QUEUED: "It is not made yet; the stockroom plans it from other stock.",
    states.CLAIMED: "It is being made and stands still until the stockroom has decided.",
    states.IN_WORK: "It is being made and stands still until the stockroom has decided.",
    states.READY: "It is made and is not handed over until the stockroom has decided.",
    states.HANDED_OVER: "It was handed over: do not use what is left, keep it apart and ask the stockroom.",
}


def _count_words(reach: Reach) -> str:
    parts = (
        (len(reach.on_shelf), "more lot", "more lots"),
        (len(reach.queued), "batch in the queue", "batches in the queue"),
        (len(reach.at_bench), "at the bench", "at the bench"),
        (len(reach.ready), "ready", "ready"),
        (len(reach.handed_over), "handed over", "handed over"),
    )
    said = [f"{count} {one if count == 1 else many}" for count, one, many in parts if count]
    return f"It reaches {', '.join(said)}." if said else "Nothing was made of it."
