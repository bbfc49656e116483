"""The pages of those who order, as their browsers see them; everything here works without a script."""

import re
import uuid
from datetime import UTC, datetime, timedelta
from html import unescape

import pytest
import time_machine
from django.urls import reverse
from django.utils import timezone

from inventory.models import Hold
from requests_app import states
from requests_app.models import Batch, Order, Section
from requests_app.services.claiming import claim_batch
from tests.requests_app.conftest import substance_row
from tests.requests_app.test_batches import do_steps

# The bottles of these tests are small.
pytestmark = pytest.mark.usefixtures("any_draw")

NEW = "/orders/new/"


@pytest.fixture
def signed_in(client, instructor):
    """The instructor's browser."""
    client.force_login(instructor)
    return client


@pytest.fixture
def as_person(client):
    def sign_in(person):
        client.force_login(person)
        return client

    return sign_in


@pytest.fixture
def filled(sections):
    """A form filled in well: 990 mL of 2.00 mol/L sodium chloride for tomorrow. Change what matters."""
    substance_row("sodium-chloride")

    def fill(step="check", **changes):
        tomorrow = timezone.localtime() + timedelta(days=1)
        values = {
            "step": step,
            "key": uuid.uuid4().hex,
            "sections": [str(section.pk) for section in sections],
            "groups_per_section": "12",
            "volume_per_group": "25",
            "volume_unit": "mL",
            "overage_percent": "10",
            "tolerance_percent": "",
            "temperature_c": "",
            "due_date": f"{tomorrow:%Y-%m-%d}",
            "due_time": "09:30",
            "room": "210",
            "notes": "",
            "components-TOTAL_FORMS": "1",
            "components-INITIAL_FORMS": "0",
            "components-0-substance": "sodium chloride",
            "components-0-target": "2.00",
            "components-0-unit": "mol/L",
            "components-0-equivalents": "",
        }
        return {**values, **{name.replace("__", "-"): value for name, value in changes.items()}}

    return fill


def text_of(response) -> str:
    """The page as words."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", response.content.decode())).split())


def field_error(response, name: str) -> str:
    """What stands beside a field."""
    html = response.content.decode()
    found = re.search(rf'id="id_{name}_error">(.*?)</p>', html, re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", found[1])).split()) if found else ""


def value_of(response, name: str) -> str:
    """What a text field of the page holds."""
    tag = re.search(rf'<input[^>]*name="{name}"[^>]*>', response.content.decode())
    found = re.search(r'value="([^"]*)"', tag[0]) if tag else None
    return unescape(found[1]) if found else ""


# --- the form ------------------------------------------------------------------------------------
def test_the_form_offers_ones_own_sections_with_their_sizes(signed_in, sections, colleague):
    Section.objects.create(course=sections[0].course, name="Z", instructor=colleague, groups=7)
    page = text_of(signed_in.get(NEW))
    assert "Section A, 12 groups" in page
    assert "Section Z" not in page


def test_every_field_has_a_label_and_none_is_a_number_field(signed_in, sections):
    html = signed_in.get(NEW).content.decode()
    fields = re.findall(
        r'<(?:input|select|textarea)(?![^>]*type="(?:hidden|submit)")[^>]*\bid="([^"]+)"', html
    )
    labels = set(re.findall(r'<label[^>]*\bfor="([^"]+)"', html))
    assert len(fields) > 12
    assert set(fields) <= labels
    assert 'type="number"' not in html


def test_each_form_has_a_key_of_its_own(signed_in, sections):
    assert value_of(signed_in.get(NEW), "key") != value_of(signed_in.get(NEW), "key")


def test_prep_staff_have_no_order_form(as_person, prep):
    assert as_person(prep).get(NEW).status_code == 403


@pytest.mark.parametrize(
    "case",
    [
        ("components-0-target", "two", "is not a number"),
        ("components-0-target", "NaN", "is not a number"),
        ("components-0-target", "1e400", "out of range"),
        ("components-0-target", "-2", "more than zero"),
        ("components-0-target", "0", "more than zero"),
        ("components-0-target", "", "is empty"),
        ("components-0-target", "2.4.0", "more than one comma or point"),
        ("components-0-target", "1_000", "is not a number"),
        ("components-0-target", "２", "is not a number"),
        ("components-0-substance", "", "is empty"),
        ("components-0-substance", "unobtainium", "no “unobtainium”"),
        ("components-0-substance", "Xx2O", "is no element"),
        ("components-0-substance", "7647-14-6", "check digit"),
        ("groups_per_section", "2.5", "whole number"),
        ("groups_per_section", "0", "more than zero"),
        ("groups_per_section", "300", "whole number from 1 to 200"),
        ("volume_per_group", "Infinity", "is not a number"),
        ("volume_per_group", "1e9", "more than 1000 L"),
        ("overage_percent", "150", "between 0 and 100"),
        ("overage_percent", "-5", "between 0 and 100"),
        ("tolerance_percent", "0", "more than zero"),
        ("temperature_c", "99", "0 to 60"),
        ("due_date", "2026-02-30", "not a day"),
        ("due_date", "9999-12-31", "must lie between"),
        ("due_time", "25:00", "not a time"),
        ("room", "", "is empty"),
    ],
)
def test_what_can_not_be_is_said_beside_the_field_and_on_top_and_stays_typed(signed_in, salt, filled, case):
    field, typed, words = case
    response = signed_in.post(NEW, {**filled("send"), field: typed})
    html = response.content.decode()
    assert response.status_code == 422
    assert words in field_error(response, field)
    summary = html[html.index('id="error-summary"') : html.index("<h1")]
    assert f'href="#id_{field}"' in summary
    assert unescape(field_error(response, field)).removeprefix("Error: ") in unescape(summary)
    assert value_of(response, field) == typed
    assert value_of(response, "components-0-substance") == (
        typed if field == "components-0-substance" else "sodium chloride"
    )
    assert "<title>Error:" in html
    assert not Order.objects.exists()


def test_every_error_is_named_at_once(signed_in, salt, filled):
    response = signed_in.post(NEW, filled(volume_per_group="x", room="", components__0__target="y"))
    assert all(field_error(response, name) for name in ("volume_per_group", "room", "components-0-target"))


def test_an_unknown_unit_is_refused(signed_in, salt, filled):
    for name in ("volume_unit", "components-0-unit"):
        response = signed_in.post(NEW, {**filled(), name: "N"})
        assert response.status_code == 422
        assert field_error(response, name)


def test_sections_of_two_courses_are_two_orders(signed_in, salt, filled, sections, instructor):
    from requests_app.models import Course

    other = Section.objects.create(
        course=Course.objects.create(code="CH 221", title="Analysis"), name="A", instructor=instructor
    )
    response = signed_in.post(NEW, filled(sections=[str(sections[0].pk), str(other.pk)]))
    assert "one course" in field_error(response, "sections")


def test_another_persons_section_is_no_choice(signed_in, salt, filled, sections, colleague):
    other = Section.objects.create(course=sections[0].course, name="Z", instructor=colleague)
    response = signed_in.post(NEW, filled("send", sections=[str(other.pk)]))
    assert "that are yours" in field_error(response, "sections")
    assert not Order.objects.exists()


def test_a_name_with_several_forms_asks_which_and_never_picks_one(signed_in, bench, filled):
    """Copper sulfate: 249.69 g/mol with its water, 159.61 without (IUPAC 2021): 36 % apart."""
    for key in ("copper-sulfate-pentahydrate", "copper-sulfate-anhydrous"):
        substance_row(key)
    response = signed_in.post(NEW, filled(components__0__substance="copper sulfate"))
    html = response.content.decode()
    assert response.status_code == 422
    assert "Say which one is meant" in field_error(response, "components-0-substance")
    assert 'value="choose-0-copper-sulfate-pentahydrate"' in html
    assert 'value="choose-0-copper-sulfate-anhydrous"' in html
    chosen = signed_in.post(NEW, filled("choose-0-copper-sulfate-anhydrous"))
    assert value_of(chosen, "components-0-substance") == "copper(II) sulfate, anhydrous"
    assert chosen.status_code == 200


def test_what_chemistry_forbids_stands_beside_the_concentration(signed_in, salt, filled):
    """Saturated sodium chloride is some 6 mol/L (36 g per 100 g of water, handbook)."""
    response = signed_in.post(NEW, filled("send", components__0__target="9"))
    assert response.status_code == 422
    assert field_error(response, "components-0-target")
    assert not Order.objects.exists()


def test_nobody_is_told_off_for_a_form_they_have_not_finished(signed_in, sections):
    """Adding a substance sends a half-filled form; it comes back as it was, without errors."""
    response = signed_in.post(
        NEW,
        {"step": "add", "key": "k", "components-TOTAL_FORMS": "1", "components-0-target": "abc", "room": "2"},
    )
    assert response.status_code == 200
    assert "field-error" not in response.content.decode()
    assert "required" not in text_of(response)
    assert value_of(response, "components-0-target") == "abc"
    assert value_of(response, "room") == "2"
    assert 'name="components-1-substance"' in response.content.decode()


def test_up_to_four_substances_can_be_added_and_left_out_again(signed_in, sections):
    data = {"key": "k", "components-TOTAL_FORMS": "4", "components-1-target": "7"}
    assert "components-4-" not in signed_in.post(NEW, {**data, "step": "add"}).content.decode()
    response = signed_in.post(NEW, {**data, "step": "remove-0"})
    assert 'name="components-2-target"' in response.content.decode()
    assert 'name="components-3-target"' not in response.content.decode()
    assert value_of(response, "components-0-target") == "7"


@pytest.mark.parametrize("count", ["", "x", "-1", "99999999999", "1e9", "٣"])
def test_a_forged_number_of_rows_does_no_harm(signed_in, salt, filled, count):
    response = signed_in.post(NEW, {**filled(), "components-TOTAL_FORMS": count})
    assert response.status_code in (200, 422)


@pytest.mark.parametrize("step", ["choose-9-x", "choose-", "remove-x", "choose-0-nothing", "????"])
def test_a_forged_button_changes_nothing(signed_in, sections, step):
    response = signed_in.post(NEW, {"step": step, "key": "k", "components-0-substance": "water"})
    assert response.status_code == 200
    assert value_of(response, "components-0-substance") == "water"


# --- check and send ----------------------------------------------------------------------------------
def test_the_check_page_shows_everything_and_saves_nothing(signed_in, salt, filled):
    response = signed_in.post(NEW, filled(notes="two bottles", tolerance_percent="0,50"))
    page = text_of(response)
    assert response.status_code == 200
    for words in (
        "3 sections × 12 groups × 25 mL + 10 % = 990 mL",
        "2.00 mol/L sodium chloride",
        "CAS 7647-14-5",
        "CH 101 General chemistry: A, B, C",
        "0.5 %",
        "20 °C",
        "09:30",
        "two bottles",
        "Send this order",
    ):
        assert words in page
    assert not Order.objects.exists()
    assert not Hold.objects.exists()


def test_changing_something_comes_back_with_every_value(signed_in, salt, filled):
    data = filled(notes="two bottles", volume_per_group="25,0")
    check = signed_in.post(NEW, data)
    hidden = dict(re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', check.content.decode()))
    assert hidden["volume_per_group"] == "25,0"
    back = signed_in.post(NEW, {**hidden, "sections": data["sections"], "step": "change"})
    assert value_of(back, "volume_per_group") == "25,0"
    assert value_of(back, "key") == data["key"]
    assert "two bottles" in back.content.decode()
    assert back.content.decode().count("checked") == 3


def test_sending_leads_to_the_order_with_what_happens_next(signed_in, salt, filled):
    response = signed_in.post(NEW, filled("send"), follow=True)
    order = Order.objects.get()
    page = text_of(response)
    assert response.redirect_chain[0][0] == f"/orders/{order.reference}/?sent"
    assert f"Order {order.reference} is sent." in page
    assert "in the queue of the stockroom" in page
    assert order.state == states.QUEUED


def test_a_double_click_and_the_back_button_send_nothing_twice(signed_in, salt, filled):
    data = filled("send")
    first, second = signed_in.post(NEW, data), signed_in.post(NEW, data)
    assert first.url == second.url
    assert Order.objects.count() == Batch.objects.count() == 1


def test_checking_a_form_that_was_sent_leads_to_its_order(signed_in, salt, filled):
    data = filled("send")
    signed_in.post(NEW, data)
    order = Order.objects.get()
    response = signed_in.post(NEW, {**data, "step": "check"})
    page = text_of(response)
    assert f"Already sent as {order.reference}" in page
    assert f'href="/orders/{order.reference}/"' in response.content.decode()
    assert "Send this order" not in page
    assert "stays as it was sent" not in page
    # With other values it is said that they are not in the order.
    changed = signed_in.post(NEW, {**data, "step": "check", "components-0-target": "1.00"})
    assert f"{order.reference} stays as it was sent" in text_of(changed)
    # What was typed becomes another order under a key of its own.
    hidden = dict(
        re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', changed.content.decode())
    )
    again = signed_in.post(NEW, {**hidden, "sections": data["sections"], "step": "anew"})
    assert value_of(again, "components-0-target") == "1.00"
    assert value_of(again, "key") not in ("", data["key"])
    sent = {**data, "key": value_of(again, "key"), "components-0-target": "1.00"}
    assert signed_in.post(NEW, sent).status_code == 302
    assert Order.objects.count() == 2


def test_a_key_used_for_another_order_is_a_conflict_page(signed_in, salt, filled):
    data = filled("send")
    signed_in.post(NEW, data)
    response = signed_in.post(NEW, {**data, "components-0-target": "1.00"})
    assert response.status_code == 409
    assert Order.objects.get().reference in text_of(response)


def test_an_order_the_shelf_can_not_serve_says_so_before_and_after_sending(signed_in, bench, filled):
    check = text_of(signed_in.post(NEW, filled()))
    assert "Not enough on the shelf today" in check
    page = text_of(signed_in.post(NEW, filled("send"), follow=True))
    assert "It waits for stock" in page
    assert "What it waits for" in page


def test_fields_nobody_offers_change_nothing(signed_in, salt, filled, colleague):
    signed_in.post(
        NEW, {**filled("send"), "state": "ready", "ordered_by": str(colleague.pk), "reference": "R-1"}
    )
    order = Order.objects.get()
    assert order.state == states.QUEUED
    assert order.ordered_by != colleague
    assert order.reference != "R-1"


def test_the_same_again_begins_with_the_old_values_and_an_open_day(signed_in, salt, filled):
    signed_in.post(NEW, filled("send", volume_per_group="25,0", notes="two bottles"))
    response = signed_in.get(NEW, {"like": Order.objects.get().reference})
    assert value_of(response, "volume_per_group") == "25,0"
    assert value_of(response, "components-0-substance") == "sodium chloride"
    assert value_of(response, "due_date") == ""
    assert value_of(response, "key") != Order.objects.get().idempotency_key


def test_the_room_of_the_last_order_is_offered_again(signed_in, salt, filled):
    signed_in.post(NEW, filled("send", room="305b"))
    assert value_of(signed_in.get(NEW), "room") == "305b"


# --- the day the clocks change ------------------------------------------------------------------------
@pytest.fixture
def in_march(settings, client, instructor, salt):
    """A spring day in a department that changes its clocks."""
    settings.TIME_ZONE = "Europe/Paris"
    with time_machine.travel(datetime(2027, 3, 1, 12, tzinfo=UTC)):
        client.force_login(instructor)
        yield client


@pytest.mark.parametrize(
    ("day", "words"),
    [
        # European summer time begins on 28 March 2027 and ends on 31 October 2027 (last Sundays).
        ("2027-03-28", "is skipped that night"),
        ("2027-10-31", "comes twice that night"),
    ],
)
def test_a_time_the_clock_skips_or_repeats_is_refused(in_march, filled, day, words):
    response = in_march.post(NEW, filled("send", due_date=day, due_time="02:30"))
    assert response.status_code == 422
    assert words in field_error(response, "due_time")


def test_a_due_time_is_read_on_the_departments_clock(in_march, filled):
    in_march.post(NEW, filled("send", due_date="2027-03-29", due_time="09:30"))
    # Summer time began the day before: 09:30 in Paris is 07:30 in Greenwich.
    assert Order.objects.get().due_at == datetime(2027, 3, 29, 7, 30, tzinfo=UTC)


# --- the live preview ----------------------------------------------------------------------------------
def preview(signed_in, data):
    return signed_in.post("/orders/preview/", data, headers={"HX-Request": "true"})


def test_the_preview_answers_for_what_is_typed_and_saves_nothing(signed_in, salt, filled):
    response = preview(signed_in, filled())
    page = text_of(response)
    html = response.content.decode()
    assert response.status_code == 200
    assert "3 sections × 12 groups × 25 mL + 10 % = 990 mL" in page
    assert "2.00 mol/L sodium chloride" in page
    assert salt.code in page
    assert 'role="img"' in html
    assert "<!DOCTYPE" not in html
    assert not Order.objects.exists()
    assert not Hold.objects.exists()


def test_the_preview_needs_no_day_and_no_room(signed_in, salt, filled):
    page = text_of(preview(signed_in, filled(due_date="", due_time="", room="")))
    assert "one-mark flask" in page


def test_the_preview_says_what_is_still_missing_without_calling_it_an_error(signed_in, sections):
    response = preview(signed_in, {"key": "k", "components-TOTAL_FORMS": "1", "components-0-unit": "mol/L"})
    page = text_of(response)
    assert "Still to fill in: the substance, its concentration, the sections" in page
    assert "error" not in response.content.decode()


def test_a_half_typed_name_is_no_error_in_the_preview(signed_in, salt, filled):
    response = preview(signed_in, filled(components__0__substance="sodium chl"))
    assert response.status_code == 200
    assert "error" not in response.content.decode()
    assert "990 mL" in text_of(response)


def test_the_preview_names_the_forms_a_name_may_mean(signed_in, bench, filled):
    page = text_of(preview(signed_in, filled(components__0__substance="copper sulfate")))
    assert "pentahydrate" in page
    assert "anhydrous" in page


def test_the_preview_shows_a_short_shelf_with_what_is_missing(signed_in, bench, bottle, filled):
    bottle("sodium-chloride", "30", assay_percent="100.0")
    page = text_of(preview(signed_in, filled()))
    assert "Not enough on the shelf today" in page
    assert "missing" in page


def test_the_preview_says_what_chemistry_forbids(signed_in, salt, filled):
    response = preview(signed_in, filled(components__0__target="9"))
    assert "notice-stop" in response.content.decode()


def test_the_preview_tells_a_screen_reader_one_line(signed_in, salt, filled):
    html = preview(signed_in, filled()).content.decode()
    said = re.search(r'id="preview-said"[^>]*hx-swap-oob="innerHTML"[^>]*>([^<]*)<', html)
    assert said
    assert "2.00 mol/L sodium chloride, 990 mL: can be made" in said[1]


@pytest.mark.parametrize("value", ["NaN", "1e400", "9" * 5000, "-0", "<b>", "2,,5", "1e30", "1e-30"])
@pytest.mark.parametrize(
    "field", ["components-0-target", "volume_per_group", "components-0-substance", "due_date"]
)
def test_the_preview_survives_anything_that_can_be_typed(signed_in, salt, filled, field, value):
    response = preview(signed_in, {**filled(), field: value})
    assert response.status_code == 200
    assert b"<b>" not in response.content


def test_what_nobody_can_type_is_refused_in_words_before_it_reaches_the_database(signed_in, salt, filled):
    """PostgreSQL takes no null character, so the form says so instead of failing."""
    response = preview(signed_in, {**filled(), "components-0-substance": "sodium\x00chloride"})
    assert response.status_code == 422
    assert "a character nobody can type" in response.content.decode()
    search = signed_in.get(reverse("requests_app:substance_search"), {"q": "sodium\x00"})
    assert search.status_code == 404


def test_looking_at_the_preview_by_address_is_not_allowed(signed_in):
    assert signed_in.get("/orders/preview/").status_code == 405


# --- one order -----------------------------------------------------------------------------------------
def test_an_order_shows_where_it_stands_and_how_it_is_made(signed_in, salt, send):
    order = send(notes="<script>alert(1)</script>")
    response = signed_in.get(f"/orders/{order.reference}/")
    page = text_of(response)
    for words in ("In the queue", order.reference, "Ines Vale", "990 mL", "Sent by", "Steps", salt.code):
        assert words in page
    assert b"<script>alert" not in response.content
    assert "Cancel this order" in page
    assert "Plan again" not in page


def test_another_persons_order_is_not_there(as_person, salt, send, colleague):
    order = send()
    signed_in = as_person(colleague)
    for tail in ("", "cancel/"):
        assert signed_in.get(f"/orders/{order.reference}/{tail}").status_code == 404
    assert signed_in.post(f"/orders/{order.reference}/cancel/").status_code == 404
    assert order.reference not in text_of(signed_in.get("/orders/"))


def test_a_reference_is_found_in_small_letters_too(signed_in, salt, send):
    assert signed_in.get(f"/orders/{send().reference.lower()}/").status_code == 200


def test_a_ready_order_says_what_is_in_the_bottle(signed_in, salt, send, prep):
    from requests_app.services.closing import finish_batch

    order = send()
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(batch, prep)
    found = finish_batch(actor=prep, batch=batch)
    page = text_of(signed_in.get(f"/orders/{order.reference}/"))
    assert "What is in the bottle" in page
    assert found.settlement["concentrations"][0]["value"] in page
    assert found.prepared_lot.code in page
    assert "Cancel this order" not in page


def test_a_waiting_order_says_what_it_waits_for(signed_in, bench, send):
    page = text_of(signed_in.get(f"/orders/{send().reference}/"))
    assert "Waiting for stock" in page
    assert "What it waits for" in page


# --- cancelling and planning again -----------------------------------------------------------------------
def test_cancelling_has_a_page_of_its_own_that_changes_nothing(signed_in, salt, send):
    order = send()
    page = text_of(signed_in.get(f"/orders/{order.reference}/cancel/"))
    assert "goes back to the shelf" in page
    assert "Keep the order" in page
    order.refresh_from_db()
    assert order.state == states.QUEUED
    signed_in.post(f"/orders/{order.reference}/cancel/", {"reason": "snowed off"})
    order.refresh_from_db()
    assert (order.state, order.events.last().note) == (states.CANCELLED, "snowed off")


def test_an_order_that_is_being_made_offers_no_cancel_button(signed_in, salt, send, prep):
    order = send()
    claim_batch(actor=prep, batch=order.batch)
    page = signed_in.get(f"/orders/{order.reference}/cancel/")
    assert "button-final" not in page.content.decode()
    assert signed_in.post(f"/orders/{order.reference}/cancel/").status_code == 409


def test_the_stockroom_plans_again_from_the_orders_page(as_person, bench, bottle, send, prep):
    order = send()
    bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")
    signed_in = as_person(prep)
    assert "Plan again" in text_of(signed_in.get(f"/orders/{order.reference}/"))
    signed_in.post(f"/orders/{order.reference}/plan-again/")
    order.refresh_from_db()
    assert order.state == states.QUEUED


def test_an_instructor_may_not_plan_again(signed_in, bench, send):
    assert signed_in.post(f"/orders/{send().reference}/plan-again/").status_code == 403


# --- the list ----------------------------------------------------------------------------------------------
def test_the_list_says_for_each_order_what_for_whom_by_when_and_where_it_is(signed_in, salt, send):
    order = send()
    page = text_of(signed_in.get("/orders/"))
    for words in (order.reference, "2.00 mol/L sodium chloride", "CH 101 A, B, C", "In the queue", "210"):
        assert words in page


@pytest.mark.parametrize(
    ("show", "words"),
    [
        ("open", "Nothing is open"),
        ("ready", "Nothing stands ready"),
        ("done", "1 order"),
        ("all", "1 order"),
        ("x", "Nothing is open"),
    ],
)
def test_an_empty_filter_says_why_it_is_empty(signed_in, salt, send, show, words):
    order = send()
    signed_in.post(f"/orders/{order.reference}/cancel/")
    assert words in text_of(signed_in.get("/orders/", {"show": show}))


def test_a_person_without_orders_is_told_how_to_begin(signed_in, sections):
    page = text_of(signed_in.get("/orders/"))
    assert "You have not ordered anything yet" in page
    assert "Order a solution" in page


def test_prep_staff_read_who_ordered_and_have_no_order_button(as_person, salt, send, prep):
    send()
    page = text_of(as_person(prep).get("/orders/"))
    assert "Ines Vale" in page
    assert "Order a solution" not in page


def test_a_long_list_has_pages_and_a_page_that_is_not_there_is_the_last(signed_in, salt, send):
    from tests.requests_app.test_orders import _copies

    _copies(send(volume="2"), 18)
    assert "Page 1 of 2" in text_of(signed_in.get("/orders/"))
    assert "Page 2 of 2" in text_of(signed_in.get("/orders/", {"page": "99"}))
    assert "Page 1 of 2" in text_of(signed_in.get("/orders/", {"page": "x"}))


def test_the_list_page_takes_the_same_number_of_queries_however_long_it_is(
    signed_in, salt, send, django_assert_num_queries
):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    from tests.requests_app.test_orders import _copies

    counts = []
    order = send(volume="2")
    for count in (1, 9):
        _copies(order, count)
        with CaptureQueriesContext(connection) as queries:
            signed_in.get("/orders/")
        counts.append(len(queries))
    assert counts[0] == counts[1]


def test_the_page_of_an_order_takes_a_fixed_number_of_queries(signed_in, salt, send):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    order = send(volume="2")
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(connection) as queries:
            signed_in.get(f"/orders/{order.reference}/")
        counts.append(len(queries))
        for number in range(5):
            order.events.create(event="plan", to_state="queued", actor=order.ordered_by, note=str(number))
    assert counts[0] == counts[1] <= 20


# --- finding a substance -----------------------------------------------------------------------------
def options(signed_in, typed):
    return signed_in.get(reverse("requests_app:substance_search"), {"q": typed}).json()["options"]


@pytest.mark.parametrize("typed", ["sodium chlor", "NaCl", "7647-14-5", "table salt"])
def test_a_substance_is_found_by_name_formula_and_cas_number(signed_in, salt, typed):
    first = options(signed_in, typed)[0]
    assert first["value"] == "sodium chloride"
    assert "NaCl" in first["label"]
    assert "500 g solid free" in first["detail"]


def test_both_forms_of_copper_sulfate_are_offered(signed_in, db):
    labels = [one["label"] for one in options(signed_in, "copper sulfate")]
    assert any("CuSO₄·5H₂O" in label for label in labels)
    assert any("anhydrous" in label for label in labels)


def test_what_is_offered_can_be_typed_and_means_exactly_that(signed_in, db):
    from prepdesk.calc.catalogue import standard_catalogue

    for one in options(signed_in, "copper sulfate"):
        found = standard_catalogue().resolve(one["value"])
        assert one["label"].startswith(found.name)


def test_what_others_hold_is_not_free(signed_in, salt, send):
    send()
    assert "500 g" not in options(signed_in, "sodium chloride")[0]["detail"]


@pytest.mark.parametrize("typed", ["", "zzzz", "%", "x" * 5000])
def test_nothing_that_is_typed_breaks_the_search(signed_in, db, typed):
    assert isinstance(options(signed_in, typed), list)


def test_the_search_is_for_people_who_signed_in(client, db):
    response = client.get(reverse("requests_app:substance_search"), {"q": "NaCl"})
    assert response.status_code == 302
