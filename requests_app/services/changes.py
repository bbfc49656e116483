"""One order is changed after it was sent, and whoever makes it has seen that."""

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import sheets, states
from requests_app.bench_time import plan_in_time
from requests_app.concealing import is_unknown
from requests_app.differences import AMOUNTS, MAKING
from requests_app.drafts import OrderDraft, draft_of
from requests_app.models import Batch, Order, OrderRevision
from requests_app.selectors.changes import unseen_changes
from requests_app.services.changing import Wish, rewrite_orders
from requests_app.services.checks import check_draft, refusal_of, refused_request
from requests_app.services.dropping import drop_orders
from requests_app.services.moves import note_event
from requests_app.services.orders import require_own
from requests_app.services.revisions import lock_orders, rehearse, revision_key
from requests_app.services.telling_changes import tell_changed

REASON_LENGTH: Final = 300
# What a change may set; everything else makes another order.
FIELDS: Final = (*AMOUNTS, *MAKING, "volume_unit", "due_at", "room", "notes", "container")


class StaleOrder(Conflict):
    """Somebody changed the order after the page was shown; what was typed is worth keeping."""

    code = "stale"
    title = "It was changed meanwhile"


def standing(order: Order) -> str:
    """How an order and its batch stand: what a change would do depends on it."""
    return f"{order.state} {order.batch.state if order.batch else ''}".strip()


def is_begun(order: Order) -> bool:
    """Whether somebody has claimed it, makes it or has made it."""
    return order.batch is not None and order.batch.state != states.QUEUED


def change_order(
    *,
    actor: User,
    order: Order,
    draft_changes: Mapping[str, Any],
    reason: str,
    expected_revision: int,
    idempotency_key: str,
    expected_standing: str | None = None,
) -> OrderRevision:
    """Change an order: a revision that says what was and what is, and the batch planned again.

    In the queue the batch is planned again and its stock held anew in the same transaction. What is begun
    stays as it is: the change waits to be seen at the bench, and more is ordered as a further order. Sending
    the same form twice changes once.

    Args:
        draft_changes: fields of :class:`requests_app.drafts.OrderDraft` among :data:`FIELDS`.
        reason: for whoever makes it; may be empty.
        expected_revision: the one on the page that was filled in.
        expected_standing: :func:`standing` on that page, where somebody looked at what it would do.

    Raises:
        NotAllowed: neither the one who ordered it nor a manager.
        InvalidInput: by field; also when nothing is different.
        NotInThisState: it is handed over or cancelled, or begun and should become another solution.
        StaleOrder: somebody changed it meanwhile; the text says what.
    """
    policy.require(actor, "change_order")
    _known_fields(draft_changes)

    def change() -> OrderRevision:
        revision = _change(
            actor=actor,
            order=order,
            draft_changes=draft_changes,
            reason=_reason(reason),
            seen=(expected_revision, expected_standing),
            key=idempotency_key,
        )
        tell_changed(actor=actor, revisions=[revision])
        return revision

    return in_transaction_with_retries(change)


def foresee_change(
    *,
    actor: User,
    order: Order,
    draft_changes: Mapping[str, Any],
    reason: str,
    expected_revision: int,
    expected_standing: str | None = None,
) -> list[str]:
    """What :func:`change_order` would do now, in its sentences; nothing of it stays.

    Raises:
        As :func:`change_order`.
    """
    policy.require(actor, "change_order")
    _known_fields(draft_changes)
    revision = rehearse(
        lambda: _change(
            actor=actor,
            order=order,
            draft_changes=draft_changes,
            reason=_reason(reason),
            seen=(expected_revision, expected_standing),
            key="rehearsal",
            rehearsal=True,
        )
    )
    words: list[str] = revision.words
    return words


def _change(
    *,
    actor: User,
    order: Order,
    draft_changes: Mapping[str, Any],
    reason: str,
    seen: tuple[int, str | None],
    key: str,
    rehearsal: bool = False,
) -> OrderRevision:
    batches, (locked,) = lock_orders([order.pk])
    require_own(actor, locked)
    first = OrderRevision.objects.filter(idempotency_key=revision_key(locked, key)).first()
    if first is not None:
        return first
    require_no_unknown(locked)
    _require_open(locked)
    _require_fresh(locked, *seen)
    before = draft_of(locked)
    wanted = replace(before, **draft_changes)
    if wanted != before:
        _check(actor, locked, before, wanted)
    revisions = rewrite_orders(
        actor=actor,
        batches=batches,
        wishes=[Wish(locked, wanted)],
        reason=reason or "changed",
        key=key,
        rehearsal=rehearsal,
    )
    if not revisions:
        raise InvalidInput({"": f"Nothing is different from {locked.reference} as it stands."})
    return revisions[0]


def withdraw_order(*, actor: User, order: Order, reason: str, idempotency_key: str) -> OrderRevision:
    """Say that nobody needs an order any more that is begun or ready; its batch goes on without it.

    Raises:
        NotAllowed: neither the one who ordered it nor a manager.
        InvalidInput: field ``reason``, when nothing says why.
        NotInThisState: it is not being made or ready; in the queue it is cancelled instead.
    """
    policy.require(actor, "change_order")
    why = _reason(reason)
    if not why:
        raise InvalidInput({"reason": "Say why it is not needed, for whoever makes it."})

    def withdraw() -> OrderRevision:
        batches, (locked,) = lock_orders([order.pk])
        require_own(actor, locked)
        first = OrderRevision.objects.filter(idempotency_key=revision_key(locked, idempotency_key)).first()
        if first is not None:
            return first
        if (locked.state, "withdraw") not in states.ORDER_NEXT:
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}” and can't be withdrawn."
            )
        dropped = drop_orders(actor=actor, batches=batches, orders=[locked], reason=why, key=idempotency_key)
        tell_changed(actor=actor, revisions=dropped)
        return dropped[0]

    return in_transaction_with_retries(withdraw)


# --- seen at the bench ------------------------------------------------------------------------------
def see_changes(*, actor: User, batch: Batch, revisions: Iterable[int]) -> Batch:
    """Say that one has seen these changes of a batch that is begun; the work may go on.

    What came in since the page was shown stays open. Seeing twice is the same as once.

    Args:
        revisions: keys of the revisions on the page.

    Raises:
        Conflict: somebody else makes it.
    """
    policy.require(actor, "work_batch")
    keys = list(revisions)

    def see() -> Batch:
        locked = Batch.objects.select_for_update().get(pk=batch.pk)
        at_bench = locked.state in (states.CLAIMED, states.IN_WORK)
        if at_bench and locked.claimed_by_id != actor.pk and actor.role != policy.MANAGER:
            raise Conflict(f"{locked.claimed_by} has {locked.reference} and has to see the change.")
        unseen = unseen_changes(locked).filter(pk__in=keys).select_related("order")
        named = ", ".join(revision.order.reference for revision in unseen)
        if named:
            note_event(actor=actor, row=locked, event="see", note=f"the change of {named}")
            unseen.update(seen_by=actor, seen_at=timezone.now())
        return locked

    return in_transaction_with_retries(see)


# --- checks ---------------------------------------------------------------------------------------------
def _known_fields(draft_changes: Mapping[str, Any]) -> None:
    unknown = sorted(set(draft_changes) - set(FIELDS))
    if unknown:
        raise InvalidInput(dict.fromkeys(unknown, "This can't be changed; send another order."))


def _reason(reason: str) -> str:
    why = " ".join(reason.split())
    if len(why) > REASON_LENGTH:
        raise InvalidInput({"reason": f"At most {REASON_LENGTH} characters; write a comment for the rest."})
    return why


def require_no_unknown(order: Order) -> None:
    """A coded sample is not changed: the words of a change would say what is in it.

    Raises:
        NotInThisState: it is one.
    """
    if is_unknown(order):
        raise NotInThisState(
            f"{order.reference} is a coded sample and stays as drawn. Cancel it, and order another set."
        )


def _require_open(order: Order) -> None:
    if not order.is_open:
        raise NotInThisState(
            f"{order.reference} is “{order.get_state_display()}” and stays as it is. "
            "Order the same again instead."
        )


def _require_fresh(order: Order, revision: int, stood: str | None) -> None:
    """Of two tabs, or two people, the second is told what the first one changed."""
    if revision != order.revision:
        since = order.revisions.filter(number__gt=revision).select_related("actor").order_by("number")
        said = " ".join(f"{one.actor}, {absolute_words(one.at)}: {' '.join(one.words)}" for one in since)
        raise StaleOrder(
            f"{order.reference} was changed since this page was shown. {said} Nothing of yours is saved yet; "
            "what you typed is kept."
        )
    if stood is not None and stood != standing(order):
        raise StaleOrder(
            f"{order.reference} is “{order.get_state_display()}” now, which it was not when this "
            "page was shown. Nothing is changed yet; look again at what it would do."
        )


def _check(actor: User, order: Order, before: OrderDraft, wanted: OrderDraft) -> None:
    """Everything a form can be told about the new values before any of it is planned for good."""
    due_stays = wanted.due_at == before.due_at
    try:
        check_draft(actor, wanted)
    except InvalidInput as refused:
        # A time that was fine when it was sent may lie behind by now, and nobody asked to change it. Nor
        # whose the sections are.
        errors = {
            name: text
            for name, text in refused.errors.items()
            if name != "sections" and not (name == "due" and due_stays)
        }
        if errors:
            raise InvalidInput(errors) from refused
    try:
        _, plan = plan_in_time(wanted)
    except RequestRefused as refused:
        raise refused_request(refused) from refused
    if not plan["feasible"] and not sheets.only_the_shelf_is_short(plan):
        raise refusal_of(plan)
