"""One order through the whole house, by the three people who carry it, in a real browser."""

import csv
import io
import re
from datetime import timedelta
from decimal import Decimal

import pytest
from django.core.management import call_command
from django.utils import timezone
from playwright.sync_api import Page, expect

from requests_app.models import Batch, Order
from tests.journeys.conftest import scan_what_is_asked_for

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

# Common practice: 58.4 g of sodium chloride in 500 mL is 2 mol/L, so 1000 mL take 116.9 g.
GRAMS = Decimal("116.9")


def order_salt(page: Page) -> str:
    """Order 2.00 mol/L sodium chloride for three sections of twelve groups; returns the reference."""
    page.goto(page.url.split("/orders")[0] + "/orders/new/")
    for name in ("Section A, 12 groups", "Section B, 12 groups", "Section C, 10 groups"):
        page.get_by_label(name).check()
    page.get_by_label("Groups in each section").fill("12")
    page.get_by_label("Volume for each group").fill("25")
    page.get_by_label("Extra").fill("10")
    substance = page.get_by_label("Substance")
    substance.press_sequentially("sodium chlori", delay=20)
    option = page.get_by_role("option", name=re.compile("sodium chloride", re.IGNORECASE)).first
    expect(option).to_be_visible()
    option.click()
    page.get_by_label("Concentration", exact=True).fill("2.00")
    preview = page.locator("#preview")
    expect(preview).to_contain_text("990 mL")
    expect(preview).to_contain_text("1000 mL one-mark flask")
    expect(preview).not_to_contain_text("beaker to the mark")
    page.get_by_label("Day it is needed").fill((timezone.localdate() + timedelta(days=1)).isoformat())
    page.get_by_label("Time it is needed").fill("09:30")
    page.get_by_label("Room", exact=True).fill("210")
    page.get_by_role("button", name="Check the order").last.click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Check the order")
    # Two impatient clicks make one order.
    page.get_by_role("button", name=re.compile("^Send")).last.dblclick()
    page.wait_for_url(re.compile(r"/orders/R-\d+"))
    found = re.search(r"R-\d+", page.url)
    assert found
    return found.group()


def work(page: Page, batch: Batch) -> None:
    """Claim a batch and do every step, with one reading that is wrong at first."""
    page.goto(re.sub(r"/(queue|batches).*", f"/batches/{batch.reference}/", page.url))
    page.get_by_role("button", name="Claim it").click()
    page.get_by_role("link", name="Begin with step 1").click()
    plan = batch.sheets.first().plan
    tried_wrong = False
    for step in plan["steps"]:
        expect(page.get_by_text(f"Step {step['number']} of {len(plan['steps'])}").first).to_be_visible()
        scan_what_is_asked_for(page)
        if step.get("window"):
            field = page.get_by_label("Reading", exact=True)
            if not tried_wrong:
                tried_wrong = True
                field.fill("161.88")
                page.get_by_role("button", name="Record the reading").click()
                expect(page.get_by_role("alert")).to_contain_text("Outside by")
                expect(field).to_have_value("161.88")
            field.fill(step["quantity"]["value"])
            page.get_by_role("button", name="Record the reading").click()
        else:
            page.get_by_role("button", name="Done", exact=True).click()
    expect(page.get_by_text("What closing does")).to_be_visible()
    page.get_by_role("button", name="Close the work and book it").click()
    page.get_by_role("link", name="Hand over in bottles").first.click()
    page.get_by_role("link", name="Hand all of it over at once").click()
    page.get_by_role("button", name="Hand it over").click()
    expect(page.get_by_text("Handed over").first).to_be_visible()


def test_an_order_goes_from_the_instructor_over_the_bench_to_the_review(sign_in):
    instructor = sign_in("instructor")
    before = Order.objects.count()
    reference = order_salt(instructor)
    assert Order.objects.count() == before + 1
    order = Order.objects.get(reference=reference)
    assert order.state == "queued"
    instructor.go_back()
    instructor.go_forward()
    instructor.reload()
    assert Order.objects.count() == before + 1

    prep = sign_in("prep", viewport={"width": 1024, "height": 768}, has_touch=True)
    prep.goto(f"{prep.url.partition('?')[0]}?show=open")
    expect(prep.get_by_text(order.batch.reference).first).to_be_visible()
    work(prep, order.batch)

    order.refresh_from_db()
    assert order.state == "handed_over"
    # The refused reading was never booked.
    assert not order.batch.step_records.filter(reading_text="161.88").exists()
    instructor.goto(instructor.url)
    expect(instructor.get_by_text("Handed over").first).to_be_visible()
    found = Decimal(str(order.batch.settlement["concentrations"][0]["value"]))
    assert found == pytest.approx(Decimal("2.00"), rel=Decimal("0.0025"))

    manager = sign_in("manager")
    manager.goto(manager.url)
    expect(manager.get_by_role("heading", name="What was used")).to_be_visible()
    with manager.expect_download() as download:
        manager.get_by_role("link", name="Download as CSV").click()
    text = download.value.path().read_text(encoding="utf-8-sig")
    rows = [row for row in csv.DictReader(io.StringIO(text)) if row["substance"] == "sodium chloride"]
    assert any(row["course"] == "CH 101" and Decimal(row["drawn"]) >= GRAMS - Decimal("0.5") for row in rows)
    call_command("verify_stock", verbosity=0)
