"""A whole day of the stockroom on two tablets: 25 batches, and what goes wrong with some of them.

What is made and how it goes wrong is invented, as in any teaching laboratory (common practice). That
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
    if page.locator("[data-scan-state='needed'], [data-scan-state='refused']").count():
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
            # A server that is slow to answer is a lost connection; then it arrives a little later.
            page.wait_for_function("() => !/kept on this device/.test(document.body.innerText)")
            assert batch.step_records.count() == before + 1
        yield
    assert not waiting, f"{batch.title}: nothing happened at {sorted(waiting)}"
    closing(page)
    page.get_by_role("button", name="Close the work and book it").click()
    page.wait_for_url(f"**/batches/{batch.reference}/")
    yield


def nothing_special(page: Page) -> None:
    expect(page.get_by_text("What closing does")).to_be_visible()


# --- what goes wrong ----------------------------------------------------------------------------
def overshoots(page: Page, batch: Batch, step: dict) -> None:
    """Three per cent too much is on the pan and in the water: recorded with the reason."""
    scan(page, step["lot"]["code"])
    expect(page.locator("[data-scan-state='done']")).to_be_visible()
    too_much = str((Decimal(step["quantity"]["value"]) * Decimal("1.08")).quantize(Decimal("0.1")))
    page.get_by_label("Reading", exact=True).fill(too_much)
    page.get_by_role("button", name="Record the reading").click()
    expect(page.get_by_role("alert").first).to_contain_text("Outside by")
    expect(page.get_by_label("Reading", exact=True)).to_have_value(too_much)
    page.get_by_label("Why this reading is kept").fill("in the water already")
    page.get_by_role("button", name="Keep this reading with the reason").click()
    at_step(page, step["number"] + 1, len(sheets.current_sheet(batch).plan["steps"]))


def dilutes(page: Page) -> None:
    """What was too strong is put right with the water that the closing page works out."""
    expect(page.get_by_label("Why it is kept and used")).to_be_visible()
    way = page.get_by_text(re.compile(r"add [\d.]+ mL of water")).first
    expect(way).to_be_visible()
    more = re.search(r"add ([\d.]+) mL of water", way.inner_text())
    assert more
    page.get_by_label("Solvent added after making up").fill(more[1])
    page.get_by_role("button", name="Work it out with this").click()
    # Nothing is to be explained any more.
    expect(page.get_by_label("Why it is kept and used")).to_have_count(0)


def runs_out(spare: Lot) -> Surprise:
    """The bottle gives part of what is asked for; the rest comes from another lot with another assay."""

    def happen(page: Page, batch: Batch, step: dict) -> None:
        scan(page, step["lot"]["code"])
        expect(page.locator("[data-scan-state='done']")).to_be_visible()
        page.get_by_role("link", name="This bottle is empty").click()
        gave = str((Decimal(step["quantity"]["value"]) * Decimal("0.4")).quantize(Decimal("0.1")))
        page.locator("input[name=gave]").first.fill(gave)
        page.get_by_role("button", name="Show what each bottle would give").click()
        page.get_by_role("button", name=re.compile(spare.code)).click()
        page.get_by_role("button", name=f"Go on from {spare.code}").click()
        at_step(page, step["number"] + 1, len(sheets.current_sheet(batch).plan["steps"]))

    return happen


def takes_the_wrong_bottle(wrong: Lot) -> Surprise:
    """The anhydrous salt for the pentahydrate: stopped with the reason, and nothing is recorded for it."""

    def happen(page: Page, batch: Batch, step: dict) -> None:
        scan(page, wrong.code)
        said = page.locator("#scan-said")
        expect(said).to_have_attribute("role", "alert")
        expect(said).to_contain_text("anhydrous")
        page.get_by_label("Reading", exact=True).fill(step["quantity"]["value"])
        page.get_by_role("button", name="Record the reading").click()
        expect(page.get_by_role("alert").first).to_contain_text("The right bottle first")
        assert not batch.step_records.exists()
        record(page, step)
        at_step(page, step["number"] + 1, len(sheets.current_sheet(batch).plan["steps"]))

    return happen


def loses_the_connection(page: Page, batch: Batch, step: dict) -> None:
    """Bottle, reading and the step after it are done without a connection, and arrive once it is back."""
    total = len(sheets.current_sheet(batch).plan["steps"])
    before = batch.step_records.count()
    page.context.set_offline(True)
    scan(page, step["lot"]["code"])
    expect(page.locator("[data-scan-state='done']")).to_be_visible()
    expect(page.locator("#scan-said")).to_contain_text("told to the server when the connection is back")
    assert not batch.bottle_scans.exists()
    page.get_by_label("Reading", exact=True).fill(step["quantity"]["value"])
    page.get_by_role("button", name="Record the reading").click()
    at_step(page, step["number"] + 1, total)
    page.get_by_role("button", name="Done", exact=True).click()
    at_step(page, step["number"] + 2, total)
    expect(
        page.get_by_text("1 scan, 1 reading and 1 step done are kept on this device").first
    ).to_be_visible()
    assert batch.step_records.count() == before
    page.context.set_offline(False)
    page.wait_for_function("() => !/kept on this device/.test(document.body.innerText)")
    assert batch.step_records.count() == before + 2
    assert [one.verdict for one in batch.bottle_scans.all()] == ["right"]
    page.goto(re.sub(r"steps/\d+/", f"steps/{step['number'] + 2}/", page.url))


def spills(page: Page, batch: Batch, step: dict) -> None:
    """A little beside the pan: booked out of the bottle, and weighed as planned."""
    scan(page, step["lot"]["code"])
    expect(page.locator("[data-scan-state='done']")).to_be_visible()
    page.get_by_role("link", name="Something went wrong").click()
    page.get_by_role("link", name="Some was spilled").click()
    if page.get_by_role("link", name=re.compile(step["lot"]["code"])).count():
        page.get_by_role("link", name=re.compile(step["lot"]["code"])).first.click()
    page.locator("input[name=amount]").fill("1.5")
    page.get_by_role("button", name="Note the spill").click()
    page.goto(re.sub(r"/steps/.*", f"/steps/{step['number']}/", page.url.split("?")[0]))
    record(page, step)
    at_step(page, step["number"] + 1, len(sheets.current_sheet(batch).plan["steps"]))


def asks_for_a_second_person(day: Day, batch: Batch, second: Page) -> Callable[[Page], None]:
    """The second person sends a reading back, then signs what was read anew; the maker can't sign."""

    def close(page: Page) -> None:
        check = f"{day.url}/batches/{batch.reference}/check/"
        steps = sheets.current_sheet(batch).plan["steps"]
        number = next(step["number"] for step in steps if step.get("window"))
        page.goto(check)
        page.get_by_role("button", name="Ask for a second person").click()
        expect(page.get_by_text("Waits for a second person").first).to_be_visible()
        expect(page.get_by_role("button", name=re.compile("sign"))).to_have_count(0)
        second.goto(check)
        second.get_by_role("link", name=f"Send step {number} back").click()
        second.locator("button[name=because]").first.click()
        expect(second.get_by_text("Sent back").first).to_be_visible()
        page.goto(f"{day.url}/batches/{batch.reference}/finish/")
        expect(page.get_by_text("Sent back").first).to_be_visible()
        page.goto(f"{day.url}/batches/{batch.reference}/steps/{number}/")
        step = sheets.step_of(sheets.current_sheet(batch).plan, number)
        page.get_by_label("Read again", exact=True).fill(step["quantity"]["value"])
        page.get_by_role("button", name="Record the reading").click()
        page.wait_for_url(re.compile("/(finish|check)/"))
        page.goto(check)
        page.get_by_role("button", name="Ask for a second person").click()
        second.goto(check)
        second.get_by_role("button", name="I have looked at the readings and sign").click()
        expect(second.get_by_text("Signed").first).to_be_visible()
        page.goto(f"{day.url}/batches/{batch.reference}/finish/")

    return close


# --- the day ------------------------------------------------------------------------------------
def deliver_everything(page: Page, day: Day) -> None:
    """Pour, put on the cart, and hand over room by room."""
    for batch in day.batches:
        page.goto(f"{day.url}/batches/{batch.reference}/portions/")
        page.get_by_role("button", name="Pour it into bottles").click()
        expect(page.get_by_role("link", name=re.compile("^Labels for"))).to_be_visible()
    for room in ROOMS:
        page.goto(f"{day.url}/cart/deliver/?room={room}")
        page.get_by_role("button", name=str(day.people["ines"])).click()
        expect(page.get_by_role("button", name="Left in the room")).to_have_count(0)


def test_a_whole_day_ends_with_everything_handed_over_and_every_gram_accounted_for(day, open_window):
    pia, paul = open_window("pia"), open_window("paul", viewport={"width": 768, "height": 1024})
    special: dict[Batch, tuple[dict[str, Surprise], Callable[[Page], None]]] = {
        day.of("sodium-chloride", 3): ({"weigh": overshoots}, dilutes),
        day.of("sodium-chloride", 2): ({"weigh": runs_out(day.spare)}, nothing_special),
        day.of("copper-sulfate-pentahydrate"): (
            {"weigh": takes_the_wrong_bottle(day.anhydrous)},
            nothing_special,
        ),
        day.of("sucrose"): ({"weigh": loses_the_connection}, nothing_special),
        day.of("ammonium-chloride"): ({"weigh": spills}, nothing_special),
        day.of("hydrochloric-acid"): (
            {},
            asks_for_a_second_person(day, day.of("hydrochloric-acid"), second=open_window("paul")),
        ),
    }
    # The one who has the acid is Pia; Paul looks. All others are taken in turn, both at once.
    ordinary = ({}, nothing_special)
    queues = {pia: [day.of("hydrochloric-acid")], paul: []}
    for at, batch in enumerate(one for one in day.batches if one != day.of("hydrochloric-acid")):
        queues[pia if at % 2 else paul].append(batch)
    at_work = {page: iter(()) for page in queues}
    while any(queues.values()) or any(at_work.values()):
        for page, queue in queues.items():
            if at_work[page] is None:
                continue
            if next(at_work[page], "done") == "done":
                at_work[page] = None
                if queue:
                    batch = queue.pop(0)
                    surprises, closing = special.get(batch, ordinary)
                    at_work[page] = making(page, day, batch, surprises, closing)

    deliver_everything(pia, day)
    assert set(Order.objects.values_list("state", flat=True)) == {"handed_over"}
    assert set(Batch.objects.values_list("state", flat=True)) == {"handed_over"}
    # What went wrong is kept, and each thing went wrong once.
    assert StepRecord.objects.filter(verdict="outside").count() >= 1
    assert {one.kind for one in Mishap.objects.all()} >= {"ran_out", "spilled"}
    states = [check.state for check in SecondCheck.objects.order_by("pk")]
    assert states == ["sent_back", "signed"]
    ran_out = day.of("sodium-chloride", 2)
    ran_out.refresh_from_db()
    parents = set(ran_out.prepared_lot.parent_links.values_list("parent__code", flat=True))
    assert parents == {day.lots["sodium-chloride"].code, day.spare.code}
    call_command("verify_stock", verbosity=0)
