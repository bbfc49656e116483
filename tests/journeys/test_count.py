"""A shelf is counted with a scanner in a real browser: 2 ms per key, wherever the focus is."""

import pytest
from playwright.sync_api import expect

from inventory.models import Lot, Place, Stocktake, StocktakeLine

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]


def scan(page, code: str) -> None:
    page.keyboard.type(code, delay=2)
    page.keyboard.press("Enter")


def test_a_shelf_is_counted_by_scanner_left_and_finished_on_another_device(department, sign_in):
    tablet = {"viewport": {"width": 768, "height": 1024}, "has_touch": True}
    page = sign_in("prep", **tablet)
    place = Place.objects.get(name="Nitric acid cabinet")
    first = Lot.objects.get(place=place)
    second = Lot.objects.filter(place__name="Lower shelf").first()
    page.goto(f"{department.url}/stock/counts/?place={place.code}")
    page.get_by_role("button", name="Begin to count").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Nitric acid cabinet")

    # Targets for a gloved hand.
    for box in page.locator("main button, main .button, main select").all():
        if box.is_visible():
            size = box.bounding_box()
            assert size
            assert size["height"] >= 56, box.inner_html()

    # The focus on nothing at all: the scan still lands in its field.
    page.evaluate("document.activeElement.blur()")
    scan(page, first.code.lower())
    expect(page.get_by_label("Counted", exact=True)).to_be_focused()

    # A second lot scanned before the amount is typed is no amount, and is said in words.
    scan(page, second.code)
    expect(page.locator("[data-scan-news]")).to_contain_text("Type that amount first")
    expect(page.get_by_label("Counted", exact=True)).to_have_value("")
    assert StocktakeLine.objects.filter(lot=first).count() == 0
    page.keyboard.type("990")
    page.keyboard.press("Enter")
    expect(page.get_by_text("less than the ledger says")).to_be_visible()
    line = StocktakeLine.objects.get(lot=first, stocktake__place=place)
    assert line.counted == 990_000

    # A garbled code names the likely cause; the same code twice within two seconds counts once.
    scan(page, "L00001X")
    expect(page.get_by_role("alert")).to_contain_text("keyboard layout")
    scan(page, second.code)
    expect(page.get_by_text("By its record it stands in")).to_be_visible()
    scan(page, second.code)
    expect(page.locator("[data-scan-news]")).to_have_text("")
    page.keyboard.type(f"{second.on_hand_amount.normalize():f}")
    page.keyboard.press("Enter")
    expect(page.get_by_text("as the ledger says")).to_be_visible()

    # Left here and gone on with at the desk by somebody else.
    desk = sign_in("manager")
    take = Stocktake.objects.get(place=place)
    desk.goto(f"{department.url}/stock/counts/{take.pk}/")
    expect(desk.get_by_text("You are not alone here")).to_be_visible()
    desk.get_by_role("button", name=f"It stands here now {second.code}").click()
    # Zinc, nickel or cobalt salts and nitric acid: no rule, so it simply stands there.
    expect(desk.get_by_text("stands at Nitric acid cabinet from now on")).to_be_visible()
    desk.get_by_role("link", name="Differences and posting").click()
    desk.get_by_role("button", name="Post the corrections").click()
    expect(desk.locator(".error-summary")).to_contain_text("Say why they differ")
    desk.get_by_label("Reason for all differences").fill("Read off the bottle")
    desk.get_by_role("button", name="Post the corrections").click()
    expect(desk.get_by_text("Every correction stands in the ledger")).to_be_visible()
    first.refresh_from_db()
    assert first.on_hand == 990_000
    second.refresh_from_db()
    assert second.place == place

    # The tablet still shows the count as it was: it is told who closed it.
    page.get_by_role("button", name="Take back").first.click()
    expect(page.get_by_text("was closed by")).to_be_visible()
