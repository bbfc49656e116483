"""Orders of the same solution are made as one batch; a leftover that still lives is used first.

Each batch is a transaction of its own. Plans are made before it, without locks; under the locks the orders
are read again, and what changed meanwhile is planned anew. What is claimed is never touched.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from django.db.models import Prefetch, prefetch_related_objects
from django.utils import timezone

from inventory.models import Lot
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.consolidating import Want, groups_of, may_be_one
from requests_app.drafts import draft_of, tolerance_of
from requests_app.models import Batch, Order, OrderComponent
from requests_app.selectors import choice_words
from requests_app.selectors.together import (
    loaded,
    most_ml,
    queued_batches,
    together_days,
    want_of,
)
from requests_app.services.approving import ask_where_needed
from requests_app.services.batching import (
    LOST,
    CannotBeMade,
    Planned,
    Reasons,
    found_batch,
    open_orders,
    plan_orders,
)
from requests_app.services.joining import join, lock_queued
from requests_app.services.leftovers import leftovers_of, poured_for
from requests_app.services.moves import move, note_event
from requests_app.services.telling import tell_queued

# How far the orders are, of how many: called after each batch.
Told = Callable[[int, int], None]

_TRIES: Final = 4
_NOTE: Final = 300


@dataclass(slots=True)
class Outcome:
    """What became of orders that were put together.

    Attributes:
        batches: made or planned again, in the sequence of their first day.
        waiting: orders that can't be made now and go on waiting, with the reasons.
    """

    batches: list[Batch] = field(default_factory=list)
    waiting: list[Order] = field(default_factory=list)


class _Changed(Exception):
    """Somebody changed an order between the plan and the lock."""


# --- putting together -----------------------------------------------------------------------------
def put_together(*, actor: User, orders: Iterable[Order], reason: str, told: Told | None = None) -> Outcome:
    """Make waiting orders in as few batches as their days and the vessels allow.

    First a batch of the queue that takes them, then a leftover that serves them as it is, then new batches.
    Where not all of a group can be made, as many as can be, in the sequence in which they are due. What a
    manager has to approve is set aside before anything is held, and the rest is made without it. Orders
    that don't wait any more, have a batch, or wait for approval are left as they are, so doing it twice is
    the same as once.

    Raises:
        NotAllowed: the orders are other people's, and the actor is not of the stockroom.
    """
    keys = [order.pk for order in orders]
    there = _still_waiting(keys)
    if not there and policy.may(actor, "arrange_batches"):
        return Outcome()
    own = all(order.ordered_by_id == actor.pk for order in there)
    policy.require(actor, "submit_order" if own else "arrange_batches")
    work = _Work(actor, reason.strip() or "put together", Outcome(), told, len(there))
    today = timezone.localdate()
    by_key = {order.pk: order for order in there}
    wants = {order.pk: want_of(order, today) for order in there}
    most, days = most_ml(), together_days()
    left = work.into_the_queue(by_key, wants, most, days)
    for group in groups_of([wants[key] for key in left], most_ml=most, together_days=days):
        for apart in work.by_tolerance([by_key[want.key] for want in group]):
            work.make(apart)
        work.tell(len(group))
    return work.outcome


def _still_waiting(keys: Iterable[int]) -> list[Order]:
    found = loaded(Order.objects.filter(pk__in=set(keys), state=states.WAITING, batch=None))
    return [order for order in found.order_by("due_at", "pk") if not order.approval_reasons]


@dataclass(slots=True)
class _Work:
    """One putting together: who does it and why, and what came of it so far."""

    actor: User
    reason: str
    outcome: Outcome
    told: Told | None
    total: int
    done: int = 0
    # Plans of the group in hand, by the keys of its orders; void as soon as something is held.
    plans: dict[tuple[int, ...], Planned | Reasons] = field(default_factory=dict)

    def tell(self, count: int) -> None:
        self.done += count
        if self.told is not None:
            self.told(self.done, self.total)

    # --- batches of the queue -------------------------------------------------------------------
    def into_the_queue(
        self, orders: dict[int, Order], wants: dict[int, Want], most: Any, days: int | None
    ) -> list[int]:
        """Let orders join queued batches that take them; the keys of the others."""
        firsts = {order.components.all()[0].substance.key for order in orders.values()}
        batches = queued_batches(firsts) if firsts else []
        today = timezone.localdate()
        inside = {batch.pk: [want_of(one, today) for one in batch.orders.all()] for batch in batches}
        joining: dict[int, list[Want]] = {batch.pk: [] for batch in batches}
        left = []
        for want in sorted(wants.values(), key=lambda one: (one.due_on, one.key)):
            into = next(
                (
                    pk
                    for pk, others in inside.items()
                    if others
                    and not may_be_one([*others, *joining[pk], want], most_ml=most, together_days=days)
                ),
                None,
            )
            if into is None or want.alone:
                left.append(want.key)
            else:
                joining[into].append(want)
        for batch in batches:
            keys = [want.key for want in joining[batch.pk]]
            if keys and not self._join(batch, keys, most, days):
                left += keys
            elif keys:
                self.tell(len(keys))
        return left

    def _join(self, batch: Batch, keys: Sequence[int], most: Any, days: int | None) -> bool:
        def join_it() -> Batch | None:
            locked = lock_queued(batch)
            if locked is None:
                return None
            here = [order.pk for order in open_orders(locked)]
            new = list(Order.objects.select_for_update().filter(pk__in=keys).order_by("pk"))
            fresh = {one.pk: one for one in loaded(Order.objects.filter(pk__in=[*here, *keys]))}
            today = timezone.localdate()
            wants = [want_of(one, today) for one in fresh.values()]
            waiting = all(one.state == states.WAITING and one.batch_id is None for one in new)
            if not here or not waiting or may_be_one(wants, most_ml=most, together_days=days):
                return None
            others = [fresh[pk] for pk in here]
            done = join(actor=self.actor, batch=locked, orders=new, others=others)
            return locked if done else None

        joined = in_transaction_with_retries(join_it)
        if joined is not None:
            self.outcome.batches.append(Batch.objects.get(pk=joined.pk))
        return joined is not None

    # --- new batches ----------------------------------------------------------------------------
    def by_tolerance(self, orders: list[Order]) -> list[list[Order]]:
        """The group as it is, or apart by tolerance where the tightest for all is no gain.

        That is where it can't be made for all but can be apart, or takes longer than apart.
        """
        classes: dict[Any, list[Order]] = {}
        for order in orders:
            classes.setdefault(tolerance_of(draft_of(order)), []).append(order)
        if len(classes) == 1:
            return [orders]
        self.plans.clear()
        together = self._plan(orders)
        apart = [self._plan(one) for one in classes.values()]
        minutes = [one.plan["minutes"] for one in apart if isinstance(one, Planned)]
        if len(minutes) < len(apart):
            return [orders]
        if isinstance(together, Planned) and together.plan["minutes"] <= sum(minutes):
            return [orders]
        return list(classes.values())

    def make(self, orders: list[Order]) -> None:
        """Make a group: from what is left over, then new, as many as can be, the first due first."""
        pending = self._from_leftovers(orders)
        whole = True
        self.plans.clear()
        while pending:
            count = self._how_many(pending, whole)
            if not count:
                self._let_wait(pending.pop(0))
                whole = False
                continue
            batch = self._place(pending[:count])
            whole = True
            if batch is None:
                pending = _still_waiting(order.pk for order in pending)
            else:
                self.outcome.batches.append(batch)
                pending = pending[count:]

    def _how_many(self, orders: list[Order], whole: bool) -> int:
        """How many of them, the first due first, can be made as one batch; 0 for not even the first."""

        def serves(count: int) -> bool:
            return isinstance(self._plan(orders[:count]), Planned)

        if whole and serves(len(orders)):
            return len(orders)
        good, bad = 0, len(orders) + (0 if whole else 1)
        step = 1
        while step < bad and serves(step):
            good, step = step, step * 2
        bad = min(bad, step)
        while bad - good > 1:
            middle = (good + bad) // 2
            if serves(middle):
                good = middle
            else:
                bad = middle
        return good

    def _plan(self, orders: Sequence[Order]) -> Planned | Reasons:
        key = tuple(order.pk for order in orders)
        if key not in self.plans:
            try:
                self.plans[key] = plan_orders(orders)
            except CannotBeMade as short:
                self.plans[key] = short.reasons
        return self.plans[key]

    def _place(
        self, orders: Sequence[Order], lot: Lot | None = None, planned: Planned | None = None
    ) -> Batch | None:
        """Hold, book and queue what was planned; planned again where somebody was faster.

        Returns:
            The batch; None where an order changed meanwhile, has to be approved first, or it can't be made
            any more.
        """
        for _ in range(_TRIES):
            plan = planned or self._plan(orders)
            self.plans.clear()
            if not isinstance(plan, Planned):
                return None
            try:
                return self._placed(orders, plan, lot)
            except _Changed:
                return None
            except LOST:
                if lot is not None:
                    return None
        return None

    def _placed(self, orders: Sequence[Order], planned: Planned, lot: Lot | None) -> Batch | None:
        seen = {order.pk: order for order in orders}

        def place() -> Batch | None:
            locked = list(Order.objects.select_for_update().filter(pk__in=seen).order_by("pk"))
            if len(locked) < len(seen) or any(_differ(one, seen[one.pk]) for one in locked):
                raise _Changed
            components = OrderComponent.objects.select_related("substance")
            parts = Prefetch("components", components)
            prefetch_related_objects(locked, "sections", "unknown_sample", parts)
            if ask_where_needed(actor=self.actor, orders=locked, plan=planned.plan):
                return None
            note = self.reason if len(locked) == 1 else f"made together: {_named(locked)}"
            if lot is not None:
                for order in locked:
                    self._choose(order, lot)
            batch = found_batch(actor=self.actor, orders=locked, planned=planned)
            for order in locked:
                tell_queued(actor=self.actor, batch=batch, order=order)
                order.waiting_for = []
                move(actor=self.actor, row=order, event="queue", note=note[:_NOTE])
            return batch

        return in_transaction_with_retries(place)

    def _let_wait(self, order: Order) -> None:
        found = self._plan([order])
        reasons = found if not isinstance(found, Planned) else []

        def wait() -> Order | None:
            locked = Order.objects.select_for_update().get(pk=order.pk)
            if _differ(locked, order):
                return None
            locked.waiting_for = reasons
            locked.save(update_fields=["waiting_for"])
            said = " ".join(one["text"] for one in reasons)
            note_event(actor=self.actor, row=locked, event="plan", note=said)
            return locked

        waits = in_transaction_with_retries(wait)
        if waits is not None:
            self.outcome.waiting.append(waits)

    # --- leftovers ------------------------------------------------------------------------------
    def _from_leftovers(self, orders: list[Order]) -> list[Order]:
        """Serve whole orders from solutions that are left over and are what is wanted as they are."""
        left = list(orders)
        for lot in leftovers_of(left):
            served, planned = poured_for(left, lot)
            batch = self._place(served, lot, planned) if planned is not None else None
            if batch is None:
                continue
            self.outcome.batches.append(batch)
            left = [order for order in left if order not in served]
            if not left:
                break
        return left

    def _choose(self, order: Order, lot: Lot) -> None:
        component = order.components.select_related("substance").get()
        component.from_lot, component.chosen_by = lot, self.actor
        component.save(update_fields=["from_lot", "chosen_by"])
        said = f"{choice_words(component)}: left over and still good, so it is used first"
        note_event(actor=self.actor, row=order, event="choose", note=said)


def _differ(now: Order, seen: Order) -> bool:
    return (
        now.state != states.WAITING
        or now.batch_id is not None
        or bool(now.approval_reasons)
        or (now.revision, now.made_alone, now.due_at) != (seen.revision, seen.made_alone, seen.due_at)
    )


def _named(orders: Iterable[Order]) -> str:
    return ", ".join(order.reference for order in orders)
