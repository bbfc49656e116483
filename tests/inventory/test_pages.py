"""The pages of the stockroom, as a person gets them."""

import re
from datetime import date, timedelta
from html import unescape

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import states
from inventory.codes import code_of
from inventory.models import ApparatusItem, Lot, LotEvent, Movement, Place, Substance
from inventory.selectors import stock_differences
from inventory.services import add_apparatus, add_place, change_lot_state, dispose, hold_stock
from tests.inventory.test_lots import prepared

pytestmark = pytest.mark.django_db


def words(response) -> str:
    """What a page says, without its tags; a quantity reads "500 g"."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def field_errors(response) -> dict[str, str]:
    """The sentences beside the fields, by the field's id."""
    found = re.findall(
        r'<p class="field-error" id="id_(\w+)_error">(.*?)</p>', response.content.decode(), re.S
    )
    return {name: unescape(re.sub(r"<span.*?</span>", "", text)).strip() for name, text in found}


@pytest.fixture
def at_bench(client, prep):
    client.force_login(prep)
    return client


@pytest.fixture
def as_instructor(client, instructor):
    client.force_login(instructor)
    return client


def page(name: str, *args: object) -> str:
    return reverse(f"inventory:{name}", args=args)


# --- the list -------------------------------------------------------------------------------------
def test_the_list_says_what_there_is_and_what_is_free(at_bench, bottle, prep, vitriol):
    lot = bottle("500", substance=vitriol)
    hold_stock(actor=prep, draws={lot.pk: 50_000_000}, purpose="B-2601", idempotency_key="h")
    response = at_bench.get(page("stock"))
    assert "Solid, 1 lot 500 g 50 g 450 g" in words(response)
    assert "CuSO<sub>4</sub>·5H<sub>2</sub>O" in response.content.decode()


def test_a_live_search_gets_the_list_alone_and_the_page_contains_it(at_bench, bottle, vitriol, salt):
    bottle(substance=salt)
    bottle(substance=vitriol)
    whole = at_bench.get(page("stock"), {"q": "blue vitriol"})
    part = at_bench.get(page("stock"), {"q": "blue vitriol"}, headers={"HX-Request": "true"})
    assert part.content.decode().strip() in whole.content.decode()
    assert "<html" not in part.content.decode()
    assert vitriol.name in words(part)
    assert salt.name not in words(part)


def test_the_filters_stand_in_the_address_and_survive_each_other(at_bench, bottle, salt):
    response = at_bench.get(page("stock"), {"q": "salt", "kind": "solid", "show": "stopped"})
    text = response.content.decode()
    assert '<input type="hidden" name="show" value="stopped">' in text
    assert "q=salt&amp;kind=solid&amp;show=expiring" in text


def test_a_scanned_code_opens_its_bottle(at_bench, bottle):
    lot = bottle()
    response = at_bench.get(page("stock"), {"q": lot.code.lower()})
    assert response.status_code == 302
    assert response["Location"] == page("lot", lot.code)


def test_a_scanned_code_of_a_place_or_of_apparatus_opens_its_page(at_bench, prep):
    store = add_place(actor=prep, name="Stockroom", parent=None, kind="room")
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    for name, code in (("apparatus_item", item.code), ("place", store.code)):
        response = at_bench.get(page("stock"), {"q": f" {code.lower()} "})
        assert (response.status_code, response["Location"]) == (302, page(name, code))
        assert at_bench.get(response["Location"]).status_code == 200


def test_a_garbled_code_of_any_kind_is_told_from_one_that_is_not_there(at_bench, prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    for letter in "LPA":
        absent = code_of(98765, letter)
        shown = words(at_bench.get(page("stock"), {"q": absent}))
        assert f"has the code “{absent}”" in shown
        assert "garbled" not in shown
        # ISO/IEC 7064: the check character finds every single wrong character and every swap of two.
        swapped = f"{absent[:2]}{absent[3]}{absent[2]}{absent[4:]}"
        assert f"“{swapped}” is garbled" in words(at_bench.get(page("stock"), {"q": swapped}))
    wrong = f"{item.code[:-1]}{'0' if item.code[-1] != '0' else '1'}"
    assert f"“{wrong}” is garbled" in words(at_bench.get(page("stock"), {"q": wrong}))
    # The same label on a French keyboard layout.
    assert "is garbled" in words(at_bench.get(page("stock"), {"q": "Q&é\"'(X"}))


def test_a_name_as_long_as_a_code_is_no_code(at_bench):
    assert "Nothing fits" in words(at_bench.get(page("stock"), {"q": "acetone"}))


def test_a_garbled_code_is_called_that(at_bench, bottle):
    bottle()
    assert "keyboard layout" in words(at_bench.get(page("stock"), {"q": "Là&é\"'X"}))
    assert "Nothing fits" in words(at_bench.get(page("stock"), {"q": "unobtainium"}))


@pytest.mark.parametrize(
    ("show", "says"),
    [
        ("shelf", "The shelf is empty"),
        ("expiring", "Nothing on the shelf is expired"),
        ("stopped", "Nothing is quarantined or recalled"),
        ("nonsense", "The shelf is empty"),
    ],
)
def test_an_empty_list_says_why_it_is_empty(at_bench, show, says):
    assert says in words(at_bench.get(page("stock"), {"show": show}))


@pytest.mark.parametrize(
    "odd", [{"page": "x"}, {"page": "-3"}, {"place": "999"}, {"kind": "gas"}, {"q": "x" * 900}]
)
def test_odd_things_in_the_address_count_as_nothing(at_bench, odd):
    assert at_bench.get(page("stock"), odd).status_code == 200


# --- one substance ------------------------------------------------------------------------------------
def test_a_substance_page_shows_its_other_forms_cautions_and_lots(at_bench, bottle, vitriol):
    Substance.objects.create(key="copper-sulfate", name="copper(II) sulfate", formula="CuSO4")
    lot = bottle("250", substance=vitriol, assay_percent="99,50")
    said = words(at_bench.get(page("substance", vitriol.key)))
    assert "249.68 g/mol" in said or "249.69 g/mol" in said
    assert "copper(II) sulfate" in said
    assert "safety data sheet" in said
    assert f"{lot.code} Solid Assay 99,50 % Available 250 g none 250 g" in said


def test_a_substance_nobody_reviewed_says_so_instead_of_nothing(at_bench):
    Substance.objects.create(key="own", name="own dye", formula="C20H14O4", record={"state": "solid"})
    assert "Nobody has reviewed the hazards of this substance here" in words(
        at_bench.get(page("substance", "own"))
    )


def test_a_row_whose_formula_cannot_be_read_is_still_shown(at_bench):
    Substance.objects.create(key="odd", name="odd row", formula="not a formula")
    assert at_bench.get(page("substance", "odd")).status_code == 200


def test_what_is_not_there_is_a_404(at_bench):
    for address in (
        page("substance", "nothing"),
        page("lot", "L00001N"),
        page("lot_correct", "L00001N"),
        page("movement_reverse", "L00001N", 1),
    ):
        assert at_bench.get(address).status_code == 404


# --- one bottle -----------------------------------------------------------------------------------
def test_a_bottle_shows_its_ledger_with_the_balance_after_each_entry(at_bench, bottle, prep):
    lot = bottle("500")
    dispose(actor=prep, lot=lot, amount="20", unit="g", reason="Spilled", idempotency_key="d")
    said = words(at_bench.get(page("lot", lot.code)))
    assert "Disposed of −20 g 480 g Spilled Pia Brook" in said
    assert "Received +500 g 500 g Received Pia Brook" in said


def test_a_bottle_shows_for_what_it_is_held(at_bench, bottle, prep):
    lot = bottle("500")
    hold_stock(actor=prep, draws={lot.pk: 50_000_000}, purpose="B-2601", idempotency_key="h")
    assert "B-2601 50 g" in words(at_bench.get(page("lot", lot.code)))


def test_a_code_in_small_letters_leads_to_the_same_page(at_bench, bottle):
    lot = bottle()
    response = at_bench.get(page("lot", lot.code.lower()))
    assert response["Location"] == page("lot", lot.code)


def test_an_instructor_sees_the_bottle_without_its_ledger_or_what_could_change_it(
    as_instructor, bottle, prep
):
    lot = bottle("500")
    hold_stock(actor=prep, draws={lot.pk: 50_000_000}, purpose="B-2601 of somebody", idempotency_key="h")
    said = words(as_instructor.get(page("lot", lot.code)))
    assert "450 g" in said
    for hidden in ("Ledger", "B-2601", "Correct", "Recall", "Pia Brook", "Receive a bottle"):
        assert hidden not in said
    assert "Receive" not in words(as_instructor.get(page("stock")))


@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("lot_receive", None),
        ("lot_label", ()),
        ("lot_correct", ()),
        ("lot_dispose", ()),
        ("lot_state", ("recall",)),
        ("apparatus_new", None),
    ],
)
def test_an_instructor_is_told_who_may_change_stock(as_instructor, bottle, name, more):
    lot = bottle()
    address = page(name) if more is None else page(name, lot.code, *more)
    for response in (as_instructor.get(address), as_instructor.post(address)):
        assert response.status_code == 403
        assert "This is for: prep or manager" in words(response)


def test_an_instructor_cannot_post_past_the_pages(as_instructor, bottle):
    lot = bottle()
    item = ApparatusItem.objects.create(type="beaker", nominal_ml="400", code="A000011")
    entry = lot.movements.get()
    for address in (
        page("lot_opened", lot.code),
        page("apparatus_service", item.code),
        page("movement_reverse", lot.code, entry.pk),
    ):
        assert as_instructor.post(address).status_code == 403
    lot.refresh_from_db()
    assert (lot.opened_on, lot.movements.count()) == (None, 1)


def test_a_bottle_past_its_day_is_called_expired_and_has_nothing_free(at_bench, bottle):
    lot = bottle("500", received_on=date(2020, 1, 1), expires_on=date(2021, 1, 1))
    said = words(at_bench.get(page("lot", lot.code)))
    assert f"Lot {lot.code} Expired" in said
    assert "Free 0 g" in said


def test_the_buttons_of_a_bottle_are_those_of_the_state_table(at_bench, bottle, prep):
    lot = bottle()
    assert offered(at_bench, lot) == {"quarantine", "recall"}
    change_lot_state(actor=prep, lot=lot, event="quarantine", reason="Label came off")
    assert offered(at_bench, lot) == {"release", "recall"}
    Lot.objects.filter(pk=lot.pk).update(on_hand=0, state=states.AVAILABLE)
    assert offered(at_bench, lot) == {"quarantine", "recall", "mark_empty"}


def offered(client, lot) -> set[str]:
    text = client.get(page("lot", lot.code)).content.decode()
    return set(re.findall(rf"/stock/lots/{lot.code}/state/(\w+)/", text))


# --- receiving ------------------------------------------------------------------------------------
@pytest.fixture
def receipt(salt):
    return {
        "idempotency_key": "form-1",
        "substance": salt.key,
        "kind": "solid",
        "amount": "2,50",
        "unit": "kg",
        "assay_percent": "99,50",
        "lot_number": "K 4711/2",
        "received_on": timezone.localdate().isoformat(),
    }


def test_a_bottle_is_received_from_the_page_and_its_code_is_said(at_bench, receipt, prep):
    place = Place.objects.create(name="Store")
    response = at_bench.post(page("lot_receive"), {**receipt, "place": place.pk}, follow=True)
    lot = Lot.objects.get()
    assert response.redirect_chain == [(page("lot", lot.code), 302)]
    assert f"Received as {lot.code}. Write this code on the bottle" in words(response)
    assert (lot.on_hand, lot.assay_percent, lot.lot_number, lot.place) == (
        2_500_000_000,
        "99,50",
        "K 4711/2",
        place,
    )
    assert lot.movements.get().actor == prep


def test_sending_the_page_twice_receives_one_bottle(at_bench, receipt):
    for _ in range(2):
        assert at_bench.post(page("lot_receive"), receipt).status_code == 302
    assert Lot.objects.count() == 1


def test_a_page_sent_before_with_something_else_says_what_was_recorded_and_keeps_what_was_typed(
    at_bench, receipt
):
    at_bench.post(page("lot_receive"), receipt)
    response = at_bench.post(page("lot_receive"), {**receipt, "amount": "1,25"})
    assert response.status_code == 409
    assert "This form was sent before and recorded as lot" in words(response)
    assert 'value="1,25"' in response.content.decode()
    assert Lot.objects.count() == 1


def test_every_mistake_stands_beside_its_field_and_on_top_and_nothing_typed_is_lost(at_bench, receipt):
    typed = {
        **receipt,
        "amount": "2.5.0",
        "assay_percent": "120.0",
        "mass_percent": "37",
        "expires_on": "2020-01-01",
        "note": "keep me",
    }
    response = at_bench.post(page("lot_receive"), typed)
    assert response.status_code == 422
    errors = field_errors(response)
    assert set(errors) == {"amount", "assay_percent", "mass_percent", "expires_on"}
    text = response.content.decode()
    summary = text[text.index('id="error-summary"') : text.index("</ul>", text.index('id="error-summary"'))]
    for name, sentence in errors.items():
        assert f'href="#id_{name}"' in summary
        assert sentence in unescape(summary)
        (element,) = re.findall(rf'<(?:input|select)[^>]* id="id_{name}"[^>]*>', text)
        assert 'aria-invalid="true"' in element
    for value in ("2.5.0", "120.0", "keep me", "form-1", "2020-01-01"):
        assert f'value="{value}"' in text
    assert "<title>Error: Receive a bottle" in text
    assert Lot.objects.count() == 0


def test_an_empty_form_names_what_is_needed(at_bench):
    response = at_bench.post(page("lot_receive"), {"idempotency_key": "k"})
    assert response.status_code == 422
    assert set(field_errors(response)) >= {"substance", "kind", "amount", "unit"}
    without_kind = at_bench.post(
        page("lot_receive"), {"idempotency_key": "k", "amount": "2,5.0", "unit": "g"}
    )
    assert set(field_errors(without_kind)) == {"substance", "kind", "amount"}


def test_the_link_of_a_substance_fills_in_what_is_known(at_bench, salt):
    text = at_bench.get(page("lot_receive"), {"substance": salt.key}).content.decode()
    assert re.search(r'<option value="sodium-chloride" selected', text)
    assert re.search(r'<input type="radio" name="kind" value="solid"[^>]*checked', text)
    assert at_bench.get(page("lot_receive"), {"substance": "unknown"}).status_code == 200


def test_the_options_of_the_substance_carry_what_is_searched(at_bench, vitriol):
    text = at_bench.get(page("lot_receive")).content.decode()
    assert 'data-detail="pentahydrate, CuSO4.5H2O, 7758-99-8"' in text
    assert 'data-words="blue vitriol cupric sulphate pentahydrate"' in text


def test_posting_a_state_a_balance_or_a_maker_changes_nothing(at_bench, receipt, manager):
    extra = {"state": "recalled", "on_hand": "1", "held": "1", "prepared_by": manager.pk, "code": "L1"}
    at_bench.post(page("lot_receive"), {**receipt, **extra})
    lot = Lot.objects.get()
    assert (lot.state, lot.held, lot.prepared_by) == ("available", 0, None)


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", '" onmouseover="x', "{{ 7|add:7 }}", "=1+1"])
def test_hostile_words_are_shown_as_words(at_bench, bottle, salt, name):
    Substance.objects.filter(pk=salt.pk).update(name=name)
    lot = bottle(lot_number=name, note=name, grade=name[:60])
    for address in (page("stock"), page("substance", salt.key), page("lot", lot.code), page("lot_receive")):
        text = at_bench.get(address).content.decode()
        assert "<script>alert" not in text
        assert 'onmouseover="x"' not in text
        assert name in unescape(text)


# --- counts, disposals, states, reversals -----------------------------------------------------------
def count(lot, **more) -> dict[str, object]:
    typed = {"counted": "487,5", "unit": "g", "reason": "Yearly count", "idempotency_key": "c"}
    return {**typed, "expected_on_hand": lot.on_hand, **more}


def test_a_count_is_first_shown_in_figures_and_saved_by_the_second_step(at_bench, bottle):
    lot = bottle("500")
    shown = at_bench.get(page("lot_correct", lot.code), count(lot))
    assert shown.status_code == 200
    assert "On hand, by the ledger 500 g Correction −12.5 g On hand afterwards 487.5 g" in words(shown)
    assert Movement.objects.count() == 1
    saved = at_bench.post(page("lot_correct", lot.code), count(lot), follow=True)
    assert "The ledger is corrected" in words(saved)
    lot.refresh_from_db()
    assert lot.on_hand == 487_500_000
    assert stock_differences() == []


def test_from_the_figures_one_can_go_back_to_what_was_typed(at_bench, bottle):
    lot = bottle("500")
    figures = at_bench.get(page("lot_correct", lot.code), count(lot)).content.decode()
    (back,) = re.findall(r'href="([^"]*edit=1)"', figures)
    response = at_bench.get(page("lot_correct", lot.code) + unescape(back))
    assert response.status_code == 200
    text = response.content.decode()
    assert re.search(r'<input type="text" name="counted" value="487,5"', text)
    assert 'value="Yearly count"' in text


def test_a_count_after_somebody_drew_is_told_and_asked_again_for_the_bottle_as_it_is(
    at_bench, bottle, second_prep
):
    lot = bottle("500")
    dispose(actor=second_prep, lot=lot, amount="5", unit="g", reason="Spilled", idempotency_key="d")
    response = at_bench.post(page("lot_correct", lot.code), count(lot))
    assert response.status_code == 409
    said = words(response)
    assert "When the page was shown" in said
    assert "now it has 495 g" in said
    text = response.content.decode()
    assert 'value="487,5"' in text
    key = re.search(r'name="idempotency_key" value="(\w+)"', text)[1]
    expected = re.search(r'name="expected_on_hand" value="(\d+)"', text)[1]
    again = count(lot, idempotency_key=key, expected_on_hand=expected)
    assert at_bench.post(page("lot_correct", lot.code), again).status_code == 302
    lot.refresh_from_db()
    assert lot.on_hand == 487_500_000


@pytest.mark.parametrize(
    ("more", "field"),
    [({"reason": ""}, "reason"), ({"counted": "a lot"}, "counted"), ({"counted": ""}, "counted")],
)
def test_a_count_that_cannot_be_read_is_a_422_beside_its_field(at_bench, bottle, more, field):
    lot = bottle("500")
    for send in (at_bench.get, at_bench.post):
        response = send(page("lot_correct", lot.code), count(lot, **more))
        assert response.status_code == 422
        assert set(field_errors(response)) == {field}


def test_a_double_click_on_the_second_step_corrects_once(at_bench, bottle):
    lot = bottle("500")
    for _ in range(2):
        assert at_bench.post(page("lot_correct", lot.code), count(lot)).status_code == 302
    assert Movement.objects.filter(kind="corrected").count() == 1


def test_disposing_shows_the_figures_and_defers_to_the_local_rules(at_bench, bottle):
    lot = bottle("10")
    typed = {"amount": "10", "unit": "g", "reason": "Caked", "idempotency_key": "d"}
    typed["expected_on_hand"] = lot.on_hand
    shown = words(at_bench.get(page("lot_dispose", lot.code), typed))
    assert "Goes to waste −10 g On hand afterwards 0 g" in shown
    assert "marked as empty" in shown
    assert "safety officer" in shown
    at_bench.post(page("lot_dispose", lot.code), typed)
    lot.refresh_from_db()
    assert (lot.on_hand, lot.state) == (0, "empty")


def test_a_recall_shows_everything_the_bottle_went_into_and_for_whom_it_is_held(at_bench, bottle, prep, salt):
    lot = bottle()
    made = prepared(prep, salt, [lot])
    diluted = prepared(prep, salt, [made], title="0.0100 mol/L sodium chloride")
    hold_stock(actor=prep, draws={lot.pk: 50_000_000}, purpose="B-2601", idempotency_key="h")
    said = words(at_bench.get(page("lot_state", lot.code, "recall")))
    assert made.code in said
    assert diluted.code in said
    assert "Held for something else: B-2601" in said
    response = at_bench.post(
        page("lot_state", lot.code, "recall"),
        {"reason": "Supplier's letter", "idempotency_key": "s"},
        follow=True,
    )
    assert f"{lot.code} is recalled" in words(response)
    assert "are still held, though it is recalled" in words(at_bench.get(page("lot", lot.code)))
    assert {event.lot for event in LotEvent.objects.filter(reason="Supplier's letter")} == {
        lot,
        made,
        diluted,
    }


def test_a_recall_without_a_reason_is_refused_beside_the_field(at_bench, bottle):
    lot = bottle()
    response = at_bench.post(page("lot_state", lot.code, "recall"), {"reason": " ", "idempotency_key": "s"})
    assert response.status_code == 422
    assert set(field_errors(response)) == {"reason"}


def test_a_state_change_that_came_too_late_is_told(at_bench, bottle, prep):
    lot = bottle()
    change_lot_state(actor=prep, lot=lot, event="recall", reason="Supplier's letter")
    assert "can't be done now" in words(at_bench.get(page("lot_state", lot.code, "release")))
    typed = {"reason": "Label came off", "idempotency_key": "s"}
    response = at_bench.post(page("lot_state", lot.code, "release"), typed)
    assert response.status_code == 409
    assert at_bench.get(page("lot_state", lot.code, "explode")).status_code == 404


def test_an_entry_is_reversed_from_its_page(at_bench, bottle, prep):
    lot = bottle("500")
    row = dispose(actor=prep, lot=lot, amount="20", unit="g", reason="Wrong lot", idempotency_key="d")
    address = page("movement_reverse", lot.code, row.pk)
    assert "Reversal +20 g On hand afterwards 500 g" in words(at_bench.get(address))
    response = at_bench.post(address, {"reason": "Wrong lot", "idempotency_key": "r"}, follow=True)
    said = words(response)
    assert "Both entries stay in the ledger" in said
    assert "Reversed +20 g 500 g Wrong lot (undoes the entry of" in said
    again = at_bench.post(address, {"reason": "Wrong lot", "idempotency_key": "r2"})
    assert again.status_code == 409


def test_an_entry_of_another_bottle_is_not_reversed_under_this_ones_address(at_bench, bottle):
    one, two = bottle(), bottle()
    address = page("movement_reverse", one.code, two.movements.get().pk)
    assert at_bench.get(address).status_code == 404


def test_a_bottle_is_opened_once(at_bench, bottle):
    lot = bottle()
    for _ in range(2):
        at_bench.post(page("lot_opened", lot.code))
    lot.refresh_from_db()
    assert lot.opened_on == timezone.localdate()
    assert LotEvent.objects.count() == 1
    assert at_bench.get(page("lot_opened", lot.code)).status_code == 405


# --- labels ---------------------------------------------------------------------------------------
def test_a_mistyped_label_is_put_right_and_the_history_says_from_what_to_what(at_bench, bottle):
    lot = bottle(assay_percent="95.9", lot_number="K1")
    place = Place.objects.create(name="Annexe")
    typed = {"assay_percent": "99.5", "lot_number": "K1", "place": place.pk, "idempotency_key": "l"}
    missing = at_bench.post(page("lot_label", lot.code), typed)
    assert (missing.status_code, set(field_errors(missing))) == (422, {"reason"})
    at_bench.post(page("lot_label", lot.code), {**typed, "reason": "Digits swapped"})
    lot.refresh_from_db()
    assert (lot.assay_percent, lot.place) == ("99.5", place)
    assert [(event.event, event.reason) for event in lot.events.all()] == [
        ("move", "From nowhere to Annexe"),
        ("label", "assay “95.9” to “99.5”. Digits swapped"),
    ]


def test_a_label_is_checked_like_a_receipt(at_bench, bottle):
    lot = bottle(assay_percent="95.9")
    response = at_bench.post(
        page("lot_label", lot.code), {"assay_percent": "995", "reason": "x", "idempotency_key": "l"}
    )
    assert set(field_errors(response)) == {"assay_percent"}


def test_putting_a_bottle_elsewhere_needs_no_reason(at_bench, bottle):
    lot = bottle()
    place = Place.objects.create(name="Annexe")
    at_bench.post(page("lot_label", lot.code), {"place": place.pk, "idempotency_key": "l"})
    assert [event.event for event in lot.events.all()] == ["move"]


def test_what_was_computed_of_a_prepared_solution_is_not_typed_over(at_bench, prep, salt):
    made = prepared(prep, salt, [])
    text = at_bench.get(page("lot_label", made.code)).content.decode()
    assert "id_concentration_mol_per_l" not in text
    at_bench.post(
        page("lot_label", made.code),
        {
            "concentration_mol_per_l": "5",
            "note": "In the cold room",
            "idempotency_key": "l",
            "expires_on": made.expires_on.isoformat(),
        },
    )
    made.refresh_from_db()
    assert (made.concentration_mol_per_l, made.note) == ("0.1002", "In the cold room")


# --- apparatus ------------------------------------------------------------------------------------
def test_apparatus_is_added_with_the_standard_its_class_means(at_bench):
    typed = {
        "type": "one-mark flask",
        "count": "12",
        "nominal_ml": "250",
        "mark": "ISO 1042:1998|A",
        "idempotency_key": "a",
    }
    response = at_bench.post(page("apparatus_new"), typed, follow=True)
    item = ApparatusItem.objects.get()
    assert (item.apparatus_class, item.standard, item.count) == ("A", "ISO 1042:1998", 12)
    # ISO 1042:1998: 0.15 mL for a class A flask of 250 mL.
    assert "250 mL One-mark flask Class A, ISO 1042:1998 ± 0.15 mL by the standard 12" in words(response)


def test_a_double_click_adds_the_apparatus_once(at_bench):
    typed = {"type": "beaker", "count": "12", "nominal_ml": "400", "idempotency_key": "a"}
    for _ in range(2):
        assert at_bench.post(page("apparatus_new"), typed).status_code == 302
    assert ApparatusItem.objects.get().count == 12


def test_a_double_click_recalls_once(at_bench, bottle):
    lot = bottle()
    typed = {"reason": "Supplier's letter", "idempotency_key": "s"}
    for _ in range(2):
        assert at_bench.post(page("lot_state", lot.code, "recall"), typed).status_code == 302
    assert LotEvent.objects.count() == 1


def test_measuring_ware_without_a_known_limit_is_refused_with_what_would_do(at_bench):
    typed = {"type": "one-mark flask", "count": "1", "nominal_ml": "333", "mark": "ISO 1042:1998|A"}
    response = at_bench.post(page("apparatus_new"), {**typed, "idempotency_key": "a"})
    assert response.status_code == 422
    assert "has no one-mark flask of 333 mL" in field_errors(response)["tolerance_ml"]


def test_apparatus_goes_out_of_service_and_back(at_bench, prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    out = {"in_service": "0", "reason": "Chipped", "idempotency_key": "o"}
    response = at_bench.post(page("apparatus_service", item.code), out, follow=True)
    assert "Out of service" in words(response)
    back = {"in_service": "1", "reason": "Ground smooth", "idempotency_key": "i"}
    at_bench.post(page("apparatus_service", item.code), back)
    item.refresh_from_db()
    assert item.in_service


def test_an_empty_list_of_apparatus_says_how_to_begin(at_bench, client, instructor):
    assert "Begin with adding apparatus" in words(at_bench.get(page("apparatus")))
    client.force_login(instructor)
    assert "Begin with" not in words(client.get(page("apparatus")))


# --- speed ------------------------------------------------------------------------------------------
def queries_of(client, address, django_assert_max_num_queries) -> int:
    with django_assert_max_num_queries(40) as seen:
        assert client.get(address).status_code == 200
    return len(seen)


def test_pages_take_the_same_queries_for_two_rows_and_for_twenty(
    at_bench, bottle, prep, salt, django_assert_max_num_queries
):
    lot = bottle("5000")
    store = Place.objects.create(name="Store")

    def fill(first: int, last: int) -> None:
        for n in range(first, last):
            substance = Substance.objects.create(key=f"s{n}", name=f"substance {n}", formula="KI")
            bottle(substance=substance)
            cabinet = Place.objects.create(name=f"Cabinet {n}", parent=store)
            bottle(place=Place.objects.create(name="Shelf", parent=cabinet))
            hold_stock(actor=prep, draws={lot.pk: 1_000_000}, purpose=f"B-{n}", idempotency_key=f"h{n}")
            dispose(actor=prep, lot=lot, amount="1", unit="g", reason="Spilled", idempotency_key=f"d{n}")
            prepared(prep, salt, [lot], title=f"solution {n}")
            change_lot_state(actor=prep, lot=lot, event="quarantine", reason="Look at it")
            change_lot_state(actor=prep, lot=lot, event="release", reason="Looked at it")
            add_apparatus(actor=prep, type="beaker", nominal_ml="400", place=store)

    addresses = [
        page("stock"),
        page("lot", lot.code),
        page("substance", salt.key),
        page("apparatus"),
        page("lot_receive"),
        page("lot_state", lot.code, "recall"),
    ]
    fill(0, 2)
    few = [queries_of(at_bench, address, django_assert_max_num_queries) for address in addresses]
    fill(2, 20)
    many = [queries_of(at_bench, address, django_assert_max_num_queries) for address in addresses]
    assert many == few
    assert max(many) <= 20


def test_a_get_changes_nothing(at_bench, bottle, django_capture_on_commit_callbacks):
    lot = bottle("500")
    before = list(Lot.objects.values()), Movement.objects.count(), LotEvent.objects.count()
    for address in (
        page("lot_correct", lot.code),
        page("lot_dispose", lot.code),
        page("lot_state", lot.code, "recall"),
        page("movement_reverse", lot.code, lot.movements.get().pk),
        page("lot_label", lot.code),
    ):
        assert at_bench.get(address).status_code == 200
    assert (list(Lot.objects.values()), Movement.objects.count(), LotEvent.objects.count()) == before


def test_a_day_is_the_departments_day(at_bench, bottle):
    lot = bottle("500", expires_on=timezone.localdate() + timedelta(days=29))
    assert "Expires within 30 days" in words(at_bench.get(page("lot", lot.code)))
