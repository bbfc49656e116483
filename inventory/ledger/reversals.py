"""Mistakes are undone by rows that add their opposite; both stay readable."""

from inventory.ledger.locks import lock_lots
from inventory.ledger.movements import post_row, replayed
from inventory.ledger.pouring import post_together, rows_of_pouring
from inventory.models import Movement
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState


def reverse_movement(*, actor: User, movement_id: int, reason: str, idempotency_key: str) -> Movement:
    """Undo a movement by a row that adds its opposite; a pouring is undone in all its bottles.

    The hold of a draw stays drawn: what comes back is free for anybody.

    Raises:
        NotInThisState: when it was reversed before, or is itself a reversal.
        NotEnough: when undoing a receipt would take what is held or gone.
        Conflict: when the key was used for something else.
    """
    lot_id, pouring = Movement.objects.values_list("lot_id", "pouring").get(pk=movement_id)
    if pouring:
        return _reverse_pouring(
            actor=actor,
            movement_id=movement_id,
            pouring=pouring,
            reason=reason,
            idempotency_key=idempotency_key,
        )
    lot = lock_lots([lot_id])[lot_id]
    mistake = Movement.objects.select_related("hold").get(pk=movement_id)
    row = Movement(
        lot=lot,
        kind=Movement.Kind.REVERSED,
        amount=-mistake.amount,
        hold=mistake.hold,
        reverses=mistake,
        actor=actor,
        reason=reason,
        idempotency_key=idempotency_key,
    )
    first = replayed(row)
    if first:
        return first
    if mistake.kind == Movement.Kind.REVERSED:
        raise NotInThisState("A reversal can't be reversed. Correct the stock after a count instead.")
    if Movement.objects.filter(reverses=mistake).exists():
        raise NotInThisState("This entry was reversed before; look at the ledger of the lot.")
    return post_row(row)


def _reverse_pouring(
    *, actor: User, movement_id: int, pouring: str, reason: str, idempotency_key: str
) -> Movement:
    # Rows never change their lot, so it may be read before the lock.
    lots = lock_lots(Movement.objects.filter(pouring=pouring).values_list("lot_id", flat=True))
    mistakes = rows_of_pouring(pouring)
    if any(mistake.kind == Movement.Kind.REVERSED for mistake in mistakes):
        raise NotInThisState("A reversal can't be reversed. Correct the stock after a count instead.")
    # What comes back goes first into the bottle it came from, so that it can be read as it was done.
    rows = [
        Movement(
            lot=lots[mistake.lot_id],
            kind=Movement.Kind.REVERSED,
            amount=-mistake.amount,
            reverses=mistake,
            actor=actor,
            reason=reason,
            pouring=idempotency_key,
            idempotency_key=idempotency_key
            if mistake.pk == movement_id
            else f"{idempotency_key}#{mistake.pk}",
        )
        for mistake in mistakes
    ]
    asked = next(row for row in rows if row.idempotency_key == idempotency_key)
    first = replayed(asked)
    if first:
        return first
    if Movement.objects.filter(reverses__in=mistakes).exists():
        raise NotInThisState("This pouring was reversed before; look at the ledger of the lot.")
    posted_rows = post_together(rows)
    return next(row for row in posted_rows if row.idempotency_key == idempotency_key)
