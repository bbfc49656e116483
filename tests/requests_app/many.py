"""A day with as many batches as a test or a measurement asks for, copied from one that was planned."""

from collections.abc import Callable
from datetime import datetime

from inventory.models import Hold
from requests_app.models import Batch, BatchHold, Order, Sheet

Due = Callable[[int], datetime]


def copies_of(order: Order, count: int, due: Due, *, prefix: str = "C") -> list[Batch]:
    """So many more orders like this one, each with a batch, a sheet and a hold of its own.

    They are written without the ledger: no page that lists them adds holds up.

    Args:
        due: when each is due, by its number.
    """
    section_ids = list(order.sections.values_list("pk", flat=True))
    batch, sheet = order.batch, order.batch.sheets.latest("revision")
    link = batch.batch_holds.select_related("hold").first()
    batches = Batch.objects.bulk_create(
        [
            Batch(
                reference=f"B-{prefix}{number}",
                title=batch.title,
                state=batch.state,
                due_at=due(number),
                room=batch.room,
            )
            for number in range(count)
        ]
    )
    sheets = Sheet.objects.bulk_create(
        [
            Sheet(
                batch=one,
                revision=1,
                request=sheet.request,
                plan=sheet.plan,
                card=sheet.card,
                data_version=sheet.data_version,
                created_by_id=sheet.created_by_id,
            )
            for one in batches
        ],
        batch_size=500,
    )
    orders = Order.objects.bulk_create(
        [_order_like(order, f"R-{prefix}{number}", due(number), one) for number, one in enumerate(batches)]
    )
    through = Order.sections.through
    through.objects.bulk_create(
        [through(order_id=one.pk, section_id=section) for one in orders for section in section_ids]
    )
    holds = Hold.objects.bulk_create([_hold_like(link.hold, number, prefix) for number in range(count)])
    BatchHold.objects.bulk_create(
        [
            BatchHold(batch=one, sheet=sheet, hold=hold, component=link.component)
            for one, sheet, hold in zip(batches, sheets, holds, strict=True)
        ]
    )
    return batches


def waiting_like(order: Order, count: int, due: Due, *, prefix: str = "W") -> list[Order]:
    """So many orders like this one that wait for stock."""
    rows = [_order_like(order, f"R-{prefix}{number}", due(number), None) for number in range(count)]
    for row in rows:
        row.state = "waiting"
        row.waiting_for = [{"text": "Sodium chloride: 12.3 g missing.", "substance": "sodium chloride"}]
    return Order.objects.bulk_create(rows)


def _order_like(order: Order, reference: str, due: datetime, batch: Batch | None) -> Order:
    facts = ("course_id", "ordered_by_id", "state", "title", "groups_per_section", "volume_per_group", "room")
    return Order(
        reference=reference,
        due_at=due,
        batch=batch,
        idempotency_key=reference,
        **{name: getattr(order, name) for name in facts},
    )


def _hold_like(hold: Hold, number: int, prefix: str) -> Hold:
    facts = {field.attname: getattr(hold, field.attname) for field in Hold._meta.fields}
    return Hold(**{**facts, "id": None, "idempotency_key": f"{prefix}-{number}"})
