"""Bottles poured into one another by many hands at once, on PostgreSQL: nothing is made, lost or stuck."""

import pytest
from django.db.models import Sum

from inventory import ledger
from inventory.models import Lot, Movement
from inventory.selectors import stock_differences
from inventory.services import (
    hold_stock,
    in_transaction_with_retries,
    merge_lots,
    reverse_movement,
    split_lot,
)
from prepdesk.core.errors import DomainError, InvalidInput, NotInThisState, OutOfStock

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]
G = 1_000_000


def test_pouring_to_and_fro_at_one_moment_ends_and_adds_up(bottle, race, worker):
    """Two bottles, each poured into the other by many: locks in key order, so nobody waits for ever."""
    one, two = bottle("50"), bottle("50")

    def pour(n: int):
        source, target = (one, two) if n % 2 else (two, one)
        return in_transaction_with_retries(
            lambda: ledger.post_pouring(
                actor=worker,
                amounts={source.pk: -10 * G, target.pk: 10 * G},
                reason="to and fro",
                idempotency_key=f"pour {n}",
            )
        )

    answers = race([lambda n=n: pour(n) for n in range(12)])
    assert all(isinstance(answer, list | OutOfStock) for answer in answers), answers
    assert Lot.objects.aggregate(total=Sum("on_hand"))["total"] == 100 * G
    assert stock_differences() == []


def test_the_same_split_sent_by_many_clicks_fills_the_bottles_once(bottle, race, worker):
    lot = bottle("100")
    answers = race(
        [
            lambda: [
                small.pk
                for small in split_lot(
                    actor=worker,
                    lot=Lot.objects.get(pk=lot.pk),
                    amounts=["10", "20"],
                    unit="g",
                    place=None,
                    reason="click",
                    idempotency_key="click",
                )
            ]
        ]
        * 6
    )
    assert len({tuple(answer) for answer in answers}) == 1
    assert Lot.objects.count() == 3
    assert stock_differences() == []


def test_what_is_held_is_not_poured_away_by_somebody_faster(bottle, race, worker):
    lot = bottle("10")
    jobs = [
        lambda: hold_stock(actor=worker, draws={lot.pk: 8 * G}, purpose="B-2601", idempotency_key="hold"),
        lambda: split_lot(
            actor=worker,
            lot=Lot.objects.get(pk=lot.pk),
            amounts=["8"],
            unit="g",
            place=None,
            reason="bench",
            idempotency_key="split",
        ),
    ]
    answers = race(jobs)
    refused = [answer for answer in answers if isinstance(answer, OutOfStock | InvalidInput)]
    assert len(refused) == 1
    lot.refresh_from_db()
    assert 0 <= lot.held <= lot.on_hand
    assert stock_differences() == []


def test_a_pouring_is_undone_once_however_many_undo_it_and_from_whichever_bottle(bottle, race, worker):
    lot = bottle("100")
    split_lot(
        actor=worker, lot=lot, amounts=["30", "20"], unit="g", place=None, reason="x", idempotency_key="p"
    )
    rows = list(Movement.objects.filter(pouring="p"))
    answers = race(
        [
            lambda n=n, row=row: reverse_movement(
                actor=worker, movement=row, reason="wrong", idempotency_key=f"undo {n}"
            )
            for n, row in enumerate([*rows, *rows])
        ]
    )
    assert sum(isinstance(answer, Movement) for answer in answers) == 1
    assert sum(isinstance(answer, NotInThisState) for answer in answers) == 5
    lot.refresh_from_db()
    assert lot.on_hand == 100 * G
    assert stock_differences() == []


def test_two_who_pour_the_same_leftover_into_two_bottles_get_it_once(bottle, race, worker):
    lots = [bottle("10") for _ in range(3)]
    Lot.objects.update(lot_number="K1")
    left = lots[2]
    answers = race(
        [
            lambda into=into: merge_lots(
                actor=worker,
                into=Lot.objects.get(pk=into.pk),
                leftovers=[Lot.objects.get(pk=left.pk)],
                reason="shelf",
                idempotency_key=f"into {into.pk}",
            )
            for into in lots[:2]
        ]
    )
    assert sorted(isinstance(answer, DomainError) for answer in answers) == [False, True]
    assert sorted(Lot.objects.values_list("on_hand", flat=True)) == [0, 10 * G, 20 * G]
    assert stock_differences() == []
