"""What every template of the site draws with: quantities, formulas, states, times, people, routes.

Nothing here knows orders or stock: callers hand over the value, and the word for it where the word is
theirs.
"""

import json
import re
import secrets
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from functools import lru_cache
from typing import Any, Final

from django import template
from django.forms import Field
from django.template.loader import render_to_string
from django.utils import timezone
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString

from prepdesk.core import times
from prepdesk.core.budget import budget_charts
from prepdesk.core.drawing import FULL, OUTLINES, SMALL, draw_route
from prepdesk.core.notation import (
    amount_words,
    apparatus_words,
    formula_pieces,
    number_words,
    together,
    window_words,
)
from prepdesk.core.squares import square_svg

register = template.Library()

# Quantities, states and times stand on a page by the hundred, and mostly the same ones: each is drawn from
# its component file once and kept for as long as the process lives.
_KEPT: Final = 2048

# value of a state -> (shape, tint). The word comes from the caller's own table.
_LOOKS: Final[dict[str, tuple[str, str]]] = {
    "approval": ("square", "wait"),
    "waiting": ("triangle", "wait"),
    "queued": ("ring", "plain-tint"),
    "claimed": ("half", "work"),
    "in_work": ("half", "work"),
    "ready": ("disc", "ready"),
    "handed_over": ("tick", "plain"),
    "cancelled": ("cross", "plain"),
    "available": ("disc", "ready"),
    "quarantined": ("square", "wait"),
    "recalled": ("diamond", "stop"),
    "empty": ("ring", "plain"),
    "active": ("half", "work"),
    "drawn": ("tick", "plain"),
    "released": ("ring", "plain"),
    # Bottles that leave.
    "poured": ("disc", "ready"),
    "loaded": ("half", "work"),
    "delivered": ("tick", "plain"),
    "returned": ("ring", "plain-tint"),
    "late": ("triangle", "stop"),
    "soon": ("triangle", "wait"),
    "expired": ("diamond", "stop"),
    "done": ("tick", "plain"),
    "inside": ("tick", "ready"),
    "outside": ("triangle", "wait"),
    # What a second person was asked.
    "asked": ("square", "wait"),
    "signed": ("tick", "ready"),
    "sent_back": ("triangle", "stop"),
    "withdrawn": ("cross", "plain"),
    # Bottles shown to a step.
    "right": ("tick", "ready"),
    "other_lot": ("cross", "stop"),
    "other_form": ("cross", "stop"),
    "stopped": ("diamond", "stop"),
    "garbled": ("triangle", "wait"),
    "unknown": ("triangle", "wait"),
    "spoilt": ("cross", "stop"),
    # Files that are brought in, and their rows.
    "reading": ("half", "work"),
    "checked": ("triangle", "wait"),
    "refused": ("diamond", "stop"),
    "importing": ("half", "work"),
    "failed": ("diamond", "stop"),
    "dropped": ("cross", "plain"),
    "create": ("disc", "ready"),
    "change": ("half", "work"),
    "same": ("ring", "plain"),
    "refuse": ("diamond", "stop"),
}
_SHAPES: Final = {
    "ring": "M6 1.5a4.5 4.5 0 1 1 0 9a4.5 4.5 0 1 1 0-9zM6 3.2a2.8 2.8 0 1 0 0 5.6a2.8 2.8 0 1 0 0-5.6z",
    "half": "M6 1a5 5 0 1 1 0 10a5 5 0 1 1 0-10zM6 2.5v7a3.5 3.5 0 0 0 0-7z",
    "disc": "M6 1a5 5 0 1 1 0 10a5 5 0 1 1 0-10z",
    "tick": "M1 6.5L2.6 5l2 2.2L9.4 1.5L11 3L4.7 10.5z",
    "cross": "M2.2 1L6 4.8L9.8 1L11 2.2L7.2 6L11 9.8L9.8 11L6 7.2L2.2 11L1 9.8L4.8 6L1 2.2z",
    "triangle": "M6 .8L11.6 11H.4zM5.4 4.4h1.2v3.4H5.4zM5.4 8.6h1.2v1.2H5.4z",
    "square": "M1.2 1.2h9.6v9.6H1.2z",
    "diamond": "M6 .4L11.6 6L6 11.6L.4 6z",
}


@register.filter
def chem(formula: object) -> SafeString:
    """Write a formula as a chemist does: subscripts, charges, the dot of hydrate water."""
    html = {"plain": "{}", "sub": "<sub>{}</sub>", "sup": "<sup>{}</sup>"}
    return format_html_join(
        "", "{}", ((format_html(html[kind], part),) for kind, part in formula_pieces(str(formula or "")))
    )


@register.filter
def amount(value: object) -> str:
    """``{"value": "58.44", "unit": "g"}`` as plain text."""
    return amount_words(value)


@register.filter(name="together")
def together_filter(text: object) -> str:
    """Keep numbers with their units where a heading breaks."""
    return together(str(text))


@register.filter
def window(step: Mapping[str, Any]) -> str:
    """The readings of a step that are inside, in words, empty where none is taken."""
    bounds = step.get("window")
    return window_words(bounds["low"], bounds["high"], step["quantity"]["unit"]) if bounds else ""


@register.filter
def apparatus(equipment: object) -> str:
    """Apparatus of a plan in words: ``500 mL one-mark flask, class A``."""
    return apparatus_words(equipment)


@register.filter
def late(due: datetime) -> str:
    """``late by 3 hours`` for what should have been ready, else nothing."""
    return times.late_words(due)


@register.filter
def action_words(action: str) -> str:
    """The trade's words for an action of the plan: ``make up to the mark``."""
    return {"make_up": "make up to the mark"}.get(action, action.replace("_", " "))


@register.filter
def since(moment: datetime) -> str:
    """``since 09:00``, with the day when it is not today."""
    return times.since_words(moment)


@register.simple_tag
def until(moment: datetime) -> str:
    """``in 3 hours``, alone."""
    return times.relative_words(moment)


@register.simple_tag
def quantity(
    value: object, unit: str = "", low: object = "", high: object = "", *, size: str = "", window: Any = None
) -> SafeString:
    """A number with its unit and, where there is one, the window it may lie in.

    ``value`` may be a quantity of a plan (a mapping with ``value`` and ``unit``); ``window`` one of its
    windows; ``size`` is ``large`` (headlines) or ``plain`` (inside a sentence).
    """
    if isinstance(value, Mapping):
        unit = str(value.get("unit", ""))
        value = value.get("value", "")
    if unit == "pc":
        # The sign for pieces is short for the database, not for people.
        unit = "piece" if number_words(value) == "1" else "pieces"
    if window:
        low, high = window["low"], window["high"]
    inside = window_words(low, high, unit) if low and high else ""
    return _quantity_html(_unmarked(number_words(value)), _unmarked(unit), _unmarked(inside), size)


def _unmarked(text: object) -> str:
    """A text without the mark that it is safe, so that what is kept is escaped for everybody who says it."""
    return str(text)[:]


@lru_cache(_KEPT)
def _quantity_html(value: str, unit: str, window: str, size: str) -> SafeString:
    return render_to_string(
        "core/_quantity.html", {"value": value, "unit": unit, "window": window, "size": size}
    )


@register.simple_tag
def state(kind: str, value: str, label: str = "") -> SafeString:
    """A state as word, shape and tint; ``label`` is the word of the caller's state table."""
    return _state_html(kind, str(value), _unmarked(label))


@lru_cache(_KEPT)
def _state_html(kind: str, value: str, label: str) -> SafeString:
    shape, tint = _LOOKS.get(value, ("ring", "plain-tint"))
    facts = {
        "kind": kind,
        "value": value,
        "label": label or value.replace("_", " ").capitalize(),
        "tint": tint,
        "path": _SHAPES[shape],
    }
    return render_to_string("core/_state.html", facts)


@register.simple_tag
def when(moment: datetime | None, relative: bool = True) -> SafeString:
    """A time with its weekday on the department's clock, and how far away it is."""
    if moment is None:
        return SafeString("")
    return _when_html(
        timezone.localtime(moment, timezone.get_default_timezone()),
        times.absolute_words(moment),
        times.relative_words(moment) if relative else "",
    )


@lru_cache(_KEPT)
def _when_html(moment: datetime, absolute: str, relative: str) -> SafeString:
    return render_to_string("core/_when.html", {"moment": moment, "absolute": absolute, "relative": relative})


@register.simple_tag
def square(code: str) -> SafeString:
    """A code of a label as a square that a scanner reads."""
    return square_svg(code)


@register.simple_tag
def now_words() -> str:
    """The moment at which the page is drawn, for paper."""
    return times.absolute_words(timezone.now())


@register.simple_tag
def department_zone() -> str:
    """The zone all times are shown in."""
    return times.department_zone()


@register.simple_tag
def booked_hours(booking: Any, day: date | None = None) -> str:
    """From when to when something is booked; on ``day``, which the page has said, by the clock alone."""
    return times.hours_words(booking.starts_at, booking.ends_at, day)


@register.inclusion_tag("core/_person.html")
def person(user: Any) -> dict[str, object]:
    """A person by name."""
    return {"person": user}


@register.inclusion_tag("core/_route_drawing.html")
def route_drawing(plan: Mapping[str, Any] | None, size: str = "full") -> dict[str, object]:
    """Draw the route of a plan; ``size`` is ``full`` or ``small``.

    A full drawing brings its small one with it, for screens too narrow to read the labels of the first;
    styles show one of the two.
    """
    route = (plan or {}).get("route") or []
    drawings = [("small", draw_route(route, SMALL))]
    if size == "full":
        drawings = [("full", draw_route(route, FULL)), ("narrow", drawings[0][1])]
    # Several drawings may stand on one page, and their titles need names of their own.
    return {
        "drawings": [
            (name, f"route-{secrets.token_hex(4)}", drawn) for name, drawn in drawings if drawn.height
        ]
    }


@register.simple_tag
def way_drawing(route: str, name: str) -> SafeString:
    """The small drawing of a route for a list, which brings it as text; ``name`` is used once on a page.

    Drawn once for each route and kept, since a list shows many of them.
    """
    return SafeString(_way_html(route).replace(_NAME, name))


_NAME: Final = "route-of-a-row"


@lru_cache(512)
def _way_html(route: str) -> str:
    drawn = draw_route(json.loads(route), SMALL)
    drawings = [("small", _NAME, drawn)] if drawn.height else []
    return re.sub(r">[ \n]+<", "><", render_to_string("core/_route_drawing.html", {"drawings": drawings}))


@register.inclusion_tag("core/_apparatus.html")
def apparatus_drawing(equipment: Mapping[str, Any] | None) -> dict[str, object]:
    """The outline of one piece of apparatus with its name under it."""
    kind = str((equipment or {}).get("type", ""))
    return {"paths": OUTLINES.get(kind, ()), "words": apparatus_words(equipment)}


@register.inclusion_tag("core/_budget_bar.html")
def budget_bar(plan: Mapping[str, Any] | None) -> dict[str, object]:
    """Draw where the tolerance of a plan goes, one table per component."""
    return {"charts": budget_charts(plan or {})}


@register.simple_tag(takes_context=True)
def current_place(context: template.Context, route: str, address: str) -> str:
    """Mark the menu entry of the page that is open, or of the place that it belongs to."""
    path = getattr(context.get("request"), "path", "")
    if path == address:
        return SafeString('aria-current="page"')
    if context.get("place") == route or (address != "/" and path.startswith(address)):
        return SafeString('aria-current="true"')
    return ""


@register.simple_tag
def error_links(
    form: Any = None, forms: Any = None, formset: Any = None, formsets: Any = None
) -> list[dict[str, str]]:
    """Every error of the forms with the id of the element it belongs to."""
    links: list[dict[str, str]] = []
    for one in [form, *(forms or [])]:
        links += _links_of_form(one)
    for many in [formset, *(formsets or [])]:
        if not many:
            continue
        links += [{"target": "", "text": text} for text in many.non_form_errors()]
        for one in many:
            links += _links_of_form(one)
    return links


def _links_of_form(form: Any) -> Iterable[dict[str, str]]:
    if not form or not form.errors:
        return []
    links = [{"target": "", "text": text} for text in form.non_field_errors()]
    for bound in form:
        if not bound.errors:
            continue
        target = "" if bound.is_hidden else bound.id_for_label or bound.auto_id
        if bound.use_fieldset and not bound.is_hidden:
            target = f"{bound.auto_id}_0"
        links += [{"target": target, "text": text} for text in error_texts(bound)]
    return links


@register.filter
def error_texts(bound: Any) -> list[str]:
    """The errors of one field, in the same words beside it and on top of the page.

    "This field is required" says nothing in a list of several, so the field is named.
    """
    texts = []
    for error in bound.errors.as_data():
        message = " ".join(error.messages)
        if error.code == "required" and message == str(Field.default_error_messages["required"]):
            kind = getattr(bound.field.widget, "input_type", "")
            chosen = dict.fromkeys(("select", "radio", "file"), "choose one")
            do = {**chosen, "checkbox": "tick it"}.get(kind, "fill it in")
            message = f"“{bound.label}” is empty: {do}."
        texts.append(message)
    return texts
