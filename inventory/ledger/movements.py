"""Movements: what comes to a lot and what leaves it. Rows are added, never changed."""

from django.db import IntegrityError, transaction

from inventory.ledger.locks import Missing, NotEnough, lock_lots, shift
from inventory.models import Movement, WasteStream
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput


def posted(idempotency_key: str) -> Movement | None:
    """The movement that was posted under this key, if there is one."""
    return Movement.objects.select_related("lot").filter(idempotency_key=idempotency_key).first()


def post_movement(
    *,
    actor: User,
    lot_id: int,
    kind: str,
    amount: int,
    reason: str,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
) -> Movement:
    """Add ``amount`` (signed base units) to a lot, with the row that says so.

    The same key posts once; later calls return the first row.

    Args:
        waste_stream: where it went, of what is disposed of.

    Raises:
        NotEnough: when it takes more than is free.
        Conflict: when the key was used for something else.
    """
    if amount == 0:
        raise InvalidInput({"amount": "A movement must move something."})
    lot = lock_lots([lot_id])[lot_id]
    row = Movement(
        lot=lot,
        kind=kind,
        amount=amount,
        actor=actor,
        reason=reason,
        waste_stream=waste_stream,
        idempotency_key=idempotency_key,
    )
    return replayed(row) or post_row(row)


def replayed(row: Movement) -> Movement | None:
    """The row an earlier call posted under the same key, refusing a key used for something else."""
    first = posted(row.idempotency_key)
    if first:
        refuse_other_use(first, row)
    return first


def refuse_other_use(first: Movement, row: Movement) -> None:
    """Raise :class:`Conflict` when ``row`` is not what its key was used for first."""
    if (first.lot_id, first.kind, first.amount) != (row.lot_id, row.kind, row.amount):
        raise Conflict(
            f"This form was sent before and recorded as “{first}” on {first.lot.code}. "
            "Nothing was added; open the page afresh if this is something new."
        )


def post_row(row: Movement) -> Movement:
    """Write ``row`` and add it to the balance of its lot, which is locked."""
    lot = row.lot
    if lot.on_hand + row.amount < lot.held:
        raise NotEnough((Missing(lot.pk, lot.code, lot.unit, -row.amount, lot.free),))
    try:
        with transaction.atomic():
            row.save(force_insert=True)
            shift(lot, on_hand=row.amount)
    except IntegrityError as error:
        # Another lot's transaction may have used the key: its row is committed now, so it can be read.
        first = replayed(row)
        if first is None:
            raise Conflict("The stock changed at this very moment; nothing was saved. Try again.") from error
        return first
    return row
