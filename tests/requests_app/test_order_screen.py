"""The order form in a real browser: found by keyboard, previewed while typing, sent once, never lost."""

import re
import threading
from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from playwright.sync_api import expect

from requests_app.models import Order
from tests.requests_app.conftest import substance_row
from tests.requests_app.test_bench_screen import violations

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def copper(bench, bottle):
    """Both forms of copper sulfate on the shelf, the pentahydrate in plenty."""
    bottle("copper-sulfate-anhydrous", "20", assay_percent="98.0", assay_tolerance_percent="0.5")
    return bottle("copper-sulfate-pentahydrate", "800", assay_percent="99.5", assay_tolerance_percent="0.2")


@pytest.fixture
def go(live_server, page, client, instructor, sections):
    """Open an address as the instructor."""
    client.force_login(instructor)
    cookie = client.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])

    def open_(path="/orders/new/"):
        page.goto(live_server.url + path)
        return page

    return open_


def fill_in(page, substance="copper(II) sulfate pentahydrate", target="0.10"):
    for name in ("A", "B", "C"):
        page.get_by_label(f"Section {name}, 12 groups").check()
    page.get_by_label("Volume for each group").fill("25")
    page.get_by_label("Substance", exact=True).fill(substance)
    page.get_by_label("Concentration", exact=True).fill(target)
    tomorrow = timezone.localdate() + timedelta(days=1)
    page.get_by_label("Day it is needed").fill(f"{tomorrow:%Y-%m-%d}")
    page.get_by_label("Time it is needed").fill("09:30")
    page.get_by_label("Room", exact=True).fill("210")


def button(page, name):
    return page.get_by_role("button", name=name)


# --- finding --------------------------------------------------------------------------------------
def test_a_substance_is_found_and_chosen_by_keyboard_alone(go, page, copper):
    go()
    field = page.get_by_label("Substance", exact=True)
    field.press_sequentially("copper sulf", delay=20)
    expect(field).to_have_attribute("aria-expanded", "true")
    listed = page.locator(".combobox-list").get_by_role("option")
    expect(listed).to_have_count(2)
    expect(listed.first).to_contain_text("CuSO₄·5H₂O")
    expect(listed.first).to_contain_text("800 g solid free")
    page.keyboard.press("ArrowDown")
    assert field.get_attribute("aria-activedescendant") == listed.first.get_attribute("id")
    page.keyboard.press("Enter")
    expect(field).to_have_value("copper(II) sulfate pentahydrate")
    expect(field).to_have_attribute("aria-expanded", "false")


def test_two_forms_that_fit_leave_the_choice_open(go, page, copper):
    go()
    fill_in(page, substance="copper sulfate")
    button(page, "Check the order").click()
    expect(page.locator("#error-summary")).to_be_focused()
    expect(page.locator("#error-summary")).to_contain_text("Say which one is meant")
    button(page, "anhydrous").click()
    expect(page.get_by_label("Substance", exact=True)).to_have_value("copper(II) sulfate, anhydrous")
    expect(page.get_by_label("Room", exact=True)).to_have_value("210")


# --- the preview ------------------------------------------------------------------------------------
def test_the_preview_follows_the_typing_and_never_takes_the_focus(go, page, copper):
    go()
    fill_in(page)
    field = page.get_by_label("Concentration", exact=True)
    field.fill("")
    field.press_sequentially("0.20", delay=30)
    expect(page.locator("#preview")).to_contain_text("0.20 mol/L copper(II) sulfate pentahydrate")
    expect(page.locator("#preview-said")).to_contain_text("0.20 mol/L")
    expect(field).to_be_focused()
    expect(field).to_have_value("0.20")
    assert page.locator("[aria-invalid='true']").count() == 0


def test_an_answer_that_comes_late_does_not_replace_a_newer_one(go, page, copper):
    """The first answer is held back until the second one has come."""
    second_came = threading.Event()

    def delay(route):
        if "target=0.11" in (route.request.post_data or ""):
            second_came.wait(timeout=3)
        route.continue_()

    go()
    fill_in(page)
    expect(page.locator("#preview")).to_contain_text("0.10 mol/L")
    page.route("**/orders/preview/", delay)
    field = page.get_by_label("Concentration", exact=True)
    field.fill("0.11")
    page.wait_for_timeout(600)
    field.fill("0.22")
    expect(page.locator("#preview")).to_contain_text("0.22 mol/L", timeout=8000)
    second_came.set()
    page.wait_for_timeout(800)
    expect(page.locator("#preview")).to_contain_text("0.22 mol/L")


def test_a_server_that_does_not_answer_is_said_and_the_form_still_sends(go, page, copper):
    go()
    fill_in(page)
    expect(page.locator("#preview")).to_contain_text("0.10 mol/L")
    page.route("**/orders/preview/", lambda route: route.abort())
    page.get_by_label("Concentration", exact=True).fill("0.30")
    expect(page.locator("[data-preview-note]")).to_contain_text("Not updated")
    button(page, "Check the order").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Check the order before it is sent")
    expect(page.locator("main")).to_contain_text("0.30 mol/L")


# --- sending ----------------------------------------------------------------------------------------
def test_an_order_is_checked_and_sent_by_the_enter_key(go, page, copper):
    go()
    fill_in(page)
    page.get_by_label("Room", exact=True).press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Check the order before it is sent")
    button(page, "Send this order").press("Enter")
    expect(page.locator("main")).to_contain_text("is sent.")
    assert page.url.endswith(f"/orders/{Order.objects.get().reference}/?sent")


def test_a_double_click_sends_one_order_and_so_does_going_back(go, page, copper):
    go()
    fill_in(page)
    button(page, "Check the order").click()
    button(page, "Send this order").dblclick()
    expect(page.locator("main")).to_contain_text("is sent.")
    page.reload()
    page.go_back()
    button(page, "Send this order").click()
    expect(page.locator("main")).to_contain_text("is sent.")
    assert Order.objects.count() == 1


def test_the_form_after_a_sent_order_is_a_new_one(go, page, copper):
    go()
    fill_in(page)
    button(page, "Check the order").click()
    button(page, "Send this order").click()
    expect(page.locator("main")).to_contain_text("is sent.")
    go()
    expect(page.get_by_label("Substance", exact=True)).to_have_value("")
    expect(page.get_by_text("What you typed before is back")).to_have_count(0)


def test_a_change_from_the_check_page_lands_at_the_field_with_everything_kept(go, page, copper):
    go()
    fill_in(page)
    button(page, "Check the order").click()
    button(page, "Change the volume").click()
    assert page.url.endswith("#id_groups_per_section")
    expect(page.get_by_label("Concentration", exact=True)).to_have_value("0.10")
    expect(page.get_by_label("Section B, 12 groups")).to_be_checked()
    page.get_by_label("Volume for each group").fill("30")
    button(page, "Check the order").click()
    expect(page.locator("main")).to_contain_text("12 groups × 30 mL")


@pytest.fixture
def with_password(instructor):
    instructor.set_password("a long enough password")
    instructor.save()


def test_a_session_that_ends_on_the_way_loses_nothing(with_password, go, page, copper, instructor):
    """Sign in again in the middle: what was typed is still there and has made no order."""
    go()
    fill_in(page)
    page.wait_for_timeout(600)
    Session.objects.all().delete()
    button(page, "Check the order").click()
    page.get_by_label("Username").fill(instructor.username)
    page.get_by_label("Password").fill("a long enough password")
    page.get_by_label("Password").press("Enter")
    expect(page.get_by_label("Substance", exact=True)).to_have_value("copper(II) sulfate pentahydrate")
    expect(page.get_by_label("Section A, 12 groups")).to_be_checked()
    expect(page.get_by_text("What you typed before is back")).to_be_visible()
    assert not Order.objects.exists()


def test_substances_are_added_and_left_out_with_what_was_typed_kept(go, page, copper):
    substance_row("potassium-chloride")
    go()
    fill_in(page)
    button(page, "Add another substance").click()
    second = page.locator("[name=components-1-substance]")
    expect(second).to_be_focused()
    second.fill("potassium chloride")
    page.locator("[name=components-1-target]").fill("0.50")
    button(page, "Leave out substance 1").click()
    expect(page.locator("[name=components-0-substance]")).to_have_value("potassium chloride")
    expect(page.locator("[name=components-0-target]")).to_have_value("0.50")
    expect(second).to_have_count(0)


def test_equivalents_are_asked_for_only_where_they_belong(go, page, copper):
    go()
    field = page.get_by_label("Equivalents")
    expect(field).to_be_hidden()
    page.get_by_label("Unit of the concentration").select_option("eq/L")
    expect(field).to_be_visible()


# --- for everybody ------------------------------------------------------------------------------------
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_barrier_is_found_on_the_pages_of_orders(go, page, copper, send, scheme):
    page.emulate_media(color_scheme=scheme)
    order = send(substance="copper-sulfate-pentahydrate", target="0.10")
    waiting = send(substance="sodium-chloride")
    for path in (
        "/orders/",
        f"/orders/{order.reference}/",
        f"/orders/{waiting.reference}/",
        f"/orders/{order.reference}/cancel/",
        "/orders/new/",
    ):
        assert violations(go(path)) == [], path
    button(page, "Check the order").click()
    assert violations(page) == []
    fill_in(page)
    expect(page.locator("#preview")).to_contain_text("0.10 mol/L")
    assert violations(page) == []
    button(page, "Check the order").click()
    assert violations(page) == []


def test_nothing_is_wider_than_a_telephone(go, page, copper, send):
    page.set_viewport_size({"width": 320, "height": 700})
    order = send(substance="copper-sulfate-pentahydrate", target="0.10")
    for path in ("/orders/", "/orders/new/", f"/orders/{order.reference}/"):
        go(path)
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, path


def test_no_page_breaks_the_content_security_policy(go, page, copper, send):
    said = []
    page.on("console", lambda message: said.append(message.text))
    order = send(substance="copper-sulfate-pentahydrate", target="0.10")
    for path in ("/orders/", f"/orders/{order.reference}/", "/orders/new/"):
        go(path)
    fill_in(page)
    expect(page.locator("#preview")).to_contain_text("0.10 mol/L")
    assert not [text for text in said if re.search("Content.Security.Policy", text)]
