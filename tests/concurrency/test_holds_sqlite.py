"""Several processes on one SQLite file: the same promise as on PostgreSQL, kept by its one writer."""

import sqlite3
from pathlib import Path

PROCESS = "tests.concurrency.sqlite_process"
G = 1_000_000
PROCESSES = 4


def outcome(start, tmp_path: Path, way: str) -> tuple[list[str], int, int]:
    """What the processes said, and what the bottle of 10 g then has held, and by how many holds."""
    assert start("prepare").wait(timeout=90) == 0
    gate = tmp_path / "gate"
    racers = [start(way, f"racer {n}", str(gate)) for n in range(PROCESSES)]
    for racer in racers:
        assert racer.stdout.readline() == "ready\n"
    gate.touch()
    said = [line for racer in racers for line in racer.communicate(timeout=60)[0].split()]
    assert [racer.returncode for racer in racers] == [0] * PROCESSES
    with sqlite3.connect(tmp_path / "race.sqlite3") as database:
        (held,) = database.execute("SELECT held FROM inventory_lot").fetchone()
        (holds,) = database.execute("SELECT count(*) FROM inventory_hold").fetchone()
    return said, held, holds


def test_without_the_guard_processes_are_promised_more_than_is_written_down(start, tmp_path):
    said, held, _ = outcome(start, tmp_path, "naive")
    assert said.count("held") * G > held


def test_sixteen_tries_of_four_processes_for_ten_grams_get_exactly_ten(start, tmp_path):
    said, held, holds = outcome(start, tmp_path, "service")
    assert (said.count("held"), said.count("short")) == (10, 6)
    assert (held, holds) == (10 * G, 10)
