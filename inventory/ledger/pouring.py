"""Pouring over: stock leaves one bottle and comes whole into others, by rows that add up to zero."""

from collections.abc import Mapping

from django.db import IntegrityError, transaction

from inventory.ledger.locks import Missing, NotEnough, lock_lots, shift_all
from inventory.models import Movement
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput


def rows_of_pouring(pouring: str) -> list[Movement]:
    """Every row of one pouring, or of its undoing, in the order in which they were posted."""
    return list(Movement.objects.filter(pouring=pouring).exclude(pouring="").select_related("lot"))


def post_pouring(
    *, actor: User, amounts: Mapping[int, int], reason: str, idempotency_key: str
) -> list[Movement]:
    """Pour from bottles into others: rows that share one pouring and add up to zero, all or none.

    The same key pours once; later calls return the first rows.

    Args:
        amounts: signed base units by lot key, less than zero of what gives.

    Raises:
        NotEnough: when a bottle gives more than is free of it.
        Conflict: when the key was used for something else.
    """
    if sum(amounts.values()) or not all(amounts.values()) or len(amounts) < 2:
        raise InvalidInput({"amount": "What is poured leaves one bottle and comes whole into others."})
    lots = lock_lots(amounts)
    if len({lot.unit for lot in lots.values()}) > 1:
        raise InvalidInput({"amount": "These bottles are counted in different units."})
    # Those that give come first, so that the ledger reads as it was done.
    wanted = sorted(amounts.items(), key=lambda pair: (pair[1] > 0, pair[0]))
    rows = [
        Movement(
            lot=lots[lot_id],
            kind=Movement.Kind.POURED,
            amount=amount,
            actor=actor,
            reason=reason,
            pouring=idempotency_key,
            idempotency_key=f"{idempotency_key}#{position}",
        )
        for position, (lot_id, amount) in enumerate(wanted)
    ]
    return post_together(rows)


def post_together(rows: list[Movement]) -> list[Movement]:
    """Write rows of one pouring and every balance, or nothing. Their lots are locked."""
    first = rows_of_pouring(rows[0].pouring)
    if not first:
        missing = tuple(
            Missing(row.lot.pk, row.lot.code, row.lot.unit, -row.amount, row.lot.free)
            for row in rows
            if row.lot.free + row.amount < 0
        )
        if missing:
            raise NotEnough(missing)
        try:
            with transaction.atomic():
                for row in rows:
                    row.save(force_insert=True)
                lots = {row.lot.pk: row.lot for row in rows}
                shift_all(lots, on_hand={row.lot.pk: row.amount for row in rows}, held={})
        except IntegrityError as error:
            # Used at this very moment for other bottles: its rows are committed now.
            first = rows_of_pouring(rows[0].pouring)
            if not first:
                raise Conflict(
                    "The stock changed at this very moment; nothing was poured. Try again."
                ) from error
        else:
            return rows
    if {(row.lot_id, row.amount) for row in first} != {(row.lot_id, row.amount) for row in rows}:
        raise Conflict("This was sent before, for something else. Nothing was poured; open the page afresh.")
    return first
