"""What the shelf life that the department keeps for a substance makes of a bottle's expiry.

The shelf life is that of the reagent as it comes, a solid or a liquid. A solution lasts as long as its
own sheet or label says, and pieces don't spoil by being opened, so neither follows it.
"""

from datetime import date, timedelta

from inventory.models import Lot


def expiry_on_receipt(lot: Lot) -> tuple[date | None, str]:
    """The expiry of a bottle that comes in, and where it is from, in words; no words for the label's own.

    Without a date on the label it is the day of receipt and the shelf life kept closed; a bottle that
    comes opened follows the shelf life once opened as well.
    """
    expires, told = lot.expires_on, ""
    days = lot.substance.shelf_life_closed_days
    if expires is None and days and lot.received_on and _keeps_by_substance(lot):
        expires = lot.received_on + timedelta(days=days)
        told = (
            f"Expires on {_day(expires)}: the label gave no day, it came on {_day(lot.received_on)} and "
            f"keeps {_days(days)} closed."
        )
    if lot.opened_on:
        earlier, because = _once_opened(lot, expires)
        return earlier, because or told
    return expires, told


def expiry_once_opened(lot: Lot) -> tuple[date | None, str]:
    """The expiry of a bottle that has been opened: the earlier of the one it had and the shelf life once
    opened, with the reason where it changes."""
    return _once_opened(lot, lot.expires_on)


def _once_opened(lot: Lot, expires: date | None) -> tuple[date | None, str]:
    days = lot.substance.shelf_life_opened_days
    if not days or not lot.opened_on or not _keeps_by_substance(lot):
        return expires, ""
    opened_until = lot.opened_on + timedelta(days=days)
    if expires is not None and expires <= opened_until:
        return expires, ""
    instead = f" instead of {_day(expires)}" if expires else ""
    return opened_until, (
        f"Expires on {_day(opened_until)}{instead}: opened on {_day(lot.opened_on)}, and it keeps "
        f"{_days(days)} once opened."
    )


def _keeps_by_substance(lot: Lot) -> bool:
    return lot.kind in (Lot.Kind.SOLID, Lot.Kind.LIQUID) and lot.prepared_by_id is None


def _day(day: date) -> str:
    return f"{day.day} {day:%B %Y}"


def _days(days: int) -> str:
    return f"{days} day{'' if days == 1 else 's'}"
