"""A whole day of the stockroom on two tablets: 25 batches, and what goes wrong with some of them.

What is made and how it goes wrong is invented, as it happens in any teaching laboratory (common practice). That
every order is handed over in the end, and the ledger accounts for every gram, is what is tried.
"""

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from decimal import Decimal

import pytest
from django.conf import settings
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from playwright.sync_api import Browser, Page, expect

from inventory.models import Lot
from prepdesk.calc.typed import parse_number
from requests_app import sheets
from requests_app.models import Batch, DepartmentRules, Mishap, Order, SecondCheck, StepRecord
from requests_app.selectors import bench_steps
from tests.conftest import one_of_the_cast
from tests.requests_app.conftest import a_course, drafter, outfit_bench, receiver, sender, three_sections

pytestmark = [pytest.mark.browser, pytest.mark.timeout(1200)]

TABLET = {"viewport": {"width": 1024, "height": 768}, "has_touch": True}
BATCHES = 25
# Salts and sugar that dissolve without more ado, in so many strengths [mol/L], and one strong acid.
SOLUTIONS = {
    "sodium-chloride": ("0.10", "0.20", "0.50", "1.0"),
    "potassium-chloride": ("0.10", "0.20", "0.50", "1.0"),
    "potassium-nitrate": ("0.10", "0.20", "0.50"),
    "sucrose": ("0.10", "0.20", "0.50"),
    "ammonium-chloride": ("0.10", "0.20", "0.50", "1.0"),
    "magnesium-sulfate-heptahydrate": ("0.10", "0.20", "0.50"),
    "copper-sulfate-pentahydrate": ("0.10", "0.20", "0.50"),
    "hydrochloric-acid": ("1.0",),
}
ROOMS = ("210", "211", "214")


@dataclass
class Day:
    """What the day begins with."""

    url: str
    batches: list[Batch]
    lots: dict[str, Lot]
    spare: Lot
    anhydrous: Lot
    people: dict[str, object]
    pages: dict[str, Page] = field(default_factory=dict)

    def of(self, substance: str, at: int = 0) -> Batch:
        """One of the batches of a substance."""
        return [one for one in self.batches if one.orders.get().components.get().substance.key == substance][
            at
        ]


@pytest.fixture
def day(transactional_db, live_server) -> Day:
    """Twenty-five orders for this afternoon, a full shelf, and a department that wants everything checked."""
    people = {name: one_of_the_cast(name) for name in ("ines", "pia", "paul", "mara")}
    outfit_bench()
    receive = receiver(people["mara"])
    solid = [key for key in SOLUTIONS if key != "hydrochloric-acid"]
    # Each its own assay; the second bottle of salt is another lot with another one.
    lots = {key: receive(key, "2000", assay_percent="99.5", assay_tolerance_percent="0.1") for key in solid}
    lots["hydrochloric-acid"] = receive(
        "hydrochloric-acid", "2500", "liquid", mass_percent="37", density_g_per_ml="1.184"
    )
    send = sender(people["ines"], drafter(three_sections(a_course(), people["ines"])))
    due = min(
        timezone.now() + timedelta(hours=5),
        timezone.localtime().replace(hour=23, minute=59, second=0, microsecond=0),
    )
    orders = [
        send(
            made_alone=True,
            substance=key,
            target=target,
            tolerance="5",
            volume="10",
            groups_per_section=8,
            due_at=due,
            room=ROOMS[number % len(ROOMS)],
        )
        for key, targets in SOLUTIONS.items()
        for number, target in enumerate(targets)
    ]
    spare = receive("sodium-chloride", "2000", assay_percent="98.0", assay_tolerance_percent="0.5")
    anhydrous = receive("copper-sulfate-anhydrous", "500", assay_percent="98.0")
    DepartmentRules.objects.update_or_create(
        pk=1, defaults={"scan_bottles": True, "check_strong_acids": True, "hands": 2}
    )
    batches = [order.batch for order in orders]
    assert len(batches) == BATCHES
    assert None not in batches
    return Day(live_server.url, batches, lots, spare, anhydrous, people)


@pytest.fixture
def open_window(day: Day, browser: Browser) -> Iterator[Callable[..., Page]]:
    """A window of somebody who is signed in; anything the browser complains of fails."""
    contexts, complaints = [], []

    def open_one(username: str, **options) -> Page:
        client = Client()
        client.force_login(day.people[username])
        context = browser.new_context(**{**TABLET, **options})
        context.add_cookies(
            [
                {
                    "name": settings.SESSION_COOKIE_NAME,
                    "value": client.cookies[settings.SESSION_COOKIE_NAME].value,
                    "url": day.url,
                }
            ]
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert complaints == []


# --- the hands ----------------------------------------------------------------------------------
def scan(page: Page, code: str) -> None:
    """A scanner types the code in a burst and ends with Enter, wherever the focus is."""
    page.keyboard.type(code, delay=2)
    page.keyboard.press("Enter")


def at_step(page: Page, number: int, of: int) -> None:
    expect(page.locator("[data-bench-step]").first).to_have_attribute("data-number", str(number))
    expect(page.get_by_text(f"Step {number} of {of}").first).to_be_visible()


def current(batch: Batch) -> dict | None:
    """The step that comes next, by the database."""
    steps = bench_steps(sheets.current_sheet(batch), batch.step_records.all())
    return next((one.step for one in steps if one.is_current), None)


def record(page: Page, step: dict, reading: str = "") -> None:
    """Do a step as its page asks for it: the bottle first, then the reading or the button."""
    if page.locator("[data-scan-state='needed']").count():
        scan(page, step["lot"]["code"])
        expect(page.locator("[data-scan-state='done']")).to_be_visible()
    if step.get("window"):
        page.get_by_label("Reading", exact=True).fill(reading or step["quantity"]["value"])
        page.get_by_role("button", name="Record the reading").click()
    else:
        page.get_by_role("button", name="Done", exact=True).click()


Surprise = Callable[[Page, Batch, dict], None]


def making(
    page: Page, day: Day, batch: Batch, surprises: dict[str, Surprise], closing: Callable[[Page], None]
) -> Iterator[None]:
    """Claim a batch and work it, a step at a time; ``surprises`` happen at the first step of their action."""
    page.goto(f"{day.url}/batches/{batch.reference}/")
    page.get_by_role("button", name="Claim it").click()
    page.get_by_role("link", name=re.compile("^Begin with step")).click()
    yield
    waiting = dict(surprises)
    while (step := current(batch)) is not None:
        total = len(sheets.current_sheet(batch).plan["steps"])
        at_step(page, step["number"], total)
        surprise = waiting.pop(step["action"], None)
        if surprise is not None:
            surprise(page, batch, step)
        else:
            before = batch.step_records.count()
            record(page, step)
            page.wait_for_function(
                "number => !document.querySelector('[data-bench-step]')"
                " || document.querySelector('[data-bench-step]').dataset.number !== number",
                arg=str(step["number"]),
            )
            assert batch.step_records.count() == before + 1
        yield
    assert not waiting, f"{batch.title}: nothing happened at {sorted(waiting)}"
    closing(page)
    page.get_by_role("button", name="Close the work and book it").click()
    page.wait_for_url(f"**/batches/{batch.reference}/")
    yield


def nothing_special(page: Page) -> None:
    expect(page.get_by_text("What closing does")).to_be_visible()


def test_the_ordinary_course(day, open_window):
    page = open_window("pia")
    for _ in making(page, day, day.batches[0], {}, nothing_special):
        pass
    assert Batch.objects.get(pk=day.batches[0].pk).state == "ready"
