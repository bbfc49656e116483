"""Labels on paper: every square is read back from the printed page, every line says what went in.

The squares are read by another implementation of the standard (zxing-cpp reads what segno wrote), out of
the strokes of the PDF itself.
"""

import io
import re

import numpy as np
import pytest
import zxingcpp
from pypdf import PageObject, PdfReader

from prepdesk.accounts.models import User
from prepdesk.core.notation import formula_pieces
from requests_app.models import Batch, Portion
from requests_app.selectors.portions import Label, labels_of, rows_of_batch
from requests_app.services.portions import deliver_portion, pour_portions
from tests.journeys.test_every_page import faults_at

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

PIXELS_PER_POINT = 6
SIZES = {"bottle": (100, 70), "vial": (70, 40)}
# CSS: 96 pixels are 25.4 mm.
PX_PER_MM = 96 / 25.4
LONG = "Laboratory 3.14 behind the glass doors E"


def drawn_strokes(page: PageObject) -> np.ndarray:
    """The horizontal strokes of a page of a PDF as black on white; squares are made of nothing else."""
    width, height = float(page.mediabox.width), float(page.mediabox.height)
    paper = np.full((round(height * PIXELS_PER_POINT), round(width * PIXELS_PER_POINT)), 255, np.uint8)
    at = (0.0, 0.0)

    def place(x: float, y: float, matrix: list[float]) -> tuple[int, int]:
        a, b, c, d, e, f = matrix
        across, up = a * x + c * y + e, b * x + d * y + f
        return round(across * PIXELS_PER_POINT), round((height - up) * PIXELS_PER_POINT)

    def visit(operator: bytes, operands: list, matrix: list[float], _text: list[float]) -> None:
        nonlocal at
        if operator not in {b"m", b"l"}:
            return
        here = (float(operands[0]), float(operands[1]))
        if operator == b"l" and here[1] == at[1]:
            left, top = place(at[0], at[1] - 0.5, matrix)
            right, bottom = place(here[0], here[1] + 0.5, matrix)
            paper[min(top, bottom) : max(top, bottom), left:right] = 0
        at = here

    page.extract_text(visitor_operand_before=visit)
    return paper


def codes_on(page: PageObject) -> list[str]:
    return sorted(
        found.text
        for found in zxingcpp.read_barcodes(drawn_strokes(page), formats=zxingcpp.BarcodeFormat.QRCode)
    )


def bare(text: str) -> str:
    """Without blanks: where a line breaks and a subscript begins is the printer's business."""
    return re.sub(r"\s+", "", text)


def said_by(label: Label) -> list[str]:
    one = label.row.portion
    words = [one.code, label.row.volume, one.room, f"Made {one.lot.received_on:%-d %B %Y}"]
    words += [str(one.section)] if one.section else []
    words += [str(one.lot.prepared_by), f"Good until {one.lot.expires_on:%-d %B %Y}.", *label.hazards]
    words.append("See the safety data sheet; local rules come first.")
    if label.is_unknown:
        return [*words, label.row.what]
    for content in label.contents:
        words += [
            content.name[0].upper() + content.name[1:],
            "".join(part for _, part in formula_pieces(content.formula)),
            f"{content.value} {content.unit} ± {content.uncertainty} %",
        ]
    return [*words, one.lot.code]


@pytest.fixture
def poured(department) -> dict[Batch, list[Label]]:
    """The bottles of every ready batch of the department that isn't stopped."""
    prep = User.objects.get(username="prep")
    found = {}
    for batch in Batch.objects.filter(state="ready", prepared_lot__state="available").order_by("pk"):
        pour_portions(actor=prep, batch=batch)
        if len(found) == 0:
            # The longest that fits into the fields.
            batch.portions.update(room=LONG)
            batch.prepared_lot.checked_by = User.objects.get(username="manager")
            batch.prepared_lot.save(update_fields=["checked_by"])
        found[batch] = labels_of(rows_of_batch(prep, batch))
    return found


def test_every_square_reads_back_and_every_line_says_what_went_in(poured, department, sign_in):
    page = sign_in("prep")
    assert any(label.is_unknown for labels in poured.values() for label in labels)
    assert any(len(labels) > 2 for labels in poured.values())
    for batch, labels in poured.items():
        for size in SIZES:
            where = f"{batch.reference} {size}"
            page.goto(f"{department.url}/batches/{batch.reference}/labels/?size={size}")
            reader = PdfReader(io.BytesIO(page.pdf(format="A4")))
            read = [code for one in reader.pages for code in codes_on(one)]
            assert sorted(read) == sorted(label.row.portion.code for label in labels), where
            text = bare(" ".join(one.extract_text() for one in reader.pages))
            for label in labels:
                for words in said_by(label):
                    assert bare(words) in text, f"{where}: {words}"
            assert "checkedby" in text or batch.prepared_lot.checked_by is None
            if any(label.is_unknown for label in labels):
                assert "mol/L" not in text, where
                assert batch.prepared_lot.code not in text, where
            assert "Signout" not in text, where


def test_nothing_is_cut_off_at_the_edge_of_a_label(poured, department, sign_in):
    page = sign_in("prep")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 690, "height": 980})
    for batch in poured:
        for size, (width, height) in SIZES.items():
            page.goto(f"{department.url}/batches/{batch.reference}/labels/?size={size}")
            found = page.eval_on_selector_all(
                ".label",
                """labels => labels.map(label => {
                  const own = label.getBoundingClientRect();
                  const inside = [...label.querySelectorAll("*")].map(one => one.getBoundingClientRect());
                  return {
                    width: own.width, height: own.height,
                    over: Math.max(...inside.map(one => Math.max(
                      one.right - own.right, one.bottom - own.bottom,
                      own.left - one.left, own.top - one.top))),
                  };
                })""",
            )
            for label in found:
                where = f"{batch.reference} {size}"
                assert label["over"] <= 0, where
                assert label["width"] == pytest.approx(width * PX_PER_MM, abs=2), where
                assert label["height"] >= height * PX_PER_MM - 2, where


def test_the_reader_of_squares_can_fail(page):
    page.set_content("<p>D000017K</p>")
    assert codes_on(PdfReader(io.BytesIO(page.pdf())).pages[0]) == []


def test_a_bottle_goes_out_and_comes_back_by_scanner_and_by_taps(poured, department, sign_in):
    page = sign_in("prep", viewport={"width": 1024, "height": 768})
    # The invented department has one on the cart already.
    waiting = [label.row.portion for labels in poured.values() for label in labels]
    one = next(portion for portion in waiting if portion.state == "poured")
    other = next(label for labels in list(poured.values())[1:] for label in labels).row.portion
    page.goto(f"{department.url}/cart/?on={one.due_at:%Y-%m-%d}")
    # A scanner types faster than anybody and ends with Enter, wherever the focus is.
    page.locator("h1").click()
    page.keyboard.type(one.code, delay=5)
    page.keyboard.press("Enter")
    page.get_by_text(f"{one.code} for {one.room} is on the cart.").wait_for()
    assert Portion.objects.get(pk=one.pk).state == "loaded"

    page.goto(f"{department.url}/cart/deliver/?code={one.code}")
    # Enter must not sign in somebody's name.
    page.get_by_label("Somebody else").press("Enter")
    page.get_by_text("Say who takes it").first.wait_for()
    assert Portion.objects.get(pk=one.pk).state == "loaded"
    person = one.section.instructor
    page.get_by_role("button", name=str(person)).click()
    page.get_by_text(f"{one.code} is delivered to {one.room}.").wait_for()
    assert Portion.objects.get(pk=one.pk).received_by == person

    page.goto(f"{department.url}/cart/back/?scan={one.code}")
    page.get_by_label("What is left in it").fill("20,5")
    page.get_by_label("What is left in it").press("Enter")
    page.get_by_text("Press how it comes back").first.wait_for()
    page.get_by_role("button", name="Opened, kept clean").click()
    page.get_by_role("button", name="Keep it apart").click()
    page.get_by_text("20.5 mL came back, opened, kept clean: kept apart as").wait_for()

    deliver_portion(actor=User.objects.get(username="prep"), portion=other, left_in_room=True)
    page.goto(f"{department.url}/cart/empties/")
    page.keyboard.type(other.code, delay=5)
    page.keyboard.press("Enter")
    page.get_by_text(f"{other.code} from {other.room} is marked empty").wait_for()


def test_the_pages_of_bottles_are_free_of_barriers(poured, department, sign_in):
    page = sign_in("prep")
    prep = User.objects.get(username="prep")
    batch, labels = next((batch, labels) for batch, labels in poured.items() if len(labels) > 2)
    gone, waiting = labels[0].row.portion, labels[1].row.portion
    deliver_portion(actor=prep, portion=gone, left_in_room=True)
    wrong = faults_at(
        page,
        department.url,
        [
            f"/batches/{batch.reference}/portions/",
            f"/batches/{batch.reference}/labels/",
            f"/batches/{batch.reference}/labels/?size=vial",
            f"/cart/?on={waiting.due_at:%Y-%m-%d}",
            f"/cart/deliver/?code={waiting.code}",
            f"/cart/back/?scan={gone.code}",
            f"/cart/back/?scan={gone.code}&left=1&condition=clean",
            f"/cart/back/?scan={gone.code}&left=1&condition=soiled",
            f"/orders/{gone.order.reference}/",
        ],
    )
    assert wrong == []
