"""Locks on lots, their balances, and the refusal that names what is missing."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from django.db import connection, transaction
from django.db.models import BigIntegerField, Case, F, QuerySet, Value, When

from inventory.amounts import as_text
from inventory.models import Hold, Lot
from prepdesk.core.errors import Conflict, OutOfStock


@dataclass(frozen=True, slots=True)
class Missing:
    """What one lot lacks: base units wanted and free."""

    lot_id: int
    code: str
    unit: str
    wanted: int
    free: int

    def __str__(self) -> str:
        return (
            f"{self.code} has {as_text(self.free, self.unit)} free of the {as_text(self.wanted, self.unit)} "
            f"wanted: {as_text(self.wanted - self.free, self.unit)} missing."
        )


class NotEnough(OutOfStock):
    """Lots can't give what is asked; ``missing`` says which and how much."""

    def __init__(self, missing: tuple[Missing, ...]) -> None:
        super().__init__(" ".join(map(str, missing)))
        self.missing = missing


def lock_lots(lot_ids: Iterable[int]) -> dict[int, Lot]:
    """Lock these lots in key order until the transaction ends and return them as they are now.

    Raises:
        Conflict: when one does not exist.
    """
    wanted = set(lot_ids)
    found = _locked(Lot.objects.filter(pk__in=wanted))
    if len(found) != len(wanted):
        raise Conflict("One of the lots is no longer there. Look at the stock again.")
    return found


def lock_lots_of(hold_ids: Iterable[int]) -> dict[int, Lot]:
    """Lock the lots of these holds, as :func:`lock_lots` does.

    The lot of a hold never changes, so it may be looked up before the lock; the hold's state may not.
    """
    return _locked(Lot.objects.filter(pk__in=Hold.objects.filter(pk__in=set(hold_ids)).values("lot_id")))


def _locked(lots: QuerySet[Lot]) -> dict[int, Lot]:
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("The ledger is used inside a transaction only.")
    # NO KEY: writing a row that refers to a lot (a hold, an ancestry link) need not wait for its lock.
    return {lot.pk: lot for lot in lots.select_for_update(no_key=True, of=("self",)).order_by("pk")}


def shift(lot: Lot, *, on_hand: int = 0, held: int = 0) -> None:
    """Add to the balances of a locked lot, in the database and in ``lot``."""
    shift_all({lot.pk: lot}, on_hand={lot.pk: on_hand}, held={lot.pk: held})


def shift_all(lots: Mapping[int, Lot], *, on_hand: Mapping[int, int], held: Mapping[int, int]) -> None:
    """Add to the balances of several locked lots in one statement, and in ``lots``.

    Args:
        lots: the locked lots by key.
        on_hand: signed base units by lot key; a lot that is not named stays as it is.
        held: likewise.
    """
    shifts = {
        column: {pk: amount for pk, amount in amounts.items() if amount}
        for column, amounts in (("on_hand", on_hand), ("held", held))
    }
    changes = {column: F(column) + _by_lot(amounts) for column, amounts in shifts.items() if amounts}
    if not changes:
        return
    Lot.objects.filter(pk__in=sorted({pk for amounts in shifts.values() for pk in amounts})).update(**changes)
    for column, amounts in shifts.items():
        for pk, amount in amounts.items():
            setattr(lots[pk], column, getattr(lots[pk], column) + amount)


def _by_lot(amounts: Mapping[int, int]) -> Case:
    whens = (When(pk=pk, then=Value(amount)) for pk, amount in amounts.items())
    return Case(*whens, default=Value(0), output_field=BigIntegerField())
