"""Every pair of colours in use, measured: WCAG 2.2, 1.4.3 (4.5:1 for text) and 1.4.11 (3:1 for marks)."""

import re
from pathlib import Path

import pytest

CSS = Path(__file__).parents[2] / "prepdesk" / "static" / "prepdesk" / "base.css"
TINTS = ("tint-wait", "tint-work", "tint-ready", "tint-stop", "tint-plain")
TEXT_PAIRS = [
    *[(ink, ground) for ink in ("ink", "ink-soft", "accent", "danger") for ground in ("paper", "paper-deep")],
    *[("ink", tint) for tint in TINTS],
    *[("accent", tint) for tint in TINTS],
    ("danger", "tint-stop"),
    ("on-accent", "accent"),
    ("on-danger", "danger"),
]
MARK_PAIRS = [
    ("rule-strong", "paper"),
    ("rule-strong", "paper-deep"),
    ("accent", "paper"),
    ("danger", "paper"),
    ("focus", "paper"),
    ("focus", "tint-work"),
]


def palettes():
    light, dark = re.findall(r":root \{(.*?)\}", CSS.read_text(), re.DOTALL)[:2]
    read = lambda block: dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6});", block))  # noqa: E731
    return {"light": read(light), "dark": read(dark)}


def luminance(colour):
    channels = [int(colour[place : place + 2], 16) / 255 for place in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself_is_right():
    # Black on white is 21:1; #767676 on white is the well-known 4.54:1 (W3C, Understanding 1.4.3).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), TEXT_PAIRS)
def test_text_can_be_read(mode, ink, ground):
    palette = palettes()[mode]
    assert contrast(palette[ink], palette[ground]) >= 4.5


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize(("mark", "ground"), MARK_PAIRS)
def test_marks_can_be_seen(mode, mark, ground):
    palette = palettes()[mode]
    assert contrast(palette[mark], palette[ground]) >= 3
