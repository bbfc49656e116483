"""Many clients on one shelf for a while, one of them killed every few seconds; says what they saw.

    python -m tests.concurrency.soak CLIENTS SECONDS random
    python -m tests.concurrency.soak CLIENTS SECONDS paced

Works on the empty database of ``DATABASE_URL`` and prints one JSON document. ``random`` clients hold,
draw, give back, replan, count, order and cancel, on each other's holds too, as fast as they can.
``paced`` clients order and cancel with a pause of 20 ms between, and their waits are timed.

Every client is a process with a connection of its own. They are forked from one that has everything
loaded and no connection open, so that a killed one is replaced at once.
"""

import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import django

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "prepdesk.settings")
django.setup()

from django.core.management import CommandError, call_command  # noqa: E402 (needs the set-up above)
from django.db import connection, transaction  # noqa: E402
from django.utils import timezone  # noqa: E402

from inventory.models import Hold, Lot  # noqa: E402
from inventory.services import (  # noqa: E402
    correct_stock,
    draw_holds,
    hold_stock,
    receive_lot,
    release_holds,
    transactions,
)
from prepdesk.accounts.models import User  # noqa: E402
from prepdesk.calc.typed import parse_number  # noqa: E402
from prepdesk.core.errors import DomainError  # noqa: E402
from requests_app import states as order_states  # noqa: E402
from requests_app.drafts import DraftComponent, OrderDraft  # noqa: E402
from requests_app.models import Course, Order, Section  # noqa: E402
from requests_app.services.orders import cancel_order, submit_order  # noqa: E402
from tests.requests_app.conftest import outfit_bench, substance_row  # noqa: E402

G = 1_000_000
LOTS = 6
PEOPLE = 4
KILL_EVERY_S = 3.0
PAUSE_S = 0.02
# One statement is one snapshot on either database: what is summed here belongs to one moment.
FAULTS = """
SELECT lot.code FROM inventory_lot lot
WHERE lot.held < 0 OR lot.held > lot.on_hand
   OR lot.held <> (SELECT COALESCE(SUM(amount), 0) FROM inventory_hold
                   WHERE lot_id = lot.id AND state = 'active')
   OR lot.on_hand <> (SELECT COALESCE(SUM(amount), 0) FROM inventory_movement WHERE lot_id = lot.id)
"""


def prepare() -> None:
    """Managers, who may do all of it, with a section each, and a shelf that runs short now and then."""
    call_command("migrate", verbosity=0)
    outfit_bench()
    course = Course.objects.create(code="CH 101", title="General chemistry")
    for number in range(PEOPLE):
        person = User.objects.create(username=f"person{number}", role="manager", password="!")
        Section.objects.create(course=course, name=str(number), instructor=person)
    for number in range(LOTS):
        receive_lot(
            actor=User.objects.earliest("pk"),
            substance=substance_row("sodium-chloride"),
            kind="solid",
            amount="300",
            unit="g",
            assay_percent="100.0",
            assay_tolerance_percent="0.1",
            idempotency_key=f"bottle {number}",
        )


class Client:
    """One process: does one thing after another and writes a line about each."""

    def __init__(self, name: str, log: Path) -> None:
        self.name = name
        self.dice = random.Random(name)
        self.log = log.open("a", buffering=1)
        self.number = 0
        self.lots = list(Lot.objects.order_by("pk").values_list("pk", flat=True))
        self.person = self.dice.choice(list(User.objects.all()))

    def key(self) -> str:
        self.number += 1
        return f"{self.name}/{self.number}"

    def does(self, what: str) -> None:
        """One thing; whatever is not a refusal in words is written down as broken."""
        began = time.monotonic()
        try:
            getattr(self, what)()
            outcome = "done"
        except DomainError as refusal:
            outcome = (
                type(refusal).__name__ if str(refusal.text).strip() else "broken: a refusal without words"
            )
        except Exception as error:
            outcome = f"broken: {error!r}"
        self.write(what, outcome, time.monotonic() - began)

    def write(self, what: str, outcome: str, seconds: float) -> None:
        self.log.write(json.dumps([what, outcome, seconds]) + "\n")

    def some(self) -> list[tuple[int, int]]:
        """One to four lots in any order, now and then one of them twice."""
        chosen = self.dice.choices(self.lots, k=self.dice.randint(1, 4))
        return [(lot, self.dice.randrange(1, 20 * G)) for lot in chosen]

    def held(self, most: int = 4) -> list[Hold]:
        """Some of what anybody holds at this moment; somebody else may be closing it."""
        active = list(Hold.objects.filter(state="active", purpose="B").values_list("pk", flat=True)[:200])
        return list(Hold.objects.filter(pk__in=self.dice.sample(active, min(len(active), most))))

    # --- what they do -------------------------------------------------------------------------
    def hold(self) -> None:
        hold_stock(actor=self.person, draws=self.some(), purpose="B", idempotency_key=self.key())

    def hold_twice(self) -> None:
        """As a double click does; both must give the same holds."""
        key, some = self.key(), self.some()
        first, again = (
            hold_stock(actor=self.person, draws=some, purpose="B", idempotency_key=key) for _ in range(2)
        )
        assert {hold.pk for hold in first.values()} == {hold.pk for hold in again.values()}

    def replan(self) -> None:
        hold_stock(
            actor=self.person,
            draws=self.some(),
            purpose="B",
            idempotency_key=self.key(),
            instead_of=self.held(2),
        )

    def draw(self) -> None:
        amounts = {hold.pk: self.dice.randrange(0, hold.amount * 5 // 4) for hold in self.held()}
        draw_holds(actor=self.person, amounts=amounts, reason="B", idempotency_key=self.key())

    def release(self) -> None:
        release_holds(actor=self.person, holds=self.held(), reason="Cancelled")

    def count(self) -> None:
        """Find more than there was thought to be, so that the shelf does not stay empty."""
        lot = Lot.objects.get(pk=self.dice.choice(self.lots))
        correct_stock(
            actor=self.person,
            lot=lot,
            counted=str(lot.on_hand // G + 60),
            unit="g",
            reason="Count",
            idempotency_key=self.key(),
            expected_on_hand=lot.on_hand,
        )

    def order(self) -> None:
        """250 mL of 2.00 mol/L draw 29.2 g of sodium chloride (58.44 g/mol, IUPAC atomic weights)."""
        section = Section.objects.get(instructor=self.person)
        draft = OrderDraft(
            course_id=section.course_id,
            section_ids=(section.pk,),
            components=(DraftComponent("sodium-chloride", parse_number("2.00"), "mol/L"),),
            groups_per_section=10,
            volume_per_group=parse_number("25"),
            volume_unit="mL",
            due_at=timezone.now() + timedelta(days=1),
            room="210",
        )
        submit_order(actor=self.person, draft=draft, idempotency_key=self.key())

    def cancel(self) -> None:
        mine = Order.objects.filter(
            ordered_by=self.person, state__in=(order_states.QUEUED, order_states.WAITING)
        )
        order = mine.order_by("pk").first()
        if order is not None:
            cancel_order(actor=self.person, order=order)


def warm_up(client: Client) -> None:
    """Each thing once, so that what is loaded at first use is loaded before the processes part."""
    for what in ("hold", "hold_twice", "replan", "draw", "release", "count", "order", "cancel"):
        client.does(what)


def random_client(client: Client, until: float) -> None:
    kinds = ("hold", "hold_twice", "replan", "draw", "release", "count", "order", "cancel")
    weights = (40, 8, 10, 15, 15, 8, 4, 4)
    while time.monotonic() < until:
        (what,) = client.dice.choices(kinds, weights)
        client.does(what)


def paced_client(client: Client, until: float) -> None:
    while time.monotonic() < until:
        client.does(client.dice.choice(("hold", "release", "order", "cancel")))
        time.sleep(PAUSE_S)


def watcher(client: Client, until: float) -> None:
    """Add up everything again and again while the others work."""
    while time.monotonic() < until:
        began = time.monotonic()
        with connection.cursor() as cursor:
            cursor.execute(FAULTS)
            faults = cursor.fetchall()
        client.write("watch", f"broken: {faults}" if faults else "done", time.monotonic() - began)
        time.sleep(0.25)


def time_the_wait_for_a_turn(client: Client) -> None:
    """Write down how long each transaction waits to begin, and how long it then keeps its turn.

    On SQLite that is the wait for the one writer.
    """
    turn, entered, began = transactions.in_turn, transaction.Atomic.__enter__, [0.0, 0.0]

    @contextmanager
    def queued() -> Iterator[None]:
        if connection.in_atomic_block:
            yield
            return
        began[0] = time.monotonic()
        with turn():
            began[1] = time.monotonic()
            try:
                yield
            finally:
                client.write("turn", "done", time.monotonic() - began[1])

    def timed(self: transaction.Atomic) -> None:
        inside = connection.in_atomic_block
        entered(self)
        if not inside:
            client.write("wait", "done", time.monotonic() - began[0])

    transactions.in_turn = queued
    transaction.Atomic.__enter__ = timed  # type: ignore[method-assign]


def forked(work: Callable[[Client, float], None], name: str, folder: Path, until: float) -> int:
    """A process that works until then; the caller has no connection open."""
    pid = os.fork()
    if pid:
        return pid
    status = 1
    try:
        client = Client(name, folder / f"{name}.log")
        if work is paced_client:
            time_the_wait_for_a_turn(client)
        work(client, until)
        status = 0
    except BaseException as error:
        (folder / f"{name}.log").open("a").write(json.dumps(["client", f"broken: {error!r}", 0]) + "\n")
    finally:
        os._exit(status)


def soak(clients: int, seconds: float, kind: str) -> dict[str, Any]:
    """Start them, kill and replace, wait, verify.

    Returns:
        Outcomes by what was done, the slowest and the median of each [ms], the kills, what was broken.
    """
    prepare()
    dice, killed = random.Random(0), 0
    work = {"random": random_client, "paced": paced_client}[kind]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm_up(Client("warm up", folder / "warm up"))
        connection.close()
        until = time.monotonic() + seconds
        watching = forked(watcher, "watcher", folder, until)
        running = [forked(work, f"client{number}", folder, until) for number in range(clients)]
        while kind == "random" and time.monotonic() + KILL_EVERY_S < until:
            time.sleep(KILL_EVERY_S)
            victim = running.pop(dice.randrange(len(running)))
            os.kill(victim, signal.SIGKILL)
            os.waitpid(victim, 0)
            killed += 1
            running.append(forked(work, f"replacement{killed}", folder, until))
        ends = [os.waitpid(pid, 0)[1] for pid in (watching, *running)]
        lines = [line for log in folder.glob("*.log") for line in log.read_text().splitlines(keepends=True)]
    return {**_summary(lines), "killed": killed, "ended badly": sum(map(bool, ends)), **_verified()}


def _summary(lines: list[str]) -> dict[str, Any]:
    # The last line of a killed client may be cut off.
    rows = [json.loads(line) for line in lines if line.endswith("\n")]
    outcomes = Counter(
        f"{what}: {'broken' if outcome.startswith('broken') else outcome}" for what, outcome, _ in rows
    )
    times: dict[str, list[float]] = {}
    for what, _, seconds in rows:
        times.setdefault(what, []).append(seconds * 1000)
    return {
        "outcomes": dict(sorted(outcomes.items())),
        "slowest_ms": {what: round(max(values), 1) for what, values in times.items()},
        "median_ms": {what: round(sorted(values)[len(values) // 2], 1) for what, values in times.items()},
        "broken": [f"{what}: {outcome}" for what, outcome, _ in rows if outcome.startswith("broken")][:20],
    }


def _verified() -> dict[str, Any]:
    try:
        call_command("verify_stock", stdout=sys.stderr)
        verified = 0
    except CommandError as error:
        print(error, file=sys.stderr)
        verified = error.returncode
    return {"verify_stock": verified, "deadlocks": _deadlocks(), "holds": Hold.objects.count()}


def _deadlocks() -> int:
    if connection.vendor != "postgresql":
        return 0
    with connection.cursor() as cursor:
        cursor.execute("SELECT deadlocks FROM pg_stat_database WHERE datname = current_database()")
        return int(cursor.fetchone()[0])


if __name__ == "__main__":
    print(json.dumps(soak(int(sys.argv[1]), float(sys.argv[2]), sys.argv[3])))
