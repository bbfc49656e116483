"""A shelf that other connections see: what is set up here is committed."""

import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest
from django.db import connection

from inventory.models import Lot, Substance
from inventory.services import receive_lot
from prepdesk.accounts.models import User

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def start(tmp_path, request) -> Iterator[Callable[..., subprocess.Popen]]:
    """Start processes on one SQLite file of their own: each runs the PROCESS of the test's module."""
    environment = {**os.environ, "DATABASE_URL": f"sqlite:///{tmp_path / 'race.sqlite3'}", "REDIS_URL": ""}
    started: list[subprocess.Popen] = []

    def run(*words: str) -> subprocess.Popen:
        command = [sys.executable, "-m", request.module.PROCESS, *words]
        process = subprocess.Popen(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True)
        started.append(process)
        return process

    yield run
    for process in started:
        process.kill()
        process.communicate()


@pytest.fixture
def worker(transactional_db):
    user = User(username="pia", role="prep")
    user.set_unusable_password()
    user.save()
    return user


@pytest.fixture
def salt(transactional_db):
    return Substance.objects.create(key="sodium-chloride", name="sodium chloride", formula="NaCl")


@pytest.fixture
def bottle(worker, salt) -> Callable[[str], Lot]:
    made = 0

    def receive(amount: str = "100") -> Lot:
        nonlocal made
        made += 1
        return receive_lot(
            actor=worker,
            substance=salt,
            kind="solid",
            amount=amount,
            unit="g",
            idempotency_key=f"bottle {made}",
        )

    return receive


@pytest.fixture
def race() -> Callable[..., list[Any]]:
    """Run jobs at the same moment, each on a thread and connection of its own.

    Returns what each gave back or raised.
    """

    def run(jobs: list[Callable[[], Any]]) -> list[Any]:
        line = threading.Barrier(len(jobs))

        def one(job: Callable[[], Any]) -> Any:
            try:
                connection.ensure_connection()
                line.wait(timeout=30)
                return job()
            except Exception as error:
                return error
            finally:
                connection.close()

        with ThreadPoolExecutor(len(jobs)) as pool:
            return list(pool.map(one, jobs))

    return run
