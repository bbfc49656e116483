"""A bottle is empty at the bench: from its step to the one that takes the rest, by keyboard alone."""

import pytest
from playwright.sync_api import expect

from prepdesk.accounts.models import User
from requests_app import sheets
from requests_app.models import Batch
from requests_app.services.claiming import claim_batch
from tests.journeys.test_every_page import faults

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def test_a_bottle_runs_out_and_another_one_gives_the_rest(department, sign_in):
    # Sodium chloride stands there in several bottles.
    batch = Batch.objects.filter(state="queued", unknown_of=None, title="2.00 mol/L sodium chloride")[0]
    step = sheets.current_sheet(batch).plan["steps"][0]
    claim_batch(actor=User.objects.get(username="prep"), batch=batch)
    page = sign_in("prep")
    page.goto(f"{department.url}/batches/{batch.reference}/steps/1/")
    page.get_by_role("link", name="This bottle is empty").press("Enter")
    wrong = faults(page)
    page.get_by_label("What this bottle gave").fill(f"{float(step['quantity']['value']) * 0.6:.2f}")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="From which bottle")).to_be_visible()
    wrong += faults(page)
    page.locator(".run-out-choice").first.press("Enter")
    expect(page.get_by_role("heading", name="What going on does")).to_be_visible()
    wrong += faults(page)
    page.get_by_role("button", name="Go on from").press("Enter")
    page.wait_for_url("**/steps/2/")
    expect(page.get_by_role("heading", name="The rest from another bottle.")).to_be_visible()
    assert wrong == []
