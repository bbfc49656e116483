"""The few scripts, each in a real browser on a page of its own: what they add, and what they must not do.

The pages are made up here and served to the browser by its own network layer, so that answers can be
held back, reordered and lost at will.
"""

import re
import threading
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import django_htmx
import pytest
from playwright.sync_api import Page, Route, expect

from prepdesk.calc.errors import InputError
from prepdesk.calc.settle import judge_reading
from prepdesk.calc.typed import parse_positive

pytestmark = pytest.mark.browser

STATIC = Path(__file__).parents[2] / "prepdesk" / "static" / "prepdesk"
HTMX = Path(django_htmx.__file__).parent / "static" / "django_htmx" / "htmx-2.min.js"
SITE = "http://bench.test"


class Site:
    """A site of one page and the answers to what it sends."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.pages: dict[str, str] = {}
        self.posts: list[dict[str, list[str]]] = []
        self.up = True
        self.hold: dict[str, threading.Event] = {}
        page.route(f"{SITE}/**", self.answer)

    def show(self, body: str, *scripts: str, path: str = "/page/", person: str = "1") -> None:
        tags = "".join(f'<script src="/static/{name}" defer></script>' for name in scripts)
        self.pages[path] = (
            f"<!DOCTYPE html><html lang='en'><head><title>t</title>{tags}</head>"
            f"<body data-person='{person}' data-sign-in='/sign-in/' data-sign-out='/sign-out/'>{body}"
        )
        self.page.goto(SITE + path)

    def answer(self, route: Route) -> None:
        request = route.request
        path = urlsplit(request.url).path
        if path.startswith("/static/"):
            name = path.removeprefix("/static/")
            text = (HTMX if name == "htmx.js" else STATIC / name).read_text()
            route.fulfill(body=text, content_type="text/javascript; charset=utf-8")
        elif not self.up:
            route.abort()
        elif request.method == "POST":
            self.posts.append(parse_qs(request.post_data or "", keep_blank_values=True))
            route.fulfill(body="<!DOCTYPE html><title>sent</title><p>sent</p>", content_type="text/html")
        else:
            route.fulfill(body=self.pages.get(path, "<p>nothing</p>"), content_type="text/html")


@pytest.fixture
def site(page):
    return Site(page)


# --- combobox -----------------------------------------------------------------------------------
CHOICES = """
<form method="post" action="/send/"><label for="id_substance">Substance</label>
<select id="id_substance" name="substance" data-combobox>
  <option value="">Choose one</option>
  <option value="cs" data-detail="anhydrous" data-words="CuSO4 7758-98-7">copper(II) sulfate</option>
  <option value="cs5" data-detail="pentahydrate" data-words="CuSO4.5H2O 7758-99-8">
    copper(II) sulfate pentahydrate</option>
  <option value="nacl" data-words="NaCl 7647-14-5">sodium chloride</option>
</select><button>Send</button></form>
"""


@pytest.fixture
def box(site):
    site.show(CHOICES, "combobox.js")
    return site.page.get_by_label("Substance")


def chosen(page: Page) -> str:
    return page.evaluate("document.querySelector('select').value")


def test_typing_finds_by_name_and_never_picks_where_two_fit(box, page, site):
    box.press_sequentially("copper sulfate")
    expect(page.get_by_role("option")).to_have_count(2)
    expect(box).to_have_attribute("aria-expanded", "true")
    box.press("Enter")
    assert chosen(page) == ""
    assert site.posts == [], "Enter over an open list sends nothing"


@pytest.mark.parametrize("typed", ["7758-99-8", "CuSO4.5H2O", "cuso4·5h2o", "pentahydrate"])
def test_typing_finds_by_formula_and_cas_number(box, page, typed):
    box.press_sequentially(typed)
    expect(page.get_by_role("option")).to_have_count(1)
    assert chosen(page) == "", "a single fit is offered, not taken"
    box.press("ArrowDown")
    box.press("Enter")
    assert chosen(page) == "cs5"
    expect(box).to_have_value("copper(II) sulfate pentahydrate")


def test_arrows_move_what_is_marked_and_escape_closes(box, page):
    box.press_sequentially("copper")
    box.press("ArrowDown")
    marked = box.get_attribute("aria-activedescendant")
    expect(page.locator(f"#{marked}")).to_have_attribute("aria-selected", "true")
    box.press("ArrowUp")
    assert box.get_attribute("aria-activedescendant") != marked
    box.press("Escape")
    expect(box).to_have_attribute("aria-expanded", "false")
    assert box.get_attribute("aria-activedescendant") is None
    expect(box).to_have_value("copper")
    assert chosen(page) == ""


def test_a_name_typed_in_full_is_a_choice_and_half_a_name_takes_it_back(box, page):
    box.press_sequentially("sodium chloride")
    box.press("Tab")
    assert chosen(page) == "nacl"
    box.press("Backspace")
    box.press_sequentially("x")
    box.press("Tab")
    assert chosen(page) == ""


def test_a_click_on_an_option_chooses_it(box, page):
    box.press_sequentially("sod")
    page.get_by_role("option", name="sodium chloride").click()
    assert chosen(page) == "nacl"
    page.get_by_role("button").click()
    page.wait_for_url("**/send/")


def test_an_older_answer_of_the_server_never_replaces_a_newer_one(site, page):
    def options(route: Route) -> None:
        typed = parse_qs(urlsplit(route.request.url).query)["q"][0]
        if typed == "s":
            page.wait_for_timeout(600)
        route.fulfill(json={"options": [{"value": typed, "label": f"answer to {typed}", "detail": ""}]})

    page.route(f"{SITE}/find/**", options)
    site.show('<label for="f">Lot</label><input id="f" data-combobox-source="/find/?q=">', "combobox.js")
    field = page.get_by_label("Lot")
    field.press_sequentially("s")
    page.wait_for_timeout(250)
    field.press_sequentially("odium")
    expect(page.get_by_role("option")).to_have_text("answer to sodium")
    page.wait_for_timeout(700)
    expect(page.get_by_role("option")).to_have_text("answer to sodium")


# --- sending once -----------------------------------------------------------------------------------
SLOW = '<form method="post" action="/slow/"><input name="a" value="1"><button>Send the order</button></form>'


def test_a_second_press_while_the_first_is_on_its_way_sends_nothing(site, page):
    sent = []

    def slowly(route: Route) -> None:
        sent.append(route.request.post_data)
        page.wait_for_timeout(700)
        route.fulfill(status=204)

    page.route(f"{SITE}/slow/", slowly)
    site.show(SLOW, "once.js")
    button = page.get_by_role("button")
    for _ in range(3):
        page.evaluate("setTimeout(() => document.querySelector('button').click(), 0)")
        page.wait_for_timeout(150)
    assert len(sent) == 1
    assert button.is_enabled()
    page.wait_for_timeout(900)


def test_a_page_that_comes_back_can_be_sent_again(site, page):
    sent = []
    page.route(f"{SITE}/slow/", lambda route: (sent.append(1), route.fulfill(status=204)))
    site.show(SLOW, "once.js")
    page.get_by_role("button").click()
    page.wait_for_timeout(200)
    page.evaluate("window.dispatchEvent(new PageTransitionEvent('pageshow', {persisted: true}))")
    page.get_by_role("button").click()
    page.wait_for_timeout(200)
    assert len(sent) == 2


# --- keeping what was typed ------------------------------------------------------------------------
KEEP = """<form method="post" action="/page/" data-keep="order"><label>Room <input name="room"></label>
<input type="hidden" name="key" value="k"><button>Send</button></form>"""


def test_what_was_typed_is_there_again_after_the_session_ended(site, page):
    site.show(KEEP, "keep.js")
    page.get_by_label("Room").fill("214")
    site.show("<p>sign in</p>", "keep.js", path="/sign-in/", person="")
    page.goto(SITE + "/page/")
    expect(page.get_by_label("Room")).to_have_value("214")
    expect(page.get_by_role("status")).to_contain_text("What you typed before is back")


def test_the_next_person_on_the_device_finds_nothing(site, page):
    site.show(KEEP, "keep.js")
    page.get_by_label("Room").fill("214")
    site.show(KEEP, "keep.js", person="2")
    expect(page.get_by_label("Room")).to_have_value("")
    site.show(KEEP, "keep.js", person="1")
    expect(page.get_by_label("Room")).to_have_value("")


def test_what_the_server_has_taken_is_forgotten(site, page):
    site.show(KEEP, "keep.js")
    page.get_by_label("Room").fill("214")
    page.get_by_role("button").click()
    site.show("<p>order R-2601</p>", "keep.js", path="/orders/R-2601/")
    page.goto(SITE + "/page/")
    expect(page.get_by_label("Room")).to_have_value("")


def test_signing_out_empties_the_device(site, page):
    site.show(KEEP + '<form method="post" action="/sign-out/"><button>Sign out</button></form>', "keep.js")
    page.get_by_label("Room").fill("214")
    page.get_by_role("button", name="Sign out").click()
    assert page.evaluate("Object.keys(sessionStorage)") == []


# --- live preview -----------------------------------------------------------------------------------
# Two fields that ask on their own: their requests run side by side, so an older answer can come last.
PREVIEW = """<form><label>Volume
<input name="volume" hx-post="/preview/" hx-trigger="input delay:50ms" hx-target="#answer"></label>
<label>Target
<input name="target" hx-post="/preview/" hx-trigger="input delay:50ms" hx-target="#answer"></label></form>
<section data-preview><p role="status" data-preview-note></p><div id="answer">nothing yet</div></section>"""


def previews(page: Page, slow: str) -> None:
    def answer(route: Route) -> None:
        name = route.request.headers["hx-trigger-name"]
        value = parse_qs(route.request.post_data or "")[name][0]
        if name == slow:
            page.wait_for_timeout(600)
        route.fulfill(body=f"<p>answer to {name} {value}</p>", content_type="text/html")

    page.route(f"{SITE}/preview/", answer)


def test_an_answer_that_comes_late_never_replaces_a_newer_one(site, page):
    previews(page, slow="volume")
    site.show(PREVIEW, "htmx.js", "preview.js")
    page.get_by_label("Volume").fill("5")
    page.wait_for_timeout(200)
    page.get_by_label("Target").fill("2.00")
    expect(page.locator("#answer")).to_have_text("answer to target 2.00")
    page.wait_for_timeout(900)
    expect(page.locator("#answer")).to_have_text("answer to target 2.00")
    expect(page.get_by_role("status")).to_have_text("")


def test_an_old_answer_is_marked_while_the_new_one_is_awaited(site, page):
    previews(page, slow="volume")
    site.show(PREVIEW, "htmx.js", "preview.js")
    page.get_by_label("Volume").fill("5")
    expect(page.get_by_role("status")).to_contain_text("Working it out again")
    expect(page.locator("[data-preview]")).to_have_class("preview-old")
    expect(page.locator("#answer")).to_have_text("answer to volume 5")
    expect(page.locator("[data-preview]")).not_to_have_class(re.compile("preview-old"))


def test_a_server_that_does_not_answer_is_said_to_be_so_and_the_old_answer_stays(site, page):
    site.show(PREVIEW, "htmx.js", "preview.js")
    site.up = False
    page.get_by_label("Volume").fill("5")
    expect(page.get_by_role("status")).to_contain_text("Not updated")
    expect(page.locator("#answer")).to_have_text("nothing yet")


def test_a_page_to_sign_in_is_never_put_into_the_region(site, page):
    page.route(
        f"{SITE}/preview/",
        lambda route: route.fulfill(status=302, headers={"Location": f"{SITE}/sign-in/"}),
    )
    site.pages["/sign-in/"] = "<h1>Sign in</h1>"
    site.show(PREVIEW, "htmx.js", "preview.js")
    page.get_by_label("Volume").fill("5")
    expect(page.locator("#answer")).to_have_text("nothing yet")
    expect(page.get_by_role("status")).not_to_have_text("")


# --- readings judged on the device ---------------------------------------------------------------
TYPED = [
    "58.44", "58,44", " 58.4 ", "5 8.4", "1\u2009000.5", "0.1", "00.10", ".5", "5.", "1.5e-3", "5844E-2",
    "5.844e1", "0", "0,00", "-5", "\u22125", "+58.44", "", "  ", ".", ",", "e5", "1e", "4,5,6", "1.000,5",
    "abc", "L00017X", "NaN", "Infinity", "1_000", "\u0665", "0x10", "1e31", "1e-31", "9" * 20, "9" * 32,
    "9" * 41, "58.40", "58.399999", "58.48", "58.480001", "58.78", "116.96",
]  # fmt: skip


def test_a_reading_is_read_and_judged_on_the_device_as_on_the_server(site, page):
    """The server's own parser and judgement are the measure; both are exact decimals."""
    window = {"low": "58.40", "high": "58.48", "unit": "g"}

    def judged(text):
        try:
            number = parse_positive(text)
        except InputError as error:
            return error.text
        found = judge_reading({"window": window}, number)
        return "" if found.inside else found.text.removesuffix(found.warning).strip()

    site.show("<p>x</p>", "exact.js")
    here = page.evaluate(
        """([texts, low, high, unit]) => texts.map(text => {
          const number = prepdeskExact.read(text);
          return number.refusal || prepdeskExact.outside(number, low, high, unit);
        })""",
        [TYPED, window["low"], window["high"], window["unit"]],
    )
    assert dict(zip(TYPED, here, strict=True)) == {text: judged(text) for text in TYPED}


# --- focus ------------------------------------------------------------------------------------------
def test_the_summary_has_the_focus_and_leads_to_the_field(site, page):
    site.show(
        '<div class="error-summary" tabindex="-1" data-focus><a href="#f">Type a number.</a></div>'
        '<label for="f">Target</label><input id="f">',
        "focus.js",
    )
    expect(page.locator(".error-summary")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Target")).to_be_focused()


def test_a_refused_reading_is_selected_so_that_typing_replaces_it(site, page):
    site.show('<label for="f">Reading</label><input id="f" value="L00017X" data-focus>', "focus.js")
    page.keyboard.type("58.4")
    expect(page.get_by_label("Reading")).to_have_value("58.4")
