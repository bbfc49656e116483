"""Bottles: what comes in, under which code, what is believed of a label, how a state changes."""

from datetime import date, timedelta

import pytest
from django.utils import timezone

from inventory import states
from inventory.codes import code_of, is_sound, tidied
from inventory.models import Lot, LotEvent, LotParent
from inventory.selectors import descendants_of, lot_by_code, stock_differences
from inventory.services import (
    add_apparatus,
    change_lot_state,
    correct_stock,
    dispose,
    hold_stock,
    open_lot,
    receive_prepared_lot,
    reverse_movement,
    set_in_service,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from tests.inventory.conftest import new_key

pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


def refused_fields(call, **arguments) -> dict[str, str]:
    with pytest.raises(InvalidInput) as refused:
        call(**arguments)
    return refused.value.errors


# --- codes ----------------------------------------------------------------------------------------
def test_a_code_carries_the_check_character_of_iso_7064():
    """ISO/IEC 7064 MOD 37,36, worked by hand: start at 36; per character add its value (A is 10),
    take the rest by 36 (36 for 0), double it, take the rest by 37; the last character makes it 1."""
    alphabet = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    for number in (1, 17, 42, 99_999, 100_000):
        code = code_of(number)
        check = 36
        for character in code[:-1]:
            check = (((check + alphabet.index(character)) % 36 or 36) * 2) % 37
        assert (check + alphabet.index(code[-1])) % 36 == 1
        assert is_sound(code)


def test_every_single_wrong_character_and_every_swap_of_neighbours_is_noticed():
    code = code_of(12_345)
    alphabet = "0123456789"
    wrong = {
        code[:n] + other + code[n + 1 :]
        for n in range(1, len(code) - 1)
        for other in alphabet
        if other != code[n]
    }
    swapped = {code[:n] + code[n + 1] + code[n] + code[n + 2 :] for n in range(1, len(code) - 2)} - {code}
    assert not any(map(is_sound, wrong | swapped))


def test_a_code_scanned_through_another_keyboard_layout_is_not_sound():
    # What a French layout makes of the digit keys.
    garbled = code_of(17).translate(str.maketrans("0123456789", "à&é\"'(-è_ç"))
    assert not is_sound(tidied(garbled))


def test_a_code_is_found_however_it_is_typed(bottle, prep):
    lot = bottle()
    assert lot.code == code_of(lot.pk)
    assert lot_by_code(prep, f" {lot.code.lower()} ") == lot
    assert lot_by_code(prep, code_of(lot.pk + 1)) is None


# --- receiving ------------------------------------------------------------------------------------
def test_what_a_certificate_says_is_kept_digit_by_digit(bottle):
    lot = bottle("1", unit="kg", assay_percent="99,50", assay_tolerance_percent="0.10", lot_number="A-7/2")
    lot.refresh_from_db()
    assert (lot.assay_percent, lot.assay_tolerance_percent, lot.lot_number) == ("99,50", "0.10", "A-7/2")
    assert lot.received_on == TODAY()
    assert lot.state == states.AVAILABLE


@pytest.mark.parametrize(
    ("typed", "unit", "kind", "base"),
    [
        ("2.5", "kg", "solid", 2_500_000_000),
        ("250", "mg", "solid", 250_000),
        ("2,5", "L", "liquid", 2_500_000),
        ("0.5", "uL", "liquid", None),
        ("1000", "uL", "solution", 1_000),
    ],
)
def test_an_amount_is_counted_in_whole_micrograms_or_microlitres(bottle, typed, unit, kind, base):
    if base is None:
        # Half a microlitre rounds to nothing (half to even), and nothing can't be received.
        with pytest.raises(InvalidInput):
            bottle(typed, unit=unit, kind=kind)
    else:
        assert bottle(typed, unit=unit, kind=kind).on_hand == base


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("amount", {"amount": "0"}),
        ("amount", {"amount": "-5"}),
        ("amount", {"amount": "five"}),
        ("amount", {"amount": ""}),
        ("amount", {"amount": "NaN"}),
        ("amount", {"amount": "2.500,5"}),
        ("amount", {"amount": "20000000"}),
        ("amount", {"unit": "mL"}),
        ("amount", {"unit": "lb"}),
        ("kind", {"kind": "gas"}),
        ("assay_percent", {"assay_percent": "102.1"}),
        ("assay_percent", {"assay_percent": "0"}),
        ("assay_percent", {"assay_percent": "995 %"}),
        ("assay_percent", {"assay_tolerance_percent": "0.1"}),
        ("mass_percent", {"mass_percent": "37"}),
        ("density_g_per_ml", {"density_g_per_ml": "1.18"}),
        ("mass_percent", {"kind": "liquid", "unit": "mL", "mass_percent": "370"}),
        ("density_g_per_ml", {"kind": "liquid", "unit": "mL", "density_g_per_ml": "1180"}),
        ("density_g_per_ml", {"kind": "liquid", "unit": "mL", "density_g_per_ml": "0.118"}),
        ("assay_percent", {"kind": "liquid", "unit": "mL", "assay_percent": "37"}),
        ("concentration_mol_per_l", {"kind": "solution", "unit": "mL", "concentration_mol_per_l": "100"}),
        ("concentration_mol_per_l", {"kind": "solution", "unit": "mL", "relative_uncertainty_percent": "1"}),
        ("expires_on", {"received_on": date(2024, 5, 2), "expires_on": date(2024, 5, 1)}),
        ("received_on", {"received_on": timezone.localdate() + timedelta(days=3)}),
        ("note", {"note": "x" * 301}),
        ("lot_number", {"lot_number": "a\x00b"}),
    ],
)
def test_a_slip_on_the_receiving_form_is_refused_beside_its_field(bottle, field, more):
    arguments = {"amount": "500", "unit": "g", "kind": "solid", **more}
    errors = refused_fields(bottle, **arguments)
    assert list(errors) == [field]
    assert Lot.objects.count() == 0


def test_an_assay_a_little_over_a_hundred_is_what_certificates_say(bottle):
    assert bottle(assay_percent="100.2").assay_percent == "100.2"
    words = refused_fields(bottle, assay_percent="102.5")["assay_percent"]
    assert words == "An assay must be more than 0 and at most 102 %; “102.5” was typed."


def test_every_mistake_is_named_at_once(bottle):
    errors = refused_fields(bottle, amount="x", assay_percent="120", received_on=date(2999, 1, 1))
    assert set(errors) == {"amount", "assay_percent", "received_on"}


def test_sending_the_form_twice_receives_one_bottle(bottle):
    first, again = (bottle("500", idempotency_key="form-1") for _ in range(2))
    assert first.pk == again.pk
    assert Lot.objects.count() == 1
    assert stock_differences() == []


def test_a_form_sent_before_does_not_take_another_bottle_in_silence(bottle):
    bottle("500", idempotency_key="form-1")
    with pytest.raises(Conflict, match="open the page afresh"):
        bottle("250", idempotency_key="form-1")
    assert Lot.objects.count() == 1


def test_receiving_is_for_the_stockroom(salt, instructor, bottle):
    from inventory.services import receive_lot

    with pytest.raises(NotAllowed):
        receive_lot(actor=instructor, substance=salt, kind="solid", amount="1", unit="g", idempotency_key="k")


def prepared(actor, salt, parents, **more):
    return receive_prepared_lot(
        **{
            "actor": actor,
            "title": "0.100 mol/L sodium chloride",
            "substance": salt,
            "composition": [{"substance": "sodium chloride", "value": "0.1002", "unit": "mol/L"}],
            "concentration_mol_per_l": "0.1002",
            "relative_uncertainty_percent": "0.15",
            "volume_base": 1_000_000,
            "parents": [parent.pk for parent in parents],
            "expires_on": TODAY() + timedelta(days=30),
            "idempotency_key": new_key(),
            **more,
        }
    )


def test_a_prepared_solution_knows_what_it_was_made_of(bottle, prep, salt):
    bottle_a, bottle_b = bottle(), bottle()
    made = prepared(prep, salt, [bottle_a, bottle_b, bottle_a], idempotency_key="finish")
    again = prepared(prep, salt, [bottle_a, bottle_b], idempotency_key="finish")
    assert made.pk == again.pk
    assert (made.kind, made.unit, made.on_hand, made.prepared_by) == ("solution", "mL", 1_000_000, prep)
    assert {link.parent for link in LotParent.objects.filter(child=made)} == {bottle_a, bottle_b}
    diluted = prepared(prep, salt, [made], title="0.0100 mol/L sodium chloride")
    assert descendants_of(bottle_a) == sorted([made, diluted], key=lambda lot: lot.code)


def test_a_prepared_solution_without_contents_or_volume_is_refused(bottle, prep, salt):
    errors = refused_fields(prepared, actor=prep, salt=salt, parents=[], composition=[], volume_base=0)
    assert set(errors) == {"composition", "volume"}


# --- states ---------------------------------------------------------------------------------------
EVENTS = sorted({event for _, event in states.LOT_NEXT} | {"explode"})


@pytest.mark.parametrize("state", states.LOT_STATES)
@pytest.mark.parametrize("event", EVENTS)
def test_every_pair_of_state_and_event_does_what_the_table_says(bottle, prep, state, event):
    lot = bottle()
    # mark_empty needs an empty bottle by the ledger, reopen one with something in it.
    on_hand = 0 if event == "mark_empty" else 1
    Lot.objects.filter(pk=lot.pk).update(state=state, on_hand=on_hand)
    after = states.LOT_NEXT.get((state, event))
    if after is None:
        with pytest.raises(NotInThisState):
            change_lot_state(actor=prep, lot=lot, event=event, reason="Because")
        assert LotEvent.objects.count() == 0
    else:
        change_lot_state(actor=prep, lot=lot, event=event, reason="Because")
        (row,) = LotEvent.objects.all()
        assert (row.event, row.from_state, row.to_state, row.actor, row.reason) == (
            event,
            state,
            after,
            prep,
            "Because",
        )
        lot.refresh_from_db()
        assert lot.state == after


def test_a_recalled_bottle_never_becomes_available_by_being_emptied_and_reopened():
    reached, layer = set(), {states.RECALLED}
    while layer:
        reached |= layer
        layer = {
            after
            for (before, event), after in states.LOT_NEXT.items()
            if before in layer and event != "release"
        } - reached
    assert states.AVAILABLE not in reached


def test_stopping_a_bottle_needs_a_reason_and_the_stockroom(bottle, prep, instructor):
    lot = bottle()
    assert refused_fields(change_lot_state, actor=prep, lot=lot, event="recall", reason="  ")["reason"]
    with pytest.raises(NotAllowed):
        change_lot_state(actor=instructor, lot=lot, event="recall", reason="Because")


def test_a_bottle_that_still_holds_something_is_not_marked_as_empty(bottle, prep):
    lot = bottle("3.2")
    with pytest.raises(NotInThisState, match=r"still has 3\.2 g"):
        change_lot_state(actor=prep, lot=lot, event="mark_empty")


def test_the_first_day_of_opening_counts(bottle, prep):
    lot = bottle(received_on=date(2025, 1, 10))
    open_lot(actor=prep, lot=lot, on=date(2025, 2, 1))
    open_lot(actor=prep, lot=lot, on=date(2025, 3, 1))
    lot.refresh_from_db()
    assert lot.opened_on == date(2025, 2, 1)
    assert [event.event for event in lot.events.all()] == ["open"]
    assert refused_fields(open_lot, actor=prep, lot=bottle(), on=date(2020, 1, 1))["opened_on"]


# --- counts and disposals -------------------------------------------------------------------------
def counted(actor, lot, amount, **more):
    return correct_stock(
        **{
            "actor": actor,
            "lot": lot,
            "counted": amount,
            "unit": "g",
            "reason": "Yearly count",
            "idempotency_key": new_key(),
            **more,
        }
    )


def test_a_count_makes_the_ledger_say_what_is_there(bottle, prep):
    lot = bottle("500")
    row = counted(prep, lot, "487.5")
    assert (row.kind, row.amount, row.reason) == ("corrected", -12_500_000, "Yearly count")
    lot.refresh_from_db()
    assert lot.on_hand == 487_500_000
    assert stock_differences() == []


def test_a_count_that_agrees_is_noted_without_a_movement(bottle, prep):
    lot = bottle("500")
    assert counted(prep, lot, "0.5", unit="kg") is None
    assert lot.movements.count() == 1
    assert [(event.event, event.actor) for event in lot.events.all()] == [("count", prep)]


def test_a_count_of_nothing_marks_the_bottle_as_empty_and_a_later_find_quarantines_it(bottle, prep):
    lot = bottle("500")
    counted(prep, lot, "0")
    lot.refresh_from_db()
    assert (lot.on_hand, lot.state) == (0, states.EMPTY)
    counted(prep, lot, "20", reason="It was behind the others")
    lot.refresh_from_db()
    assert (lot.on_hand, lot.state) == (20_000_000, states.QUARANTINED)


def test_a_count_below_what_is_held_says_for_whom_it_is_held(bottle, prep):
    lot = bottle("500")
    hold_stock(actor=prep, draws={lot.pk: 100_000_000}, purpose="B-2601", idempotency_key="h")
    words = refused_fields(counted, actor=prep, lot=lot, amount="90")["counted"]
    assert words.startswith("100 g of it are held for B-2601, and only 90 g were counted.")


def test_a_count_taken_before_somebody_drew_is_stale(bottle, prep, second_prep):
    lot = bottle("500")
    dispose(actor=second_prep, lot=lot, amount="5", unit="g", reason="Spilled", idempotency_key="d")
    with pytest.raises(Conflict, match="now it has 495 g"):
        counted(prep, lot, "500", expected_on_hand=500_000_000)


def test_sending_a_count_twice_corrects_once(bottle, prep):
    lot = bottle("500")
    rows = [counted(prep, lot, "480", idempotency_key="c", expected_on_hand=500_000_000) for _ in range(2)]
    assert rows[0].pk == rows[1].pk
    lot.refresh_from_db()
    assert lot.on_hand == 480_000_000


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"reason": " "}, "reason"),
        ({"amount": ""}, "counted"),
        ({"amount": "-1"}, "counted"),
        ({"unit": "mL"}, "counted"),
    ],
)
def test_a_count_needs_a_figure_and_a_reason(bottle, prep, more, field):
    assert list(refused_fields(counted, **{"actor": prep, "lot": bottle(), "amount": "1", **more})) == [field]


def test_disposing_of_all_that_is_left_empties_the_bottle(bottle, prep):
    lot = bottle("10")
    row = dispose(actor=prep, lot=lot, amount="10", unit="g", reason="Caked", idempotency_key="d")
    lot.refresh_from_db()
    assert (row.kind, row.amount, lot.on_hand, lot.state) == ("disposed", -10_000_000, 0, states.EMPTY)
    back = reverse_movement(actor=prep, movement=row, reason="Wrong lot", idempotency_key="r")
    lot.refresh_from_db()
    assert (back.amount, lot.on_hand, lot.state) == (10_000_000, 10_000_000, states.QUARANTINED)


def test_what_is_held_is_not_disposed_of(bottle, prep):
    lot = bottle("10")
    hold_stock(actor=prep, draws={lot.pk: 4_000_000}, purpose="B-2601", idempotency_key="h")
    waste = {"actor": prep, "lot": lot, "unit": "g", "reason": "Caked", "idempotency_key": "d"}
    held = refused_fields(dispose, amount="7", **waste)["amount"]
    assert held.startswith("4 g of it are held for B-2601, and only 6 g are free.")
    assert refused_fields(dispose, amount="11", **waste)["amount"].startswith("The lot has only 10 g.")


def test_counting_is_for_the_stockroom(bottle, instructor):
    lot = bottle()
    with pytest.raises(NotAllowed):
        counted(instructor, lot, "1")
    with pytest.raises(NotAllowed):
        dispose(actor=instructor, lot=lot, amount="1", unit="g", reason="No", idempotency_key="d")


# --- apparatus ------------------------------------------------------------------------------------
def test_apparatus_is_added_and_taken_out_of_service(prep):
    flask = add_apparatus(
        actor=prep, type="one-mark flask", nominal_ml="250", apparatus_class="A", standard="ISO 1042:1998"
    )
    assert (flask.nominal_ml, flask.count, flask.in_service) == ("250", 1, True)
    assert set_in_service(actor=prep, item=flask, in_service=False, reason="Chipped").in_service is False


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("type", {"type": "bucket", "nominal_ml": "5"}),
        ("nominal_ml", {"type": "beaker"}),
        ("nominal_ml", {"type": "beaker", "nominal_ml": "-5"}),
        ("readability_g", {"type": "balance"}),
        ("nominal_ml", {"type": "balance", "readability_g": "0.01", "nominal_ml": "100"}),
        ("capacity_g", {"type": "beaker", "nominal_ml": "100", "capacity_g": "200"}),
        ("apparatus_class", {"type": "beaker", "nominal_ml": "100", "apparatus_class": "C"}),
        ("count", {"type": "beaker", "nominal_ml": "100", "count": 0}),
    ],
)
def test_a_slip_on_the_apparatus_form_is_refused_beside_its_field(prep, field, more):
    assert list(refused_fields(add_apparatus, actor=prep, **more)) == [field]


def test_apparatus_is_managed_by_the_stockroom(instructor):
    with pytest.raises(NotAllowed):
        add_apparatus(actor=instructor, type="beaker", nominal_ml="100")


def test_a_composition_survives_the_database_as_it_was_given(bottle, prep, salt):
    made = prepared(prep, salt, [])
    made.refresh_from_db()
    assert made.composition == [{"substance": "sodium chloride", "value": "0.1002", "unit": "mol/L"}]
