"""Orders as new rows: one for a form, or hundreds at once from bench lists."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.utils import timezone

from inventory.models import Substance
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.drafts import OrderDraft
from requests_app.models import Order, OrderComponent, OrderEvent
from requests_app.selectors import department_rules
from requests_app.selectors.lateness import Lateness, marked
from requests_app.services.moves import give_references, unborn_reference

_AT_ONCE: Final = 500


@dataclass(frozen=True, slots=True)
class NewOrder:
    """An order to be made.

    Attributes:
        owner: whose order it is.
        title: of the solution.
        idempotency_key: no two orders of one owner have the same.
        note: of the first line of its history.
        made_alone: kept out of batches with other orders.
    """

    owner: User
    draft: OrderDraft
    title: str
    idempotency_key: str
    note: str = ""
    made_alone: bool = False


def order_row(
    new: NewOrder,
    *,
    state: str = states.WAITING,
    waiting_for: list[dict[str, Any]] | None = None,
    lateness: Lateness | None = None,
) -> Order:
    """The row of a new order, not saved yet. Every order begins here."""
    draft = new.draft
    return Order(
        reference=unborn_reference(),
        course_id=draft.course_id,
        ordered_by=new.owner,
        state=state,
        title=new.title[:200],
        groups_per_section=draft.groups_per_section,
        volume_per_group=draft.volume_per_group.text,
        volume_unit=draft.volume_unit,
        overage_percent=draft.overage_percent.text if draft.overage_percent else "",
        spare_groups=draft.spare_groups,
        per_section=draft.per_section.text if draft.per_section else "",
        tolerance_percent=draft.tolerance_percent.text if draft.tolerance_percent else "",
        temperature_c=draft.temperature_c.text if draft.temperature_c else "",
        due_at=draft.due_at,
        room=draft.room,
        notes=draft.notes,
        container=draft.container,
        meeting_id=draft.meeting_id,
        list_solution_id=draft.list_solution_id,
        list_line=draft.list_line,
        made_alone=new.made_alone,
        waiting_for=waiting_for or [],
        is_late=lateness.is_late if lateness is not None else False,
        displaces=list(lateness.displaces) if lateness is not None else [],
        idempotency_key=new.idempotency_key,
    )


def component_rows(
    actor: User, order: Order, draft: OrderDraft, substances: dict[str, Substance]
) -> list[OrderComponent]:
    """The rows of what is in an order, not saved yet."""
    return [
        OrderComponent(
            order=order,
            position=position,
            substance=substances[component.substance_key],
            target_value=component.target.text,
            target_unit=component.unit,
            equivalents=component.equivalents,
            from_lot_id=component.from_lot,
            chosen_by=actor if component.from_lot else None,
        )
        for position, component in enumerate(draft.components)
    ]


def create_orders(*, actor: User, new: Sequence[NewOrder]) -> list[Order]:
    """Make many waiting orders in a few statements, in the caller's transaction; in the order given.

    Raises:
        IntegrityError: one of them stands already: its line is ordered for that meeting, or its key is used.
    """
    marks = marked([one.draft.due_at for one in new], timezone.now(), department_rules())
    rows = [order_row(one, lateness=mark) for one, mark in zip(new, marks, strict=True)]
    orders = Order.objects.bulk_create(rows, batch_size=_AT_ONCE)
    give_references(orders, "R")
    through = Order.sections.through
    through.objects.bulk_create(
        [
            through(order_id=order.pk, section_id=section)
            for order, one in zip(orders, new, strict=True)
            for section in one.draft.section_ids
        ],
        batch_size=_AT_ONCE,
    )
    keys = {component.substance_key for one in new for component in one.draft.components}
    substances = Substance.objects.in_bulk(sorted(keys), field_name="key")
    OrderComponent.objects.bulk_create(
        [
            row
            for order, one in zip(orders, new, strict=True)
            for row in component_rows(actor, order, one.draft, substances)
        ],
        batch_size=_AT_ONCE,
    )
    OrderEvent.objects.bulk_create(
        [
            OrderEvent(
                order=order,
                event="submit",
                from_state="",
                to_state=order.state,
                actor=actor,
                note=one.note[:300],
            )
            for order, one in zip(orders, new, strict=True)
        ],
        batch_size=_AT_ONCE,
    )
    return orders
