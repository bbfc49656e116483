"""Two people count at once, and draw while a count is posted, on real connections."""

import pytest

from inventory.models import Lot, Movement, Stocktake, StocktakeLine
from inventory.selectors import lines_of, stock_differences
from inventory.services import (
    CountedBefore,
    Found,
    add_place,
    begin_stocktake,
    count_lots,
    draw_holds,
    hold_stock,
    move_lots,
    post_stocktake,
    retire_place,
    state_of_lines,
)
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]
G = 1_000_000


@pytest.fixture
def second(worker):
    user = User(username="paul", role="prep")
    user.set_unusable_password()
    user.save()
    return user


@pytest.fixture
def shelf(worker):
    return add_place(actor=worker, name="Shelf", kind="shelf")


@pytest.fixture
def take(worker, shelf):
    return begin_stocktake(actor=worker, place=shelf, idempotency_key="take")


def count(take, actor, lot, amount, key):
    return count_lots(
        actor=actor, stocktake=take, found=[Found(lot, amount, "g")], at=None, idempotency_key=key
    )


def test_one_form_sent_twice_at_one_moment_begins_one_count(worker, shelf, race):
    answers = race([lambda: begin_stocktake(actor=worker, place=shelf, idempotency_key="one form")] * 4)
    (only,) = Stocktake.objects.all()
    assert answers == [only] * 4


def test_two_people_count_one_lot_at_one_moment_and_one_is_told_by_whom(take, worker, second, bottle, race):
    lot = bottle("100")
    answers = race(
        [lambda: count(take, worker, lot, "90", "one"), lambda: count(take, second, lot, "80", "two")]
    )
    assert sorted(type(answer).__name__ for answer in answers) == ["CountedBefore", "list"]
    (line,) = lines_of(take)
    told = next(answer for answer in answers if isinstance(answer, CountedBefore))
    assert str(line.counted_by) in told.text


def test_two_people_count_different_lots_at_one_moment_and_both_stand(take, worker, second, bottle, race):
    lots = [bottle("100") for _ in range(6)]
    race(
        [
            lambda number=number, lot=lot: count(take, (worker, second)[number % 2], lot, "90", str(number))
            for number, lot in enumerate(lots)
        ]
    )
    assert lines_of(take).count() == 6


def test_a_double_click_on_posting_corrects_once(take, worker, bottle, race):
    lot = bottle("100")
    count(take, worker, lot, "90", "one")
    seen = state_of_lines(take)

    def post():
        return post_stocktake(actor=worker, stocktake=take, seen=seen, reason="Spilt")

    answers = race([post] * 4)
    assert sum(isinstance(answer, NotInThisState) for answer in answers) == 3
    assert Movement.objects.filter(kind="corrected").count() == 1
    assert Lot.objects.get(pk=lot.pk).on_hand == 90 * G


def test_draws_while_a_count_is_taken_and_posted_are_never_undone(take, worker, second, bottle, race):
    """Whatever the order of events: received less drawn less what the count missed."""
    lots = [bottle("100") for _ in range(8)]
    holds = [
        hold_stock(actor=worker, draws={lot.pk: 30 * G}, purpose="B", idempotency_key=f"h{lot.pk}")[lot.pk]
        for lot in lots
    ]

    def draw(hold):
        return draw_holds(
            actor=second, amounts={hold.pk: 30 * G}, reason="Batch B", idempotency_key=f"d{hold.pk}"
        )

    # The person sees 5 g less than the ledger says, whether the draw was written down already or not.
    def found(lot):
        now = Lot.objects.get(pk=lot.pk).on_hand // G
        return count(take, worker, lot, str(now - 5), f"c{lot.pk}")

    race(
        [lambda lot=lot: found(lot) for lot in lots[:4]]
        + [lambda hold=hold: draw(hold) for hold in holds[4:]]
    )
    race(
        [lambda: post_stocktake(actor=worker, stocktake=take, seen=state_of_lines(take), reason="Spilt")]
        + [lambda hold=hold: draw(hold) for hold in holds[:4]]
    )
    assert StocktakeLine.objects.exclude(movement=None).count() == 4
    assert [Lot.objects.get(pk=lot.pk).on_hand // G for lot in lots] == [65] * 4 + [70] * 4
    assert stock_differences() == []


def test_a_place_is_not_retired_under_a_lot_that_comes(shelf, worker, bottle, race):
    for number in range(5):
        place = add_place(actor=worker, name=f"Place {number}", kind="shelf")
        lot = bottle("1")
        race(
            [
                lambda lot=lot, place=place: move_lots(actor=worker, lots=[lot], place=place),
                lambda place=place: retire_place(actor=worker, place=place),
            ]
        )
        place.refresh_from_db()
        lot.refresh_from_db()
        assert not (lot.place_id == place.pk and not place.in_use)
