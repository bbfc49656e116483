"""Every page of every person: no barrier that a scan finds, light, dark and at 200 %, and nothing cut off.

The rules are those of WCAG 2.0, 2.1 and 2.2 at levels A and AA as the axe-core engine checks them; 320 CSS
pixels is the width of WCAG 2.2 success criterion 1.4.10 (reflow).
"""

from collections.abc import Iterable, Mapping

import pytest
from axe_playwright_python.sync_playwright import Axe
from django.test import RequestFactory
from playwright.sync_api import Page, expect

from inventory.models import ApparatusItem, Attachment, Booking, ImportRun, Lot, Place, Stocktake, WasteStream
from prepdesk.core.views import server_error
from requests_app.demo.teaching import TODAY_IN_WEEK, current_term
from requests_app.models import Batch, BenchList, Meeting, Order, Recall, TermRun, UnknownSet
from requests_app.selectors import QUEUE_FILTERS, bench_steps
from requests_app.services.claiming import claim_batch
from requests_app.services.recording import record_step
from requests_app.services.scanning import scan_bottle
from tests.journeys.conftest import scan_what_is_asked_for

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# The same page in dark differs by its colours alone.
RULES_OF_COLOUR = ["color-contrast", "link-in-text-block"]
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 320, "height": 800}
# What is left of the wide window when everything in it is shown at 200 % (success criterion 1.4.4).
ENLARGED = {"width": 640, "height": 450}


def barriers(page: Page, only: Mapping[str, object]) -> list[str]:
    options = {"runOnly": only, "resultTypes": ["violations"]}
    if page.evaluate("typeof axe") == "undefined":
        found = Axe().run(page, options=options).response["violations"]
    else:
        found = page.evaluate("options => axe.run(options)", options)["violations"]
    return [f"{one['id']}: {node['html'][:140]}" for one in found for node in one["nodes"][:3]]


def faults(page: Page) -> list[str]:
    """What is wrong with the page that is open, as sentences; it is left wide and light."""
    name = page.url.split("/", 3)[-1]
    wrong = [f"/{name} (light): {one}" for one in barriers(page, {"type": "tag", "values": RULES})]
    page.emulate_media(color_scheme="dark")
    dark = barriers(page, {"type": "rule", "values": RULES_OF_COLOUR})
    wrong += [f"/{name} (dark): {one}" for one in dark]
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(ENLARGED)
    wrong += [f"/{name} (200 %): {one}" for one in barriers(page, {"type": "tag", "values": RULES})]
    page.set_viewport_size(NARROW)
    width = page.evaluate("document.documentElement.scrollWidth")
    if width > NARROW["width"]:
        wrong.append(f"/{name}: {width} px wide on a screen of {NARROW['width']} px")
    page.set_viewport_size(WIDE)
    return wrong


def faults_at(page: Page, start: str, addresses: Iterable[str], status: int = 200) -> list[str]:
    wrong = []
    for address in addresses:
        answer = page.goto(start + address)
        assert answer is not None
        assert answer.status == status, f"{address} answered {answer.status}"
        assert page.url == start + address, f"{address} led on to {page.url}"
        wrong += faults(page)
    return wrong


def test_the_scan_can_fail(page):
    page.set_content(
        "<html><head><title>x</title></head><body><img src='x.png'><input><button></button>"
        "<p style='color:#ccc;background:#fff'>pale</p><p style='width:600px'>wide</p></body></html>"
    )
    found = " ".join(faults(page))
    for rule in ("image-alt", "label", "button-name", "color-contrast", "html-has-lang"):
        assert rule in found
    assert found.count("color-contrast") == 3, "in light, in dark and at 200 %"
    assert "px wide on a screen of 320 px" in found


def test_every_page_of_an_instructor_is_free_of_barriers(department, sign_in):
    page = sign_in("instructor")
    # Of coded samples there is less to do, so they have a line of their own below.
    own = Order.objects.filter(ordered_by__username="instructor", unknown_sample=None)
    sample = Order.objects.filter(unknown_sample__isnull=False).latest("pk").reference
    states = own.order_by("state").values_list("state", flat=True).distinct()
    one_of_each = [own.filter(state=state).latest("pk").reference for state in states]
    booked = Booking.objects.filter(by_hand=True).latest("pk")
    begun = own.filter(state="in_work", revision__gt=1).get().reference
    off = Meeting.objects.filter(state="cancelled", section__instructor__username="instructor").first()
    unknowns = UnknownSet.objects.get(ordered_by__username="instructor").reference
    listed, term = BenchList.objects.get(title="Density of a salt solution"), current_term()
    addresses = [
        "/orders/",
        "/orders/?q=salt-that-nobody-has",
        "/orders/new/",
        f"/orders/new/?like={one_of_each[0]}",
        *(f"/orders/{reference}/" for reference in one_of_each),
        f"/orders/{own.filter(state='queued').latest('pk').reference}/cancel/",
        f"/orders/{own.filter(state='queued').latest('pk').reference}/change/",
        f"/orders/{begun}/change/",
        f"/orders/{begun}/withdraw/",
        "/teaching/rules/",
        "/teaching/week/",
        "/teaching/week/?room=210&person=",
        "/teaching/timetable/",
        f"/teaching/sections/{off.section_id}/",
        "/teaching/lists/",
        f"/teaching/lists/{listed.pk}/",
        f"/teaching/lists/{listed.pk}/correct/",
        f"/teaching/lists/{listed.pk}/retire/",
        "/teaching/lists/new/",
        "/teaching/plan/",
        f"/teaching/plan/{term.pk}/{listed.course_id}/",
        f"/teaching/plan/{term.pk}/order/",
        "/orders/from-list/",
        f"/orders/from-list/?list={listed.pk}&term={term.pk}&week={TODAY_IN_WEEK + 4}",
        f"/teaching/meetings/{off.pk}/",
        f"/teaching/meetings/{off.pk}/change/",
        f"/teaching/meetings/{off.pk}/reinstate/",
        f"/teaching/meetings/{off.pk}/cancel/",
        f"/teaching/sections/{off.section_id}/size/",
        f"/teaching/days/{off.starts_at:%Y-%m-%d}/cancel/",
        # The list in full is scanned once, below; it is the longest page there is.
        "/stock/?q=sodium",
        "/stock/substances/sodium-chloride/",
        f"/stock/lots/{Lot.objects.first().code}/",
        "/stock/apparatus/",
        f"/stock/apparatus/{booked.item.code}/",
        f"/stock/apparatus/{booked.item.code}/book/",
        f"/stock/apparatus/day/?on={booked.starts_at:%Y-%m-%d}",
        f"/orders/{sample}/",
        "/unknowns/",
        "/unknowns/new/",
        *(f"/unknowns/{unknowns}/{page}" for page in ("", "codes/", "key/", "cancel/")),
        "/accounts/me/",
        "/accounts/notices/",
        f"/orders/{one_of_each[0]}/trace/",
    ]
    wrong = faults_at(page, department.url, addresses)
    wrong += faults_at(page, department.url, ["/queue/", "/review/"], status=403)
    wrong += faults_at(page, department.url, ["/no-such-page/", "/orders/R-9999/"], status=404)

    # The form with every error, and the page before sending.
    page.goto(department.url + "/orders/new/")
    page.get_by_role("button", name="Check the order").last.click()
    expect(page.locator(".error-summary")).to_be_visible()
    wrong += faults(page)
    page.goto(f"{department.url}/orders/new/?like={one_of_each[0]}")
    page.get_by_role("button", name="Check the order").last.click()
    page.wait_for_load_state()
    wrong += faults(page)

    # What a change would do, before it is done.
    page.goto(f"{department.url}/orders/{begun}/change/")
    page.get_by_label("Groups in each section").fill("9")
    page.get_by_role("button", name="Show what it does").click()
    expect(page.get_by_role("heading", name="What this does")).to_be_visible()
    wrong += faults(page)

    # A key that is open, and the form of unknowns with every error.
    page.goto(f"{department.url}/unknowns/{unknowns}/key/")
    page.get_by_role("button", name="Open the key").click()
    expect(page.get_by_text("Mark by what was made.")).to_be_visible()
    wrong += faults(page)
    page.goto(f"{department.url}/unknowns/new/")
    page.get_by_role("button", name="Check the set").last.click()
    expect(page.locator(".error-summary")).to_be_visible()
    wrong += faults(page)

    # The page for a fault of our own is served in place of an address, since no address is broken.
    body = server_error(RequestFactory().get("/broken/")).content
    page.route("**/broken/", lambda route: route.fulfill(body=body, content_type="text/html"))
    page.goto(department.url + "/broken/")
    wrong += faults(page)
    page.get_by_role("link", name="Prepdesk").click()
    page.get_by_role("button", name="Sign out").click()
    page.goto(department.url + "/accounts/sign-in/")
    wrong += faults(page)
    page.get_by_label("Name").first.fill("nobody")
    page.get_by_label("Password").fill("wrong")
    page.get_by_role("button", name="Sign in").click()
    wrong += faults(page)
    assert wrong == []


def do_every_step(batch: Batch, actor) -> None:
    sheet = batch.sheets.latest("revision")
    for step in bench_steps(sheet, batch.step_records.all()):
        if step.is_done:
            continue
        if step.step.get("lot"):
            scan_bottle(
                actor=actor,
                batch=batch,
                step_number=step.step["number"],
                scanned=step.step["lot"]["code"],
                idempotency_key=f"scan-{step.step['number']}",
            )
        record_step(
            actor=actor,
            batch=Batch.objects.get(pk=batch.pk),
            step_number=step.step["number"],
            reading_text=step.step["quantity"]["value"] if step.step.get("window") else "",
            reason="",
            idempotency_key=f"all-{step.step['number']}",
            seen_version=Batch.objects.get(pk=batch.pk).version,
        )


def test_every_page_of_what_happens_to_a_bottle_is_free_of_barriers(department, sign_in):
    page = sign_in("prep")
    lot = Lot.objects.filter(split_into__isnull=False).first()
    stream = WasteStream.objects.filter(in_use=True).first()
    typed = f"unit=g&reason=Caked&idempotency_key=k&expected_on_hand={lot.on_hand}"
    wrong = faults_at(
        page,
        department.url,
        [
            f"/stock/lots/{lot.code}/",
            *(
                f"/stock/lots/{lot.code}/{change}/"
                for change in ("return", "split", "merge", "move", "papers/new")
            ),
            # What will change, in figures.
            f"/stock/lots/{lot.code}/dispose/?amount=1&waste_stream={stream.pk}&{typed}",
            f"/stock/lots/{lot.code}/split/?amounts=2+x+5&{typed}",
            f"/stock/lots/move/?place={lot.place_id}",
            "/stock/substances/silver-nitrate/",
            "/stock/substances/silver-nitrate/facts/",
            "/stock/substances/silver-nitrate/papers/new/",
            f"/stock/papers/{Attachment.objects.filter(withdrawn_at=None).first().pk}/withdraw/",
            "/stock/waste/",
        ],
    )
    # With every error beside its field.
    wrong += faults_at(page, department.url, [f"/stock/lots/{lot.code}/split/?amounts=x&{typed}"], status=422)
    page.goto(f"{department.url}/stock/lots/{lot.code}/papers/new/")
    page.get_by_role("button", name="Add the file").click()
    expect(page.locator(".error-summary")).to_be_visible()
    wrong += faults(page)
    assert wrong == []


def test_every_page_of_the_stockroom_and_the_review_is_free_of_barriers(department, sign_in):
    page = sign_in("prep")
    batches = Batch.objects.order_by("pk")
    states = batches.values_list("state", flat=True).distinct().order_by("state")
    # What a colleague has at the bench is not theirs to open.
    own = batches.exclude(claimed_by__username="thorne")
    one_of_each = {state: own.filter(state=state).last() for state in states}
    assert {"queued", "claimed", "in_work", "ready", "handed_over"} <= set(one_of_each)
    begun = one_of_each["in_work"]
    plan = begun.sheets.latest("revision").plan
    done, now = 1, begun.step_records.count() + 1
    lot = Lot.objects.filter(kind="solid", state="available").first()
    recall = Recall.objects.latest("pk")
    stopped = recall.batches.get(state="ready")
    changed = batches.get(state="in_work", changes__seen_at=None, changes__needs_seeing=True)
    balance = ApparatusItem.objects.get(type="balance", readability_g="0.001")
    cabinet = Place.objects.get(name="Oxidiser cabinet")
    counting = Stocktake.objects.get(state="counting")
    upper = Place.objects.get(name="Upper shelf")
    shared = Batch.objects.filter(state="ready", events__event="hand_out")[0]
    pulled = Order.objects.filter(made_alone=True, state="queued")[0]
    wrong = faults_at(
        page,
        department.url,
        [
            *(f"/queue/?show={name}" for name in QUEUE_FILTERS),
            "/queue/?by=due",
            "/wall/",
            *(f"/batches/{batch.reference}/" for batch in one_of_each.values()),
            f"/batches/{begun.reference}/steps/{done}/",
            f"/batches/{begun.reference}/steps/{now}/",
            f"/batches/{begun.reference}/pause/",
            f"/batches/{begun.reference}/steps/{now}/mishap/",
            *(
                f"/batches/{begun.reference}/steps/{done}/mishap/?what={what}"
                for what in ("spilled", "overshot", "broken", "failed")
            ),
            f"/batches/{begun.reference}/sheet/",
            f"/batches/{one_of_each['ready'].reference}/hand-over/",
            f"/batches/{one_of_each['ready'].reference}/portions/",
            "/cart/",
            "/cart/back/",
            "/cart/empties/",
            f"/batches/{shared.reference}/",
            f"/batches/{shared.reference}/sheet/",
            f"/orders/{shared.orders.filter(state='ready')[0].reference}/hand-over/",
            f"/orders/{pulled.reference}/pull-out/",
            "/teaching/together/",
            "/orders/",
            "/stock/",
            "/stock/?q=nothing-like-it",
            "/stock/substances/sodium-chloride/",
            "/stock/substances/new/",
            "/stock/places/",
            "/stock/places/conflicts/",
            f"/stock/places/{cabinet.code}/",
            f"/stock/places/{cabinet.code}/change/",
            f"/stock/places/{cabinet.code}/door/",
            "/stock/counts/",
            f"/stock/counts/{Stocktake.objects.get(state='posted').pk}/",
            f"/stock/counts/{counting.pk}/?at={upper.code}",
            f"/stock/counts/{counting.pk}/?scan={lot.code}",
            f"/stock/counts/{counting.pk}/close/",
            f"/stock/counts/{counting.pk}/give-up/",
            f"/stock/counts/{counting.pk}/paper/",
            "/stock/files/",
            "/stock/files/?q=sodium&show=shelf",
            "/stock/files/in/lots/",
            f"/stock/files/imports/{ImportRun.objects.latest('pk').pk}/",
            "/stock/apparatus/",
            "/stock/apparatus/?show=due",
            "/stock/apparatus/?show=out",
            "/stock/apparatus/new/",
            "/stock/apparatus/day/?on=2020-01-01",
            f"/stock/apparatus/{balance.code}/",
            *(
                f"/stock/apparatus/{balance.code}/{one}/"
                for one in ("facts", "count", "calibration", "service")
            ),
            "/stock/lots/new/",
            f"/stock/lots/{lot.code}/",
            f"/stock/lots/{lot.code}/label/",
            f"/stock/lots/{lot.code}/correct/",
            f"/stock/lots/{lot.code}/dispose/",
            f"/stock/lots/{lot.code}/state/quarantine/",
            f"/stock/lots/{recall.lot.code}/trace/",
            f"/stock/lots/{lot.code}/state/recall/",
            f"/recalls/{recall.pk}/",
            f"/batches/{changed.reference}/",
            f"/batches/{changed.reference}/steps/2/",
            f"/batches/{stopped.reference}/",
            f"/batches/{stopped.reference}/stop/",
            f"/batches/{stopped.reference}/hand-over/",
            "/accounts/notices/",
        ],
    )
    # A step whose reading lies outside its window, with the reason asked for.
    claimed = one_of_each["claimed"]
    number = next(s["number"] for s in claimed.sheets.latest("revision").plan["steps"] if s.get("window"))
    page.goto(f"{department.url}/batches/{claimed.reference}/steps/1/")
    for step in range(1, number):
        page.get_by_role("button", name="Done", exact=True).click()
        page.wait_for_url(f"**/steps/{step + 1}/")
    scan_what_is_asked_for(page)
    page.get_by_label("Reading").fill("0.1")
    page.get_by_role("button", name="Record the reading").click()
    expect(page.get_by_role("button", name="Keep this reading with the reason")).to_be_visible()
    wrong += faults(page)

    assert len(plan["steps"]) >= now
    do_every_step(begun, begun.claimed_by)
    wrong += faults_at(
        page, department.url, [f"/batches/{begun.reference}/{one}/" for one in ("finish", "check")]
    )
    # Forms with every error beside its field.
    for address in ("/stock/lots/new/", "/stock/apparatus/new/", f"/stock/lots/{lot.code}/correct/"):
        page.goto(department.url + address)
        page.locator("main form button[type=submit]").last.click()
        expect(page.locator(".error-summary")).to_be_visible()
        wrong += faults(page)

    # A manager sees the pages of the stockroom as prep staff do; these differ.
    manager = sign_in("manager")
    waiting = Order.objects.filter(state="waiting").latest("pk")
    queued = claim_batch(actor=begun.claimed_by, batch=one_of_each["queued"])
    for_approval = Order.objects.filter(state="approval").latest("pk").reference
    wrong += faults_at(
        manager,
        department.url,
        [
            "/teaching/rules/",
            "/orders/?show=approval",
            f"/orders/{for_approval}/",
            f"/orders/{for_approval}/decline/",
            "/teaching/week/",
            "/teaching/terms/new/",
            f"/teaching/terms/{current_term().pk}/change/",
            "/teaching/rooms/new/",
            "/teaching/courses/new/",
            "/teaching/sections/new/",
            f"/teaching/sections/{current_term().sections.first().pk}/change/",
            f"/teaching/runs/{TermRun.objects.get().pk}/",
            "/review/",
            "/review/?first=2020-01-01&last=2020-01-31",
            f"/orders/{waiting.reference}/",
            f"/batches/{queued.reference}/",
            "/accounts/me/",
        ],
    )
    assert wrong == []
