"""The route drawing: every input drawn, nothing written over its neighbour, a text that says it all."""

import xml.etree.ElementTree as ET

import pytest
from django.template import engines
from hypothesis import given
from hypothesis import strategies as st

from prepdesk.core.drawing import (
    BOX_HEIGHT,
    BOX_WIDTH,
    FULL,
    OUTLINES,
    SMALL,
    describe_route,
    draw_route,
    wrap,
)

# Wide enough for the widest of the usual system fonts at 13 px (measured in a browser: 8.1 px a
# character on average for lower-case text), and 11 px for the larger amounts.
PIXELS = {"route-text": 8.2, "route-soft": 8.2, "route-amount": 11.0}


def balance():
    return {"type": "balance", "readability": {"value": "0.01", "unit": "g"}, "class": "", "standard": ""}


def glass(kind, millilitres, grade="A"):
    return {
        "type": kind,
        "nominal": {"value": str(millilitres), "unit": "mL"},
        "class": grade,
        "standard": "",
    }


def taken(kind, label, value, unit, equipment):
    return {"kind": kind, "label": label, "amount": {"value": value, "unit": unit}, "measured_by": equipment}


@pytest.fixture
def one_stage():
    return [
        {
            "stage": 1,
            "inputs": [taken("solid", "sodium chloride", "58.50", "g", balance())],
            "vessel": glass("one-mark flask", 500),
            "vessel_count": 1,
            "gives": "500 mL of 2.00 mol/L sodium chloride",
        }
    ]


@pytest.fixture
def two_stages():
    return [
        {
            "stage": 1,
            "inputs": [
                taken("solid", "copper(II) sulfate pentahydrate", "24.97", "g", balance()),
                taken("liquid", "sulfuric acid 96 % w/w", "2.5", "mL", glass("graduated cylinder", 5)),
            ],
            "vessel": glass("one-mark flask", 100),
            "vessel_count": 1,
            "gives": "100 mL of 1.000 mol/L copper(II) sulfate",
        },
        {
            "stage": 2,
            "inputs": [
                taken("intermediate", "solution of stage 1", "10.00", "mL", glass("one-mark pipette", 10))
            ],
            "vessel": glass("carboy", 5000, ""),
            "vessel_count": 2,
            "gives": "10 L of 0.0010 mol/L copper(II) sulfate",
        },
    ]


def boxes_of_texts(drawing):
    for text in drawing.texts:
        size = 17 if text.css == "route-amount" else 13
        width = len(text.text) * PIXELS[text.css]
        left = {"start": text.x, "middle": text.x - width / 2}[text.anchor]
        yield text.text, left, text.y - size * 0.75, left + width, text.y + size * 0.2


def assert_nothing_overlaps(drawing):
    boxes = list(boxes_of_texts(drawing))
    for glyph in drawing.glyphs:
        boxes.append(
            (
                glyph.name,
                glyph.x,
                glyph.y,
                glyph.x + BOX_WIDTH * glyph.scale,
                glyph.y + BOX_HEIGHT * glyph.scale,
            )
        )
    for number, (name, left, top, right, bottom) in enumerate(boxes):
        assert left >= -1, name
        assert right <= drawing.width + 1, name
        assert top >= -1, name
        assert bottom <= drawing.height + 5, name
        for other, left2, top2, right2, bottom2 in boxes[number + 1 :]:
            apart = right <= left2 or right2 <= left or bottom <= top2 + 1 or bottom2 <= top + 1
            assert apart, f"{name!r} meets {other!r}"


def test_every_apparatus_of_the_contract_has_an_outline():
    from typing import get_args

    from prepdesk.calc.model import ApparatusType

    assert set(get_args(ApparatusType)) <= set(OUTLINES)


def test_a_single_stage_shows_bottle_measure_and_vessel_with_their_quantities(one_stage):
    drawing = draw_route(one_stage)
    assert [glyph.name for glyph in drawing.glyphs] == ["solid bottle", "balance", "one-mark flask"]
    texts = {text.text for text in drawing.texts}
    assert {"58.50 g", "sodium chloride", "balance, 0.01 g"} <= texts
    assert_nothing_overlaps(drawing)


def test_the_intermediate_solution_is_led_into_the_next_stage(two_stages):
    drawing = draw_route(two_stages)
    link = [way for way in drawing.arrows if way.count("V") == 2]
    assert len(link) == 1
    assert link[0].endswith(f"H{FULL.source_x:g}V{link[0].rsplit('V', 1)[1]}")
    assert {"Stage 1", "Stage 2", "2 × 5 L carboy"} <= {text.text for text in drawing.texts}
    assert_nothing_overlaps(drawing)


def test_the_small_drawing_keeps_the_amounts_and_says_what_it_leaves_out(two_stages):
    stage = two_stages[0]
    stage["inputs"] = stage["inputs"] * 3
    drawing = draw_route([stage], SMALL)
    texts = [text.text for text in drawing.texts]
    assert texts.count("24.97 g") == 2
    assert "and 3 more into the same" in texts
    assert_nothing_overlaps(drawing)


def test_the_text_alternative_says_everything_the_drawing_shows(two_stages):
    text = describe_route(two_stages)
    for part in (
        "24.97 g",
        "copper(II) sulfate pentahydrate",
        "balance, 0.01 g",
        "100 mL one-mark flask, class A",
    ):
        assert part in text
    assert "10.00 mL of solution of stage 1 with the 10 mL one-mark pipette, class A" in text
    assert text.endswith("gives 10 L of 0.0010 mol/L copper(II) sulfate.")


def test_an_empty_route_draws_nothing():
    assert draw_route([]).height == 0


words = st.text(alphabet="abcdefghijk lmno()-,0123456789 äµ·", min_size=0, max_size=80)


@given(text=words, characters=st.integers(2, 24), lines=st.integers(1, 4))
def test_no_label_is_longer_than_its_place(text, characters, lines):
    rows = wrap(text, characters, lines)
    assert len(rows) <= lines
    assert all(len(row) <= characters for row in rows)


@given(text=words)
def test_a_label_that_fits_loses_nothing(text):
    assert " ".join(wrap(text, 80, 80)) == " ".join(text.split())


@given(label=words, gives=words, count=st.integers(1, 5))
def test_no_plan_makes_labels_meet(label, gives, count):
    route = [
        {
            "stage": number,
            "inputs": [taken("liquid", label, "123.45", "mL", glass("graduated cylinder", 250))] * count,
            "vessel": glass("one-mark flask", 1000),
            "vessel_count": 12,
            "gives": gives,
        }
        for number in (1, 2)
    ]
    assert_nothing_overlaps(draw_route(route))


def rendered(plan, size="full"):
    source = "{% load prepdesk %}{% route_drawing plan size=size %}"
    return engines["django"].from_string(source).render({"plan": plan, "size": size})


def test_the_svg_is_well_formed_named_and_without_inline_style(two_stages):
    svg = ET.fromstring(rendered({"route": two_stages}, "small")).find("svg")
    assert svg.get("role") == "img"
    title, desc = svg.find("title"), svg.find("desc")
    assert svg.get("aria-labelledby") == title.get("id")
    assert svg.get("aria-describedby") == desc.get("id")
    assert title.text == "The way in 2 stages"
    assert "24.97 g" in desc.text
    assert all("style" not in element.attrib for element in svg.iter())


def test_drawings_on_one_page_have_their_own_names(one_stage):
    page = ET.fromstring(f"<p>{rendered({'route': one_stage})}{rendered({'route': one_stage})}</p>")
    names = [svg.get("aria-labelledby") for svg in page.iter("svg")]
    assert len(names) == 4
    assert len(set(names)) == 4


def test_a_full_drawing_brings_the_one_for_narrow_screens(one_stage):
    page = ET.fromstring(f"<p>{rendered({'route': one_stage})}</p>")
    assert [box.get("class") for box in page] == [
        "route-drawing route-drawing-full",
        "route-drawing route-drawing-narrow",
    ]


def test_a_plan_without_a_route_draws_nothing():
    assert rendered({"route": []}).strip() == ""
    assert rendered(None).strip() == ""


def test_a_hostile_label_stays_text(one_stage):
    one_stage[0]["inputs"][0]["label"] = "<script>x</script>"
    assert "<script>" not in rendered({"route": one_stage})
