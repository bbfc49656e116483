"""What every change of orders writes down: the order as it is wanted, a further one, and the revision.

Everything here runs in the caller's transaction. Locks are taken batches first, then orders, each in key
order; lots and apparatus follow with the planning.
"""

from collections.abc import Callable, Iterable, Mapping
from decimal import Decimal
from typing import Any, Final, TypeVar

from inventory.models import Substance
from inventory.services import in_transaction_with_retries
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict
from requests_app import sheets, states
from requests_app.concealing import is_unknown
from requests_app.differences import Changes
from requests_app.drafts import OrderDraft, draft_of, plain
from requests_app.models import Batch, Order, OrderComponent, OrderRevision, Section
from requests_app.services.batching import describe, make_batch, open_orders
from requests_app.services.moves import give_reference, note_event, unborn_reference

T = TypeVar("T")

NO_PREFACE: Final[Mapping[int, str]] = {}


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


# --- rows ---------------------------------------------------------------------------------------
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
    order.title = sheets.plan_for(draft)[1]["title"][:200]
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


def waits_words(order: Order) -> str:
    """Why an order waits, as a sentence; of an unknown only that it does, since amounts would be the key."""
    if order.approval_reasons:
        what, reasons = "for a manager’s approval", order.approval_reasons
    else:
        what, reasons = "", order.waiting_for
    said = " ".join(reason["text"] for reason in reasons)
    told = f": {said}" if said and not is_unknown(order) else "."
    return f"It waits {what}".rstrip() + told


def section_words(order: Order) -> str:
    """For whom an order is: ``Section B``, ``Sections A, B``."""
    names = [section.name for section in Section.objects.filter(orders=order).order_by("name")]
    return f"Section{'' if len(names) == 1 else 's'} {', '.join(names)}"


def describe_again(batch: Batch) -> None:
    """Due time and rooms of a locked batch whose orders changed; whoever has its page open is told."""
    left = open_orders(batch)
    if left:
        describe(batch, left)
    batch.version += 1
    batch.save(update_fields=["due_at", "room", "version"])


def write_revision(
    *,
    actor: User,
    order: Order,
    changes: Changes,
    words: list[str],
    reason: str,
    key: str,
    batch: Batch | None,
    needs_seeing: bool,
) -> OrderRevision:
    """Keep a change of a locked order, and a line of it in the history of the order and of its batch."""
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


# --- words --------------------------------------------------------------------------------------
def held_words(batch: Batch, was: sheets.Plan, now: sheets.Plan) -> list[str]:
    """What of each substance is held otherwise than before."""
    before, after = drawn(was), drawn(now)
    found = []
    for named, unit in sorted(before.keys() | after.keys()):
        old, new = before.get((named, unit), Decimal(0)), after.get((named, unit), Decimal(0))
        if old != new:
            found.append(f"Held of {named} for {batch.reference}: {plain(old)} {unit} → {plain(new)} {unit}.")
    return found


def drawn(plan: sheets.Plan) -> dict[tuple[str, str], Decimal]:
    """What a plan takes, by substance and unit."""
    amounts: dict[tuple[str, str], Decimal] = {}
    for draw in plan["draws"]:
        named = (draw["substance"], draw["amount"]["unit"])
        amounts[named] = amounts.get(named, Decimal(0)) + Decimal(draw["amount"]["value"])
    return amounts


def by_whom(batch: Batch) -> str:
    """Who has it: `` by Tom Weirside``; empty where nobody does, or where it is made already."""
    return f" by {batch.claimed_by}" if batch.claimed_by_id and batch.state != states.READY else ""
