"""Holding stock by the service beside the same transactions as bare SQL, by PostgreSQL's own client.

Both run with eight clients against one throw-away server, in turns, with the durability it ships with:
every commit waits for the disk. The service runs in eight processes with a connection each; the bare
SQL is what one would write by hand: lock the lots in key order, insert the holds, add to the balances.
"""

import os
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass

from tests.services import postgres, postgres_tool

CLIENTS = 8
ROUNDS = 5
SECONDS = 2.0
LOTS = 100


@dataclass(frozen=True)
class Case:
    """What one transaction holds: so many lots out of so many, and the ratio that is the goal."""

    name: str
    lots: int
    out_of: int
    goal: float

    @property
    def script(self) -> str:
        """The transaction for pgbench; lots are drawn from ranges that do not overlap."""
        width = self.out_of // self.lots
        names = [f"lot{number}" for number in range(self.lots)]
        sets = [
            rf"\set {name} :first + {number * width} + random(0, {width - 1})"
            for number, name in enumerate(names)
        ]
        keys = ", ".join(f":{name}" for name in names)
        rows = ", ".join(
            f"(:{name}, 1, 'active', 'B-2601', :person, now(), '', gen_random_uuid()::text)" for name in names
        )
        return "\n".join(
            [
                *sets,
                "BEGIN;",
                "SELECT id, state, on_hand, held FROM inventory_lot "
                f"WHERE id IN ({keys}) ORDER BY id FOR NO KEY UPDATE;",
                "INSERT INTO inventory_hold "
                "(lot_id, amount, state, purpose, actor_id, at, closing_reason, idempotency_key) "
                f"VALUES {rows};",
                f"UPDATE inventory_lot SET held = held + 1 WHERE id IN ({keys});",
                "COMMIT;",
            ]
        )


CASES = (
    Case("one lot of a hundred", 1, LOTS, 0.5),
    Case("four lots of a hundred, named in any order", 4, LOTS, 0.6),
    Case("one hot lot", 1, 1, 0.8),
)


class Clients:
    """Eight processes that hold by the service whenever they are told to."""

    def __init__(self, url: str) -> None:
        environment = {
            **os.environ,
            "DATABASE_URL": url,
            "REDIS_URL": "",
            "DEBUG": "0",
            "SECRET_KEY": "only-for-this-measurement",
        }
        self.command = [sys.executable, "-m", "tests.bench.holding_client"]
        self.environment = environment
        prepared = subprocess.run(
            [*self.command, "prepare", str(LOTS)], env=environment, capture_output=True, text=True, check=True
        )
        self.first, self.person = map(int, prepared.stdout.split()[-2:])

    @contextmanager
    def started(self) -> Iterator[None]:
        """The processes, each with its connection open."""
        with ExitStack() as stack:
            self.processes = [
                stack.enter_context(
                    subprocess.Popen(
                        [*self.command, "hold", str(number)],
                        env=self.environment,
                        stdin=subprocess.PIPE,
                        stdout=subprocess.PIPE,
                        text=True,
                    )
                )
                for number in range(CLIENTS)
            ]
            for process in self.processes:
                assert process.stdout is not None
                assert process.stdout.readline() == "ready\n"
            yield
            for process in self.processes:
                assert process.stdin is not None
                process.stdin.close()

    def hold(self, case: Case, seconds: float) -> list[int]:
        """How often each client held."""
        counts = []
        for process in self.processes:
            assert process.stdin is not None
            process.stdin.write(f"{self.first} {case.lots} {case.out_of} {seconds}\n")
            process.stdin.flush()
        for process in self.processes:
            assert process.stdout is not None
            counts.append(int(process.stdout.readline()))
        return counts


def bare(url: str, clients: Clients, case: Case, seconds: float, mode: str) -> float:
    """Transactions per second of the database's own benchmark client."""
    with tempfile.NamedTemporaryFile("w", suffix=".sql") as script:
        script.write(case.script)
        script.flush()
        said = subprocess.run(
            [
                postgres_tool("pgbench"),
                *("--no-vacuum", f"--client={CLIENTS}", "--jobs=2", f"--time={int(seconds)}"),
                *(f"--protocol={mode}", f"--file={script.name}"),
                *(f"--define=first={clients.first}", f"--define=person={clients.person}"),
                url,
            ],
            capture_output=True,
            text=True,
            check=True,
        ).stdout
    (line,) = (line for line in said.splitlines() if line.startswith("tps = "))
    return float(line.split()[2])


def run() -> None:
    with postgres() as url:
        clients = Clients(url)
        with clients.started():
            for case in CASES:
                _compare(url, clients, case)
        print(f"  deadlocks while all of this ran: {_asked(url, 'deadlocks')}")
        durability = ", ".join(
            f"{name} {_asked(url, name)}" for name in ("fsync", "synchronous_commit", "server_version")
        )
        print(f"  the server, for both sides: {durability}")


def _compare(url: str, clients: Clients, case: Case) -> None:
    seen: dict[str, list[float]] = {"simple": [], "prepared": [], "service": []}
    fair: list[float] = []
    clients.hold(case, 0.5)
    for number in range(ROUNDS):
        # Each way is the first one as often as the others.
        for way in [*seen][number % 3 :] + [*seen][: number % 3]:
            if way == "service":
                counts = clients.hold(case, SECONDS)
                seen[way].append(sum(counts) / SECONDS)
                fair.append(min(counts) / max(counts))
            else:
                seen[way].append(bare(url, clients, case, SECONDS, way))
    ratios = sorted(one / other for one, other in zip(seen["service"], seen["simple"], strict=True))
    print(f"\nHolding {case.name}: {CLIENTS} clients, medians of {ROUNDS} rounds")
    names = {
        "simple": "bare SQL by pgbench",
        "prepared": "bare SQL by pgbench, statements prepared",
        "service": "hold_stock in eight processes",
    }
    base = statistics.median(seen["simple"])
    for way, name in names.items():
        middle = statistics.median(seen[way])
        print(f"  {name:<58} {middle:10.0f} /s   {middle / base:8.2f} x")
    print(
        f"  ratio of each round: {', '.join(f'{ratio:.2f}' for ratio in ratios)}; "
        f"median {statistics.median(ratios):.2f}, goal {case.goal:.1f}"
    )
    print(f"  slowest of the clients to the fastest: {statistics.median(fair):.2f} (goal 0.5)")


def _asked(url: str, what: str) -> str:
    import psycopg

    with psycopg.connect(url) as connection:
        if what == "deadlocks":
            row = connection.execute("SELECT sum(deadlocks) FROM pg_stat_database").fetchone()
        else:
            row = connection.execute("SELECT current_setting(%s)", [what]).fetchone()
    assert row is not None
    return str(row[0])


if __name__ == "__main__":
    run()
