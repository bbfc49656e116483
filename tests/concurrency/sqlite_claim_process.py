"""One process of the SQLite race for batches; started by ``test_hands`` with ``DATABASE_URL`` set.

    python -m tests.concurrency.sqlite_claim_process prepare
    python -m tests.concurrency.sqlite_claim_process claim NAME GATES

The last says ``ready`` before each batch, waits for the file of that number in the folder GATES, and prints
``mine`` or who has it.
"""

import os
import sys
import time
from pathlib import Path

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import call_command  # noqa: E402 (needs the set-up above)
from django.utils import timezone  # noqa: E402

from prepdesk.accounts.models import User  # noqa: E402
from prepdesk.core.errors import Conflict  # noqa: E402
from requests_app.models import Batch  # noqa: E402
from requests_app.services.claiming import claim_batch  # noqa: E402

ROUNDS = 100
NAMES = ("pia", "paul")


def prepare() -> None:
    """Two people and a queue, in a fresh database."""
    call_command("migrate", verbosity=0)
    for name in NAMES:
        User.objects.create(username=name, role="prep", password="!")
    now = timezone.now()
    Batch.objects.bulk_create(
        Batch(reference=f"B-{number}", title="brine", due_at=now) for number in range(ROUNDS)
    )


def claim(name: str, gates: str) -> None:
    actor = User.objects.get(username=name)
    for batch in Batch.objects.order_by("pk"):
        print("ready", flush=True)
        while not (Path(gates) / batch.reference).exists():
            time.sleep(0.001)
        try:
            claim_batch(actor=actor, batch=batch)
            print("mine", flush=True)
        except Conflict as refusal:
            print(refusal.text, flush=True)


if __name__ == "__main__":
    prepare() if sys.argv[1] == "prepare" else claim(*sys.argv[2:4])
