"""Two processes on one SQLite file press “claim” at once, a hundred times: its one writer decides."""

import sqlite3
from pathlib import Path

from tests.concurrency.sqlite_claim_process import NAMES, ROUNDS

PROCESS = "tests.concurrency.sqlite_claim_process"


def test_of_two_who_claim_at_once_one_gets_it_and_the_other_reads_the_name(start, tmp_path: Path):
    assert start("prepare").wait(timeout=90) == 0
    racers = {name: start("claim", name, str(tmp_path)) for name in NAMES}
    said = []
    for number in range(ROUNDS):
        for racer in racers.values():
            assert racer.stdout.readline() == "ready\n"
        (tmp_path / f"B-{number}").touch()
        said.append({name: racer.stdout.readline().strip() for name, racer in racers.items()})
    assert [racer.wait(timeout=60) for racer in racers.values()] == [0, 0]
    for one in said:
        [winner] = [name for name, words in one.items() if words == "mine"]
        [loser] = [name for name in NAMES if name != winner]
        assert one[loser].startswith(f"{winner} has B-"), one
    with sqlite3.connect(tmp_path / "race.sqlite3") as database:
        (claims,) = database.execute(
            "SELECT count(*) FROM requests_app_batchevent WHERE event = 'claim'"
        ).fetchone()
    assert claims == ROUNDS
