"""What the ledger promises: nothing twice, nothing below nothing, nothing changed afterwards."""

from decimal import Decimal

import pytest
from django.db import IntegrityError, InternalError, connection, transaction

from inventory import ledger, states
from inventory.amounts import to_base
from inventory.models import Hold, Lot, Movement
from inventory.selectors import stock_differences
from inventory.services import change_lot_state, draw_holds, hold_stock, release_holds, reverse_movement
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState, OutOfStock
from tests.inventory.conftest import new_key

pytestmark = pytest.mark.django_db


def g(value: str) -> int:
    return to_base(Decimal(value), "g")


def fresh(lot: Lot) -> Lot:
    return Lot.objects.get(pk=lot.pk)


def held(actor, *draws, key=None, **more):
    """Hold grams of lots: ``held(prep, (lot, "3"))``."""
    return hold_stock(
        actor=actor,
        draws=[(lot.pk, g(amount)) for lot, amount in draws],
        purpose=more.pop("purpose", "B-2601"),
        idempotency_key=key or new_key(),
        **more,
    )


def test_receiving_makes_the_balance_and_the_row_that_explains_it(bottle):
    lot = bottle("2.5", unit="kg")
    assert fresh(lot).on_hand == 2_500_000_000
    (row,) = lot.movements.all()
    assert (row.kind, row.amount, row.reason) == ("received", 2_500_000_000, "Received")
    assert stock_differences() == []


def test_a_hold_takes_from_what_is_free_and_not_from_what_is_there(bottle, instructor):
    lot = bottle("10")
    hold = held(instructor, (lot, "4"))[lot.pk]
    assert (hold.state, hold.amount, hold.purpose) == ("active", g("4"), "B-2601")
    assert (fresh(lot).on_hand, fresh(lot).held, fresh(lot).free) == (g("10"), g("4"), g("6"))


def test_more_than_is_free_is_refused_with_the_lot_and_the_missing_amount(bottle, prep):
    lot = bottle("10")
    held(prep, (lot, "4"))
    with pytest.raises(OutOfStock) as refused:
        held(prep, (lot, "7.5"))
    assert refused.value.text == f"{lot.code} has 6 g free of the 7.5 g wanted: 1.5 g missing."
    assert [(m.lot_id, m.wanted, m.free) for m in refused.value.missing] == [(lot.pk, g("7.5"), g("6"))]
    assert fresh(lot).held == g("4")


def test_holds_of_several_lots_are_all_or_nothing_and_every_short_lot_is_named(bottle, prep):
    plenty, short, shorter = bottle("100"), bottle("3"), bottle("2")
    with pytest.raises(OutOfStock) as refused:
        held(prep, (plenty, "5"), (short, "4"), (shorter, "4"))
    assert short.code in refused.value.text
    assert shorter.code in refused.value.text
    assert plenty.code not in refused.value.text
    assert Hold.objects.count() == 0
    assert fresh(plenty).held == 0


def test_a_lot_named_twice_is_summed_before_the_check(bottle, prep):
    lot = bottle("10")
    with pytest.raises(OutOfStock):
        held(prep, (lot, "6"), (lot, "6"))
    hold = held(prep, (lot, "6"), (lot, "3"))[lot.pk]
    assert hold.amount == g("9")


def test_an_amount_to_hold_must_be_more_than_zero(bottle, prep):
    with pytest.raises(InvalidInput):
        held(prep, (bottle("10"), "0"))


@pytest.mark.parametrize("event", ["quarantine", "recall"])
def test_a_stopped_lot_is_not_promised(bottle, prep, event):
    lot = bottle("10")
    change_lot_state(actor=prep, lot=lot, event=event, reason="Label came off")
    with pytest.raises(NotInThisState, match=lot.code):
        held(prep, (lot, "1"))


def test_the_same_key_holds_once_and_gives_the_first_holds(bottle, prep):
    one, two = bottle("10"), bottle("10")
    first = held(prep, (one, "2"), (two, "3"), key="order-1")
    again = held(prep, (two, "3"), (one, "2"), key="order-1")
    assert {hold.pk for hold in first.values()} == {hold.pk for hold in again.values()}
    assert fresh(one).held == g("2")


@pytest.mark.parametrize("change", ["amount", "fewer lots", "more lots", "another lot"])
def test_the_same_key_for_other_amounts_is_refused_and_holds_nothing(bottle, prep, change):
    one, two, three = bottle("10"), bottle("10"), bottle("10")
    held(prep, (one, "2"), (two, "3"), key="order-1")
    second = {
        "amount": [(one, "2"), (two, "4")],
        "fewer lots": [(one, "2")],
        "more lots": [(one, "2"), (two, "3"), (three, "1")],
        "another lot": [(three, "2"), (two, "3")],
    }[change]
    with pytest.raises(Conflict):
        held(prep, *second, key="order-1")
    assert Hold.objects.count() == 2
    assert stock_differences() == []


def test_the_same_key_finds_its_holds_when_nothing_is_left_or_the_lot_is_stopped(bottle, prep):
    lot = bottle("10")
    first = held(prep, (lot, "10"), key="order-1")
    change_lot_state(actor=prep, lot=lot, event="quarantine", reason="Label came off")
    again = held(prep, (lot, "10"), key="order-1")
    assert first[lot.pk].pk == again[lot.pk].pk
    assert fresh(lot).held == g("10")


def test_what_is_returned_is_what_is_in_the_database(bottle, prep):
    one, two = bottle("10"), bottle("10")
    made = held(prep, (two, "3"), (one, "2"), key="order-1")
    assert list(made) == [one.pk, two.pk]
    for lot, amount, number in ((one, "2", 0), (two, "3", 1)):
        saved = Hold.objects.get(lot=lot)
        for field in Hold._meta.concrete_fields:
            assert getattr(made[lot.pk], field.attname) == getattr(saved, field.attname), field
        assert (saved.amount, saved.idempotency_key, saved.actor) == (g(amount), f"order-1#{number}", prep)
        assert made[lot.pk].lot.code == lot.code


def test_a_lot_that_is_gone_is_a_conflict_in_words(bottle, prep):
    with pytest.raises(Conflict, match="no longer there"):
        hold_stock(actor=prep, draws={bottle("10").pk + 1: 1}, purpose="B-2601", idempotency_key="k")


def test_pairs_that_can_be_read_only_once_are_held_all_the_same(bottle, prep):
    lot = bottle("10")
    pairs = ((lot.pk, g(amount)) for amount in ("1", "2"))
    hold_stock(actor=prep, draws=pairs, purpose="B-2601", idempotency_key="k")
    assert fresh(lot).held == g("3")


def test_the_number_of_statements_does_not_grow_with_the_number_of_lots(
    bottle, prep, django_assert_max_num_queries
):
    one, many = [bottle("10")], [bottle("10") for _ in range(8)]
    for lots in (one, many):
        # PostgreSQL needs one; step by step it is a savepoint, lots, replays, insert and update.
        with django_assert_max_num_queries(1 if connection.vendor == "postgresql" else 6):
            kept = held(prep, *((lot, "2") for lot in lots))
        spare = held(prep, *((lot, "1") for lot in lots))
        with django_assert_max_num_queries(8):
            amounts = {hold.pk: g("1.5") for hold in kept.values()}
            draw_holds(actor=prep, amounts=amounts, reason="B-2601", idempotency_key=new_key())
        with django_assert_max_num_queries(6):
            release_holds(actor=prep, holds=spare.values(), reason="Cancelled")
    assert stock_differences() == []


def test_releasing_gives_back_and_doing_it_twice_changes_nothing(bottle, prep, instructor):
    lot = bottle("10")
    hold = held(instructor, (lot, "4"))[lot.pk]
    for _ in range(2):
        release_holds(actor=instructor, holds=[hold], reason="Order cancelled")
    assert fresh(lot).held == 0
    hold.refresh_from_db()
    assert (hold.state, hold.closed_by, hold.closing_reason) == ("released", instructor, "Order cancelled")
    assert hold.closed_at is not None


def test_drawing_less_than_held_leaves_the_rest_free(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    (row,) = draw_holds(actor=prep, amounts={hold.pk: g("3.97")}, reason="B-2601", idempotency_key="k")
    assert (row.kind, row.amount, row.hold) == ("drawn", -g("3.97"), hold)
    assert (fresh(lot).on_hand, fresh(lot).held) == (g("6.03"), 0)
    assert stock_differences() == []


def test_drawing_more_than_held_takes_the_extra_from_what_is_free(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    draw_holds(actor=prep, amounts={hold.pk: g("4.2")}, reason="B-2601", idempotency_key="k")
    assert (fresh(lot).on_hand, fresh(lot).held) == (g("5.8"), 0)


def test_the_extra_must_be_free_and_a_refusal_leaves_the_hold_as_it_was(bottle, prep):
    lot = bottle("10")
    mine, other = held(prep, (lot, "4"))[lot.pk], held(prep, (lot, "5"))[lot.pk]
    with pytest.raises(OutOfStock, match=r"5 g free of the 5.2 g wanted: 0.2 g missing"):
        draw_holds(actor=prep, amounts={mine.pk: g("5.2")}, reason="B-2601", idempotency_key="k")
    mine.refresh_from_db()
    assert mine.state == states.ACTIVE
    assert (fresh(lot).on_hand, fresh(lot).held) == (g("10"), mine.amount + other.amount)


def test_one_hold_may_give_what_another_hold_of_the_same_call_takes(bottle, prep):
    lot = bottle("10")
    more, less = held(prep, (lot, "5"))[lot.pk], held(prep, (lot, "5"))[lot.pk]
    draw_holds(actor=prep, amounts={more.pk: g("7"), less.pk: g("3")}, reason="B-2601", idempotency_key="k")
    assert (fresh(lot).on_hand, fresh(lot).held) == (0, 0)
    assert stock_differences() == []


def test_every_lot_that_can_not_give_the_extra_is_named_and_nothing_is_drawn(bottle, prep):
    lots = [bottle("10") for _ in range(3)]
    holds = held(prep, *((lot, "4") for lot in lots))
    amounts = {holds[lot.pk].pk: g(drawn) for lot, drawn in zip(lots, ("11", "4", "12"), strict=True)}
    with pytest.raises(OutOfStock) as refused:
        draw_holds(actor=prep, amounts=amounts, reason="B-2601", idempotency_key="k")
    assert [(m.lot_id, m.wanted, m.free) for m in refused.value.missing] == [
        (lots[0].pk, g("11"), g("10")),
        (lots[2].pk, g("12"), g("10")),
    ]
    assert {hold.state for hold in Hold.objects.all()} == {"active"}
    assert stock_differences() == []


def test_drawing_nothing_releases_the_hold_without_a_movement(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    assert draw_holds(actor=prep, amounts={hold.pk: 0}, reason="Not used", idempotency_key="k") == []
    hold.refresh_from_db()
    assert hold.state == states.RELEASED
    assert lot.movements.count() == 1


def test_the_same_key_draws_once(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    rows = [
        draw_holds(actor=prep, amounts={hold.pk: g("4")}, reason="B-2601", idempotency_key="k")[0]
        for _ in range(2)
    ]
    assert rows[0].pk == rows[1].pk
    assert fresh(lot).on_hand == g("6")


def test_a_hold_is_drawn_once_whatever_the_key(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    draw_holds(actor=prep, amounts={hold.pk: g("4")}, reason="B-2601", idempotency_key="k")
    for amount in (g("4"), 0):
        with pytest.raises(Conflict, match="already drawn"):
            draw_holds(actor=prep, amounts={hold.pk: amount}, reason="B-2601", idempotency_key="other")
    assert fresh(lot).on_hand == g("6")


def test_a_reversal_gives_back_what_was_drawn_and_leaves_both_rows(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    (row,) = draw_holds(actor=prep, amounts={hold.pk: g("4")}, reason="B-2601", idempotency_key="k")
    back = reverse_movement(actor=prep, movement=row, reason="Wrong bottle", idempotency_key="r")
    again = reverse_movement(actor=prep, movement=row, reason="Wrong bottle", idempotency_key="r")
    assert back.pk == again.pk
    assert (back.amount, back.reverses, back.kind) == (g("4"), row, "reversed")
    assert (fresh(lot).on_hand, fresh(lot).held) == (g("10"), 0)
    assert stock_differences() == []


def test_nothing_is_reversed_twice_and_a_reversal_never(bottle, prep):
    lot = bottle("10")
    hold = held(prep, (lot, "4"))[lot.pk]
    (row,) = draw_holds(actor=prep, amounts={hold.pk: g("4")}, reason="B-2601", idempotency_key="k")
    back = reverse_movement(actor=prep, movement=row, reason="Wrong bottle", idempotency_key="r")
    for mistake in (row, back):
        with pytest.raises(NotInThisState):
            reverse_movement(actor=prep, movement=mistake, reason="Wrong bottle", idempotency_key=new_key())
    assert fresh(lot).on_hand == g("10")


def test_a_receipt_is_not_reversed_while_part_of_it_is_held(bottle, prep):
    lot = bottle("10")
    held(prep, (lot, "4"))
    with pytest.raises(OutOfStock):
        reverse_movement(
            actor=prep, movement=lot.movements.get(), reason="Sent to us by mistake", idempotency_key="r"
        )
    assert fresh(lot).on_hand == g("10")


def test_a_new_plan_can_hold_what_the_old_plan_gives_back(bottle, prep):
    lot, other = bottle("10"), bottle("10")
    old = held(prep, (lot, "8"), (other, "1"))
    new = held(prep, (lot, "9"), instead_of=old.values(), key="plan-2")
    again = held(prep, (lot, "9"), instead_of=old.values(), key="plan-2")
    assert new[lot.pk].pk == again[lot.pk].pk
    assert (fresh(lot).held, fresh(other).held) == (g("9"), 0)
    assert {hold.state for hold in Hold.objects.filter(pk__in=[h.pk for h in old.values()])} == {"released"}
    assert stock_differences() == []


def test_a_new_plan_that_does_not_fit_leaves_the_old_holds(bottle, prep):
    lot = bottle("10")
    old = held(prep, (lot, "8"))
    with pytest.raises(OutOfStock):
        held(prep, (lot, "11"), instead_of=old.values())
    assert fresh(lot).held == g("8")
    assert Hold.objects.get().state == states.ACTIVE


@pytest.mark.django_db(transaction=True)
def test_the_ledger_refuses_to_work_outside_a_transaction():
    with pytest.raises(transaction.TransactionManagementError):
        ledger.lock_lots([1])


def test_the_database_refuses_what_the_checks_should_miss(bottle):
    lot = bottle("10")
    for change in ({"held": g("11")}, {"held": -1}, {"on_hand": -1}):
        with pytest.raises(IntegrityError), transaction.atomic():
            Lot.objects.filter(pk=lot.pk).update(**change)


def test_a_constraint_reaches_the_caller_as_a_conflict_and_never_as_a_database_error(
    bottle, prep, monkeypatch
):
    lot = bottle("10")
    # As if the check had read a balance that was gone by the time the row was changed.
    monkeypatch.setattr("inventory.ledger.holds._check_free", lambda lots, wanted: None)
    with pytest.raises(Conflict, match="nothing was held"):
        held(prep, (lot, "11"))
    assert fresh(lot).held == 0
    assert Hold.objects.count() == 0


def test_an_instructor_may_hold_and_release_but_neither_draw_nor_reverse(bottle, instructor):
    lot = bottle("10")
    hold = held(instructor, (lot, "4"))[lot.pk]
    with pytest.raises(NotAllowed):
        draw_holds(actor=instructor, amounts={hold.pk: g("4")}, reason="B-2601", idempotency_key="k")
    with pytest.raises(NotAllowed):
        reverse_movement(
            actor=instructor, movement=lot.movements.get(), reason="No", idempotency_key=new_key()
        )
    release_holds(actor=instructor, holds=[hold.pk], reason="Order cancelled")


@pytest.mark.postgres
def test_postgresql_itself_refuses_to_change_or_delete_an_entry(bottle):
    row = bottle("10").movements.get()
    for change in (
        lambda: Movement.objects.filter(pk=row.pk).update(amount=1),
        lambda: Movement.objects.filter(pk=row.pk).delete(),
    ):
        refused = pytest.raises((InternalError, IntegrityError), match="never changed or deleted")
        with refused, transaction.atomic():
            change()
    assert Movement.objects.get(pk=row.pk).amount == row.amount


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_a_database_with_that_trigger_can_still_be_emptied_between_tests(bottle):
    """The flush after this test truncates; the next one would fail on rows left behind."""
    bottle("10")
    assert Movement.objects.count() == 1


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_nothing_is_left_of_the_test_before():
    assert Movement.objects.count() == 0
