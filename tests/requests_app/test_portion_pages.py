"""The pages of bottles that leave: poured, labelled, on the cart, signed for, taken back."""

from datetime import timedelta

import pytest
from django.utils import timezone
from django.utils.html import strip_tags

from inventory.services import add_place, add_waste_stream, change_lot_state
from requests_app import states
from requests_app.models import Meeting, Order, Portion, UnknownSample, UnknownSet
from requests_app.selectors.cart import cart_of, trays_of
from requests_app.selectors.portions import labels_of, row_of, rows_of_batch, volume_words
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.portions import deliver_portions, pour_portions
from requests_app.services.returning import mark_empty
from tests.requests_app.terms import SALT, make_list
from tests.requests_app.test_batches import do_steps

pytestmark = pytest.mark.usefixtures("any_draw")


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def text_of(answer) -> str:
    return " ".join(strip_tags(answer.content.decode()).split())


@pytest.fixture
def made(salt, send, prep):
    return finished(send(due_at=timezone.now() + timedelta(hours=3)), prep)


def finished(order, prep):
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(batch, prep)
    return finish_batch(actor=prep, batch=batch)


@pytest.fixture
def poured(made, prep):
    return pour_portions(actor=prep, batch=made)


@pytest.fixture
def at_work(client, prep):
    client.force_login(prep)
    return client


def day_of(portion) -> str:
    return timezone.localtime(portion.due_at).date().isoformat()


# --- pouring --------------------------------------------------------------------------------------
def test_a_ready_batch_is_poured_by_one_press(at_work, made):
    page = at_work.get(f"/batches/{made.reference}/portions/")
    assert "To be poured out" in text_of(page)
    answer = at_work.post(f"/batches/{made.reference}/portions/pour/", follow=True)
    assert "3 bottles stand on the list" in text_of(answer)
    for one in Portion.objects.all():
        assert one.code in text_of(answer)


def test_a_wrong_volume_is_refused_beside_its_bottle_and_stays_typed(at_work, poured):
    answer = at_work.post(f"/portions/{poured[0].code}/split/", {"key": "k", "amount": "5000"})
    assert answer.status_code == 422
    assert f"{poured[0].code} holds" in text_of(answer)
    assert 'value="5000"' in answer.content.decode()
    answer = at_work.post(f"/portions/{poured[0].code}/split/", {"key": "k", "amount": "50"}, follow=True)
    assert Portion.objects.count() == 4
    assert "50 mL" in text_of(answer)


def test_pouring_a_bottle_back_asks_why(at_work, poured):
    answer = at_work.post(f"/portions/{poured[0].code}/pour-back/", {"reason": ""})
    assert answer.status_code == 422
    at_work.post(f"/portions/{poured[0].code}/pour-back/", {"reason": "away"})
    assert fresh(poured[0]).state == states.CANCELLED


def test_a_volume_is_said_as_it_is_measured_out():
    said = [volume_words(base) for base in (330_000, 333_333, 1_234_567, 45_678, 500)]
    assert said == ["330 mL", "333.3 mL", "1235 mL", "45.68 mL", "0.5 mL"]


# --- labels -----------------------------------------------------------------------------------------
def test_a_label_says_what_was_found_and_not_what_was_planned(at_work, poured, made):
    found = fresh(made).settlement["concentrations"][0]
    (label, *_) = labels_of(rows_of_batch(made.claimed_by, made))
    assert (label.contents[0].value, label.contents[0].unit) == (str(found["value"]), "mol/L")
    page = text_of(at_work.get(f"/batches/{made.reference}/labels/"))
    assert f"{found['value']} mol/L" in page
    assert f"± {found['expanded_uncertainty_percent']:g} %" in page
    lot = fresh(made).prepared_lot
    for said in (lot.code, "Pia Brook", f"{lot.expires_on:%B %Y}", "safety data sheet", "210", "NaCl"):
        assert said in page, said
    assert page.count("Good until") == 3
    one = at_work.get(f"/batches/{made.reference}/labels/?only={poured[0].code}&size=vial")
    assert text_of(one).count("Good until") == 1


def test_the_label_of_a_coded_sample_says_its_code_and_nothing_of_what_is_in_it(at_work, made, poured):
    order = poured[0].order
    unknowns = UnknownSet.objects.create(
        reference="U-1",
        course=order.course,
        ordered_by=order.ordered_by,
        title="Salt",
        substance=made.prepared_lot.substance,
        lowest="1",
        highest="3",
        unit="mol/L",
        count=1,
        volume_per_sample="100",
        due_at=order.due_at,
        room="210",
        idempotency_key="u",
    )
    UnknownSample.objects.create(unknown_set=unknowns, position=1, code="K7QX", order=order)
    (label, *_) = labels_of(rows_of_batch(made.claimed_by, made))
    assert (label.row.what, label.contents) == ("K7QX", ())
    for address in (
        f"/batches/{made.reference}/labels/",
        f"/cart/?on={day_of(poured[0])}",
        "/cart/deliver/?room=210",
    ):
        page = text_of(at_work.get(address))
        assert "K7QX" in page, address
        if "labels" not in address:
            # The heading of the page of labels is for the stockroom and is not printed.
            assert "mol/L" not in page, address
    printed = at_work.get(f"/batches/{made.reference}/labels/").content.decode().split('class="labels"')[1]
    for told in ("mol/L", "NaCl", "sodium chloride", made.prepared_lot.code):
        assert told not in printed, told


# --- the cart -----------------------------------------------------------------------------------------
def test_the_cart_shows_by_room_what_is_ready_and_what_is_missing(at_work, poured, send):
    order = send(target="1.00", room="211", due_at=poured[0].due_at)
    page = text_of(at_work.get(f"/cart/?on={day_of(poured[0])}"))
    assert page.index("210") < page.index("211")
    assert all(one.code in page for one in poured)
    assert f"Missing: {order.title}" in page
    assert "not ready: in the queue" in page


def test_what_is_ready_and_not_poured_yet_is_missing_on_the_cart(at_work, made):
    page = text_of(at_work.get(f"/cart/?on={timezone.localtime(made.due_at).date().isoformat()}"))
    assert "ready, not poured into bottles yet" in page


def test_a_bottle_is_ticked_and_unticked(at_work, poured):
    one = poured[0]
    at_work.post(f"/portions/{one.code}/load/", {"on": day_of(one)})
    assert fresh(one).state == states.LOADED
    at_work.post(f"/portions/{one.code}/unload/", {"on": day_of(one)})
    assert fresh(one).state == states.POURED


def test_a_scan_loads_and_a_wrong_code_is_named(at_work, poured, salt, prep):
    place = add_place(actor=prep, name="Shelf 1", kind="shelf")
    assert at_work.post("/cart/scan/", {"scan": poured[0].code.lower()}).status_code == 302
    assert fresh(poured[0]).state == states.LOADED
    for wrong, said in (
        (salt.code, "label of a lot"),
        (place.code, "label of a place, Shelf 1"),
        ("D00001", "a character is missing or wrong"),
    ):
        answer = at_work.post("/cart/scan/", {"scan": wrong})
        assert answer.status_code == 422
        assert said in text_of(answer)


def test_the_cart_takes_as_many_queries_for_many_bottles_as_for_few(
    prep, poured, django_assert_max_num_queries
):
    with django_assert_max_num_queries(12):
        cart_of(prep, timezone.localtime(poured[0].due_at).date())


def test_acid_and_base_ride_on_trays_of_their_own(bench, bottle, send, prep):
    # Strong acids apart from strong bases: every published storage scheme says so; see data/storage.toml.
    due = timezone.now() + timedelta(hours=3)
    bottle("hydrochloric-acid", "2500", "liquid", mass_percent="37.0", density_g_per_ml="1.184")
    bottle("sodium-hydroxide", "500", assay_percent="99.0", assay_tolerance_percent="0.5")
    rows = []
    for substance in ("hydrochloric-acid", "sodium-hydroxide"):
        batch = finished(send(substance=substance, target="1.0", due_at=due, tolerance="5"), prep)
        rows += [row_of(one) for one in pour_portions(actor=prep, batch=batch)]
    trays, _ = trays_of(rows)
    assert len(trays) == 2
    assert [len(tray.rows) for tray in trays] == [3, 3]
    assert "apart from" in trays[1].because[0]
    alone, _ = trays_of(rows[:3])
    assert len(alone) == 1


# --- delivering -----------------------------------------------------------------------------------------
def test_several_bottles_of_one_room_are_signed_for_by_one_tap(at_work, poured, instructor):
    page = at_work.get(f"/cart/deliver/?room=210&on={day_of(poured[0])}")
    assert "Ines Vale" in text_of(page)
    codes = [one.code for one in poured]
    answer = at_work.post(
        "/cart/deliver/", {"shown": codes, "bottle": codes[:2], "receiver": str(instructor.pk)}, follow=True
    )
    assert "2 bottles are delivered to 210" in text_of(answer)
    assert [fresh(one).state for one in poured] == ["delivered", "delivered", "poured"]
    assert fresh(poured[0]).received_by == instructor
    answer = at_work.post("/cart/deliver/", {"shown": codes[2:], "bottle": codes[2:], "receiver": "left"})
    assert fresh(poured[2]).order.state == states.HANDED_OVER


def test_a_list_older_than_what_a_colleague_did_says_what_became_of_the_bottle(at_work, poured, prep):
    one = poured[0]
    deliver_portions(actor=prep, portions=[one], left_in_room=True)
    mark_empty(actor=prep, portion=one)
    sent = {"shown": [one.code], "bottle": [one.code], "receiver": "left"}
    told = text_of(at_work.post("/cart/deliver/", sent, follow=True))
    assert f"{one.code} was delivered before: used up." in told
    assert f"{one.code} is delivered" not in told


@pytest.mark.parametrize("day", ["9999-12-31", "0001-01-01", "2026-02-30", "soon"])
def test_a_day_that_no_cart_has_shows_that_of_today(at_work, day):
    page = text_of(at_work.get(f"/cart/?on={day}"))
    today = timezone.localdate()
    assert f"Cart of {today:%A} {today.day} {today:%B}" in page


def test_a_scan_that_read_nothing_says_so(at_work):
    answer = at_work.post("/cart/scan/", {"scan": " "})
    assert answer.status_code == 422
    assert "Nothing was read" in text_of(answer)


def test_somebody_else_needs_a_name_and_nobody_is_asked_for(at_work, poured, colleague):
    codes = [one.code for one in poured]
    for sent in (
        {"receiver": "other", "name": ""},
        {"receiver": str(colleague.pk)},
        {},
    ):
        answer = at_work.post("/cart/deliver/", {"shown": codes, "bottle": codes, **sent})
        assert answer.status_code == 422
    assert at_work.post("/cart/deliver/", {"shown": codes, "receiver": "left"}).status_code == 422
    assert fresh(poured[0]).state == states.POURED
    at_work.post(
        "/cart/deliver/", {"shown": codes, "bottle": codes, "receiver": "other", "name": "A. Porter"}
    )
    assert fresh(poured[0]).received_name == "A. Porter"


# --- coming back ------------------------------------------------------------------------------------------
@pytest.fixture
def out(poured, prep):
    return deliver_portions(actor=prep, portions=poured, left_in_room=True)


def test_a_bottle_is_taken_back_in_two_steps(at_work, out, prep):
    stream = add_waste_stream(actor=prep, name="Chloride, aqueous")
    code = out[0].code
    assert "How does it come back?" in text_of(at_work.get(f"/cart/back/?scan={code}"))
    where = at_work.get(f"/cart/back/?scan={code}&left=40&condition=soiled")
    assert "Chloride, aqueous" in text_of(where)
    assert "Back into" not in text_of(where)
    answer = at_work.post(
        "/cart/back/",
        {"scan": code, "left": "40", "condition": "soiled", "where": f"waste:{stream.pk}"},
        follow=True,
    )
    assert "into “Chloride, aqueous”" in text_of(answer)
    assert fresh(out[0]).state == states.RETURNED


def test_more_than_was_delivered_is_refused_where_it_is_typed(at_work, out):
    answer = at_work.get(f"/cart/back/?scan={out[0].code}&left=5000&condition=unopened")
    assert answer.status_code == 422
    assert "no more can come back" in text_of(answer)
    assert 'value="5000"' in answer.content.decode()


def test_what_was_opened_and_kept_clean_is_offered_a_place_of_its_own(at_work, out):
    address = f"/cart/back/?scan={out[0].code}&left=40&condition=clean"
    page = text_of(at_work.get(address))
    assert "Keep it apart" in page
    assert "Back into" not in page
    at_work.post("/cart/back/", {"scan": out[0].code, "left": "40", "condition": "clean", "where": "apart"})
    assert fresh(out[0]).returned_to.state == "quarantined"


def test_of_a_stopped_solution_the_page_says_so_and_keeps_nothing_for_use(at_work, out, prep):
    change_lot_state(actor=prep, lot=out[0].lot, event="recall", reason="a letter")
    page = text_of(at_work.get(f"/cart/back/?scan={out[0].code}&left=40&condition=clean"))
    assert "is recalled" in page
    assert "Keep it apart" not in page


def test_a_delivery_noted_by_mistake_is_taken_back_from_the_page_of_the_bottle(at_work, out):
    page = text_of(at_work.get(f"/cart/back/?scan={out[0].code}"))
    assert "It was not delivered" in page
    answer = at_work.post(f"/portions/{out[0].code}/not-delivered/", follow=True)
    assert f"{out[0].code} is on the cart again" in text_of(answer)
    assert fresh(out[0]).state == states.LOADED
    again = at_work.post(f"/portions/{out[0].code}/not-delivered/", follow=True)
    assert again.status_code == 200


def test_whoever_has_a_bottle_of_a_solution_stopped_since_reads_not_to_use_it(
    client, poured, prep, instructor
):
    out = deliver_portions(actor=prep, portions=poured[:1], left_in_room=True)
    change_lot_state(actor=prep, lot=out[0].lot, event="quarantine", reason="cloudy.")
    client.force_login(instructor)
    page = text_of(client.get(f"/orders/{out[0].order.reference}/"))
    assert "Do not use what is left: keep it apart and ask the stockroom." in page
    client.force_login(prep)
    page = text_of(client.get(f"/cart/back/?scan={out[0].code}"))
    assert "Nobody uses what is left" in page
    assert "It was not delivered" not in page


def test_the_labels_of_a_stopped_solution_say_stop_before_they_are_printed(at_work, poured, prep):
    change_lot_state(actor=prep, lot=poured[0].lot, event="quarantine", reason="cloudy.")
    assert "is quarantined: cloudy" in text_of(at_work.get(f"/batches/{poured[0].batch.reference}/labels/"))
    refused = text_of(at_work.post(f"/portions/{poured[0].code}/load/"))
    assert "is quarantined: cloudy. Give it up" in refused


def test_empties_are_scanned_one_after_the_other(at_work, out):
    for one in out[:2]:
        answer = at_work.post("/cart/empties/", {"scan": one.code}, follow=True)
        assert f"{one.code} from 210 is marked empty" in text_of(answer)
    assert at_work.post("/cart/empties/", {"scan": "L000017"}).status_code == 422
    assert [fresh(one).state for one in out] == ["empty", "empty", "delivered"]


# --- for whoever ordered ------------------------------------------------------------------------------------
def test_the_one_who_ordered_reads_where_the_bottles_are_and_who_has_them(client, poured, prep, instructor):
    deliver_portions(actor=prep, portions=poured[:1], received_by=instructor)
    client.force_login(instructor)
    page = text_of(client.get(f"/orders/{poured[0].order.reference}/"))
    assert "In 210, taken by Ines Vale" in page
    assert "Poured and labelled" in page
    assert client.get("/cart/").status_code == 403


def test_a_bottle_that_nobody_wants_any_more_is_to_be_taken_off_the_cart(at_work, poured):
    at_work.post(f"/portions/{poured[0].code}/load/", {"on": day_of(poured[0])})
    at_work.post(f"/portions/{poured[0].code}/pour-back/", {"reason": "section is away"})
    page = text_of(at_work.get(f"/cart/?on={day_of(poured[0])}"))
    assert f"{poured[0].code}: nobody wants it any more, section is away." in page


def test_what_the_bench_list_wants_besides_stands_under_the_hour_once_for_each_section(
    at_work, send, salt, course, instructor, sections
):
    version = make_list(course, "Brine", instructor, [SALT])
    version.consumables.create(what="filter paper", per_group="2", per_section="5", unit="pieces")
    version.apparatus.create(type="burette", size="25 mL", per_group=1)
    due = timezone.now() + timedelta(hours=3)
    meetings = [
        Meeting.objects.create(section=section, week=1, starts_at=due, ends_at=due + timedelta(hours=2))
        for section in sections[:2]
    ]
    for meeting in (*meetings, meetings[0]):
        order = send(section_ids=(meeting.section_id,), due_at=due, made_alone=True)
        Order.objects.filter(pk=order.pk).update(
            meeting=meeting, list_solution=version.solutions.get(), list_line=None
        )
    page = text_of(at_work.get(f"/cart/?on={timezone.localtime(due).date().isoformat()}"))
    # Twelve groups: 12 x 2 + 5 sheets, 12 burettes.
    assert page.count("29 pieces filter paper") == 2
    assert page.count("12 × 25 mL burette") == 2


def test_handing_over_leads_to_the_bottles_and_from_there_to_all_at_once(at_work, made):
    page = at_work.get(f"/batches/{made.reference}/").content.decode()
    bottles, at_once = f"/batches/{made.reference}/portions/", f"/batches/{made.reference}/hand-over/"
    assert (page.count(f'href="{bottles}"'), page.count(f'href="{at_once}"')) == (1, 0)
    assert f'href="{at_once}"' in at_work.get(bottles).content.decode()


def test_the_rooms_of_the_cart_stand_as_a_person_counts_them(at_work, prep, salt, send):
    for room in ("10", "2", "A 12", "A 3"):
        send(room=room, due_at=timezone.now() + timedelta(hours=3))
    on = timezone.localtime(timezone.now() + timedelta(hours=3)).date()
    assert [one.room for one in cart_of(prep, on)] == ["2", "10", "A 3", "A 12"]
