"""A whole term ordered at once, beside bare planning and inserting of the same batches and orders.

Sixty sections, fourteen weeks, twelve bench lists of two solutions: every order, batch, sheet, hold and
booking is written through the services, in a process of its own on SQLite and on PostgreSQL.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.services import postgres

SECONDS_ASKED = 60


def run() -> None:
    """Print what the term took, and how many times the bare work that is."""
    with tempfile.TemporaryDirectory() as folder:
        _tell("SQLite", f"sqlite:///{Path(folder) / 'term.sqlite3'}")
    with postgres() as address:
        _tell("PostgreSQL", address)


def _tell(name: str, address: str) -> None:
    environment = {**os.environ, "DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "prepdesk.settings"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.term_process"],
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    )
    found = json.loads(done.stdout.strip().splitlines()[-1])
    ratio = found["whole"] / found["bare"]
    print(
        f"term on {name}: {found['orders']} orders in {found['batches']} batches, {found['waiting']} wait; "
        f"{found['whole']:.1f} s (asked {SECONDS_ASKED}), {ratio:.1f} times the bare work; a second run that "
        f"keeps all {found['again']:.1f} s"
    )
