"""Bottles are opened, and what that makes of their expiry."""

from datetime import date

from django.utils import timezone

from inventory import ledger
from inventory.models import Lot
from inventory.services.lots import note
from inventory.services.shelf_life import expiry_once_opened
from inventory.services.transactions import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput


@atomic_with_retries
def open_lot(*, actor: User, lot: Lot, on: date | None = None) -> Lot:
    """Write on which day a bottle was opened; the first time counts.

    A reagent whose substance has a shelf life once opened expires no later than that; the history of
    the lot says so.

    Raises:
        NotAllowed: for those who may not.
        InvalidInput: for a day to come, or before it came.
    """
    policy.require(actor, "change_lot_state")
    day = on or timezone.localdate()
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    if locked.opened_on:
        return locked
    if day > timezone.localdate():
        raise InvalidInput({"opened_on": "That day is still to come."})
    if locked.received_on and day < locked.received_on:
        raise InvalidInput({"opened_on": f"It came on {locked.received_on:%d %B %Y}, after that day."})
    begin_bottle(locked, day, actor=actor)
    return locked


def begin_bottle(lot: Lot, day: date, *, actor: User) -> None:
    """Note that a bottle was opened on ``day``, and what that makes of its expiry. The lot is locked."""
    lot.opened_on = day
    lot.expires_on, told = expiry_once_opened(lot)
    lot.save(update_fields=["opened_on", "expires_on"])
    note(lot, "open", actor=actor, reason=told)
