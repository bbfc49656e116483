"""Many people book the same flask at once on PostgreSQL: first that the race is real, then that it is not.

The textbook failure is write skew: two transactions each count what is booked, both find room, and both
insert a row; no row is written twice, so no constraint notices (as in any text on isolation levels).
"""

import random
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from django.db import transaction

from inventory.models import ApparatusItem, Booking
from inventory.selectors import Window, free_in, peak
from inventory.services import (
    AlreadyBooked,
    add_apparatus,
    book_apparatus,
    change_count,
    end_bookings,
    release_bookings,
)
from inventory.services import bookings as booking_services
from prepdesk.core.errors import Conflict

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]
NINE = datetime(2030, 3, 4, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def flask(worker):
    def add(count: int) -> ApparatusItem:
        return add_apparatus(
            actor=worker,
            type="one-mark flask",
            nominal_ml="2000",
            apparatus_class="A",
            standard="ISO 1042:1998",
            count=count,
        )

    return add


def book(worker, item, key, count=1, starts=NINE, ends=NINE + HOUR):
    return book_apparatus(
        actor=worker, wanted=[(item.pk, count, starts, ends)], purpose=key, idempotency_key=key
    )


def naive_booking(worker, item: ApparatusItem, key: str, together: threading.Barrier) -> str:
    """What anybody would write first: count, check, insert. No lock."""
    with transaction.atomic():
        free = free_in([item], Window(NINE, NINE + HOUR))[item.pk]
        together.wait(timeout=30)
        if free < 1:
            return "booked up"
        Booking.objects.create(
            item=item, starts_at=NINE, ends_at=NINE + HOUR, purpose=key, actor=worker, idempotency_key=key
        )
        return "booked"


def test_without_the_lock_two_people_are_promised_one_flask(flask, race, worker):
    item, together = flask(1), threading.Barrier(2)
    answers = race([lambda key=key: naive_booking(worker, item, key, together) for key in "ab"])
    assert answers == ["booked", "booked"]
    rows = Booking.objects.values_list("starts_at", "ends_at", "count")
    assert peak(rows, Window(NINE, NINE + HOUR)) == 2 > item.count


def test_the_service_without_its_lock_would_lose_the_race_too(flask, race, worker, monkeypatch):
    """The lock alone stands between the check and the row: the test below can fail."""
    item, together = flask(1), threading.Barrier(2)
    monkeypatch.setattr(
        booking_services, "_lock_items", lambda keys: ApparatusItem.objects.in_bulk(list(keys))
    )
    real = booking_services._require_free

    def check_together(rows):
        real(rows)
        together.wait(timeout=30)

    monkeypatch.setattr(booking_services, "_require_free", check_together)
    answers = race([lambda key=key: book(worker, item, key) for key in "ab"])
    assert [type(answer) for answer in answers] == [list, list]


def test_twelve_people_for_four_flasks_get_exactly_four(flask, race, worker):
    item = flask(4)
    answers = race([lambda n=n: book(worker, item, f"racer {n}") for n in range(12)])
    assert sum(isinstance(answer, list) for answer in answers) == 4, answers
    refused = [answer for answer in answers if isinstance(answer, AlreadyBooked)]
    assert len(refused) == 8
    assert all(one.clashes[0].free == 0 for one in refused)
    assert Booking.objects.count() == 4


def test_a_double_click_books_once(flask, race, worker):
    item = flask(4)
    answers = race([lambda: book(worker, item, "click")] * 6)
    assert {answer[0].pk for answer in answers} == {Booking.objects.get().pk}


def test_one_breaks_while_the_last_one_is_booked(flask, race, worker):
    """Whoever comes second sees what the first did: booked and then broken, or broken and refused."""
    for round_ in range(4):
        item = flask(1)
        booked, _ = race(
            [
                lambda item=item, round_=round_: book(worker, item, f"b{round_}"),
                lambda item=item, round_=round_: change_count(
                    actor=worker, item=item, count=0, reason="Broke", idempotency_key=f"c{round_}"
                ),
            ]
        )
        item.refresh_from_db()
        assert item.count == 0
        assert isinstance(booked, list) or "is no longer there" in str(booked), booked


def test_a_busy_morning_of_bookings_in_any_order_of_items_keeps_every_promise(flask, race, worker):
    items = [flask(count) for count in (1, 2, 3)]
    until = time.monotonic() + 3
    refused: list[type] = []

    def person(seed: int) -> int:
        dice, mine, n = random.Random(seed), [], 0
        while time.monotonic() < until:
            n += 1
            try:
                step(dice, mine, f"{seed}/{n}")
            except (AlreadyBooked, Conflict) as error:
                refused.append(type(error))
        return n

    def step(dice: random.Random, mine: list[Booking], key: str) -> None:
        what = dice.choice(("book", "book", "release", "end", "swap"))
        wanted = []
        for item in dice.sample(items, k=dice.randrange(1, 4)):
            start = NINE + timedelta(minutes=15 * dice.randrange(40))
            wanted.append((item.pk, 1, start, start + timedelta(minutes=15 * dice.randrange(1, 12))))
        if what == "book":
            mine += book_apparatus(actor=worker, wanted=wanted, purpose=key, idempotency_key=key)
        elif what == "swap" and mine:
            old = mine.pop(dice.randrange(len(mine)))
            mine += book_apparatus(
                actor=worker, wanted=wanted, purpose=key, idempotency_key=key, instead_of=[old]
            )
        elif mine:
            close = release_bookings if what == "release" else end_bookings
            close(actor=worker, bookings=[mine.pop(dice.randrange(len(mine)))], reason=key)

    rounds = race([lambda seed=seed: person(seed) for seed in range(6)])
    assert all(isinstance(n, int) for n in rounds), [n for n in rounds if not isinstance(n, int)]
    assert sum(rounds) > 100, rounds
    assert refused, "nothing was ever booked up, so the shelf was too full to show anything"
    for item in items:
        rows = Booking.objects.filter(item=item, state="booked").values_list("starts_at", "ends_at", "count")
        moments = [NINE + timedelta(minutes=15 * n + 7) for n in range(60)]
        assert max(sum(c for s, e, c in rows if s <= moment < e) for moment in moments) <= item.count
