"""The stockroom's pages in a real browser: reached by keyboard, hit with gloves, read on paper."""

import io
import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect
from pypdf import PdfReader

from requests_app.models import StepRecord
from requests_app.services.claiming import claim_batch
from requests_app.services.recording import record_step

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

AXE = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}
BOXES = """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), summary')]
  .filter(e => e.checkVisibility() && !e.classList.contains('skip-link'))
  .map(e => { const r = e.getBoundingClientRect(); return [e.innerText || e.name, r.width, r.height]; })"""
# Figures that come faster, without a unit, are a device's and no reading.
HAND_MS = 130
TABLETS = [(768, 1024), (1024, 768)]


@pytest.fixture
def batch(send, salt, prep):
    return claim_batch(actor=prep, batch=send().batch)


@pytest.fixture
def go(live_server, page, client, prep):
    """Open an address as the person of the stockroom."""
    client.force_login(prep)
    cookie = client.cookies["sessionid"].value
    page.context.add_cookies([{"name": "sessionid", "value": cookie, "url": live_server.url}])

    def open_(path):
        page.goto(live_server.url + path)
        return page

    return open_


def step_with_window(batch):
    return next(step for step in batch.sheets.first().plan["steps"] if step.get("window"))


def violations(page):
    return [
        f"{found['id']}: {found['nodes'][0]['html'][:120]}"
        for found in Axe().run(page, options=AXE).response["violations"]
    ]


def test_the_scan_for_barriers_can_fail(page):
    page.set_content("<html><body><img src='x.png'><input><button></button></body></html>")
    found = " ".join(violations(page))
    assert "image-alt" in found
    assert "label" in found
    assert "button-name" in found


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_barrier_is_found_on_the_pages_of_the_stockroom(go, page, batch, scheme):
    page.emulate_media(color_scheme=scheme)
    number = step_with_window(batch)["number"]
    for path in ("/queue/?show=open", f"/batches/{batch.reference}/", f"/batches/{batch.reference}/sheet/"):
        assert violations(go(path)) == [], path
    go(f"/batches/{batch.reference}/steps/{number}/")
    assert violations(page) == []
    page.get_by_label("Reading").fill("0.1")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Keep this reading with the reason")).to_be_visible()
    assert violations(page) == []


@pytest.mark.parametrize("size", TABLETS)
def test_every_target_at_the_bench_is_large_enough_for_a_glove(go, page, batch, size):
    page.set_viewport_size({"width": size[0], "height": size[1]})
    go(f"/batches/{batch.reference}/steps/{step_with_window(batch)['number']}/")
    page.get_by_label("Reading").fill("0.1")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Keep this reading with the reason")).to_be_visible()
    for name, width, height in page.evaluate(BOXES):
        assert height >= 56, name
        assert width >= 56, name


RECTANGLES = """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), summary')]
  .filter(e => e.checkVisibility() && !e.classList.contains('skip-link') && !e.matches('[aria-hidden=true]'))
  .map(e => { const r = e.getBoundingClientRect();
    return [e.innerText || e.name, r.left, r.top, r.right, r.bottom]; })"""


def too_near(page):
    """Pairs of targets with less than 12 px between them."""
    found = page.evaluate(RECTANGLES)
    return [
        (one[0], other[0])
        for index, one in enumerate(found)
        for other in found[index + 1 :]
        if max(other[1] - one[3], one[1] - other[3], other[2] - one[4], one[2] - other[4]) < 12
    ]


def too_small(page):
    return [found for found in page.evaluate(BOXES) if min(found[1:]) < 56]


@pytest.mark.parametrize("size", TABLETS)
def test_every_target_of_every_step_is_large_and_stands_apart(go, page, batch, prep, size):
    """A finger in a glove covers some 15 mm: 56 px and 12 px between them; common practice at a bench."""
    page.set_viewport_size({"width": size[0], "height": size[1]})
    for step in batch.sheets.first().plan["steps"]:
        go(f"/batches/{batch.reference}/steps/{step['number']}/")
        assert (too_small(page), too_near(page)) == ([], []), step["number"]
        if step.get("window"):
            page.get_by_role("button", name="Digits").click()
            assert (too_small(page), too_near(page)) == ([], []), "with the digits"
        button = page.locator(".bench-form .bench-button").first.bounding_box()
        assert button["y"] + button["height"] <= size[1], "the button is reached without scrolling"
        assert page.evaluate("scrollY") == 0
        batch.refresh_from_db()
        record_step(
            actor=prep,
            batch=batch,
            step_number=step["number"],
            reading_text=step["quantity"]["value"] if step.get("window") else "",
            idempotency_key=f"all-{step['number']}",
        )
    # A step that was done, with its record, the way on and the field to read again.
    go(f"/batches/{batch.reference}/steps/{step_with_window(batch)['number']}/")
    assert (too_small(page), too_near(page)) == ([], [])


def test_digits_are_typed_by_large_keys_when_somebody_asks_for_them(go, page, batch):
    step = step_with_window(batch)
    go(f"/batches/{batch.reference}/steps/{step['number']}/")
    keys = page.get_by_role("group", name="Digits")
    expect(keys).to_be_hidden()
    opener = page.get_by_role("button", name="Digits")
    opener.click()
    expect(opener).to_have_attribute("aria-expanded", "true")
    for sign in "1" + step["quantity"]["value"]:
        name = "Decimal point" if sign == "." else sign
        keys.get_by_role("button", name=name, exact=True).click()
    field = page.get_by_label("Reading", exact=True)
    expect(field).to_have_value("1" + step["quantity"]["value"])
    # Back takes away what stands before the cursor.
    field.focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    keys.get_by_role("button", name="Back").click()
    expect(field).to_have_value(step["quantity"]["value"])
    page.get_by_role("button", name="Record the reading").click()
    page.wait_for_url(f"**/steps/{step['number'] + 1}/")
    assert StepRecord.objects.get().reading_text == step["quantity"]["value"]


def test_without_scripts_the_form_is_sent_as_ever(browser, client, live_server, prep, batch):
    client.force_login(prep)
    context = browser.new_context(java_script_enabled=False)
    context.add_cookies(
        [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}]
    )
    page = context.new_page()
    step = step_with_window(batch)
    page.goto(f"{live_server.url}/batches/{batch.reference}/steps/{step['number']}/")
    expect(page.get_by_role("button", name="Digits")).to_be_hidden()
    page.get_by_label("Reading", exact=True).fill(step["quantity"]["value"])
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/steps/{step['number'] + 1}/")
    assert StepRecord.objects.get().reading_text == step["quantity"]["value"]
    context.close()


@pytest.mark.parametrize("size", [*TABLETS, (1280, 800)])
def test_the_number_to_reach_is_read_at_arms_length(go, page, batch, size):
    page.set_viewport_size({"width": size[0], "height": size[1]})
    go(f"/batches/{batch.reference}/steps/{step_with_window(batch)['number']}/")
    value = page.locator(".bench-value")
    assert float(value.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 96
    box = value.bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= size[0]


@pytest.mark.parametrize(
    "path", ["/queue/?show=open", "/batches/{}/", "/batches/{}/steps/1/", "/batches/{}/sheet/"]
)
def test_nothing_scrolls_sideways_on_a_narrow_screen(go, page, batch, path):
    page.set_viewport_size({"width": 320, "height": 800})
    go(path.format(batch.reference))
    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_a_batch_is_made_by_keyboard_alone(go, page, batch):
    go(f"/batches/{batch.reference}/")
    steps = batch.sheets.first().plan["steps"]
    page.get_by_role("link", name="Begin with step 1").focus()
    page.keyboard.press("Enter")
    for step in steps:
        page.wait_for_url(f"**/steps/{step['number']}/")
        if step.get("window"):
            expect(page.get_by_label("Reading")).to_be_focused()
            page.keyboard.type(step["quantity"]["value"], delay=HAND_MS)
        else:
            page.get_by_role("button", name="Done", exact=True).focus()
        page.keyboard.press("Enter")
    page.wait_for_url("**/finish/")
    assert StepRecord.objects.count() == len(steps)


def test_the_enter_of_a_scanner_presses_nothing_where_no_reading_is_taken(go, page, batch):
    steps = batch.sheets.first().plan["steps"]
    for step in steps:
        go(f"/batches/{batch.reference}/steps/{step['number']}/")
        if not step.get("window"):
            break
        page.get_by_label("Reading").fill(step["quantity"]["value"])
        page.keyboard.press("Enter")
        page.wait_for_url(f"**/steps/{step['number'] + 1}/")
    before = StepRecord.objects.count()
    page.keyboard.type("L00017X", delay=2)
    page.keyboard.press("Enter")
    page.wait_for_timeout(500)
    assert StepRecord.objects.count() == before
    assert page.url.endswith(f"/steps/{step['number']}/")


def test_a_code_typed_into_the_field_is_refused_and_the_next_reading_replaces_it(go, page, batch):
    step = step_with_window(batch)
    go(f"/batches/{batch.reference}/steps/{step['number']}/")
    page.keyboard.type("L00017X", delay=HAND_MS)
    page.keyboard.press("Enter")
    expect(page.get_by_text("is not a number").first).to_be_visible()
    expect(page.get_by_label("Reading")).to_have_value("L00017X")
    assert StepRecord.objects.count() == 0
    page.keyboard.type(step["quantity"]["value"], delay=HAND_MS)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/steps/{step['number'] + 1}/")
    assert StepRecord.objects.get().reading_text == step["quantity"]["value"]


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_sheet_fits_on_one_page_with_its_number_and_no_menu(go, page, batch, paper):
    go(f"/batches/{batch.reference}/sheet/")
    reader = PdfReader(io.BytesIO(page.pdf(format=paper, prefer_css_page_size=False)))
    assert len(reader.pages) == 1
    text = reader.pages[0].extract_text()
    flat = re.sub(r"\s+", " ", text)
    for part in (batch.reference, "revision 1", "Printed", "Made by", "7647-14-5", "Page 1 of 1"):
        assert part in flat, part
    for gone in ("Sign out", "Queue", "Orders", "Print the sheet", "Skip to"):
        assert gone not in flat, gone


def test_numbers_on_paper_are_24_points_and_the_text_11(go, page, batch):
    go(f"/batches/{batch.reference}/sheet/")
    page.emulate_media(media="print")

    def points(selector):
        pixels = page.locator(selector).first.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")
        return pixels * 72 / 96

    assert points(".sheet-quantity .quantity-value") >= 24
    assert points(".sheet-steps td") >= 11
    box = page.locator(".sheet-box").first.bounding_box()
    assert min(box["width"], box["height"]) >= 26, "7 mm, for a pen"


def test_the_state_is_told_without_colour(go, page, batch):
    go("/queue/?show=open")
    row = page.locator(".queue-row").first
    expect(row.locator("[data-state=claimed]")).to_have_text("Claimed")
    assert row.locator("[data-state=claimed] svg path").count() == 1
