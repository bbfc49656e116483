"""Many people at once on PostgreSQL: first that the race is real without the guard, then that it is not.

The textbook failure is the lost update: two transactions read the same balance, both find it enough,
both write what they computed (write skew and lost update, as in any text on isolation levels).
"""

import random
import threading
import time

import pytest
from django.db import DatabaseError, connection, transaction
from django.test.utils import CaptureQueriesContext

from inventory import ledger
from inventory.models import Hold, Lot, LotParent, Movement
from inventory.selectors import stock_differences
from inventory.services import (
    NotEnough,
    change_lot_state,
    correct_stock,
    draw_holds,
    hold_stock,
    in_transaction_with_retries,
    receive_lot,
    release_holds,
    transactions,
)
from prepdesk.core.errors import Conflict, InvalidInput, OutOfStock

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]
G = 1_000_000


def naive_hold(lot_id: int, amount: int, together: threading.Barrier) -> int:
    """What anybody would write first: read, check, write back. No lock, no F()."""
    with transaction.atomic():
        lot = Lot.objects.get(pk=lot_id)
        together.wait(timeout=30)
        if lot.free < amount:
            raise OutOfStock("not enough")
        lot.held += amount
        lot.save(update_fields=["held"])
        return amount


def test_without_the_guard_two_orders_are_promised_the_same_gram(bottle, race):
    lot, together = bottle("10"), threading.Barrier(2)
    promised = race([lambda: naive_hold(lot.pk, 8 * G, together)] * 2)
    lot.refresh_from_db()
    # Both were promised 8 g of a bottle of 10 g, and no constraint noticed.
    assert promised == [8 * G, 8 * G]
    assert lot.held == 8 * G


def test_with_the_guard_one_of_two_orders_gets_it_and_the_other_is_told(bottle, race, worker):
    lot = bottle("10")
    answers = race(
        [
            lambda key=key: hold_stock(actor=worker, draws={lot.pk: 8 * G}, purpose=key, idempotency_key=key)
            for key in ("B-2601", "B-2602")
        ]
    )
    lot.refresh_from_db()
    assert sorted(type(answer).__name__ for answer in answers) == ["NotEnough", "dict"]
    refusal = next(answer for answer in answers if isinstance(answer, NotEnough))
    assert refusal.text == f"{lot.code} has 2 g free of the 8 g wanted: 6 g missing."
    assert lot.held == 8 * G
    assert stock_differences() == []


@pytest.mark.parametrize(
    ("meanwhile", "then"), [("somebody holds", "NotEnough"), ("stopped", "NotInThisState"), ("more", "dict")]
)
def test_what_is_committed_while_a_hold_waits_for_the_lot_decides(bottle, race, worker, meanwhile, then):
    """The statement began when there were 10 g free and the lot was available."""
    lot, other = bottle("10"), bottle("10")
    locked = threading.Event()

    def first() -> None:
        with transaction.atomic():
            if meanwhile == "stopped":
                change_lot_state(actor=worker, lot=lot, event="quarantine", reason="Label came off")
            elif meanwhile == "more":
                correct_stock(
                    actor=worker, lot=lot, counted="20", unit="g", reason="Count", idempotency_key="count"
                )
            else:
                hold_stock(actor=worker, draws={lot.pk: 8 * G}, purpose="B-2601", idempotency_key="first")
            locked.set()
            wait_until_somebody_waits_for_a_lock()

    def second() -> dict[int, Hold]:
        assert locked.wait(timeout=10)
        amount = (15 if meanwhile == "more" else 8) * G
        return hold_stock(
            actor=worker, draws={other.pk: G, lot.pk: amount}, purpose="B-2602", idempotency_key="second"
        )

    _, answer = race([first, second])
    assert type(answer).__name__ == then, answer
    assert Hold.objects.filter(lot=other).count() == (then == "dict")
    assert stock_differences() == []


def wait_until_somebody_waits_for_a_lock() -> None:
    until = time.monotonic() + 10
    while time.monotonic() < until:
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM pg_locks WHERE NOT granted")
            if cursor.fetchone()[0]:
                return
        time.sleep(0.01)
    raise AssertionError("nobody waited, so this shows nothing")


def test_a_hold_that_is_alone_is_one_statement_and_in_a_transaction_it_goes_back_with_it(bottle, worker):
    lot = bottle("10")
    with CaptureQueriesContext(connection) as seen:
        hold_stock(actor=worker, draws={lot.pk: G}, purpose="B-2601", idempotency_key="alone")
    assert len(seen) == 1, seen.captured_queries
    with transaction.atomic():
        hold_stock(actor=worker, draws={lot.pk: G}, purpose="B-2602", idempotency_key="inside")
        transaction.set_rollback(True)
    assert [hold.purpose for hold in Hold.objects.all()] == ["B-2601"]
    assert stock_differences() == []


def test_twelve_racers_for_four_units_get_exactly_four(bottle, race, worker):
    lot = bottle("4")
    answers = race(
        [
            lambda n=n: hold_stock(
                actor=worker, draws={lot.pk: 1 * G}, purpose=f"racer {n}", idempotency_key=f"racer {n}"
            )
            for n in range(12)
        ]
    )
    assert sum(isinstance(answer, dict) for answer in answers) == 4
    assert sum(isinstance(answer, OutOfStock) for answer in answers) == 8
    lot.refresh_from_db()
    assert (lot.held, lot.free) == (4 * G, 0)
    assert Hold.objects.count() == 4


def test_a_double_click_holds_once_and_both_clicks_get_the_same_hold(bottle, race, worker):
    one, two = bottle("100"), bottle("100")
    answers = race(
        [
            lambda: hold_stock(
                actor=worker,
                draws={two.pk: 2 * G, one.pk: 1 * G},
                purpose="B-2601",
                idempotency_key="click",
            )
        ]
        * 6
    )
    assert {frozenset(hold.pk for hold in answer.values()) for answer in answers} == {
        frozenset(Hold.objects.values_list("pk", flat=True))
    }
    assert Hold.objects.count() == 2
    assert stock_differences() == []


def test_the_same_key_for_different_lots_at_one_moment_holds_for_one_of_them_only(bottle, race, worker):
    lots = [bottle("100") for _ in range(4)]
    answers = race(
        [
            lambda lot=lot: hold_stock(
                actor=worker, draws={lot.pk: 1 * G}, purpose="B-2601", idempotency_key="click"
            )
            for lot in lots
        ]
    )
    assert sum(isinstance(answer, dict) for answer in answers) == 1
    assert sum(isinstance(answer, Conflict) for answer in answers) == 3
    assert stock_differences() == []


def test_a_double_click_on_finish_draws_once(bottle, race, worker):
    lot = bottle("100")
    hold = hold_stock(actor=worker, draws={lot.pk: 5 * G}, purpose="B-2601", idempotency_key="h")[lot.pk]
    answers = race(
        [
            lambda: draw_holds(
                actor=worker, amounts={hold.pk: 5 * G}, reason="B-2601", idempotency_key="finish"
            )
        ]
        * 6
    )
    assert len({answer[0].pk for answer in answers}) == 1
    lot.refresh_from_db()
    assert (lot.on_hand, lot.held) == (95 * G, 0)


def test_finishing_and_cancelling_at_one_moment_do_one_of_both(bottle, race, worker):
    for n in range(10):
        lot = bottle("100")
        hold = hold_stock(actor=worker, draws={lot.pk: 5 * G}, purpose="B", idempotency_key=f"h{n}")[lot.pk]
        race(
            [
                lambda hold=hold, n=n: draw_holds(
                    actor=worker, amounts={hold.pk: 5 * G}, reason="B", idempotency_key=f"d{n}"
                ),
                lambda hold=hold: release_holds(actor=worker, holds=[hold], reason="Cancelled"),
            ]
        )
        lot.refresh_from_db()
        hold.refresh_from_db()
        assert (lot.on_hand, lot.held) == ((95 if hold.state == "drawn" else 100) * G, 0)
    assert stock_differences() == []


def test_receiving_at_one_moment_gives_every_bottle_a_code_of_its_own(race, worker, salt):
    jobs = [
        lambda n=n: receive_lot(
            actor=worker, substance=salt, kind="solid", amount="1", unit="g", idempotency_key=f"form {n}"
        )
        for n in range(12)
    ]
    codes = [lot.code for lot in race(jobs)]
    assert len(set(codes)) == 12


def test_a_double_click_on_receive_makes_one_bottle_and_leaves_no_empty_one(race, worker, salt):
    answers = race(
        [
            lambda: receive_lot(
                actor=worker, substance=salt, kind="solid", amount="1", unit="g", idempotency_key="form"
            )
        ]
        * 6
    )
    assert len({lot.pk for lot in answers}) == 1
    assert Lot.objects.count() == Movement.objects.count() == 1


# --- deadlocks ------------------------------------------------------------------------------------
def update_both(first: int, second: int, together: threading.Barrier) -> None:
    with transaction.atomic():
        Lot.objects.select_for_update().get(pk=first)
        together.wait(timeout=30)
        Lot.objects.select_for_update().get(pk=second)


def test_unsorted_locks_deadlock(bottle, race):
    one, two, together = bottle(), bottle(), threading.Barrier(2)
    answers = race(
        [
            lambda: update_both(one.pk, two.pk, together),
            lambda: update_both(two.pk, one.pk, together),
        ]
    )
    assert [answer.__cause__.sqlstate for answer in answers if answer] == ["40P01"]


def test_sorted_locks_do_not_and_nothing_needs_running_again(bottle, race, worker, monkeypatch):
    pauses: list[float] = []
    monkeypatch.setattr(transactions.time, "sleep", pauses.append)
    lots = [bottle("100000") for _ in range(6)]

    def many(seed: int) -> None:
        dice = random.Random(seed)
        for n in range(15):
            chosen = dice.sample(lots, 4)
            hold_stock(
                actor=worker,
                draws=[(lot.pk, G) for lot in chosen],
                purpose="B",
                idempotency_key=f"{seed}/{n}",
            )

    assert race([lambda seed=seed: many(seed) for seed in range(6)]) == [None] * 6
    assert pauses == []
    assert Hold.objects.count() == 6 * 15 * 4


def test_a_deadlock_of_two_services_in_one_transaction_is_run_again_and_not_seen(bottle, race, worker):
    """Somebody who locks twice in one transaction can deadlock; the wrapper runs it again."""
    one, two, together = bottle(), bottle(), threading.Barrier(2)

    def hold_in_two_strokes(first: Lot, second: Lot, key: str) -> int:
        rounds = 0

        def work() -> None:
            nonlocal rounds
            rounds += 1
            hold_stock(actor=worker, draws={first.pk: G}, purpose=key, idempotency_key=f"{key} 1")
            if rounds == 1:
                together.wait(timeout=30)
            hold_stock(actor=worker, draws={second.pk: G}, purpose=key, idempotency_key=f"{key} 2")

        in_transaction_with_retries(work)
        return rounds

    rounds = race([lambda: hold_in_two_strokes(one, two, "a"), lambda: hold_in_two_strokes(two, one, "b")])
    assert sorted(rounds) == [1, 2]
    assert Hold.objects.count() == 4
    assert stock_differences() == []


def test_what_is_stopped_every_time_ends_in_words_after_a_bounded_number_of_rounds(
    bottle, worker, monkeypatch
):
    monkeypatch.setattr(transactions.time, "sleep", lambda seconds: None)
    rounds = 0

    def always_stopped() -> None:
        nonlocal rounds
        rounds += 1
        with connection.cursor() as cursor:
            cursor.execute("DO $$ BEGIN RAISE EXCEPTION 'x' USING ERRCODE = 'serialization_failure'; END $$")

    with pytest.raises(Conflict, match="Nothing was saved"):
        in_transaction_with_retries(always_stopped)
    assert rounds == transactions.ATTEMPTS


def test_an_error_that_another_round_would_not_cure_is_not_run_again(worker):
    rounds = 0

    def broken() -> None:
        nonlocal rounds
        rounds += 1
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1/0")

    with pytest.raises(DatabaseError):
        in_transaction_with_retries(broken)
    assert rounds == 1


# --- a busy morning --------------------------------------------------------------------------------
def test_a_busy_morning_of_random_work_keeps_every_promise(bottle, race, worker, salt):
    """Eight people hold, draw, release, count and mix for a few seconds, in any order of lots."""
    lots = [bottle("60") for _ in range(5)]
    until = time.monotonic() + 4
    refused: list[type] = []

    def person(seed: int) -> int:
        dice, mine, n = random.Random(seed), [], 0
        while time.monotonic() < until:
            n += 1
            key = f"{seed}/{n}"
            try:
                step(dice, mine, key)
            except (OutOfStock, Conflict, InvalidInput) as error:
                refused.append(type(error))
        return n

    def step(dice: random.Random, mine: list[Hold], key: str) -> None:
        # Each deadlock costs PostgreSQL's waiting time of a second, so the one kind of work that can
        # have one is rare here, as it is in a stockroom.
        kinds = ("hold", "draw", "release", "swap", "count", "mix")
        (what,) = dice.choices(kinds, weights=(60, 20, 20, 20, 20, 1))
        some = [(lot.pk, dice.randrange(1, 3 * G)) for lot in dice.choices(lots, k=3)]
        if what == "hold":
            mine.extend(hold_stock(actor=worker, draws=some, purpose="B", idempotency_key=key).values())
        elif what == "draw" and mine:
            batch = [mine.pop(dice.randrange(len(mine))) for _ in range(min(3, len(mine)))]
            draw_holds(
                actor=worker,
                amounts={hold.pk: dice.randrange(0, 2 * hold.amount) for hold in batch},
                reason="B",
                idempotency_key=key,
            )
        elif what == "release" and mine:
            release_holds(actor=worker, holds=[mine.pop(dice.randrange(len(mine)))], reason="Cancelled")
        elif what == "swap" and mine:
            old = mine.pop(dice.randrange(len(mine)))
            mine.extend(
                hold_stock(
                    actor=worker, draws=some, purpose="B", idempotency_key=key, instead_of=[old]
                ).values()
            )
        elif what == "count":
            lot = Lot.objects.get(pk=dice.choice(lots).pk)
            correct_stock(
                actor=worker,
                lot=lot,
                counted=str(lot.on_hand // G + dice.randrange(0, 5)),
                unit="g",
                reason="Count",
                idempotency_key=key,
                expected_on_hand=lot.on_hand,
            )
        elif what == "mix":
            # Two services under one transaction, as an order does; locks are not sorted over both.
            pair = dice.sample(lots, 2)

            def both() -> None:
                for position, lot in enumerate(pair):
                    hold_stock(
                        actor=worker, draws={lot.pk: G}, purpose="B", idempotency_key=f"{key}/{position}"
                    )

            in_transaction_with_retries(both)

    rounds = race([lambda seed=seed: person(seed) for seed in range(8)])
    assert all(isinstance(n, int) for n in rounds), [n for n in rounds if not isinstance(n, int)]
    assert sum(rounds) > 100, rounds
    assert refused, "nothing was ever short, so the shelf was too full to show anything"
    assert stock_differences() == []
    for lot in Lot.objects.all():
        assert 0 <= lot.held <= lot.on_hand


def test_writing_a_reference_to_a_lot_does_not_wait_for_its_lock(bottle, race, worker):
    """A row that refers to a lot takes a key-share lock on it; our lock leaves room for that."""
    one, two = bottle(), bottle()
    locked, done = threading.Event(), threading.Event()

    def keep_locked() -> None:
        with transaction.atomic():
            ledger.lock_lots([one.pk])
            locked.set()
            assert done.wait(timeout=10), "the other row waited for this lock"

    def refer() -> None:
        locked.wait(timeout=10)
        LotParent.objects.create(child=two, parent=one)
        done.set()

    assert race([keep_locked, refer]) == [None, None]
