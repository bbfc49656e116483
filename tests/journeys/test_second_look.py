"""A second person looks at the readings, in two windows: asked, sent back, read again, signed, closed."""

import os

import pytest
from playwright.sync_api import expect

from inventory.models import Substance
from requests_app.models import Batch, DepartmentRules
from tests.journeys.conftest import scan_what_is_asked_for
from tests.journeys.test_every_page import do_every_step, faults

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

TABLET = {"width": 1024, "height": 768}


def picture(page, name, **size):
    """A picture to look at, where a folder for them is named."""
    folder = os.environ.get("PICTURES")
    if folder:
        page.set_viewport_size(size or TABLET)
        page.screenshot(path=f"{folder}/{name}.png", full_page=True)
        page.set_viewport_size(TABLET)


def test_sent_back_read_again_signed_and_closed(department, sign_in):
    DepartmentRules.objects.update_or_create(pk=1, defaults={"check_restricted": True})
    batch = Batch.objects.filter(state="in_work", unknown_of=None, claimed_by__username="prep")[0]
    plan = batch.sheets.latest("revision").plan
    Substance.objects.filter(key=plan["components"][0]["key"]).update(restricted=True)
    do_every_step(batch, batch.claimed_by)
    batch.changes.update(needs_seeing=False)
    weighed = next(step for step in plan["steps"] if step.get("window"))
    maker, second = sign_in("prep"), sign_in("manager")
    wrong = []
    address = f"{department.url}/batches/{batch.reference}/check/"

    maker.goto(f"{department.url}/batches/{batch.reference}/finish/")
    wrong += faults(maker)
    picture(maker, "closing")
    maker.get_by_role("link", name="To the second look").click()
    wrong += faults(maker)
    picture(maker, "ask")
    maker.get_by_role("button", name="Ask for a second person").click()
    expect(maker.get_by_text("Waits for a second person").last).to_be_visible()
    wrong += faults(maker)
    picture(maker, "waits")

    second.goto(address)
    wrong += faults(second)
    picture(second, "look")
    picture(second, "look-upright", width=768, height=1024)
    picture(second, "look-narrow", width=320, height=800)
    # By the keyboard alone.
    second.get_by_role("link", name=f"Send step {weighed['number']} back").focus()
    second.keyboard.press("Enter")
    expect(second.get_by_role("heading", name=f"Send step {weighed['number']} back")).to_be_visible()
    wrong += faults(second)
    picture(second, "back")
    second.get_by_role("button", name="Send it back with these words").click()
    expect(second.locator(".error-summary")).to_be_visible()
    wrong += faults(second)
    picture(second, "back-error")
    second.get_by_label("Another reason, in your words").fill("The window and the reading are of two lots.")
    second.keyboard.press("Enter")
    expect(second.get_by_text("is sent back.")).to_be_visible()

    maker.goto(address)
    wrong += faults(maker)
    picture(maker, "sent-back")
    maker.goto(f"{department.url}/batches/{batch.reference}/steps/{weighed['number']}/")
    expect(maker.get_by_text("The window and the reading are of two lots.")).to_be_visible()
    wrong += faults(maker)
    picture(maker, "step")
    scan_what_is_asked_for(maker)
    maker.get_by_label("Read again").fill(weighed["quantity"]["value"])
    maker.get_by_role("button", name="Record the reading").click()
    maker.wait_for_url("**/finish/")
    maker.goto(address)
    maker.get_by_role("button", name="Ask for a second person").click()
    expect(maker.get_by_text("Waits for a second person").last).to_be_visible()

    second.goto(address)
    second.get_by_role("button", name="I have looked at the readings and sign").click()
    expect(second.get_by_text("You signed the readings")).to_be_visible()
    wrong += faults(second)
    picture(second, "signed")
    maker.goto(f"{department.url}/batches/{batch.reference}/finish/")
    maker.get_by_role("button", name="Close the work and book it").click()
    expect(maker.get_by_text("the second person")).to_be_visible()
    picture(maker, "closed", width=1280, height=900)
    second.goto(f"{department.url}/teaching/rules/")
    wrong += faults(second)
    picture(second, "rules", width=1280, height=900)
    maker.goto(f"{department.url}/teaching/rules/")
    wrong += faults(maker)
    assert wrong == []
