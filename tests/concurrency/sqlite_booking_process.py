"""One process of the SQLite race for a flask; started by ``test_bookings_sqlite`` with ``DATABASE_URL`` set.

    python -m tests.concurrency.sqlite_booking_process prepare
    python -m tests.concurrency.sqlite_booking_process service|naive NAME GATE

The last two say ``ready``, wait for the file GATE and print ``booked`` or ``refused`` for each try.
"""

import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import call_command  # noqa: E402 (needs the set-up above)

from inventory.models import ApparatusItem, Booking  # noqa: E402
from inventory.selectors import Window, free_in  # noqa: E402
from inventory.services import AlreadyBooked, add_apparatus, book_apparatus  # noqa: E402
from prepdesk.accounts.models import User  # noqa: E402

NINE = datetime(2030, 3, 4, 9, tzinfo=UTC)
TEN = NINE + timedelta(hours=1)
TRIES, FLASKS = 4, 6


def prepare() -> None:
    """Some flasks in a fresh database."""
    call_command("migrate", verbosity=0)
    user = User.objects.create(username="pia", role="prep", password="!")
    add_apparatus(actor=user, type="beaker", nominal_ml="2000", count=FLASKS)


def by_service(key: str) -> None:
    item, user = ApparatusItem.objects.get(), User.objects.get()
    book_apparatus(actor=user, wanted=[(item.pk, 1, NINE, TEN)], purpose=key, idempotency_key=key)


def naively(key: str) -> None:
    """Count, check, insert, each in a transaction of its own as plain code does."""
    item, user = ApparatusItem.objects.get(), User.objects.get()
    if free_in([item], Window(NINE, TEN))[item.pk] < 1:
        raise AlreadyBooked(())
    time.sleep(0.05)
    Booking.objects.create(
        item=item, starts_at=NINE, ends_at=TEN, purpose=key, actor=user, idempotency_key=key
    )


def race(way: str, name: str, gate: str) -> None:
    book = {"service": by_service, "naive": naively}[way]
    ApparatusItem.objects.get()  # the connection is open before the start
    print("ready", flush=True)
    while not Path(gate).exists():
        time.sleep(0.005)
    for number in range(TRIES):
        try:
            book(f"{name} {number}")
            print("booked", flush=True)
        except AlreadyBooked:
            print("refused", flush=True)


if __name__ == "__main__":
    prepare() if sys.argv[1] == "prepare" else race(*sys.argv[1:4])
