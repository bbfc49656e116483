"""Another form is chosen in the live preview, survives a fresh page and is made; the queue chooses too."""

import re
from datetime import timedelta

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from inventory.models import Lot
from requests_app.models import Order
from tests.journeys.test_every_page import faults

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def test_a_choice_is_made_beside_the_form_and_kept_with_what_is_typed(department, sign_in):
    blue = Lot.objects.get(substance__key="copper-sulfate-pentahydrate", prepared_by=None)
    page = sign_in("instructor")
    page.goto(f"{department.url}/orders/new/")
    page.get_by_label("Section A, 12 groups").check()
    page.get_by_label("Groups in each section").fill("12")
    page.get_by_label("Volume for each group").fill("150")
    page.get_by_label("Substance").fill("copper sulfate, anhydrous")
    page.get_by_label("Concentration", exact=True).fill("0.20")
    page.get_by_label("Day it is needed").fill((timezone.localdate() + timedelta(days=3)).isoformat())
    page.get_by_label("Time it is needed").fill("09:30")
    page.get_by_label("Room", exact=True).fill("210")
    preview = page.locator("#preview")
    expect(preview).to_contain_text(f"lot {blue.code}, instead of")
    assert faults(page) == []
    # The button came with the live preview and stands outside the form it sends.
    preview.get_by_role("button", name=re.compile(rf"Use this instead.*{blue.code}")).click()
    line = page.locator("#components-0-chosen")
    expect(line).to_contain_text(f"Made from copper(II) sulfate pentahydrate, {blue.code}, as you chose.")
    expect(preview).to_contain_text("g of copper(II) sulfate pentahydrate, lot")
    assert faults(page) == []

    # Come back later in the same tab: the choice is there with what was typed, said by the server again.
    page.get_by_label("Notes for whoever makes it").fill("for the blue flame")
    page.goto(f"{department.url}/orders/new/")
    expect(page.get_by_label("Substance")).to_have_value("copper sulfate, anhydrous")
    expect(line).to_contain_text(blue.code)

    page.get_by_role("button", name="Check the order").last.click()
    expect(page.locator("main")).to_contain_text(
        f"copper(II) sulfate pentahydrate, {blue.code}, as you chose"
    )
    assert faults(page) == []
    page.get_by_role("button", name=re.compile("^Send")).last.click()
    page.wait_for_url(re.compile(r"/orders/R-\d+"))
    order = Order.objects.latest("pk")
    assert order.state == "queued"
    assert order.components.get().from_lot == blue

    # The order of the demo that waits, chosen for by the stockroom from its queue.
    waiting = Order.objects.get(state="waiting", title__contains="anhydrous")
    page = sign_in("prep", viewport={"width": 768, "height": 1024})
    page.goto(f"{department.url}/queue/?show=open")
    # Batches of the same title stand there too.
    page.locator(f"a[href='/orders/{waiting.reference}/']").first.click()
    page.wait_for_url(re.compile(rf"/orders/{waiting.reference}/"))
    assert faults(page) == []
    page.get_by_role("button", name=re.compile(rf"Use this instead.*{blue.code}")).dblclick()
    page.wait_for_url(re.compile(rf"/orders/{waiting.reference}/\?chosen"))
    expect(page.locator("main")).to_contain_text("It is made from what you chose.")
    assert faults(page) == []
    assert waiting.events.filter(event="choose").count() == 1
