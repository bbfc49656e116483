"""The apparatus of a batch: booked with its sheet, released with it, given back when the work is done.

A claim moves nothing: whoever begins earlier or later than booked still has the glass promised for its
hours. What the inventory is told is a purpose in words; the key to each booking stays here.
"""

from collections.abc import Iterable
from datetime import datetime

from inventory.models import Booking
from inventory.services import book_apparatus, end_bookings, release_bookings
from prepdesk.accounts.models import User
from requests_app.concealing import purpose_of
from requests_app.models import Batch, BatchBooking, Sheet
from requests_app.selectors import active_bookings


def book_for(*, actor: User, batch: Batch, sheet: Sheet, instead_of: Iterable[Booking] = ()) -> None:
    """Book what the sheet needs for its hours, and give back what an older revision had booked.

    Raises:
        AlreadyBooked: somebody was faster; plan again.
        NotInThisState: something went out of service meanwhile.
    """
    at_bench = sheet.plan.get("at_bench")
    wanted = []
    if at_bench is not None:
        starts, ends = (datetime.fromisoformat(at_bench[name]) for name in ("starts_at", "ends_at"))
        wanted = [(int(one["item"]), one["count"], starts, ends) for one in at_bench["apparatus"]]
    bookings = book_apparatus(
        actor=actor,
        wanted=wanted,
        purpose=purpose_of(batch)[:120],
        idempotency_key=f"sheet-{sheet.pk}",
        instead_of=instead_of,
    )
    BatchBooking.objects.bulk_create(
        BatchBooking(batch=batch, sheet=sheet, booking=booking) for booking in bookings
    )


def release_for(*, actor: User, batches: Iterable[Batch], reason: str) -> None:
    """Give up what is booked for batches that are not made, under locks taken once and in order."""
    booked = [booking for batch in batches for booking in active_bookings(batch)]
    release_bookings(actor=actor, bookings=booked, reason=reason)


def end_for(*, actor: User, batch: Batch) -> None:
    """The work is done and the glass is free from this moment, whatever was booked."""
    end_bookings(actor=actor, bookings=active_bookings(batch), reason=f"{batch.reference} is finished")
