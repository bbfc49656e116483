"""Orders that are wanted otherwise than they were sent: the part that changes of one order, of a meeting and
of a bench list share. How it is decided stands in ``prepdesk/docs/how-orders-change.md``.

Everything here runs in the caller's transaction. Locks are taken batches first, then orders, each in key
order; lots and apparatus follow with the planning.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from decimal import ROUND_CEILING, Decimal
from typing import Any, Final, TypeVar

from django.db import transaction
from django.utils import timezone

from inventory.models import Substance
from inventory.services import in_transaction_with_retries, release_holds
from prepdesk.accounts.models import User
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.core.errors import Conflict, NotInThisState
from requests_app import sheets, states
from requests_app.differences import (
    AMOUNTS,
    MAKING,
    Changes,
    amount_words,
    differences,
    millilitres,
    other_sentences,
    volume_words,
    wanted_words,
)
from requests_app.drafts import OrderDraft, draft_of, plain, solution_of, volume_of
from requests_app.models import Batch, DepartmentRules, Order, OrderComponent, OrderRevision, Section
from requests_app.selectors import prepared_holds
from requests_app.services.batching import describe, dissolve, make_batch, open_orders, replan_batch
from requests_app.services.moves import give_reference, move, note_event, unborn_reference
from requests_app.shelf_life import shelf_life

T = TypeVar("T")

_DIGITS: Final = Decimal("0.01")


@dataclass(frozen=True, slots=True)
class Wish:
    """A locked order, and what is wanted of it now."""

    order: Order
    draft: OrderDraft


@dataclass(slots=True)
class _Tale:
    """What becomes of one order, until it is written down."""

    order: Order
    before: OrderDraft
    after: OrderDraft
    changes: Changes
    batch: Batch | None
    first: list[str] = field(default_factory=list)
    outcome: list[str] = field(default_factory=list)
    seen_in: Batch | None = None

    @property
    def is_begun(self) -> bool:
        return self.batch is not None and self.batch.state != states.QUEUED


# --- what would happen -------------------------------------------------------------------------
class _Rehearsed(Exception):
    def __init__(self, result: Any) -> None:
        super().__init__()
        self.result = result


def rehearse(work: Callable[[], T]) -> T:
    """Do ``work`` in a transaction of its own and undo all of it: what it would do is what it returns."""

    def and_back() -> T:
        raise _Rehearsed(work())

    try:
        return in_transaction_with_retries(and_back)
    except _Rehearsed as done:
        result: T = done.result
        return result


# --- locks -------------------------------------------------------------------------------------
def lock_orders(keys: Iterable[int]) -> tuple[dict[int, Batch], list[Order]]:
    """Lock the batches of these orders, then the orders.

    Raises:
        Conflict: one of them went into another batch at this very moment.
    """
    wanted = sorted(set(keys))
    of_batch = Order.objects.filter(pk__in=wanted, batch__isnull=False).values_list("batch_id", flat=True)
    batches = {
        batch.pk: batch
        for batch in Batch.objects.select_for_update().filter(pk__in=set(of_batch)).order_by("pk")
    }
    orders = list(Order.objects.select_for_update().filter(pk__in=wanted).order_by("pk"))
    for order in orders:
        if order.batch_id is not None and order.batch_id not in batches:
            raise Conflict(f"{order.reference} was changed at the same moment. Look again and repeat.")
    return batches, orders


# --- changing ----------------------------------------------------------------------------------
def rewrite_orders(
    *,
    actor: User,
    batches: dict[int, Batch],
    wishes: Sequence[Wish],
    reason: str,
    key: str,
    preface: Sequence[str] = (),
    rehearsal: bool = False,
) -> list[OrderRevision]:
    """Let locked open orders be wanted otherwise: fields, batches, holds and a revision for each.

    An order of the queue is planned again with its batch, and leaves it where only the others can be made
    or it is no longer the same solution. One that waits is tried again. What is begun is never changed: the
    change waits to be seen by whoever makes it, a smaller need leaves something over, and a larger one is
    ordered as a further order.

    Args:
        preface: sentences of why, that stand first in each revision.
        rehearsal: nothing of it will stay, so what would be new is not called by its number.

    Raises:
        NotInThisState: a solution that is begun can't become another one.
    """
    names = _names(wishes)
    tales = []
    for wish in wishes:
        before = draft_of(wish.order)
        changes = differences(before, wish.draft, names)
        if changes:
            batch = batches.get(wish.order.batch_id or 0)
            tales.append(_Tale(wish.order, before, wish.draft, changes, batch, list(preface)))
    for tale in tales:
        if tale.is_begun:
            _beside_the_work(actor, tale, key, rehearsal)
        else:
            write_draft(tale.order, tale.after)
    for batch in {tale.batch.pk: tale.batch for tale in tales if tale.batch is not None}.values():
        of_batch = [tale for tale in tales if tale.batch is batch]
        if batch.state == states.QUEUED:
            _plan_queued(actor, batch, of_batch, reason, rehearsal)
        else:
            describe(batch, open_orders(batch))
            batch.version += 1
            batch.save(update_fields=["due_at", "room", "version"])
    for tale in tales:
        if tale.batch is None:
            _plan_waiting(actor, tale, reason, rehearsal)
    return [_write_down(actor, tale, reason, key) for tale in tales]


def _names(wishes: Sequence[Wish]) -> dict[str, str]:
    keys = {one.substance_key for wish in wishes for one in wish.draft.components}
    keys |= {one.substance.key for wish in wishes for one in wish.order.components.all()}
    return dict(Substance.objects.filter(key__in=keys).values_list("key", "name"))


# --- in the queue ------------------------------------------------------------------------------
class _NotTogether(Exception):
    """Planned together they would all wait."""


def _plan_queued(actor: User, batch: Batch, tales: list[_Tale], reason: str, rehearsal: bool) -> None:
    was = sheets.current_sheet(batch).plan
    others = [one for one in open_orders(batch) if one.pk not in {tale.order.pk for tale in tales}]
    leaving = [tale for tale in tales if others and not _belongs(tale.after, others)]
    if not leaving and not _only_told(tales):
        try:
            with transaction.atomic():
                if replan_batch(actor=actor, batch=batch, reason=reason) is None and others:
                    raise _NotTogether
        except _NotTogether:
            # Rather one that waits than all of them: the others are made as they were.
            batch.refresh_from_db()
            leaving = tales
    elif not leaving:
        _describe_again(batch)
    if leaving:
        for tale in leaving:
            tale.order.batch = None
            tale.order.waiting_for = [{"text": reason, "alternatives": []}]
            move(actor=actor, row=tale.order, event="wait", note=reason)
        left = ", ".join(tale.order.reference for tale in leaving)
        replan_batch(actor=actor, batch=batch, reason=f"{left} left it after a change", or_keep=True)
        for tale in leaving:
            make_batch(actor=actor, orders=[tale.order], reason=reason)
    for tale in tales:
        tale.order.refresh_from_db()
        _tell_queued(tale, was, rehearsal, left=tale in leaving)


def _belongs(draft: OrderDraft, others: Sequence[Order]) -> bool:
    """Whether it is still the same solution as the others, and wanted while that keeps."""
    drafts = [draft_of(one) for one in others]
    if any(solution_of(draft) != solution_of(other) for other in drafts):
        return False
    families = Substance.objects.filter(key__in=[one.substance_key for one in draft.components])
    most = shelf_life([one.family or one.key for one in families]).days
    rules = DepartmentRules.objects.first()
    if rules is not None and rules.together_days is not None:
        most = min(most, rules.together_days)
    days = [sheets.local_date(one.due_at) for one in (draft, *drafts)]
    return max(days) - min(days) <= timedelta(days=most)


def _only_told(tales: Iterable[_Tale]) -> bool:
    """What a sheet does not depend on: a note for the stockroom, another room, another bottle."""
    return all(set(tale.changes) <= {"notes", "room", "container"} for tale in tales)


def _describe_again(batch: Batch) -> None:
    describe(batch, open_orders(batch))
    batch.version += 1
    batch.save(update_fields=["due_at", "room", "version"])


def _tell_queued(tale: _Tale, was: sheets.Plan, rehearsal: bool, *, left: bool) -> None:
    order, old = tale.order, tale.batch
    assert old is not None  # noqa: S101 (it was in the queue)
    now = order.batch
    if left:
        tale.outcome.append(f"It leaves batch {old.reference}, which is made for its other orders.")
    if now is None:
        tale.first.append(_amounts(tale))
        tale.outcome.append(_waits(order))
        return
    plan = sheets.current_sheet(now).plan
    tale.first.append(_amounts(tale, f", {_batch_words(now, plan, was, is_new=left and rehearsal)}"))
    if not left:
        tale.outcome += _held_words(old, was, plan)
    tale.seen_in = now


def _batch_words(batch: Batch, plan: sheets.Plan, was: sheets.Plan, *, is_new: bool) -> str:
    if is_new:
        return "in a batch of its own"
    others = len(open_orders(batch)) - 1
    said = f"in batch {batch.reference}"
    if others:
        said += f" with {others} other order{'' if others == 1 else 's'}"
    if others and plan["volume"] != was["volume"]:
        volume = plan["volume"]
        said += f", which becomes {volume_words(Decimal(volume['value']), volume['unit'])}"
    return said


def _held_words(batch: Batch, was: sheets.Plan, now: sheets.Plan) -> list[str]:
    """What of each substance is held otherwise than before."""
    before, after = _drawn(was), _drawn(now)
    found = []
    for named, unit in sorted(before.keys() | after.keys()):
        old, new = before.get((named, unit), Decimal(0)), after.get((named, unit), Decimal(0))
        if old != new:
            found.append(
                f"Held of {named} for {batch.reference}: {plain(old)} {unit} → {plain(new)} {unit}."
            )
    return found


def _drawn(plan: sheets.Plan) -> dict[tuple[str, str], Decimal]:
    amounts: dict[tuple[str, str], Decimal] = {}
    for draw in plan["draws"]:
        named = (draw["substance"], draw["amount"]["unit"])
        amounts[named] = amounts.get(named, Decimal(0)) + Decimal(draw["amount"]["value"])
    return amounts


# --- waiting ---------------------------------------------------------------------------------------
def _plan_waiting(actor: User, tale: _Tale, reason: str, rehearsal: bool) -> None:
    order = tale.order
    if order.approval_reasons:
        tale.first.append(_amounts(tale))
        tale.outcome.append("It waits for approval as before.")
        return
    batch = make_batch(actor=actor, orders=[order], reason=reason)
    if batch is None:
        tale.first.append(_amounts(tale))
        tale.outcome.append(_waits(order))
        return
    tale.seen_in = batch
    where = "" if rehearsal else f" as {batch.reference}"
    tale.first.append(_amounts(tale))
    tale.outcome.append(f"It no longer waits: it is in the queue{where} and its stock is held.")


def _waits(order: Order) -> str:
    return "It waits: " + " ".join(reason["text"] for reason in order.waiting_for)


# --- begun ---------------------------------------------------------------------------------------------
def _beside_the_work(actor: User, tale: _Tale, key: str, rehearsal: bool) -> None:
    """A change that meets work already begun: what is made stays as it is."""
    batch, order = tale.batch, tale.order
    assert batch is not None  # noqa: S101 (it is begun)
    tale.seen_in = batch
    if set(tale.changes) & set(MAKING):
        raise NotInThisState(
            f"{batch.reference} is “{batch.get_state_display()}”{_by(batch)}, so what is in it can't become "
            "another solution. Order the other one, and withdraw this one if nobody needs it."
        )
    more = millilitres(tale.after) - millilitres(tale.before)
    if more > 0:
        if tale.after.due_at <= timezone.now():
            raise NotInThisState(
                f"{batch.reference} is “{batch.get_state_display()}”{_by(batch)} and the time of {order.reference} "
                "is past, so no more can be made for it. Speak to the stockroom."
            )
        _order_the_difference(actor, tale, key, rehearsal)
        return
    write_draft(order, tale.after)
    tale.first.append(_amounts(tale, f", from batch {batch.reference}"))
    if more < 0:
        over = volume_words(-more, "mL")
        made = "is made already" if batch.state == states.READY else "is begun already"
        tale.outcome.append(f"{batch.reference} {made}: about {over} of it will be left over.")


def _order_the_difference(actor: User, tale: _Tale, key: str, rehearsal: bool) -> None:
    """More is wanted than is being made: the rest is a further order, with a batch of its own."""
    batch, order = tale.batch, tale.order
    assert batch is not None  # noqa: S101 (it is begun)
    kept = {name: getattr(tale.before, name) for name in (*AMOUNTS, "volume_unit")}
    further = replace(_difference(tale), meeting_id=order.meeting_id, list_solution_id=None, list_line=None)
    added = order_again(
        actor=actor,
        order=order,
        draft=further,
        key=f"{key}-more-{order.pk}",
        note=f"The difference of {order.reference}, which is being made already",
        adds_to=order,
    )
    tale.first.append(_amounts(tale))
    called = "a further order" if rehearsal else added.reference
    if added.batch is None:
        whither = f"which waits: {_waits(added).removeprefix('It waits: ')}"
    else:
        whither = "to be made for it" if rehearsal else f"to be made as {added.batch.reference}"
    tale.outcome.append(
        f"{batch.reference} is begun already and stays as it is: {wanted_words(further)} more of {order.title} "
        f"are ordered as {called}, {whither}."
    )
    if not rehearsal:
        tale.changes = {**tale.changes, "further_order": ["", added.reference]}
    write_draft(order, replace(tale.after, **kept))


def _difference(tale: _Tale) -> OrderDraft:
    """The draft of what is missing: in groups where nothing but their number grew, else in volume."""
    before, after = tale.before, tale.after
    nothing = {"spare_groups": 0, "per_section": None}
    if set(tale.changes) & set(AMOUNTS) == {"groups_per_section"}:
        more = after.groups_per_section - before.groups_per_section
        return replace(after, groups_per_section=more, **nothing)
    each = (millilitres(after) - millilitres(before)) / len(after.section_ids)
    return replace(
        after,
        groups_per_section=1,
        volume_per_group=_rounded_up(each),
        volume_unit="mL",
        overage_percent=None,
        **nothing,
    )


def _rounded_up(volume_ml: Decimal) -> TypedNumber:
    return parse_number(plain(volume_ml.quantize(_DIGITS, rounding=ROUND_CEILING)))


def _by(batch: Batch) -> str:
    return f" by {batch.claimed_by}" if batch.claimed_by_id and batch.state != states.READY else ""


# --- not wanted any more ------------------------------------------------------------------------
def drop_orders(
    *,
    actor: User,
    batches: dict[int, Batch],
    orders: Sequence[Order],
    reason: str,
    key: str,
    preface: Sequence[str] = (),
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
        words = [*preface, *_dropped_words(order, batch, begun, was)]
        needs_seeing = begun and batch is not None and batch.state in states.OPEN_BATCH_STATES
        changes = {"state": [state, order.get_state_display()]}
        revisions.append(_revision(actor, order, changes, words, reason, key, batch, needs_seeing))
    return revisions


def _without_them(actor: User, batch: Batch, reason: str) -> None:
    """A begun batch after some of its orders were withdrawn."""
    left = open_orders(batch)
    if left:
        describe(batch, left)
    elif batch.state == states.READY:
        move(actor=actor, row=batch, event="shelve", note=f"nobody wants it any more: {reason}"[:300])
        release_holds(actor=actor, holds=prepared_holds(batch), reason=reason[:300])
        return
    batch.version += 1
    batch.save(update_fields=["due_at", "room", "version"])


def _dropped_words(
    order: Order, batch: Batch | None, begun: bool, was: dict[int, sheets.Plan]
) -> list[str]:
    draft = draft_of(order)
    said = f"{section_words(order)}: {wanted_words(draft)} of {order.title} are not needed"
    if batch is None:
        return [f"{said}; nothing was held for it."]
    if not begun:
        if batch.state == states.CANCELLED:
            held = [f"{plain(v)} {unit} of {named}" for (named, unit), v in _drawn(was[batch.pk]).items()]
            return [f"{said}; batch {batch.reference} is not made.", f"Free again: {', '.join(held)}."]
        plan = sheets.current_sheet(batch).plan
        rest = plan["volume"]
        return [
            f"{said}; batch {batch.reference} is made for its other orders, "
            f"{volume_words(Decimal(rest['value']), rest['unit'])}.",
            *_held_words(batch, was[batch.pk], plan),
        ]
    if batch.state == states.SHELVED:
        return [f"{said}; {batch.reference} was made already and stays on the shelf, free for others."]
    if open_orders(batch):
        return [f"{said}; {batch.reference} is begun already, so as much of it will be left over."]
    return [
        f"{said}; {batch.reference} is begun already{_by(batch)}, and nobody else wants it: "
        "whoever makes it stops it, or finishes it for the shelf."
    ]


# --- writing down --------------------------------------------------------------------------------
def write_draft(order: Order, draft: OrderDraft) -> None:
    """Set a locked order to a draft, its substances too; saves it."""
    order.groups_per_section = draft.groups_per_section
    order.volume_per_group = draft.volume_per_group.text
    order.volume_unit = draft.volume_unit
    order.overage_percent = draft.overage_percent.text if draft.overage_percent else ""
    order.spare_groups = draft.spare_groups
    order.per_section = draft.per_section.text if draft.per_section else ""
    order.tolerance_percent = draft.tolerance_percent.text if draft.tolerance_percent else ""
    order.temperature_c = draft.temperature_c.text if draft.temperature_c else ""
    order.due_at = draft.due_at
    order.room = draft.room
    order.notes = draft.notes
    order.container = draft.container
    order.meeting_id = draft.meeting_id
    order.list_solution_id = draft.list_solution_id
    order.list_line = draft.list_line
    order.save()
    if order.pk and draft.components == draft_of(order).components:
        return
    substances = Substance.objects.in_bulk([one.substance_key for one in draft.components], field_name="key")
    for position, component in enumerate(draft.components):
        OrderComponent.objects.update_or_create(
            order=order,
            position=position,
            defaults={
                "substance": substances[component.substance_key],
                "target_value": component.target.text,
                "target_unit": component.unit,
                "equivalents": component.equivalents,
                "from_lot_id": component.from_lot,
            },
        )
    order.components.filter(position__gte=len(draft.components)).delete()
    order.title = sheets.title_of(draft)[:200]
    order.save(update_fields=["title"])


def order_again(
    *,
    actor: User,
    order: Order,
    draft: OrderDraft,
    key: str,
    note: str,
    adds_to: Order | None = None,
) -> Order:
    """A further order for the same people as ``order``, planned at once; the same key gives the same one."""
    known = Order.objects.filter(ordered_by=order.ordered_by_id, idempotency_key=key[:120]).first()
    if known is not None:
        return known
    fresh = Order(
        reference=unborn_reference(),
        course_id=draft.course_id,
        ordered_by_id=order.ordered_by_id,
        title=order.title,
        adds_to=adds_to,
        idempotency_key=key[:120],
    )
    write_draft(fresh, draft)
    give_reference(fresh, "R")
    fresh.sections.set(draft.section_ids)
    note_event(actor=actor, row=fresh, event="submit", from_state="", note=note)
    make_batch(actor=actor, orders=[fresh], reason=note)
    return fresh


def section_words(order: Order) -> str:
    """For whom an order is: ``Section B``, ``Sections A, B``."""
    names = [section.name for section in Section.objects.filter(orders=order).order_by("name")]
    return f"Section{'' if len(names) == 1 else 's'} {', '.join(names)}"


def _amounts(tale: _Tale, where: str = "") -> str:
    """The sentence about how much; empty where that stays."""
    changed = amount_words(tale.changes)
    if not changed:
        return ""
    before, after = wanted_words(tale.before), wanted_words(tale.after)
    volume = f"{before} → {after}" if before != after else f"{after} as before"
    return f"{section_words(tale.order)}: {changed}; {volume} of {tale.order.title}{where}."


def _write_down(actor: User, tale: _Tale, reason: str, key: str) -> OrderRevision:
    words = [*filter(None, tale.first), *other_sentences(tale.changes), *tale.outcome]
    return _revision(actor, tale.order, tale.changes, words, reason, key, tale.seen_in, tale.is_begun)


def _revision(
    actor: User,
    order: Order,
    changes: Changes,
    words: list[str],
    reason: str,
    key: str,
    batch: Batch | None,
    needs_seeing: bool,
) -> OrderRevision:
    order.revision += 1
    order.save(update_fields=["revision"])
    note_event(actor=actor, row=order, event="change", note=" ".join(words))
    if batch is not None:
        note_event(actor=actor, row=batch, event="change", note=f"{order.reference}: {' '.join(words)}")
    return OrderRevision.objects.create(
        order=order,
        number=order.revision,
        changes=changes,
        words=words,
        reason=reason,
        actor=actor,
        needs_seeing=needs_seeing,
        batch=batch,
        idempotency_key=revision_key(order, key),
    )


def revision_key(order: Order, key: str) -> str:
    """The key of what one form does to one order."""
    return f"{order.pk}-{key}"[:120]
