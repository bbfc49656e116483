"""The connection is lost at the bench: no reading is lost with it, none is booked twice, and work goes on.

What must hold is common practice at a bench: each reading stands once, as it was read, with the time at
which it was read, under the name of who read it.
"""

import re
from datetime import timedelta
from pathlib import Path

import pytest
from django.contrib.sessions.models import Session
from django.utils import timezone
from playwright.sync_api import Error, expect
from stdnum.iso7064 import mod_37_36

from inventory.models import Lot
from prepdesk.calc.typed import parse_number
from requests_app import sheets
from requests_app.drafts import DraftComponent
from requests_app.models import Batch, BottleScan, DepartmentRules, StepRecord
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.recalls import recall_lot
from requests_app.services.recording import record_step
from tests.journeys.test_every_page import faults
from tests.journeys.test_scanning import burst
from tests.requests_app.conftest import (  # noqa: F401 (fixtures)
    bench,
    bottle,
    course,
    draft,
    salt,
    sections,
    send,
    substance_row,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.timeout(300)]

PASSWORD = "wet gloves at the bench"


@pytest.fixture
def batch(send, salt, bottle, prep) -> Batch:  # noqa: F811
    """Two salts in one solution: the first two steps each take a reading, of one bottle each."""
    bottle("potassium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")
    substance_row("potassium-chloride")
    potassium = DraftComponent("potassium-chloride", parse_number("0.50"), "mol/L")
    return claim_batch(actor=prep, batch=send(more=(potassium,)).batch)


def steps_of(batch) -> list[dict]:
    return sheets.current_sheet(batch).plan["steps"]


def readings_of(batch) -> list[dict]:
    return [step for step in steps_of(batch) if step.get("window")]


@pytest.fixture
def device(live_server, browser, client):
    """A tablet at the bench, with a person signed in: ``device(prep)``."""
    contexts = []
    complaints: list[str] = []

    def take(person):
        context = browser.new_context(viewport={"width": 1024, "height": 768})
        contexts.append(context)
        client.force_login(person)
        context.add_cookies(
            [{"name": "sessionid", "value": client.cookies["sessionid"].value, "url": live_server.url}]
        )
        page = context.new_page()
        page.set_default_timeout(15_000)
        page.on("pageerror", lambda error: complaints.append(str(error)))
        return page

    yield take
    for context in contexts:
        for page in context.pages:
            # Nothing is on its way any more when the database is emptied.
            page.wait_for_load_state("networkidle")
        context.close()
    assert complaints == []


@pytest.fixture
def open_step(live_server, batch):
    def go(page, number):
        page.goto(f"{live_server.url}/batches/{batch.reference}/steps/{number}/")
        expect(page.locator(".bench-count")).to_contain_text(f"Step {number} of")

    return go


def lose(page) -> None:
    page.context.set_offline(True)


def regain(page) -> None:
    page.context.set_offline(False)


def read(page, text: str) -> None:
    page.get_by_label("Reading", exact=True).fill(text)
    page.keyboard.press("Enter")


def at_step(page, number: int) -> None:
    expect(page.locator(".bench-count")).to_contain_text(f"Step {number} of")


def unsent(page):
    return page.locator(".outbox .notice-wait")


def wait_for_records(page, count: int) -> list[StepRecord]:
    for _ in range(60):
        if StepRecord.objects.count() >= count:
            break
        page.wait_for_timeout(250)
    return list(StepRecord.objects.order_by("pk"))


# --- with the connection ---------------------------------------------------------------------------
def test_with_the_connection_a_person_notices_nothing(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    read(page, first["quantity"]["value"])
    page.wait_for_url("**/steps/2/")
    expect(page.locator(".bench-done")).to_contain_text(first["quantity"]["value"])
    read(page, second["quantity"]["value"])
    page.wait_for_url("**/steps/3/")
    expect(page.locator(".outbox")).to_have_text("")
    assert StepRecord.objects.count() == 2
    assert page.evaluate("Object.keys(localStorage).length") == 0


def test_what_the_server_refuses_is_shown_on_its_own_page_with_the_ways_out(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    step = readings_of(batch)[0]
    too_much = str(parse_number(step["window"]["high"]).value * 2)
    read(page, too_much)
    expect(page.locator(".bench-ways")).to_contain_text("make it anew")
    expect(page.get_by_label("Reading", exact=True)).to_have_value(too_much)
    page.get_by_label("Why this reading is kept").fill("the spatula slipped")
    page.get_by_role("button", name="Keep this reading with the reason").click()
    page.wait_for_url("**/steps/2/")
    assert StepRecord.objects.get().reason == "the spatula slipped"
    expect(page.locator(".outbox")).to_have_text("")


# --- without it ------------------------------------------------------------------------------------
def test_two_readings_wait_on_the_device_and_are_booked_once_with_their_times(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    lose(page)
    read(page, first["quantity"]["value"])
    at_step(page, 2)
    expect(unsent(page)).to_contain_text("Not sent yet: 1 reading is kept on this device")
    # The next step is shown as the server would show it.
    expect(page.locator(".bench-value")).to_have_text(second["quantity"]["value"])
    expect(page.locator(".bench-window")).to_contain_text(second["window"]["low"])
    expect(page.locator(".bench-lot")).to_have_text(f"Lot {second['lot']['code']}")
    for caution in second["cautions"]:
        expect(page.locator(".bench-aside")).to_contain_text(caution["text"])
    expect(page.get_by_label("Reading", exact=True)).to_be_focused()
    read(page, second["quantity"]["value"].replace(".", ","))
    at_step(page, 3)
    expect(unsent(page)).to_contain_text("Not sent yet: 2 readings are kept on this device")
    taken = page.evaluate(
        "Object.keys(localStorage).sort().map(k => Date.parse(JSON.parse(localStorage[k]).taken_at))"
    )
    address = page.url
    assert address.endswith("/steps/3/")
    with pytest.raises(Error, match="ERR_INTERNET_DISCONNECTED"):
        page.reload()
    assert not StepRecord.objects.exists()
    regain(page)
    page.goto(address)
    records = wait_for_records(page, 2)
    at_step(page, 3)
    page.wait_for_timeout(1_000)
    assert StepRecord.objects.count() == 2
    assert [(one.step_number, one.reading_text) for one in records] == [
        (1, first["quantity"]["value"]),
        (2, second["quantity"]["value"].replace(".", ",")),
    ]
    for record, moment in zip(records, taken, strict=True):
        assert abs(record.taken_at.timestamp() * 1000 - moment) < 2_000
        assert record.taken_at < record.at
    expect(page.locator(".outbox")).to_have_text("")
    assert page.evaluate("Object.keys(localStorage).length") == 0


def test_the_work_goes_on_without_a_pause_when_the_connection_is_back(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    lose(page)
    read(page, first["quantity"]["value"])
    at_step(page, 2)
    page.get_by_label("Reading", exact=True).fill(second["quantity"]["value"])
    regain(page)
    wait_for_records(page, 1)
    expect(page.locator(".outbox")).to_have_text("Sent: 1 reading.")
    expect(page.get_by_label("Reading", exact=True)).to_have_value(second["quantity"]["value"])
    page.keyboard.press("Enter")
    page.wait_for_url("**/steps/3/")
    expect(page.locator(".bench-done li")).to_have_count(2)
    assert [one.step_number for one in wait_for_records(page, 2)] == [1, 2]


def test_an_answer_lost_on_its_way_back_makes_no_second_record(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    lost = []

    def drop_the_answer(route):
        route.fetch()  # The server gets it and books it.
        lost.append(route.request.url)
        route.abort()

    page.route("**/record/", drop_the_answer)
    read(page, readings_of(batch)[0]["quantity"]["value"])
    at_step(page, 2)
    expect(unsent(page)).to_contain_text("1 reading is kept")
    assert StepRecord.objects.count() == 1
    page.unroute("**/record/")
    expect(page.locator(".outbox")).to_have_text("Sent: 1 reading.", timeout=15_000)
    assert lost
    assert StepRecord.objects.count() == 1


def test_a_reading_outside_its_window_is_judged_here_and_not_kept(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    step = readings_of(batch)[0]
    high = step["window"]["high"]
    beyond = str(parse_number(high).value + parse_number("0.30").value)
    lose(page)
    read(page, beyond)
    told = page.locator("[data-bench-error]")
    unit = step["quantity"]["unit"]
    expect(told).to_contain_text(f"Outside by 0.30 {unit}: {beyond} {unit} is above {high} {unit}.")
    expect(page.get_by_label("Reading", exact=True)).to_have_value(beyond)
    at_step(page, 1)
    read(page, "L00017X")
    expect(told).to_contain_text("“L00017X” is not a number")
    assert page.evaluate("Object.keys(localStorage).length") == 0
    # A reading equal to the bound is inside.
    read(page, high)
    at_step(page, 2)
    regain(page)
    assert wait_for_records(page, 1)[0].reading_text == high


def test_a_reading_outside_its_window_is_kept_with_a_reason_without_a_connection(
    device, prep, batch, open_step
):
    page = device(prep)
    open_step(page, 1)
    step = readings_of(batch)[0]
    beyond = str(parse_number(step["window"]["high"]).value + parse_number("0.30").value)
    lose(page)
    read(page, beyond)
    keep = page.get_by_role("button", name="Keep this reading with the reason")
    keep.click()
    expect(page.locator("[data-bench-error]")).to_contain_text("Type why this reading is kept")
    page.get_by_label("Why this reading is kept").fill("the bottle ran out")
    # Enter in that field presses the first button: it accepts nothing outside the window.
    page.keyboard.press("Enter")
    expect(page.locator("[data-bench-error]")).to_contain_text("Outside by 0.30 g")
    at_step(page, 1)
    keep.click()
    at_step(page, 2)
    regain(page)
    record = wait_for_records(page, 1)[0]
    assert (record.reading_text, record.verdict, record.reason) == (beyond, "outside", "the bottle ran out")


def test_closing_waits_for_the_connection(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    lose(page)
    steps = steps_of(batch)
    for step in steps:
        at_step(page, step["number"])
        if step.get("window"):
            read(page, step["quantity"]["value"])
        else:
            page.get_by_role("button", name="Done", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Closing waits for the connection")
    done = len(steps) - 2
    expect(unsent(page)).to_contain_text(f"2 readings and {done} steps done are kept on this device")
    regain(page)
    page.wait_for_url("**/finish/")
    assert StepRecord.objects.count() == len(steps)


def test_a_link_waits_for_the_connection_instead_of_losing_the_page(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    lose(page)
    read(page, readings_of(batch)[0]["quantity"]["value"])
    at_step(page, 2)
    page.get_by_role("link", name=batch.reference).click()
    expect(page.locator("[data-bench-error]")).to_contain_text("waits for the connection")
    at_step(page, 2)


def test_no_barrier_is_found_while_the_connection_is_lost(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    page.route("**/record/", lambda route: route.abort())
    read(page, readings_of(batch)[0]["quantity"]["value"])
    at_step(page, 2)
    page.get_by_role("button", name="Digits").click()
    read(page, "abc")
    expect(page.locator("[data-bench-error]")).to_be_visible()
    wrong = faults(page)
    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("dialog")).to_be_visible()
    wrong += faults(page)
    page.get_by_role("button", name="Stay signed in").click()
    read(page, readings_of(batch)[1]["quantity"]["value"])
    at_step(page, 3)
    record_step(
        actor=prep,
        batch=batch,
        step_number=1,
        reading_text=readings_of(batch)[0]["window"]["low"],
        idempotency_key="other",
    )
    page.unroute("**/record/")
    expect(page.locator(".outbox .notice-stop")).to_have_count(2, timeout=15_000)
    wrong += faults(page)
    assert wrong == []


# --- several bottles -------------------------------------------------------------------------------
def test_a_figure_that_moves_with_an_unsent_reading_waits(
    device,
    prep,
    bench,  # noqa: F811
    bottle,  # noqa: F811
    send,  # noqa: F811
    any_draw,
    live_server,
):
    bottle("sodium-chloride", "80", assay_percent="99.5", assay_tolerance_percent="0.1")
    bottle("sodium-chloride", "100", assay_percent="98.0", assay_tolerance_percent="0.1")
    batch = claim_batch(actor=prep, batch=send().batch)
    first, second = readings_of(batch)[:2]
    page = device(prep)
    page.goto(f"{live_server.url}/batches/{batch.reference}/steps/{first['number']}/")
    lose(page)
    read(page, first["window"]["low"])
    expect(page.get_by_role("heading", level=1)).to_have_text(
        f"Step {second['number']} waits for the connection"
    )
    expect(page.locator(".bench-waits")).to_contain_text(f"what was read at step {first['number']}")
    expect(page.locator(".bench-value")).to_have_count(0)
    regain(page)
    at_step(page, second["number"])
    # What the first bottle gave too little, the second one gives: the figure of the server, not of the sheet.
    expect(page.locator(".bench-because")).to_contain_text("so this bottle gives the rest")
    expect(page.locator(".bench-value")).not_to_have_text(second["quantity"]["value"])


def test_a_step_that_needs_the_server_waits_for_it(device, prep, batch, open_step):
    """What a step may carry: a bottle to be shown first, or words of its own why it waits."""
    page = device(prep)
    open_step(page, 1)
    page.evaluate(
        """() => { const next = document.querySelector("template[data-ahead]").content;
        next.querySelector("form").insertAdjacentHTML(
          "beforebegin", "<section data-scan-required='yes' data-scan-state='needed'></section>"); }"""
    )
    lose(page)
    read(page, readings_of(batch)[0]["quantity"]["value"])
    expect(page.locator(".bench-waits")).to_contain_text("Its bottle is scanned first")
    regain(page)
    at_step(page, 2)


# --- bottles that are scanned without it -----------------------------------------------------------
@pytest.fixture
def asked(db):
    """The department asks that every bottle is scanned."""
    DepartmentRules.objects.update_or_create(pk=1, defaults={"scan_bottles": True})


def said(page):
    return page.locator("#scan-said")


def state_is(page, state: str) -> None:
    expect(page.locator("[data-scan-part]")).to_have_attribute("data-scan-state", state)


def scan(page, code: str) -> None:
    burst(page, code)
    page.wait_for_timeout(300)  # An Enter at once would be taken for the scanner's second one.


def type_code(page, code: str) -> None:
    page.locator("[data-scan]").fill(code)
    page.get_by_role("button", name="Check the bottle").click()


def wait_for_scans(page, count: int) -> list[BottleScan]:
    for _ in range(60):
        if BottleScan.objects.count() >= count:
            break
        page.wait_for_timeout(250)
    return list(BottleScan.objects.order_by("pk"))


TOLD_LATER = "told to the server when the connection is back"


def test_bottles_are_scanned_and_weighed_from_without_a_connection_and_arrive_in_that_order(
    device, prep, batch, open_step, asked
):
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    arrived = []
    page.on("requestfinished", lambda request: arrived.append(request.url.rsplit("/", 2)[1]))
    lose(page)
    # Without its bottle nothing is kept, and the focus is where the bottle goes.
    read(page, first["quantity"]["value"])
    expect(page.locator("[data-bench-error]")).to_contain_text(f"Scan lot {first['lot']['code']} before")
    expect(page.locator("[data-scan]")).to_be_focused()
    scan(page, first["lot"]["code"])
    expect(said(page)).to_contain_text("The right bottle")
    expect(said(page)).to_contain_text(TOLD_LATER)
    state_is(page, "done")
    expect(page.locator("[data-bench-error]")).to_be_hidden()
    expect(page.get_by_label("Reading", exact=True)).to_be_focused()
    expect(page.get_by_label("Reading", exact=True)).to_have_value(first["quantity"]["value"])
    expect(unsent(page)).to_contain_text("Not sent yet: 1 scan is kept on this device")
    page.keyboard.press("Enter")
    at_step(page, 2)
    assert page.url.endswith("/steps/2/")
    # The step that was carried ahead asks for its own bottle; this one is typed from its label.
    state_is(page, "needed")
    expect(page.locator("[data-scan]")).to_be_focused()
    type_code(page, second["lot"]["code"].lower())
    expect(said(page)).to_contain_text(TOLD_LATER)
    read(page, second["quantity"]["value"])
    at_step(page, 3)
    expect(unsent(page)).to_contain_text("Not sent yet: 2 scans and 2 readings are kept on this device")
    assert not BottleScan.objects.exists()
    taken = page.evaluate(
        "Object.keys(localStorage).sort().map(k => Date.parse(JSON.parse(localStorage[k]).taken_at))"
    )
    arrived.clear()
    regain(page)
    wait_for_records(page, 2)
    at_step(page, 3)
    expect(page.locator(".outbox")).to_contain_text("Sent: 2 scans and 2 readings.")
    assert [one for one in arrived if one in ("scan", "record")] == ["scan", "record"] * 2
    scans = list(BottleScan.objects.order_by("pk"))
    assert [(one.step_number, one.lot.code, one.verdict) for one in scans] == [
        (1, first["lot"]["code"], "right"),
        (2, second["lot"]["code"], "right"),
    ]
    assert StepRecord.objects.count() == 2
    for made, moment in zip(scans, taken[::2], strict=True):
        assert abs(made.taken_at.timestamp() * 1000 - moment) < 2_000
    assert page.evaluate("Object.keys(localStorage).filter(k => k.startsWith('prepdesk-outbox')).length") == 0


def test_a_wrong_bottle_is_refused_without_a_connection_and_the_right_one_after_it_counts(
    device, prep, batch, open_step, asked
):
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    right, wrong = first["lot"]["code"], second["lot"]["code"]
    garbled = right[:-2] + right[-1] + right[-2]
    lose(page)
    scan(page, garbled)
    expect(page.get_by_role("alert").filter(has_text="not read rightly")).to_contain_text(
        f"Its check character is wrong: a sign is wrong or two are swapped. Compare it with the label. "
        f"Expected is {right}."
    )
    state_is(page, "needed")
    scan(page, wrong)
    expect(said(page)).to_contain_text(
        f"That is not {right} but {wrong}; which bottle it is can only be said with the connection."
    )
    state_is(page, "refused")
    # Half of the right one, after a wrong bottle.
    scan(page, right[:4])
    expect(said(page)).to_contain_text("Only 4 of 7 signs arrived")
    expect(said(page)).to_contain_text("The bottle shown before was wrong")
    scan(page, "2000000000008")
    expect(said(page)).to_contain_text("is no code of ours")
    state_is(page, "refused")
    read(page, first["quantity"]["value"])
    expect(page.locator("[data-bench-error]")).to_contain_text(f"Scan lot {right} before")
    at_step(page, 1)
    assert faults(page) == []
    scan(page, right)
    expect(said(page)).to_contain_text(TOLD_LATER)
    page.keyboard.press("Enter")
    at_step(page, 2)
    regain(page)
    wait_for_records(page, 1)
    scans = wait_for_scans(page, 5)
    assert [one.verdict for one in scans] == ["garbled", "other_form", "garbled", "unknown", "right"]
    assert StepRecord.objects.get().reading_text == first["quantity"]["value"]
    expect(page.locator(".outbox .notice-stop")).to_have_count(0)


def test_the_server_says_which_bottle_it_was_once_the_connection_is_back(
    device, prep, batch, open_step, bottle, asked  # noqa: F811
):  # fmt: skip
    page = device(prep)
    open_step(page, 1)
    wrong = readings_of(batch)[1]["lot"]["code"]
    lose(page)
    scan(page, wrong)
    expect(said(page)).to_contain_text("can only be said with the connection")
    regain(page)
    expect(said(page)).to_contain_text("potassium chloride")
    expect(said(page)).to_contain_text("Another substance or form")
    assert BottleScan.objects.count() == 1
    # The part that the server sent works on: with the connection, it is asked.
    scan(page, readings_of(batch)[0]["lot"]["code"])
    expect(said(page)).to_contain_text("The right bottle")
    expect(said(page)).not_to_contain_text(TOLD_LATER)
    assert [one.taken_at is None for one in BottleScan.objects.order_by("pk")] == [False, True]


def test_a_bottle_past_its_day_is_refused_without_a_connection(device, prep, batch, open_step, salt, asked):  # noqa: F811
    today = timezone.localdate()
    Lot.objects.filter(pk=salt.pk).update(expires_on=today)
    page = device(prep)
    open_step(page, 1)
    lose(page)
    page.evaluate(
        "() => { const now = Date.now() + 864e5, Then = Date;"
        " Date = class extends Then { constructor(...a) { a.length ? super(...a) : super(now); } };"
        " Date.now = () => now; }"
    )
    scan(page, salt.code)
    expect(said(page)).to_contain_text(f"{salt.code} expired on {today.day} {today:%B %Y}. Do not open it")
    state_is(page, "refused")


def test_answers_that_are_lost_on_their_way_back_make_one_scan_and_one_record(
    device, prep, batch, open_step, asked
):
    page = device(prep)
    open_step(page, 1)
    step = readings_of(batch)[0]
    lost = []

    def drop_the_answer(route):
        route.fetch()  # The server gets it and writes it down.
        lost.append(route.request.url)
        route.abort()

    page.route("**/scan/", drop_the_answer)
    page.route("**/record/", drop_the_answer)
    scan(page, step["lot"]["code"])
    expect(said(page)).to_contain_text(TOLD_LATER)
    read(page, step["quantity"]["value"])
    at_step(page, 2)
    page.wait_for_timeout(5_000)
    assert len(lost) > 1
    page.unroute("**/scan/")
    page.unroute("**/record/")
    expect(page.locator(".outbox")).to_have_text("Sent: 1 scan and 1 reading.", timeout=15_000)
    assert BottleScan.objects.count() == 1
    assert StepRecord.objects.count() == 1


def test_a_right_bottle_that_was_recalled_meanwhile_books_nothing_and_the_reading_stays_to_be_seen(
    device, prep, manager, batch, salt, open_step, asked  # noqa: F811
):  # fmt: skip
    page = device(prep)
    open_step(page, 1)
    step = readings_of(batch)[0]
    lose(page)
    scan(page, salt.code)
    expect(said(page)).to_contain_text(TOLD_LATER)
    read(page, step["quantity"]["value"])
    at_step(page, 2)
    recall_lot(actor=manager, lot=salt, reason="a letter of the maker", idempotency_key="recall")
    regain(page)
    told = page.locator(".outbox .notice-stop")
    expect(told).to_have_count(1)
    expect(told).to_contain_text(step["quantity"]["value"])
    expect(told).to_contain_text(salt.code)
    expect(told).to_contain_text("recalled")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Look at {batch.reference} before going on")
    assert BottleScan.objects.get().verdict == "stopped"
    assert not StepRecord.objects.exists()


def test_scans_that_are_refused_altogether_stay_with_their_reason(device, prep, batch, open_step, asked):
    page = device(prep)
    open_step(page, 1)
    code = readings_of(batch)[0]["lot"]["code"]
    lose(page)
    scan(page, code)
    expect(said(page)).to_contain_text(TOLD_LATER)
    put_back_batch(actor=prep, batch=batch, reason="")
    regain(page)
    told = page.locator(".outbox .notice-stop")
    expect(told).to_contain_text(f"{batch.reference}, step 1: {code} scanned")
    expect(told).to_contain_text("claim it before working on it")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Look at {batch.reference} before going on")
    assert not BottleScan.objects.exists()


def test_the_check_character_is_worked_out_on_the_device_as_by_the_standard(browser):
    """ISO/IEC 7064, MOD 37,36, against the values of a reference library; swaps and slips are found."""
    bodies = [f"{letter}{number:05d}" for letter in "LPAD" for number in range(0, 100_000, 397)]
    sound = [body + str(mod_37_36.calc_check_digit(body)) for body in bodies]
    others = [code[:2] + code[3] + code[2] + code[4:] for code in sound] + [
        code[:-1] + sign for code in sound[:40] for sign in "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    ]
    page = browser.new_page()
    page.add_script_tag(path=str(Path("prepdesk/static/prepdesk/label_code.js").resolve()))
    judged = page.evaluate("codes => codes.map(prepdeskLabelCode.isSound)", sound + others)
    page.close()
    assert judged == [mod_37_36.is_valid(code) for code in sound + others]
    assert all(judged[: len(sound)])
    assert not all(judged)


# --- somebody else ---------------------------------------------------------------------------------
def test_what_another_device_recorded_is_told_and_the_own_reading_stays_until_discarded(
    device, prep, batch, open_step
):
    page, other = device(prep), device(prep)
    open_step(page, 1)
    first = readings_of(batch)[0]
    lose(page)
    read(page, first["quantity"]["value"])
    at_step(page, 2)
    open_step(other, 1)
    read(other, first["window"]["low"])
    other.wait_for_url("**/steps/2/")
    regain(page)
    told = page.locator(".outbox .notice-stop")
    expect(told).to_contain_text("Not recorded.")
    expect(told).to_contain_text(f"step 1: {first['quantity']['value']} g")
    expect(told).to_contain_text(f"Step 1 was recorded as {first['window']['low']} g by Pia Brook")
    assert StepRecord.objects.get().reading_text == first["window"]["low"]
    # The figures this page carries may no longer hold, so none of them is shown any more.
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Look at {batch.reference} before going on")
    expect(page.locator(".bench-value")).to_have_count(0)
    # It is there on every page of this person, until it is discarded on purpose.
    told.get_by_role("link", name=f"Open {batch.reference}").click()
    expect(told).to_contain_text(first["quantity"]["value"])
    told.get_by_role("button", name="Discard it").click()
    told.get_by_role("button", name="Keep it").click()
    expect(told).to_contain_text("Not recorded.")
    told.get_by_role("button", name="Discard it").click()
    told.get_by_role("button", name="for good").click()
    expect(told).to_have_count(0)
    assert page.evaluate("Object.keys(localStorage).length") == 0
    page.get_by_role("link", name="Go on with step 2").click()
    at_step(page, 2)


def test_a_stale_page_with_the_connection_shows_the_others_reading(device, prep, batch, open_step):
    page = device(prep)
    open_step(page, 1)
    first = readings_of(batch)[0]
    record_step(
        actor=prep, batch=batch, step_number=1, reading_text=first["window"]["low"], idempotency_key="other"
    )
    read(page, first["quantity"]["value"])
    expect(page.locator(".bench-so-far")).to_contain_text(first["window"]["low"])
    expect(page.get_by_label("Read again")).to_have_value(first["quantity"]["value"])
    assert StepRecord.objects.count() == 1
    expect(page.locator(".outbox")).to_have_text("")


def test_a_bottle_stopped_meanwhile_is_told_with_the_reading_that_was_not_booked(
    device, prep, manager, batch, salt, open_step  # noqa: F811
):  # fmt: skip
    page = device(prep)
    open_step(page, 1)
    first, second = readings_of(batch)
    lose(page)
    read(page, first["quantity"]["value"])
    at_step(page, 2)
    read(page, second["quantity"]["value"])
    at_step(page, 3)
    recall_lot(actor=manager, lot=salt, reason="a letter of the maker", idempotency_key="recall")
    regain(page)
    told = page.locator(".outbox .notice-stop")
    expect(told).to_have_count(2)
    expect(told.first).to_contain_text(first["quantity"]["value"])
    expect(told.last).to_contain_text("The reading before this one was not recorded")
    assert not StepRecord.objects.exists()


# --- who is signed in ------------------------------------------------------------------------------
def sign_in(page, person) -> None:
    page.get_by_label("Name").first.fill(person.username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda address: "sign-in" not in address)


@pytest.fixture
def can_sign_in(prep, manager):
    for person in (prep, manager):
        person.set_password(PASSWORD)
        person.save()


def test_after_a_session_ended_the_same_person_signs_in_and_it_is_sent(
    device, prep, batch, open_step, can_sign_in
):
    page = device(prep)
    open_step(page, 1)
    Session.objects.all().delete()
    first = readings_of(batch)[0]
    read(page, first["quantity"]["value"])
    expect(unsent(page)).to_contain_text("Nobody is signed in")
    assert not StepRecord.objects.exists()
    page.get_by_role("link", name="Sign in again").click()
    sign_in(page, prep)
    expect(page.locator(".bench-done")).to_contain_text(first["quantity"]["value"])
    record = wait_for_records(page, 1)[0]
    assert (record.actor, record.reading_text) == (prep, first["quantity"]["value"])


def test_another_person_on_that_device_neither_sees_nor_sends_it(
    device, prep, manager, batch, open_step, can_sign_in, live_server
):
    page = device(prep)
    open_step(page, 1)
    Session.objects.all().delete()
    first = readings_of(batch)[0]
    read(page, first["quantity"]["value"])
    page.get_by_role("link", name="Sign in again").click()
    sign_in(page, manager)
    for address in (f"/batches/{batch.reference}/", f"/batches/{batch.reference}/steps/1/"):
        page.goto(live_server.url + address)
        page.wait_for_timeout(1_500)
        expect(page.locator(".outbox")).to_have_text("")
        assert first["quantity"]["value"] not in page.locator(".outbox").inner_text()
    assert not StepRecord.objects.exists()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in/**")
    sign_in(page, prep)
    record = wait_for_records(page, 1)[0]
    assert record.actor == prep


def test_a_reading_half_typed_is_there_after_signing_in_again(device, prep, batch, open_step, can_sign_in):
    page = device(prep)
    open_step(page, 1)
    page.get_by_label("Reading", exact=True).press_sequentially("58.4")
    Session.objects.all().delete()
    page.reload()
    sign_in(page, prep)
    expect(page.get_by_label("Reading", exact=True)).to_have_value("58.4")


def test_signing_out_with_unsent_readings_asks_first_and_then_empties_the_outbox(
    device, prep, batch, open_step
):
    page = device(prep)
    open_step(page, 1)
    first = readings_of(batch)[0]
    page.route("**/record/", lambda route: route.abort())
    read(page, first["quantity"]["value"])
    at_step(page, 2)
    page.get_by_role("button", name="Sign out").click()
    asked = page.get_by_role("dialog")
    expect(asked).to_contain_text("1 reading is not sent yet")
    expect(asked).to_contain_text(f"step 1: {first['quantity']['value']} g")
    expect(asked.get_by_role("button", name="Stay signed in")).to_be_focused()
    page.keyboard.press("Enter")
    expect(asked).to_have_count(0)
    assert page.evaluate("Object.keys(localStorage).length") == 1
    page.get_by_role("button", name="Sign out").click()
    asked.get_by_role("button", name="Sign out and delete it").click()
    page.wait_for_url("**/sign-in/**")
    assert page.evaluate("Object.keys(localStorage).length") == 0
    assert not StepRecord.objects.exists()


# --- another device --------------------------------------------------------------------------------
def test_the_work_goes_on_at_the_same_step_on_another_device(device, prep, batch, open_step, live_server):
    page, other = device(prep), device(prep)
    open_step(page, 1)
    read(page, readings_of(batch)[0]["quantity"]["value"])
    page.wait_for_url("**/steps/2/")
    other.goto(f"{live_server.url}/batches/{batch.reference}/")
    other.get_by_role("link", name="Go on with step 2").click()
    at_step(other, 2)
    assert re.search(r"/steps/2/$", other.url)


def test_the_time_of_a_reading_sent_later_is_said_with_those_words(device, prep, batch, open_step):
    record = record_step(
        actor=prep,
        batch=batch,
        step_number=1,
        reading_text=readings_of(batch)[0]["quantity"]["value"],
        idempotency_key="later",
    )
    record.taken_at = record.at - timedelta(minutes=5)
    record.save()
    page = device(prep)
    open_step(page, 1)
    expect(page.locator(".bench-so-far")).to_contain_text(", sent later")
