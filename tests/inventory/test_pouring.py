"""Bottles filled into smaller ones, leftovers poured together, what came back, what stands elsewhere."""

from datetime import date, timedelta

import pytest
from django.db import connection
from django.utils import timezone

from inventory import ledger, states
from inventory.models import Lot, LotEvent, LotParent, Movement, Place, Substance
from inventory.selectors import calc_shelf, descendants_of, mergeable_with, stock_differences
from inventory.services import (
    NotEnough,
    add_waste_stream,
    change_lot_state,
    correct_label,
    dispose,
    draw_holds,
    hold_stock,
    in_transaction_with_retries,
    merge_lots,
    move_lot,
    move_lots,
    return_to_lot,
    reverse_movement,
    set_waste_stream_in_use,
    split_lot,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from tests.inventory.conftest import new_key
from tests.inventory.test_lots import prepared, refused_fields
from tests.inventory.test_pages import at_bench, field_errors, page, words

__all__ = ["at_bench"]
pytestmark = pytest.mark.django_db
G = 1_000_000
TODAY = timezone.localdate


def split(actor, lot, *amounts, **more):
    sent = {
        "actor": actor,
        "lot": lot,
        "amounts": amounts,
        "unit": lot.unit,
        "place": None,
        "reason": "For the bench",
        "idempotency_key": new_key(),
    }
    return split_lot(**{**sent, **more})


def merge(actor, into, *leftovers, **more):
    sent = {
        "actor": actor,
        "into": into,
        "leftovers": leftovers,
        "reason": "Room on the shelf",
        "idempotency_key": new_key(),
    }
    return merge_lots(**{**sent, **more})


def give_back(actor, lot, amount, **more):
    sent = {"actor": actor, "lot": lot, "amount": amount, "unit": lot.unit, "reason": "Section B"}
    return return_to_lot(**{**sent, "idempotency_key": new_key(), **more})


def taken(actor, lot, amount_base) -> Movement:
    """Something drawn for a batch."""
    key = new_key()
    hold = hold_stock(actor=actor, draws={lot.pk: amount_base}, purpose="B-2601", idempotency_key=key)
    amounts = {hold[lot.pk].pk: amount_base}
    return draw_holds(actor=actor, amounts=amounts, reason="Batch", idempotency_key=key)[0]


def on_hand(*lots) -> list[int]:
    return [Lot.objects.get(pk=lot.pk).on_hand for lot in lots]


# --- into smaller bottles -------------------------------------------------------------------------
def test_smaller_bottles_carry_the_label_and_nothing_is_made_or_lost(bottle, prep):
    shelf = Place.objects.create(name="Balance bench")
    expires = TODAY() + timedelta(days=400)
    lot = bottle("500", assay_percent="99,50", lot_number="K1", grade="primary standard", expires_on=expires)
    small = split(prep, lot, "100", "50", place=shelf, idempotency_key="pour")
    assert [each.on_hand for each in small] == [100 * G, 50 * G]
    for each in small:
        each.refresh_from_db()
        assert (each.substance, each.assay_percent, each.lot_number, each.grade) == (
            lot.substance,
            "99,50",
            "K1",
            "primary standard",
        )
        assert (each.split_from, each.place, each.opened_on, each.expires_on) == (
            lot,
            shelf,
            TODAY(),
            expires,
        )
        assert each.code not in {lot.code}
    lot.refresh_from_db()
    assert (lot.on_hand, lot.opened_on) == (350 * G, TODAY())
    rows = Movement.objects.filter(pouring="pour")
    assert sorted(rows.values_list("kind", "amount")) == [
        ("poured", -150 * G),
        ("poured", 50 * G),
        ("poured", 100 * G),
    ]
    assert descendants_of(lot) == sorted(small, key=lambda one: one.code)
    assert stock_differences() == []


def test_a_bottle_opened_today_never_lasts_longer_than_the_one_it_was_filled_from(bottle, prep, salt):
    salt.shelf_life_opened_days = 90
    salt.save()
    soon = TODAY() + timedelta(days=10)
    (short,) = split(prep, bottle("100", expires_on=soon), "10")
    assert short.expires_on == soon
    # The large bottle said nothing; opened with the small one, both last what an opened one does.
    lot = bottle("100")
    (small,) = split(prep, lot, "10")
    lot.refresh_from_db()
    assert small.expires_on == lot.expires_on == TODAY() + timedelta(days=90)


def test_a_prepared_solution_keeps_its_composition_and_uncertainty_in_smaller_bottles(bottle, prep, salt):
    made = prepared(prep, salt, [bottle()])
    (small,) = split(prep, made, "250")
    small.refresh_from_db()
    for field in ("title", "composition", "concentration_mol_per_l", "relative_uncertainty_percent"):
        assert getattr(small, field) == getattr(made, field)
    assert (small.prepared_by, small.kind, small.expires_on) == (prep, "solution", made.expires_on)
    assert [lot.concentration_mol_per_l for lot in calc_shelf().lots if lot.kind == "solution"] == [
        0.1002
    ] * 2


def test_only_what_is_free_is_poured_and_the_refusal_says_for_whom_the_rest_is_held(bottle, prep):
    lot = bottle("100")
    hold_stock(actor=prep, draws={lot.pk: 80 * G}, purpose="B-2601", idempotency_key="h")
    said = refused_fields(split, actor=prep, lot=lot)
    assert said["amounts"] == "Say how much goes into each new bottle."
    with pytest.raises(InvalidInput, match="80 g of it are held for B-2601, and only 20 g are free"):
        split(prep, lot, "15", "10")
    with pytest.raises(InvalidInput, match="Together that is 120 g; the lot has only 100 g"):
        split(prep, lot, "60", "60")
    assert Lot.objects.count() == 1
    assert split(prep, lot, "20")[0].on_hand == 20 * G


@pytest.mark.parametrize("event", ["quarantine", "recall"])
def test_nothing_is_poured_from_or_into_a_bottle_that_is_stopped(bottle, prep, event):
    lot, other = bottle("100", lot_number="K1"), bottle("100", lot_number="K1")
    change_lot_state(actor=prep, lot=lot, event=event, reason="Supplier's letter")
    with pytest.raises(InvalidInput, match="nothing is poured from it"):
        split(prep, lot, "10")
    for into, leftover in ((lot, other), (other, lot)):
        with pytest.raises(InvalidInput, match=f"{lot.code} is (quarantined|recalled)"):
            merge(prep, into, leftover)


def test_sending_the_split_twice_fills_the_bottles_once(bottle, prep):
    lot = bottle("100")
    first, again = (split(prep, lot, "10", "20", idempotency_key="pour") for _ in range(2))
    assert [one.pk for one in first] == [one.pk for one in again]
    assert (Lot.objects.count(), on_hand(lot)) == (3, [70 * G])
    with pytest.raises(Conflict):
        split(prep, bottle("100"), "10", idempotency_key="pour")


def test_a_split_decided_by_an_old_balance_is_stale(bottle, prep):
    lot = bottle("100")
    taken(prep, lot, 5 * G)
    with pytest.raises(Conflict, match="had 100 g; now it has 95 g"):
        split(prep, lot, "10", expected_on_hand=100 * G)
    assert Lot.objects.count() == 1


def test_a_bottle_poured_out_whole_is_empty(bottle, prep):
    lot = bottle("100")
    split(prep, lot, "60", "40")
    lot.refresh_from_db()
    assert (lot.on_hand, lot.state) == (0, states.EMPTY)


@pytest.mark.parametrize("row_is", ["giver", "taker"])
def test_reversing_one_entry_of_a_pouring_undoes_all_of_it(bottle, prep, row_is):
    lot = bottle("100")
    one, two = split(prep, lot, "30", "20", idempotency_key="pour")
    entry = lot.movements.get(kind="poured") if row_is == "giver" else one.movements.get()
    back = reverse_movement(actor=prep, movement=entry, reason="Wrong bottle", idempotency_key="undo")
    again = reverse_movement(actor=prep, movement=entry, reason="Wrong bottle", idempotency_key="undo")
    assert back.pk == again.pk
    assert on_hand(lot, one, two) == [100 * G, 0, 0]
    assert set(Lot.objects.filter(pk__in=[one.pk, two.pk]).values_list("state", flat=True)) == {states.EMPTY}
    assert Movement.objects.filter(kind="reversed").count() == 3
    assert stock_differences() == []
    for other in Movement.objects.filter(pouring="pour"):
        with pytest.raises(NotInThisState, match="reversed before"):
            reverse_movement(actor=prep, movement=other, reason="Again", idempotency_key=new_key())
    with pytest.raises(NotInThisState, match="reversal can't be reversed"):
        reverse_movement(actor=prep, movement=back, reason="Again", idempotency_key=new_key())


def test_a_pouring_is_not_undone_in_part_when_one_bottle_was_used(bottle, prep):
    lot = bottle("100")
    one, two = split(prep, lot, "30", "20")
    taken(prep, one, 5 * G)
    with pytest.raises(NotEnough, match=f"{one.code} has 25 g free of the 30 g wanted"):
        reverse_movement(actor=prep, movement=two.movements.get(), reason="Wrong", idempotency_key=new_key())
    assert on_hand(lot, one, two) == [50 * G, 25 * G, 20 * G]
    assert Movement.objects.filter(kind="reversed").count() == 0


def test_the_ledger_takes_no_pouring_that_makes_something(bottle, prep):
    one, two = bottle("10"), bottle("10")
    for amounts in ({one.pk: -5, two.pk: 6}, {one.pk: 0, two.pk: 0}, {one.pk: 0}):
        with pytest.raises(InvalidInput):
            in_transaction_with_retries(
                lambda amounts=amounts: ledger.post_pouring(
                    actor=prep, amounts=amounts, reason="x", idempotency_key=new_key()
                )
            )
    assert on_hand(one, two) == [10 * G, 10 * G]


@pytest.mark.postgres
def test_on_postgresql_the_database_refuses_a_pouring_that_does_not_add_up(bottle, prep):
    from django.db import IntegrityError, transaction

    lot = bottle("100")
    split(prep, lot, "30")
    giver = lot.movements.get(kind="poured")
    lonely = {"kind": "poured", "pouring": "alone", "amount": 5}
    half = {"kind": "reversed", "pouring": "half", "amount": 30 * G, "reverses": giver}
    without = {"kind": "reversed", "amount": 30 * G, "reverses": giver}

    def post(facts) -> None:
        with transaction.atomic(), connection.cursor() as cursor:
            Movement.objects.create(lot=lot, actor=prep, idempotency_key=new_key(), **facts)
            cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")

    for facts in (lonely, half, without):
        with pytest.raises(IntegrityError):
            post(facts)


# --- leftovers together -----------------------------------------------------------------------------
def test_leftovers_of_one_lot_come_together_and_are_as_old_as_the_oldest(bottle, prep):
    early, late = TODAY() + timedelta(days=20), TODAY() + timedelta(days=300)
    into = bottle("100", lot_number="K1", expires_on=late)
    one = bottle(
        "30",
        lot_number="K1",
        expires_on=early,
        opened_on=TODAY() - timedelta(days=9),
        received_on=TODAY() - timedelta(days=30),
    )
    two = bottle("5", lot_number="K1", expires_on=late)
    merged = merge(prep, into, one, two, idempotency_key="pour")
    merged.refresh_from_db()
    assert (merged.on_hand, merged.expires_on) == (135 * G, early)
    assert merged.opened_on == TODAY() - timedelta(days=9)
    for left in (one, two):
        left.refresh_from_db()
        assert (left.on_hand, left.state) == (0, states.EMPTY)
    assert set(LotParent.objects.filter(child=into).values_list("parent", flat=True)) == {one.pk, two.pk}
    assert LotEvent.objects.get(event="merge").reason.startswith(f"From {one.code}, {two.code}; expires ")
    assert merge(prep, into, one, two, idempotency_key="pour").on_hand == 135 * G
    with pytest.raises(Conflict):
        merge(prep, into, one, idempotency_key="pour")
    assert stock_differences() == []


def test_what_was_split_may_come_together_again_without_a_lot_number(bottle, prep):
    lot = bottle("100")
    one, two = split(prep, lot, "30", "20")
    (deeper,) = split(prep, one, "10")
    assert {other.pk for other in mergeable_with(lot, actor=prep)} == {one.pk, two.pk, deeper.pk}
    assert merge(prep, lot, one, two, deeper).on_hand == 100 * G
    assert {one.pk, two.pk, deeper.pk} <= {other.pk for other in descendants_of(lot)}


@pytest.mark.parametrize(
    ("more", "words_of_it"),
    [
        ({"lot_number": "K2"}, "not known to be of the same lot"),
        ({"lot_number": ""}, "not known to be of the same lot"),
        ({"assay_percent": "99.0"}, "differs by its label: assay"),
        ({"grade": "technical"}, "differs by its label: grade"),
        (
            {"received_on": date(2020, 1, 1), "expires_on": date(2021, 1, 1)},
            "is past its day, and all of it would be then",
        ),
    ],
)
def test_bottles_that_are_not_one_lot_are_not_poured_together(bottle, prep, more, words_of_it):
    into = bottle("100", lot_number="K1", assay_percent="99.5")
    other = bottle("30", **{"lot_number": "K1", "assay_percent": "99.5", **more})
    with pytest.raises(InvalidInput, match=words_of_it):
        merge(prep, into, other)
    assert on_hand(into, other) == [100 * G, 30 * G]


def test_another_form_held_stock_and_empty_bottles_are_not_poured_together(bottle, prep, vitriol):
    into = bottle("100", lot_number="K1")
    with pytest.raises(InvalidInput, match="another substance, or another form"):
        merge(prep, into, bottle("10", substance=vitriol, lot_number="K1"))
    held = bottle("10", lot_number="K1")
    hold_stock(actor=prep, draws={held.pk: 1 * G}, purpose="B-2601", idempotency_key="h")
    with pytest.raises(InvalidInput, match="1 g of it are held for B-2601"):
        merge(prep, into, held)
    empty = bottle("10", lot_number="K1")
    Lot.objects.filter(pk=empty.pk).update(on_hand=0)
    with pytest.raises(InvalidInput, match="is empty"):
        merge(prep, into, empty)
    with pytest.raises(InvalidInput, match="Tick the bottles"):
        merge(prep, into, into)


def test_a_merge_decided_by_an_old_balance_is_stale_and_an_undone_one_goes_back(bottle, prep):
    into, other = bottle("100", lot_number="K1"), bottle("30", lot_number="K1")
    taken(prep, other, 5 * G)
    with pytest.raises(Conflict, match="had 30 g; now it has 25 g"):
        merge(prep, into, other, expected={into.pk: 100 * G, other.pk: 30 * G})
    merge(prep, into, other, expected={into.pk: 100 * G, other.pk: 25 * G})
    entry = into.movements.get(kind="poured")
    reverse_movement(actor=prep, movement=entry, reason="Wrong bottle", idempotency_key="undo")
    other.refresh_from_db()
    # It was marked as empty, so somebody looks at it before it is promised again.
    assert (on_hand(into, other), other.state) == ([100 * G, 25 * G], states.QUARANTINED)
    assert stock_differences() == []


# --- what came back ---------------------------------------------------------------------------------
def test_unused_solution_comes_back_and_an_emptied_bottle_waits_for_a_look(bottle, prep, salt):
    made = prepared(prep, salt, [bottle()])
    taken(prep, made, 1_000_000)
    made.refresh_from_db()
    assert made.state == states.EMPTY
    row = give_back(prep, made, "0.4", unit="L", idempotency_key="r")
    assert give_back(prep, made, "0.4", unit="L", idempotency_key="r").pk == row.pk
    made.refresh_from_db()
    assert (row.kind, made.on_hand, made.state) == ("returned", 400_000, states.QUARANTINED)
    with pytest.raises(InvalidInput, match="By the ledger 600 mL has left this lot"):
        give_back(prep, made, "601")
    with pytest.raises(Conflict, match="now it has 400 mL"):
        give_back(prep, made, "1", expected_on_hand=0)
    reverse_movement(actor=prep, movement=row, reason="Wrong bottle", idempotency_key="undo")
    made.refresh_from_db()
    assert (made.on_hand, made.state) == (0, states.EMPTY)
    assert stock_differences() == []


def test_a_reagent_comes_back_in_unopened_packs_only(bottle, prep):
    lot = bottle("1000")
    taken(prep, lot, 500 * G)
    with pytest.raises(InvalidInput, match="never goes back into it") as refused:
        give_back(prep, lot, "500")
    assert list(refused.value.errors) == ["unopened"]
    assert give_back(prep, lot, "500", unopened=True).amount == 500 * G
    with pytest.raises(InvalidInput, match="nothing has left this lot"):
        give_back(prep, lot, "1", unopened=True)


# --- elsewhere ----------------------------------------------------------------------------------------
def test_moves_say_from_where_to_where_and_by_whom_and_are_done_once(bottle, prep):
    room = Place.objects.create(name="Store")
    here, there = (Place.objects.create(name=name, parent=room) for name in ("A", "B"))
    one, two = bottle(place=here), bottle()
    for _ in range(2):
        move_lots(actor=prep, lots=[one, two], place=there, reason="Cleared")
    rows = LotEvent.objects.filter(event="move").order_by("lot")
    assert [(row.lot, row.from_place, row.to_place, row.actor) for row in rows] == [
        (one, here, there, prep),
        (two, None, there, prep),
    ]
    assert rows[0].reason == "From Store / A to Store / B. Cleared"
    move_lot(actor=prep, lot=one, place=None)
    assert Lot.objects.get(pk=one.pk).place is None
    with pytest.raises(InvalidInput, match="Tick the bottles"):
        move_lots(actor=prep, lots=[], place=there)
    correct_label(actor=prep, lot=two, figures={}, words={}, expires_on=None, place=here)
    assert LotEvent.objects.filter(event="move").last().to_place == here


# --- waste ------------------------------------------------------------------------------------------
def test_once_there_are_waste_streams_a_disposal_names_one_in_use(bottle, prep):
    lot = bottle("10")
    waste = {"actor": prep, "lot": lot, "amount": "1", "unit": "g", "reason": "Caked"}
    assert dispose(**waste, idempotency_key="1").waste_stream is None
    solids = add_waste_stream(actor=prep, name="Inorganic solids")
    old = set_waste_stream_in_use(actor=prep, stream=add_waste_stream(actor=prep, name="Sink"), in_use=False)
    assert list(refused_fields(dispose, **waste, idempotency_key="2")) == ["waste_stream"]
    gone = refused_fields(dispose, **waste, idempotency_key="2", waste_stream=old)
    assert gone == {"waste_stream": "“Sink” is no longer in use. Choose another one."}
    assert dispose(**waste, idempotency_key="2", waste_stream=solids).waste_stream == solids


def test_these_changes_are_for_the_stockroom(bottle, instructor):
    lot, other = bottle("10", lot_number="K1"), bottle("10", lot_number="K1")
    for change in (
        lambda: split(instructor, lot, "1"),
        lambda: merge(instructor, lot, other),
        lambda: give_back(instructor, lot, "1"),
        lambda: move_lot(actor=instructor, lot=lot, place=None),
        lambda: add_waste_stream(actor=instructor, name="Sink"),
    ):
        with pytest.raises(NotAllowed):
            change()


# --- the pages ----------------------------------------------------------------------------------------
def test_a_bottle_is_filled_into_smaller_ones_from_its_page(at_bench, bottle):
    lot = bottle("500")
    typed = {
        "amounts": "2 x 100\n50",
        "unit": "g",
        "reason": "Bench bottles",
        "idempotency_key": "s",
        "expected_on_hand": lot.on_hand,
    }
    shown = words(at_bench.get(page("lot_split", lot.code), typed))
    assert "Poured into new bottles −250 g On hand afterwards 250 g" in shown
    assert "2 x 100, 50 g" in shown
    done = at_bench.post(page("lot_split", lot.code), typed, follow=True)
    codes = [small.code for small in lot.split_into.order_by("code")]
    assert f"Filled: {', '.join(codes)}. Write each code" in words(done)
    assert f"Filled into smaller bottles {codes[0]}" in words(done)
    # The second click of a double click leads to the same page and fills nothing.
    again = at_bench.post(page("lot_split", lot.code), typed, follow=True)
    assert "is in the ledger once" in words(again)
    assert Lot.objects.count() == 4
    small = words(at_bench.get(page("lot", codes[0])))
    assert f"Filled from {lot.code}" in small
    assert "Poured over +100 g 100 g Bench bottles" in small
    reverse = words(at_bench.get(page("movement_reverse", lot.code, lot.movements.last().pk)))
    assert "which is undone as a whole" in reverse
    wrong = at_bench.post(page("lot_split", lot.code), {**typed, "idempotency_key": "t", "amounts": "1\nx"})
    assert (wrong.status_code, list(field_errors(wrong))) == (422, ["amounts"])


def test_new_bottles_are_not_put_beside_what_they_must_not_stand_with(at_bench, bottle, prep):
    """Prudent Practices in the Laboratory (2011), 5.E.2: acids are kept from cyanides."""
    cupboard = Place.objects.create(name="Cupboard", kind="cabinet")
    cyanide, acid = (
        Substance.objects.create(key=key, name=key, formula=formula)
        for key, formula in (("potassium-cyanide", "KCN"), ("hydrochloric-acid", "HCl"))
    )
    bottle("10", substance=cyanide, place=cupboard)
    lot = bottle("500", unit="mL", substance=acid, kind="liquid", mass_percent="37")
    typed = {"amounts": "50", "unit": "mL", "place": cupboard.pk, "reason": "Bench", "idempotency_key": "s"}
    typed["expected_on_hand"] = lot.on_hand
    address = page("lot_split", lot.code)
    assert "storage_reason" not in at_bench.get(address).content.decode()
    refused = at_bench.get(address, typed)
    assert "It should not stand there" in field_errors(refused)["storage_reason"]
    typed["storage_reason"] = "For an hour, under the eyes of two"
    assert "under the eyes of two" in words(at_bench.get(address, typed))
    assert at_bench.post(address, typed).status_code == 302
    (small,) = lot.split_into.all()
    assert small.events.get(event="against").reason.startswith("For an hour, under the eyes of two. ")


def test_leftovers_are_poured_together_from_the_page(at_bench, bottle, prep):
    lot, other = bottle("100", lot_number="K1"), bottle("30", lot_number="K1")
    stranger = bottle("30", lot_number="K2")
    empty_page = words(at_bench.get(page("lot_merge", stranger.code)))
    assert "There is no other bottle of this lot" in empty_page
    address = page("lot_merge", lot.code)
    first = at_bench.get(address).content.decode()
    assert other.code in first
    assert stranger.code not in first
    typed = {
        "leftovers": [other.pk],
        "reason": "Room on the shelf",
        "idempotency_key": "m",
        "expected": f"{lot.pk}:{lot.on_hand},{other.pk}:{other.on_hand}",
    }
    assert "Poured in +30 g On hand afterwards 130 g" in words(at_bench.get(address, typed))
    taken(prep, other, 5 * G)
    stale = at_bench.post(address, typed)
    assert stale.status_code == 409
    assert f"{other.pk}:{25 * G}" in stale.content.decode()
    typed["expected"] = f"{lot.pk}:{lot.on_hand},{other.pk}:{25 * G}"
    for _ in range(2):
        assert at_bench.post(address, typed).status_code == 302
    assert on_hand(lot, other) == [125 * G, 0]
    assert f"Lot {other.code} Empty" in words(at_bench.get(page("lot", other.code)))


def test_a_return_and_a_move_from_their_pages(at_bench, bottle, prep, salt):
    lot = bottle("100")
    taken(prep, lot, 50 * G)
    address = page("lot_return", lot.code)
    typed = {"amount": "50", "unit": "g", "reason": "Course cancelled", "idempotency_key": "r"}
    typed["expected_on_hand"] = 50 * G
    assert "never put back" in words(at_bench.get(address))
    assert list(field_errors(at_bench.post(address, typed))) == ["unopened"]
    for _ in range(2):
        assert at_bench.post(address, {**typed, "unopened": "on"}).status_code == 302
    assert on_hand(lot) == [100 * G]
    made = prepared(prep, salt, [lot])
    assert "unused and certainly unspoiled" in words(at_bench.get(page("lot_return", made.code)))
    shelf = Place.objects.create(name="Ready shelf")
    moved = at_bench.post(
        page("lot_move", lot.code), {"place": shelf.pk, "idempotency_key": "v"}, follow=True
    )
    assert "stands now in: Ready shelf" in words(moved)
    several = page("lots_move")
    assert made.code in words(at_bench.get(several))
    assert lot.code in words(at_bench.get(several, {"place": shelf.pk}))
    sent = {"lots": [lot.code], "place": "", "idempotency_key": "w"}
    assert list(field_errors(at_bench.post(f"{several}?place={shelf.pk}", {**sent, "lots": []}))) == ["lots"]
    done = at_bench.post(f"{several}?place={shelf.pk}", sent, follow=True)
    assert "1 bottle stand" in words(done)
    assert Lot.objects.get(pk=lot.pk).place is None


def test_waste_streams_are_named_on_a_page_and_asked_for_by_disposals(at_bench, bottle):
    lot = bottle("10")
    for _ in range(2):
        sent = {"name": "Inorganic solids", "note": "No acids", "idempotency_key": "w"}
        assert at_bench.post(page("waste"), sent).status_code == 302
    stream = lot.movements.model.waste_stream.field.related_model.objects.get()
    typed = {"amount": "4", "unit": "g", "reason": "Caked", "idempotency_key": "d"}
    typed["expected_on_hand"] = lot.on_hand
    assert list(field_errors(at_bench.get(page("lot_dispose", lot.code), typed))) == ["waste_stream"]
    typed["waste_stream"] = stream.pk
    shown = words(at_bench.get(page("lot_dispose", lot.code), typed))
    assert "Waste stream Inorganic solids" in shown
    at_bench.post(page("lot_dispose", lot.code), typed)
    assert "Disposed of into Inorganic solids −4 g 6 g Caked" in words(at_bench.get(page("lot", lot.code)))
    at_bench.post(page("waste_in_use", stream.pk), {"in_use": "0"})
    assert "Retired" in words(at_bench.get(page("waste")))
    assert "waste_stream" not in at_bench.get(page("lot_dispose", lot.code)).content.decode()


def test_a_long_history_comes_in_pages_with_true_balances_and_the_same_queries(
    at_bench, bottle, prep, django_assert_max_num_queries
):
    lot = bottle("1000")
    for n in range(60):
        dispose(actor=prep, lot=lot, amount="1", unit="g", reason=f"Spill {n}", idempotency_key=f"d{n}")
    move_lot(actor=prep, lot=lot, place=Place.objects.create(name="Store"))
    address = page("lot", lot.code)
    with django_assert_max_num_queries(40) as first:
        newest = words(at_bench.get(address))
    with django_assert_max_num_queries(40) as second:
        oldest = words(at_bench.get(address, {"page": "2"}))
    # One less where a page has no event among its entries.
    assert len(second) <= len(first) <= 20
    assert "page 1 of 2" in newest
    assert newest.index("Put elsewhere") < newest.index("Disposed of −1 g 940 g Spill 59")
    assert "Spill 10 " not in newest
    assert "Disposed of −1 g 989 g Spill 10" in oldest
    assert "Received +1000 g 1000 g Received" in oldest
    for odd in ("0", "-1", "99999999", "x", "٣"):
        assert at_bench.get(address, {"page": odd}).status_code == 200
