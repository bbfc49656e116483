"""Locks on lots, their balances, and the refusal that names what is missing."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.db import connection, transaction
from django.db.models import F

from inventory.amounts import as_text
from inventory.models import Lot
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
    if not connection.in_atomic_block:
        raise transaction.TransactionManagementError("The ledger is used inside a transaction only.")
    wanted = sorted(set(lot_ids))
    # NO KEY: writing a row that refers to a lot (a hold, an ancestry link) need not wait for its lock.
    lots = Lot.objects.select_for_update(no_key=True).filter(pk__in=wanted).order_by("pk")
    found = {lot.pk: lot for lot in lots}
    if len(found) != len(wanted):
        raise Conflict("One of the lots is no longer there. Look at the stock again.")
    return found


def shift(lot: Lot, *, on_hand: int = 0, held: int = 0) -> None:
    """Add to the balances of a locked lot, in the database and in ``lot``."""
    Lot.objects.filter(pk=lot.pk).update(on_hand=F("on_hand") + on_hand, held=F("held") + held)
    lot.on_hand += on_hand
    lot.held += held
