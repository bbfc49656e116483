"""Several processes on one SQLite file book the same apparatus: its one writer keeps the promise."""

import sqlite3
from pathlib import Path

PROCESS = "tests.concurrency.sqlite_booking_process"
PROCESSES, TRIES, FLASKS = 4, 4, 6


def outcome(start, tmp_path: Path, way: str) -> tuple[list[str], int]:
    """What the processes said, and how many bookings of the same hour there are then."""
    assert start("prepare").wait(timeout=90) == 0
    gate = tmp_path / "gate"
    racers = [start(way, f"racer {n}", str(gate)) for n in range(PROCESSES)]
    for racer in racers:
        assert racer.stdout.readline() == "ready\n"
    gate.touch()
    said = [line for racer in racers for line in racer.communicate(timeout=60)[0].split()]
    assert [racer.returncode for racer in racers] == [0] * PROCESSES
    with sqlite3.connect(tmp_path / "race.sqlite3") as database:
        (rows,) = database.execute("SELECT count(*) FROM inventory_booking").fetchone()
    return said, rows


def test_without_the_guard_processes_are_promised_more_than_there_are(start, tmp_path):
    said, rows = outcome(start, tmp_path, "naive")
    assert said.count("booked") == rows > FLASKS


def test_sixteen_tries_of_four_processes_for_six_get_exactly_six(start, tmp_path):
    said, rows = outcome(start, tmp_path, "service")
    assert (said.count("booked"), said.count("refused")) == (FLASKS, PROCESSES * TRIES - FLASKS)
    assert rows == FLASKS
