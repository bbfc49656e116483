"""One process of the SQLite race; started by ``test_holds_sqlite`` with ``DATABASE_URL`` set.

    python -m tests.concurrency.sqlite_process prepare
    python -m tests.concurrency.sqlite_process service|naive NAME GATE

The last two say ``ready``, wait for the file GATE and print ``held`` or ``short`` for each try.
"""

import os
import sys
import time
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import call_command  # noqa: E402 (needs the set-up above)

from inventory.models import Lot, Substance  # noqa: E402
from inventory.services import hold_stock, receive_lot  # noqa: E402
from prepdesk.accounts.models import User  # noqa: E402
from prepdesk.core.errors import OutOfStock  # noqa: E402

G = 1_000_000
TRIES = 4


def prepare() -> None:
    """A bottle of 10 g in a fresh database."""
    call_command("migrate", verbosity=0)
    user = User.objects.create(username="pia", role="prep", password="!")
    salt = Substance.objects.create(key="sodium-chloride", name="sodium chloride", formula="NaCl")
    receive_lot(actor=user, substance=salt, kind="solid", amount="10", unit="g", idempotency_key="bottle")


def by_service(name: str, number: int) -> None:
    lot, user = Lot.objects.get(), User.objects.get()
    hold_stock(actor=user, draws={lot.pk: G}, purpose=name, idempotency_key=f"{name} {number}")


def naively(name: str, number: int) -> None:
    """Read, check, write back, as a plain save does it."""
    lot = Lot.objects.get()
    if lot.free < G:
        raise OutOfStock("not enough")
    time.sleep(0.05)
    lot.held += G
    lot.save(update_fields=["held"])


def race(way: str, name: str, gate: str) -> None:
    hold = {"service": by_service, "naive": naively}[way]
    Lot.objects.get()  # the connection is open before the start
    print("ready", flush=True)
    while not Path(gate).exists():
        time.sleep(0.005)
    for number in range(TRIES):
        try:
            hold(name, number)
            print("held", flush=True)
        except OutOfStock:
            print("short", flush=True)


if __name__ == "__main__":
    prepare() if sys.argv[1] == "prepare" else race(*sys.argv[1:4])
