"""Sheets on paper: one page on A4 (ISO 216) and on Letter (ANSI A), with what a bench needs and no menu."""

import io
import re

import pytest
from pypdf import PdfReader

from prepdesk.core.notation import amount_words
from requests_app.models import Batch

pytestmark = [pytest.mark.browser, pytest.mark.timeout(300)]

# Width and height in points.
PAPER = {"A4": (595, 842), "Letter": (612, 792)}
SMALLEST = 18
MENU = ("Sign out", "Queue", "Orders", "Stock\n", "Review", "Print the sheet", "Skip to", "Help:")


def sizes_of(page) -> dict[str, float]:
    """The largest size in points of each piece of lettering on a page of a PDF."""
    found: dict[str, float] = {}

    def visit(text, matrix, text_matrix, font, size):
        piece = text.strip()
        if piece:
            # The browser scales the page by the matrix, so the size of the font alone says nothing.
            points = size * abs(text_matrix[3]) * abs(matrix[3])
            found[piece] = max(points, found.get(piece, 0))

    page.extract_text(visitor_text=visit)
    return found


def test_every_open_sheet_prints_on_one_page_with_numbers_to_read_from_a_step_away(department, sign_in):
    page = sign_in("prep")
    batches = Batch.objects.exclude(state="handed_over").filter(unknown_of=None).order_by("pk")
    assert len(batches) >= 6
    for batch in batches:
        sheet = batch.sheets.latest("revision")
        page.goto(f"{department.url}/batches/{batch.reference}/sheet/")
        for name, (width, height) in PAPER.items():
            where = f"{batch.reference} on {name}"
            reader = PdfReader(io.BytesIO(page.pdf(format=name)))
            # The division among several orders may need a second page; what is made stands on the first.
            most = 1 if batch.orders.count() == 1 else 2
            assert len(reader.pages) <= most, where
            paper = reader.pages[0]
            assert float(paper.mediabox.width) == pytest.approx(width, abs=2), where
            assert float(paper.mediabox.height) == pytest.approx(height, abs=2), where
            text = " ".join(one.extract_text() for one in reader.pages)
            flat = re.sub(r"\s+", " ", text)
            assert f"{batch.reference}, revision {sheet.revision} of" in flat, where
            assert re.search(r"Printed \w{3} \d{1,2} \w{3}, \d\d:\d\d", flat), where
            assert f"Page 1 of {len(reader.pages)}" in flat, where
            assert [word for word in MENU if word in text] == [], where
            sizes = {}
            for one in reader.pages:
                sizes |= sizes_of(one)
            for step in sheet.plan["steps"]:
                quantity = step.get("quantity")
                if quantity:
                    value = amount_words(quantity).split()[0]
                    points = max((size for piece, size in sizes.items() if piece == value), default=0)
                    assert points >= SMALLEST, f"{where}: {value} in {points} pt"


def test_the_measure_of_lettering_on_paper_can_fail(page):
    page.set_content("<p style='font-size:24pt'>3.741</p><p style='font-size:12pt'>58.44</p>")
    sizes = sizes_of(PdfReader(io.BytesIO(page.pdf(format="A4"))).pages[0])
    assert sizes["3.741"] == pytest.approx(24, abs=0.5)
    assert sizes["58.44"] == pytest.approx(12, abs=0.5)
