"""Bottles are scanned and a balance types at the bench, in a real browser on a tablet.

A scanner set to type sends a sign every 2 ms to 50 ms and Enter after the last one; a balance with a keyboard
link sends sign, blanks, figures and unit the same way (common practice of both trades).
"""

import time
from datetime import timedelta
from uuid import uuid4

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from inventory.models import Lot, Substance
from inventory.services import receive_lot
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app.models import Batch, BottleScan, DepartmentRules, StepRecord
from requests_app.services.claiming import claim_batch

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

TABLET = {"viewport": {"width": 1024, "height": 768}, "has_touch": True}
SLOW_MS, FAST_MS = 50, 2
HAND_MS = 130
BOXES = """() => [...document.querySelectorAll('a, button, input:not([type=hidden]), summary')]
  .filter(e => e.checkVisibility() && !e.classList.contains('skip-link'))
  .map(e => { const r = e.getBoundingClientRect(); return [e.innerText || e.name, r.width, r.height]; })"""


def burst(page: Page, text: str, pace: float = FAST_MS, end: str = "Enter") -> None:
    """Keys of a device, one every ``pace`` milliseconds by their own clock, however slow this machine is.

    Signs of another layout are pressed like all others; the driver's own typing would only insert them.
    """
    session = page.context.new_cdp_session(page)
    began = time.time()
    for count, sign in enumerate([*text, *([end] if end else [])]):
        at = began + count * pace / 1000
        key = {"key": sign, "timestamp": at}
        if sign == "Enter":
            key |= {"code": "Enter", "windowsVirtualKeyCode": 13, "text": "\r"}
        elif sign == "Tab":
            key |= {"code": "Tab", "windowsVirtualKeyCode": 9}
        elif sign == " ":
            key |= {"code": "Space", "windowsVirtualKeyCode": 32, "text": sign}
        else:
            key |= {"text": sign}
        session.send("Input.dispatchKeyEvent", {"type": "keyDown", **key})
        session.send("Input.dispatchKeyEvent", {"type": "keyUp", **key})
    session.detach()


@pytest.fixture
def batch(department) -> Batch:
    """A batch of the demo whose first step weighs something in grams, claimed by whoever is at the bench."""
    prep = User.objects.get(username="prep")
    for found in Batch.objects.filter(state="queued", unknown_of=None).order_by("pk"):
        step = step_of(found)
        if step.get("window") and step["quantity"]["unit"] == "g":
            return claim_batch(actor=prep, batch=found)
    raise AssertionError("the demo has no batch that begins at the balance")


def step_of(batch: Batch) -> dict:
    return batch.sheets.first().plan["steps"][0]


@pytest.fixture
def at_step(department, sign_in, batch):
    """Stand at its first step."""

    def stand(asked=True) -> Page:
        DepartmentRules.objects.update_or_create(pk=1, defaults={"scan_bottles": asked})
        page = sign_in("prep", **TABLET)
        page.goto(f"{department.url}/batches/{batch.reference}/steps/1/")
        return page

    return stand


def news(page: Page):
    return page.locator("[data-scan-news]")


def reading(page: Page):
    return page.get_by_label("Reading", exact=True)


def another_bottle(substance: Substance, **facts) -> Lot:
    return receive_lot(
        actor=User.objects.filter(role=policy.MANAGER).first(),
        substance=substance,
        kind="solid",
        amount="100",
        unit="g",
        idempotency_key=uuid4().hex,
        **facts,
    )


@pytest.mark.parametrize("pace", [FAST_MS, SLOW_MS])
def test_a_scan_lands_in_its_field_wherever_the_focus_is(at_step, batch, pace):
    page, code = at_step(), step_of(batch)["lot"]["code"]
    expect(page.get_by_label("Code on its label")).to_be_focused()
    # In the scan field, in the reading, and nowhere.
    for number, place in enumerate(["[data-scan]", "[name=reading]", "body"], start=1):
        page.reload()
        if place == "body":
            page.evaluate("document.activeElement.blur()")
        elif page.locator(place).is_visible():
            page.locator(place).focus()
        page.evaluate("sessionStorage.clear()")
        with page.expect_response("**/scan/") as answer:
            burst(page, code, pace)
        assert answer.value.status == 200
        expect(page.locator("#scan-said")).to_contain_text("The right bottle")
        expect(reading(page)).to_be_focused()
        expect(reading(page)).to_have_value("")
        assert BottleScan.objects.filter(verdict="right").count() == number
    assert StepRecord.objects.filter(batch=batch).count() == 0
    assert page.url.endswith("/steps/1/")


def test_a_bottle_is_scanned_weighed_from_and_recorded_and_the_enter_of_the_scanner_sends_nothing(
    at_step, batch
):
    page, step = at_step(), step_of(batch)
    page.keyboard.type(step["lot"]["code"], delay=HAND_MS)
    page.keyboard.press("Enter")
    expect(page.locator("#scan-said")).to_contain_text("The right bottle")
    # This machine may be slow; by the clock of the page it is the same moment.
    page.evaluate("() => { const now = Date.now(); Date.now = () => now; }")
    # The same code again at once, as of a trigger that was held: once is enough.
    burst(page, step["lot"]["code"])
    burst(page, step["lot"]["code"])
    page.wait_for_timeout(400)
    assert BottleScan.objects.count() == 2, "one was typed, and one of the two scans counts"
    expect(reading(page)).to_have_value("")
    page.keyboard.type(step["quantity"]["value"], delay=HAND_MS)
    page.keyboard.press("Enter")
    page.wait_for_url("**/steps/2/")
    assert StepRecord.objects.get(batch=batch).reading_text == step["quantity"]["value"]


def test_a_scan_while_a_mass_is_typed_changes_nothing_and_says_so(at_step, batch):
    page, code = at_step(asked=False), step_of(batch)["lot"]["code"]
    reading(page).focus()
    page.keyboard.type("12.", delay=HAND_MS)
    page.wait_for_timeout(200)
    burst(page, code)
    expect(news(page)).to_contain_text("while a reading is being typed")
    expect(reading(page)).to_have_value("12.")
    # Without the Enter at its end, and with figures alone, too.
    burst(page, "2000000000008", end="")
    page.wait_for_timeout(1_000)
    expect(reading(page)).to_have_value("12.")
    assert BottleScan.objects.count() == 0
    page.keyboard.type("3", delay=HAND_MS)
    expect(reading(page)).to_have_value("12.3")


def test_figures_that_a_hand_typed_just_before_a_slow_scanner_began_stay(at_step, batch):
    page, code = at_step(asked=False), step_of(batch)["lot"]["code"]
    reading(page).focus()
    page.keyboard.type("1", delay=0)
    page.wait_for_timeout(60)
    burst(page, code, SLOW_MS)
    expect(news(page)).to_contain_text("while a reading is being typed")
    expect(reading(page)).to_have_value("1")


@pytest.mark.parametrize(
    ("typed", "words"),
    [("L000", "Only 4 of 7 signs"), ("L00001X", "check character"), ("Lààà&èè", "French (AZERTY)")],
)
def test_what_was_not_read_rightly_is_told_with_its_cause(at_step, batch, typed, words):
    page = at_step()
    reading(page).focus()
    burst(page, typed)
    expect(page.get_by_role("alert")).to_contain_text(words)
    expect(reading(page)).to_have_value("")
    assert BottleScan.objects.get().verdict == "garbled"
    page.get_by_role("button", name="Record the reading").click()
    assert StepRecord.objects.filter(batch=batch).count() == 0


def test_a_balance_shows_its_reading_and_a_person_presses_the_button(at_step, batch):
    page, step = at_step(asked=False), step_of(batch)
    value = step["quantity"]["value"]
    # Nothing has the focus; sign and blanks before the figures.
    page.evaluate("document.activeElement.blur()")
    burst(page, f"+   {value} g")
    expect(reading(page)).to_have_value(value)
    expect(news(page)).to_contain_text("came from the balance")
    page.wait_for_timeout(300)
    assert StepRecord.objects.filter(batch=batch).count() == 0
    page.wait_for_timeout(2_000)
    # It sends again, with the focus on a button this time, and ends with a tabulator.
    page.get_by_role("button", name="Record the reading").focus()
    burst(page, f"    {value} g", end="Tab")
    expect(reading(page)).to_have_value(value)
    page.wait_for_timeout(300)
    assert StepRecord.objects.filter(batch=batch).count() == 0
    page.get_by_role("button", name="Record the reading").click()
    page.wait_for_url("**/steps/2/")
    assert StepRecord.objects.get(batch=batch).reading_text == value
    # At a step without a reading it is told, and nothing is pressed.
    page.wait_for_timeout(2_000)
    burst(page, f"{value} g")
    expect(news(page)).to_contain_text("takes no reading")
    burst(page, step["lot"]["code"])
    expect(news(page)).to_contain_text("takes from no bottle")
    assert StepRecord.objects.filter(batch=batch).count() == 1


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        ("58.44", "without a unit"),
        ("00177", "without a unit"),
        ("58440 mg", "read in g"),
        ("-0.02 g", "Tare the balance"),
    ],
)
def test_what_is_no_reading_of_this_step_never_gets_into_its_field(at_step, batch, sent, words):
    page = at_step(asked=False)
    reading(page).focus()
    burst(page, sent)
    expect(news(page)).to_contain_text(words)
    expect(reading(page)).to_have_value("")
    assert StepRecord.objects.filter(batch=batch).count() == 0


def test_the_rest_of_a_reading_that_was_cut_in_two_is_no_reading(at_step, batch):
    page = at_step(asked=False)
    burst(page, "+   58", end="")
    page.wait_for_timeout(700)
    burst(page, ".44 g")
    expect(news(page)).to_contain_text("part of something")
    expect(reading(page)).to_have_value("")


def test_a_balance_writes_nothing_over_what_a_hand_has_typed(at_step, batch):
    page = at_step(asked=False)
    reading(page).focus()
    page.keyboard.type("7.7", delay=HAND_MS)
    page.wait_for_timeout(200)
    burst(page, "58.44 g")
    expect(news(page)).to_contain_text("is being typed")
    expect(reading(page)).to_have_value("7.7")


def test_a_wrong_hydrate_stops_the_step_with_the_reason_until_the_right_bottle_is_shown(at_step, batch):
    step = step_of(batch)
    wrong = another_bottle(
        Substance.objects.exclude(pk=Lot.objects.get(code=step["lot"]["code"]).substance_id).get(
            key="copper-sulfate-anhydrous"
        ),
        assay_percent="99",
    )
    page = at_step(asked=False)
    burst(page, wrong.code)
    expect(page.get_by_role("alert")).to_contain_text("Another substance or form")
    expect(page.get_by_role("alert")).to_contain_text("CuSO₄, 159.60 g/mol")
    reading(page).fill(step["quantity"]["value"])
    page.get_by_role("button", name="Record the reading").click()
    expect(page.get_by_text("The right bottle first")).to_be_visible()
    expect(reading(page)).to_have_value(step["quantity"]["value"])
    assert StepRecord.objects.filter(batch=batch).count() == 0
    burst(page, step["lot"]["code"])
    expect(page.locator("#scan-said")).to_contain_text("The right bottle")
    page.get_by_role("button", name="Record the reading").click()
    page.wait_for_url("**/steps/2/")


def test_an_expired_bottle_is_refused_large_and_in_words(at_step, batch):
    code = step_of(batch)["lot"]["code"]
    Lot.objects.filter(code=code).update(expires_on=timezone.localdate() - timedelta(days=3))
    page = at_step()
    burst(page, code)
    said = page.locator("#scan-said")
    expect(said).to_contain_text("Expired")
    expect(said).to_contain_text("Do not open it")
    assert float(said.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 20


def test_sound_is_off_until_it_is_switched_on_and_stays_so_at_this_device(at_step, batch):
    page = at_step()
    switch = page.get_by_role("button", name="Sound is off")
    expect(switch).to_have_attribute("aria-pressed", "false")
    switch.click()
    expect(page.get_by_role("button", name="Sound is on")).to_have_attribute("aria-pressed", "true")
    page.reload()
    expect(page.get_by_role("button", name="Sound is on")).to_be_visible()
    page.evaluate(
        """() => { window.tones = 0; const kind = AudioContext.prototype, made = kind.createOscillator;
        kind.createOscillator = function () { window.tones += 1; return made.call(this); }; }"""
    )
    burst(page, "L000")
    expect(page.get_by_role("alert")).to_contain_text("Only 4 of 7")
    page.wait_for_function("window.tones === 2")
    burst(page, step_of(batch)["lot"]["code"])
    expect(page.locator("#scan-said")).to_contain_text("The right bottle")
    page.wait_for_function("window.tones === 3")


@pytest.mark.parametrize("size", [(1024, 768), (768, 1024)])
def test_every_target_is_large_enough_for_a_glove_before_and_after_a_scan(at_step, batch, size):
    page = at_step()
    page.set_viewport_size({"width": size[0], "height": size[1]})
    for code in ("L000", step_of(batch)["lot"]["code"]):
        for name, width, height in page.evaluate(BOXES):
            assert min(width, height) >= 56, name
        burst(page, code)
        expect(page.locator("#scan-said")).to_be_visible()
    page.locator("summary").click()
    for name, width, height in page.evaluate(BOXES):
        assert min(width, height) >= 56, name
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
