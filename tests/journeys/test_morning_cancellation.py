"""The morning a section falls out: one action at the desk, and the bench and the queue know."""

import re

import pytest
from django.utils import timezone
from playwright.sync_api import expect

from requests_app import states
from requests_app.models import Meeting, Order, OrderRevision
from tests.journeys.test_every_page import faults

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def test_a_section_is_cancelled_and_whoever_makes_its_solution_sees_it_before_the_next_step(
    department, sign_in
):
    # The one whose salt is weighed already, for a meeting of this very day.
    order = OrderRevision.objects.get(needs_seeing=True, seen_at=None).order
    begins = timezone.now() + timezone.timedelta(hours=1)
    meeting = Meeting.objects.create(
        section=order.sections.get(), week=40, starts_at=begins, ends_at=begins + timezone.timedelta(hours=3)
    )
    Order.objects.filter(pk=order.pk).update(meeting=meeting)
    batch = order.batch

    desk = sign_in("instructor")
    desk.goto(f"{department.url}/teaching/meetings/{meeting.pk}/")
    expect(desk.locator("main")).to_contain_text(order.reference)
    desk.get_by_role("link", name="It does not take place").click()
    desk.get_by_label("Why").fill("The water is off")
    desk.get_by_role("button", name="Show what it does").click()
    expect(desk.locator("main")).to_contain_text("whoever makes it stops it, or finishes it for the shelf")
    expect(desk.locator("main")).to_contain_text("Told: Tom Weirside.")
    assert faults(desk) == []
    desk.get_by_role("button", name="Cancel the meeting").dblclick()
    expect(desk.locator("main")).to_contain_text("It does not take place. The water is off.")
    order.refresh_from_db()
    assert (order.state, batch.changes.count()) == (states.CANCELLED, 2)

    bench = sign_in("prep", viewport={"width": 768, "height": 1024})
    bench.goto(f"{department.url}/queue/?show=open")
    expect(bench.locator(f"#{batch.reference}")).to_contain_text("Changed, not seen yet")
    bench.goto(f"{department.url}/batches/{batch.reference}/steps/2/")
    expect(bench.locator("main")).to_contain_text(f"Nobody wants {batch.reference} any more.")
    assert faults(bench) == []
    # Enter, and the large button, record nothing before it is seen.
    bench.get_by_role("button", name="Done", exact=True).click()
    expect(bench.locator("main")).to_contain_text("Look at the change first")
    assert batch.step_records.count() == 1
    bench.get_by_role("button", name="I have seen it").click()
    expect(bench.get_by_role("button", name="I have seen it")).to_have_count(0)
    assert not batch.changes.filter(seen_at=None).exists()
    bench.goto(f"{department.url}/batches/{batch.reference}/")
    bench.get_by_role("link", name="Stop it").click()
    bench.get_by_label("Why it is given up").fill("nobody wants it")
    bench.get_by_role("button", name="Give it up").click()
    bench.wait_for_url(re.compile(f"/batches/{batch.reference}/$"))
    batch.refresh_from_db()
    assert batch.state == states.CANCELLED
