"""The route drawing: what is taken, what measures it, what it goes into, what it becomes.

Pure: the route of a plan in (see ``route`` of the preparation answer), places of outlines, arrows and
texts out; ``templates/core/_route_drawing.html`` turns them into SVG. The outlines are our own, each
in a box 48 wide and 64 high. Widths of texts are reckoned by characters, for the widest of the usual
system fonts, so that no label meets its neighbour.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from prepdesk.core.notation import amount_words, apparatus_words, size_words, together

BOX_WIDTH: Final = 48
BOX_HEIGHT: Final = 64

# (class, path) per outline: what fills it first, its lines after.
OUTLINES: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "solid bottle": (
        ("route-fill", "M11 46h26v12q0 5-5 5H16q-5 0-5-5z"),
        (
            "route-grain",
            "M16 50h2v2h-2zM22 53h2v2h-2zM29 49h2v2h-2zM18 57h2v2h-2zM27 57h2v2h-2zM33 54h2v2h-2z",
        ),
        ("route-line", "M10 24q0-6 6-7h16q6 1 6 7v34q0 6-6 6H16q-6 0-6-6z"),
        ("route-line", "M13 6h22v11H13zM10 28h28M10 42h28"),
    ),
    "liquid bottle": (
        ("route-fill", "M11 38h26v20q0 5-5 5H16q-5 0-5-5z"),
        ("route-line", "M20 9v8q0 4-5 7-5 4-5 9v25q0 6 6 6h16q6 0 6-6V33q0-5-5-9-5-3-5-7V9"),
        ("route-line", "M18 9h12M20 3h8v6h-8zM10 38h28"),
    ),
    "balance": (
        ("route-grain", "M18 38q3-5 6-5t6 5z"),
        ("route-line", "M7 50h34l4 13H3zM24 50v-8M9 42h30M13 42q1-4 4-4h14q3 0 4 4"),
        ("route-line", "M15 54h18v5H15z"),
    ),
    "graduated cylinder": (
        ("route-fill", "M19 24h10v34H19z"),
        ("route-line", "M16 3l2 2v53h12V5l3-3M18 58q-7 1-8 5h28q-1-4-8-5"),
        ("route-line", "M18 14h4M18 22h6M18 30h4M18 38h6M18 46h4M18 54h6"),
    ),
    "one-mark pipette": (
        ("route-fill", "M22 14h4v6q6 2 6 11t-6 11v12l-2 8-2-8V42q-6-2-6-11t6-11z"),
        ("route-line", "M22 1v19q-6 2-6 11t6 11v12l2 8 2-8V42q6-2 6-11t-6-11V1M20 11h8"),
    ),
    "graduated pipette": (
        ("route-fill", "M21 12h6v40l-3 9-3-9z"),
        ("route-line", "M21 1v51l3 10 3-10V1M21 8h3M21 15h6M21 22h3M21 29h6M21 36h3M21 43h6"),
    ),
    "burette": (
        ("route-fill", "M20 8h8v40h-8z"),
        ("route-line", "M20 1v47h8V1M20 8h4M20 14h3M20 20h4M20 26h3M20 32h4M20 38h3M20 44h4"),
        ("route-line", "M20 48l3 5h2l3-5M14 55h14M28 52v6M23 53v5l1 5 1-5v-5"),
    ),
    "piston pipette": (
        ("route-fill", "M23 50h2l-.5 11h-1z"),
        ("route-line", "M24 2v7M20 2h8M19 9h10l-1 25-2 7h-4l-2-7zM22 41l1.3 21h1.4L26 41M19.5 20h9"),
    ),
    "one-mark flask": (
        ("route-fill", "M22 16h4v9q0 5 6 10 8 7 8 14 0 14-13 14h-6Q8 63 8 49q0-7 8-14 6-5 6-10z"),
        ("route-line", "M21 6v19q0 5-6 10-8 7-8 14 0 15 14 15h6q14 0 14-15 0-7-8-14-6-5-6-10V6"),
        ("route-line", "M19 6h10M21 1h6l-1 5h-4zM18 16h12"),
    ),
    "beaker": (
        ("route-fill", "M12 34h24v24q0 5-5 5H17q-5 0-5-5z"),
        ("route-line", "M7 14q4 1 4 5v39q0 6 6 6h14q6 0 6-6V17h3"),
        ("route-line", "M11 34h26M29 42h5M29 50h5"),
    ),
    "conical flask": (
        ("route-fill", "M14 42h20l7 15q2 6-4 6H11q-6 0-4-6z"),
        ("route-line", "M19 5v20L6 56q-2 8 5 8h26q7 0 5-8L29 25V5M16 5h16M14 42h20"),
    ),
    "carboy": (
        ("route-fill", "M7 34h34v24q0 5-5 5H12q-5 0-5-5z"),
        ("route-line", "M6 25q0-8 9-10h18q9 2 9 10v33q0 6-6 6H12q-6 0-6-6z"),
        ("route-line", "M18 5h12v10H18zM6 34h36M42 54h4v5"),
    ),
}
_SOURCES: Final = {
    "solid": "solid bottle",
    "liquid": "liquid bottle",
    "solution": "liquid bottle",
    "intermediate": "one-mark flask",
}


@dataclass(frozen=True, slots=True)
class Glyph:
    """One outline with its upper left corner and its scale."""

    name: str
    x: float
    y: float
    scale: float

    @property
    def paths(self) -> tuple[tuple[str, str], ...]:
        return OUTLINES[self.name]

    @property
    def transform(self) -> str:
        return f"translate({self.x:g} {self.y:g}) scale({self.scale:g})"


@dataclass(frozen=True, slots=True)
class Text:
    """One line of lettering; ``anchor`` as in SVG."""

    x: float
    y: float
    css: str
    anchor: str
    text: str


@dataclass(slots=True)
class Drawing:
    """Everything the template needs, in user units."""

    width: float
    height: float = 0
    title: str = ""
    description: str = ""
    glyphs: list[Glyph] = field(default_factory=list)
    arrows: list[str] = field(default_factory=list)
    heads: list[str] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    # Where the last "gives" text ends: the way to the next stage starts there.
    gives_end: float = 0


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the columns stand and how much is written; widths in characters."""

    width: float
    scale: float
    source_x: float
    measure_x: float
    vessel_x: float
    gives_x: float | None
    row_height: float
    stage_gap: float
    line_height: float
    label_characters: int
    label_lines: int
    gives_characters: int
    gives_lines: int
    most_inputs: int


FULL: Final = Layout(
    width=680,
    scale=1,
    source_x=70,
    measure_x=250,
    vessel_x=432,
    gives_x=532,
    row_height=136,
    stage_gap=40,
    line_height=17,
    label_characters=17,
    label_lines=4,
    gives_characters=17,
    gives_lines=7,
    most_inputs=12,
)
SMALL: Final = Layout(
    width=250,
    scale=0.62,
    source_x=20,
    measure_x=112,
    vessel_x=215,
    gives_x=None,
    row_height=62,
    stage_gap=8,
    line_height=14,
    label_characters=0,
    label_lines=0,
    gives_characters=0,
    gives_lines=0,
    most_inputs=3,
)


def wrap(text: str, characters: int, lines: int) -> list[str]:
    """Break ``text`` into at most ``lines`` lines of at most ``characters``; what is cut ends in "…".

    >>> wrap("copper(II) sulfate pentahydrate", 16, 2)
    ['copper(II)', 'sulfate pentahy…']
    """
    rows: list[str] = []
    for word in together(" ".join(text.split())).split(" "):
        rest = word
        if rows and len(rows[-1]) + 1 + len(rest) <= characters:
            rows[-1] = f"{rows[-1]} {rest}"
            continue
        while len(rest) > characters:
            rows.append(f"{rest[: characters - 1]}-")
            rest = rest[characters - 1 :]
        rows.append(rest)
    rows = [row.replace("\u00a0", " ") for row in rows]
    if len(rows) <= lines:
        return rows
    last = " ".join(rows[lines - 1 :]).replace("- ", "")
    return [*rows[: lines - 1], f"{last[: characters - 1].rstrip()}…"]


def draw_route(route: Sequence[Mapping[str, Any]], layout: Layout = FULL) -> Drawing:
    """Place the stages of a route one under the other.

    Args:
        route: stages in order, each with ``inputs``, ``vessel``, ``vessel_count`` and ``gives``.
        layout: :data:`FULL` with all labels, or :data:`SMALL` for a row of the queue.

    Returns:
        The drawing; an empty route gives one of height 0.
    """
    drawing = Drawing(width=layout.width, title=_title(route), description=describe_route(route))
    top = 0.0
    for index, stage in enumerate(route):
        top = _draw_stage(drawing, layout, stage, index, top, several=len(route) > 1)
        if index + 1 < len(route):
            top += layout.stage_gap
    drawing.height = top
    return drawing


def _draw_stage(
    drawing: Drawing, layout: Layout, stage: Mapping[str, Any], index: int, top: float, *, several: bool
) -> float:
    """Draw one stage from ``top`` down and return where it ends."""
    inputs = sorted(stage["inputs"], key=lambda entry: entry["kind"] != "intermediate")
    shown = inputs[: layout.most_inputs]
    if several and layout.label_lines:
        top += layout.line_height
        drawing.texts.append(
            Text(0, top - 4, "route-soft", "start", f"Stage {stage.get('stage', index + 1)}")
        )
    height = layout.row_height * max(len(shown), 1)
    centre = top + (height - layout.row_height) / 2 + BOX_HEIGHT * layout.scale / 2
    for row, entry in enumerate(shown):
        _draw_input(drawing, layout, entry, top + row * layout.row_height, centre)
        if index and row == 0 and entry["kind"] == "intermediate" and layout.gives_x is not None:
            _link_from_above(drawing, layout, top, several)
    end = top + height
    if len(inputs) > len(shown):
        end += layout.line_height
        drawing.texts.append(
            Text(0, end - 4, "route-soft", "start", f"and {len(inputs) - len(shown)} more into the same")
        )
    _draw_vessel(drawing, layout, stage, centre)
    return end


def _draw_input(
    drawing: Drawing, layout: Layout, entry: Mapping[str, Any], y: float, vessel_centre: float
) -> None:
    half = BOX_WIDTH * layout.scale / 2
    centre = y + BOX_HEIGHT * layout.scale / 2
    drawing.glyphs.append(Glyph(_SOURCES[entry["kind"]], layout.source_x - half, y, layout.scale))
    _write_below(drawing, layout, layout.source_x, y, large=[], small=str(entry.get("label", "")))
    equipment = entry.get("measured_by") or {}
    outline = str(equipment.get("type", ""))
    start = layout.source_x + half + 4
    if outline in OUTLINES:
        drawing.glyphs.append(Glyph(outline, layout.measure_x - half, y, layout.scale))
        _arrow(
            drawing,
            f"M{start:g} {centre:g}H{layout.measure_x - half - 10:g}",
            layout.measure_x - half - 4,
            centre,
        )
        start = layout.measure_x + half + 4
    _write_below(
        drawing,
        layout,
        layout.measure_x,
        y,
        large=[amount_words(entry.get("amount"))],
        small=apparatus_words(equipment),
    )
    end = layout.vessel_x - half - 4
    turn = (layout.measure_x + layout.vessel_x) / 2
    way = f"M{start:g} {centre:g}H{turn:g}V{vessel_centre:g}H{end - 6:g}"
    _arrow(drawing, way, end, vessel_centre)


def _draw_vessel(drawing: Drawing, layout: Layout, stage: Mapping[str, Any], centre: float) -> None:
    vessel = stage["vessel"]
    half = BOX_WIDTH * layout.scale / 2
    y = centre - BOX_HEIGHT * layout.scale / 2
    outline = str(vessel.get("type", ""))
    count = int(stage.get("vessel_count") or 1)
    times = f"{count} × " if count > 1 else ""
    drawing.glyphs.append(
        Glyph(outline if outline in OUTLINES else "beaker", layout.vessel_x - half, y, layout.scale)
    )
    if layout.gives_x is None:
        size = size_words(vessel.get("nominal"))
        _write_below(drawing, layout, layout.vessel_x, y, large=[f"{times}{size}"], small="")
        return
    _write_below(drawing, layout, layout.vessel_x, y, large=[], small=times + apparatus_words(vessel))
    start = layout.vessel_x + half + 4
    _arrow(drawing, f"M{start:g} {centre:g}H{layout.gives_x - 16:g}", layout.gives_x - 10, centre)
    rows = wrap(str(stage.get("gives", "")), layout.gives_characters, layout.gives_lines)
    # Centred beside the arrow, but never above the upper edge of the outline.
    first = max(centre - (len(rows) - 1) * layout.line_height / 2 + 4, y + 12)
    for number, row in enumerate(rows):
        drawing.texts.append(
            Text(layout.gives_x, first + number * layout.line_height, "route-text", "start", row)
        )
    drawing.gives_end = first + len(rows) * layout.line_height - 8


def _write_below(
    drawing: Drawing, layout: Layout, x: float, y: float, *, large: Sequence[str], small: str
) -> None:
    """Write amounts, then a label, centred under the outline whose box begins at ``y``."""
    baseline = y + BOX_HEIGHT * layout.scale + layout.line_height + 1
    for text in large:
        css = "route-amount" if layout.label_lines else "route-text"
        drawing.texts.append(Text(x, baseline, css, "middle", text))
        baseline += layout.line_height
    for text in wrap(small, layout.label_characters, layout.label_lines) if layout.label_lines else ():
        drawing.texts.append(Text(x, baseline, "route-soft", "middle", text))
        baseline += layout.line_height


def _link_from_above(drawing: Drawing, layout: Layout, top: float, several: bool) -> None:
    """Lead from what the stage above gives to the first outline of this one."""
    between = top - layout.stage_gap / 2 - (layout.line_height if several else 0)
    start_x = (layout.gives_x or layout.vessel_x) + 50
    way = f"M{start_x:g} {drawing.gives_end:g}V{between:g}H{layout.source_x:g}V{top - 10:g}"
    drawing.arrows.append(way)
    drawing.heads.append(f"M{layout.source_x - 4:g} {top - 10:g}h8l-4 8z")


def _arrow(drawing: Drawing, way: str, tip_x: float, tip_y: float) -> None:
    drawing.arrows.append(way)
    drawing.heads.append(f"M{tip_x:g} {tip_y:g}l-8-4v8z")


def _title(route: Sequence[Mapping[str, Any]]) -> str:
    if not route:
        return "No way to make it yet"
    return "The way in one stage" if len(route) == 1 else f"The way in {len(route)} stages"


def describe_route(route: Sequence[Mapping[str, Any]]) -> str:
    """Say the drawing in sentences, for those who can't see it and for lists of text."""
    sentences = []
    for index, stage in enumerate(route):
        parts = [_input_words(entry) for entry in stage["inputs"]]
        count = int(stage.get("vessel_count") or 1)
        into = (
            f"{count} × {apparatus_words(stage['vessel'])}" if count > 1 else apparatus_words(stage["vessel"])
        )
        start = f"Stage {stage.get('stage', index + 1)}: " if len(route) > 1 else ""
        body = f"{start}{' and '.join(parts)}, into {into}; gives {stage.get('gives', '')}."
        sentences.append(body[0].upper() + body[1:])
    return " ".join(sentences)


def _input_words(entry: Mapping[str, Any]) -> str:
    words = f"{amount_words(entry.get('amount'))} of {entry.get('label', '')}"
    equipment = entry.get("measured_by")
    if not equipment:
        return words
    how = "on" if equipment.get("type") == "balance" else "with"
    return f"{words} {how} the {apparatus_words(equipment)}"
