"""One client of ``tests.bench.holding``; started by it with ``DATABASE_URL`` set.

    python -m tests.bench.holding_client prepare LOTS
    python -m tests.bench.holding_client hold NUMBER

The first makes a shelf and prints the key of its first lot and that of the person. The second says
``ready`` and then answers each line ``FIRST LOTS OUT_OF SECONDS`` with the number of its holds.
"""

import os
import random
import sys
import time

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import call_command  # noqa: E402 (needs the set-up above)

from inventory.models import Lot, Substance  # noqa: E402
from inventory.services import hold_stock, receive_lot  # noqa: E402
from prepdesk.accounts.models import User  # noqa: E402


def prepare(lots: int) -> None:
    """A shelf of lots that never run out: 9000 kg each, of which a microgram is held at a time."""
    call_command("migrate", verbosity=0)
    user = User.objects.create(username="pia", role="prep", password="!")
    salt = Substance.objects.create(key="sodium-chloride", name="sodium chloride", formula="NaCl")
    for number in range(lots):
        receive_lot(
            actor=user,
            substance=salt,
            kind="solid",
            amount="9000",
            unit="kg",
            idempotency_key=f"bottle {number}",
        )
    keys = list(Lot.objects.order_by("pk").values_list("pk", flat=True))
    assert keys == list(range(keys[0], keys[0] + lots)), "the lots are not numbered in a row"
    print(keys[0], user.pk)


def hold(name: str) -> None:
    """Hold as often as there is time for, whenever a line asks for it."""
    user, dice, calls = User.objects.get(), random.Random(name), 0
    print("ready", flush=True)
    for line in sys.stdin:
        first, lots, out_of, seconds = line.split()
        width = int(out_of) // int(lots)
        until, done = time.monotonic() + float(seconds), 0
        while time.monotonic() < until:
            wanted = [int(first) + number * width + dice.randrange(width) for number in range(int(lots))]
            dice.shuffle(wanted)
            hold_stock(
                actor=user,
                draws=dict.fromkeys(wanted, 1),
                purpose="B-2601",
                idempotency_key=f"{name}/{calls}",
            )
            calls += 1
            done += 1
        print(done, flush=True)


if __name__ == "__main__":
    prepare(int(sys.argv[2])) if sys.argv[1] == "prepare" else hold(sys.argv[2])
