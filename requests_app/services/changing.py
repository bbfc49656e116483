"""Orders that are wanted otherwise than they were sent: the part that changes of one order, of a meeting and
of a bench list share. How it is decided stands in ``prepdesk/docs/how-orders-change.md``.

Everything here runs in the caller's transaction. Locks are taken batches first, then orders, each in key
order; lots and apparatus follow with the planning.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta
from decimal import ROUND_CEILING, Decimal
from typing import Final

from django.db import transaction
from django.utils import timezone

from inventory.models import Substance
from prepdesk.accounts.models import User
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.core.errors import NotInThisState
from requests_app import sheets, states
from requests_app.concealing import is_unknown
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
from requests_app.drafts import OrderDraft, draft_of, plain, solution_of
from requests_app.models import Batch, DepartmentRules, Order, OrderRevision
from requests_app.services.batching import make_batch, open_orders, replan_batch
from requests_app.services.moves import move
from requests_app.services.orders import apply_plan
from requests_app.services.portion_moves import follow_orders
from requests_app.services.revisions import (
    NO_PREFACE,
    by_whom,
    describe_again,
    held_words,
    order_again,
    section_words,
    waits_words,
    write_draft,
    write_revision,
)
from requests_app.shelf_life import shelf_life

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


# --- changing ----------------------------------------------------------------------------------
def rewrite_orders(
    *,
    actor: User,
    batches: dict[int, Batch],
    wishes: Sequence[Wish],
    reason: str,
    key: str,
    preface: Mapping[int, str] = NO_PREFACE,
    rehearsal: bool = False,
) -> list[OrderRevision]:
    """Let locked open orders be wanted otherwise: fields, batches, holds and a revision for each.

    An order of the queue is planned again with its batch, and leaves it where only the others can be made
    or it is no longer the same solution. One that waits is tried again. What is begun is never changed: the
    change waits to be seen by whoever makes it, a smaller need leaves something over, and a larger one is
    ordered as a further order.

    Args:
        preface: the sentence that stands first in the revision of an order, by its key.
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
            said = [preface.get(wish.order.pk, "")]
            tales.append(_Tale(wish.order, before, wish.draft, changes, batch, said))
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
            describe_again(batch)
            follow_orders(actor=actor, batch=batch)
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
        describe_again(batch)
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


def _tell_queued(tale: _Tale, was: sheets.Plan, rehearsal: bool, *, left: bool) -> None:
    order, old = tale.order, tale.batch
    assert old is not None
    now = order.batch
    if left:
        tale.outcome.append(f"It leaves batch {old.reference}, which is made for its other orders.")
    if now is None:
        tale.first.append(_amounts(tale))
        tale.outcome.append(waits_words(order))
        return
    plan = sheets.current_sheet(now).plan
    tale.first.append(_amounts(tale, f", {_batch_words(now, plan, was, is_new=left and rehearsal)}"))
    if not left and not is_unknown(order):
        tale.outcome += held_words(old, was, plan)
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


# --- waiting ---------------------------------------------------------------------------------------
def _plan_waiting(actor: User, tale: _Tale, reason: str, rehearsal: bool) -> None:
    order = tale.order
    # Of one that waits for approval a manager is asked again, where what is wanted now still needs it.
    apply_plan(actor=actor, order=order, batch=None, reason=reason)
    order.refresh_from_db()
    tale.first.append(_amounts(tale))
    if order.batch is None:
        tale.outcome.append(waits_words(order))
        return
    tale.seen_in = order.batch
    where = "" if rehearsal else f" as {order.batch.reference}"
    tale.outcome.append(f"It no longer waits: it is in the queue{where} and its stock is held.")


# --- begun ---------------------------------------------------------------------------------------------
def _beside_the_work(actor: User, tale: _Tale, key: str, rehearsal: bool) -> None:
    """A change that meets work already begun: what is made stays as it is."""
    batch, order = tale.batch, tale.order
    assert batch is not None
    tale.seen_in = batch
    if set(tale.changes) & set(MAKING):
        raise NotInThisState(
            f"{batch.reference} is “{batch.get_state_display()}”{by_whom(batch)}, so what is in it can't "
            "become another solution. Order the other one, and withdraw this one if nobody needs it."
        )
    more = millilitres(tale.after) - millilitres(tale.before)
    if more > 0:
        if tale.after.due_at <= timezone.now():
            raise NotInThisState(
                f"{batch.reference} is “{batch.get_state_display()}”{by_whom(batch)} and the time of "
                f"{order.reference} is past, so no more can be made for it. Speak to the stockroom."
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
    assert batch is not None
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
        whither = f"which {waits_words(added).removeprefix('It ')}"
    else:
        whither = "to be made for it" if rehearsal else f"to be made as {added.batch.reference}"
    tale.outcome.append(
        f"{batch.reference} is begun already and stays as it is: {wanted_words(further)} more of "
        f"{order.title} are ordered as {called}, {whither.rstrip('.')}."
    )
    if not rehearsal:
        tale.changes = {**tale.changes, "further_order": ["", added.reference]}
    was = tale.before
    write_draft(
        order,
        replace(
            tale.after,
            groups_per_section=was.groups_per_section,
            spare_groups=was.spare_groups,
            volume_per_group=was.volume_per_group,
            volume_unit=was.volume_unit,
            per_section=was.per_section,
            overage_percent=was.overage_percent,
        ),
    )


def _difference(tale: _Tale) -> OrderDraft:
    """The draft of what is missing: in groups where nothing but their number grew, else in volume."""
    before, after = tale.before, tale.after
    if set(tale.changes) & set(AMOUNTS) == {"groups_per_section"}:
        more = after.groups_per_section - before.groups_per_section
        return replace(after, groups_per_section=more, spare_groups=0, per_section=None)
    each = (millilitres(after) - millilitres(before)) / len(after.section_ids)
    return replace(
        after,
        groups_per_section=1,
        volume_per_group=_rounded_up(each),
        volume_unit="mL",
        overage_percent=None,
        spare_groups=0,
        per_section=None,
    )


def _rounded_up(volume_ml: Decimal) -> TypedNumber:
    return parse_number(plain(volume_ml.quantize(_DIGITS, rounding=ROUND_CEILING)))


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
    return write_revision(
        actor=actor,
        order=tale.order,
        changes=tale.changes,
        words=words,
        reason=reason,
        key=key,
        batch=tale.seen_in,
        needs_seeing=tale.is_begun,
    )
