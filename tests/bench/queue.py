"""The queue on a busy day, beside the one joined question that brings the same rows.

Ten thousand open orders, two hundred batches due today: how often the page asks the database, how long it
takes to draw the first fifty of them, and how many times the bare question that is. On SQLite and on
PostgreSQL, each in a process of its own. The question brings what the page reads: all batches of the day,
since the day is planned as a whole, with the flags of each. Beside it stands the barest one, for fifty rows
and nothing to be looked at.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.services import postgres

QUERIES_ASKED, TIMES_ASKED, MS_ASKED = 6, 8, 20
NAMES = {
    "suggested": "the day in the suggested sequence",
    "anew": "the same, the day planned anew",
    "due": "the day by due time",
    "open": "all open",
}


def run() -> None:
    """Print what each list took."""
    with tempfile.TemporaryDirectory() as folder:
        _tell("SQLite", f"sqlite:///{Path(folder) / 'queue.sqlite3'}")
    with postgres() as address:
        _tell("PostgreSQL", address)


def _tell(name: str, address: str) -> None:
    environment = {**os.environ, "DATABASE_URL": address, "DJANGO_SETTINGS_MODULE": "prepdesk.settings"}
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.queue_process"],
        env=environment,
        check=True,
        capture_output=True,
        text=True,
    )
    found = json.loads(done.stdout.strip().splitlines()[-1])
    print(
        f"\nqueue on {name}: {found['orders']} open orders, {found['day']} batches on the day, "
        f"fifty rows drawn (asked: {QUERIES_ASKED} queries, {TIMES_ASKED} x, {MS_ASKED} ms)"
    )
    for key, words in NAMES.items():
        one = found[key]
        print(
            f"  {words:<34} {one['queries']} queries  {one['look'] * 1000:6.1f} ms (process "
            f"{one['own'] * 1000:.1f})  {one['look'] / one['whole']:5.1f} x one question "
            f"({one['whole'] * 1000:.1f} ms)  {one['look'] / one['fifty']:5.1f} x the barest "
            f"({one['fifty'] * 1000:.1f} ms)"
        )
    print(f"  the first look after a restart {found['first'] * 1000:.0f} ms, with every drawing made")
