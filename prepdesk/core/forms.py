"""How every form of the site is drawn: one field template, text fields for numbers."""

from datetime import datetime
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.renderers import TemplatesSetting

from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import TypedNumber, parse_number, parse_positive
from prepdesk.core import times


class FieldRenderer(TemplatesSetting):
    """Draws each field from ``core/field.html``: label, hint, error, input, unit."""

    field_template_name = "core/field.html"


class TypedNumberField(forms.CharField):
    """A number as typed, in a text field with a decimal keypad.

    Never an HTML number field: browsers drop the comma of "2,5" and make 25 of it. The cleaned value
    is a :class:`~prepdesk.calc.typed.TypedNumber`, or ``None`` for an empty optional field.
    """

    def __init__(self, *, positive: bool = True, unit: str = "", **kwargs: object) -> None:
        kwargs.setdefault("max_length", 200)
        super().__init__(**kwargs)  # type: ignore[arg-type]  # passed on unchanged
        self.positive = positive
        self.unit = unit

    def widget_attrs(self, widget: forms.Widget) -> dict[str, object]:
        attrs = super().widget_attrs(widget)
        attrs.update({"inputmode": "decimal", "autocomplete": "off", "size": "10"})
        attrs.pop("maxlength", None)
        return attrs

    def clean(self, value: object) -> TypedNumber | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            return parse_positive(text) if self.positive else parse_number(text)
        except InputError as error:
            raise ValidationError(error.text, code=error.code) from error


def day_field(label: str, *, required: bool = True) -> forms.DateField:
    """A day, as the browser's own field or typed."""
    return forms.DateField(
        label=label,
        required=required,
        widget=forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"}),
        error_messages={"invalid": "This is not a day. Write it as 2027-02-28."},
    )


def time_field(label: str, *, required: bool = True) -> forms.TimeField:
    """A time of day, as the browser's own field or typed."""
    return forms.TimeField(
        label=label,
        required=required,
        widget=forms.TimeInput(format="%H:%M", attrs={"type": "time"}),
        error_messages={"invalid": "This is not a time. Write it as 13:30."},
    )


def join_moment(form: forms.Form, cleaned: dict[str, Any], *, day: str, time: str, into: str) -> None:
    """Join the day and the time of a form, where both can be read, into a moment of its cleaned values.

    A time that the change of the clocks leaves out or repeats is refused beside its field.
    """
    if cleaned.get(day) is None or cleaned.get(time) is None:
        return
    try:
        cleaned[into] = on_the_clock(datetime.combine(cleaned[day], cleaned[time]))
    except ValidationError as error:
        form.add_error(time, error)


def on_the_clock(wanted: datetime) -> datetime:
    """A local time as a moment.

    Raises:
        ValidationError: when the change of the clocks skips it or shows it twice that night.
    """
    try:
        return times.on_the_clock(wanted)
    except times.NotOnTheClock as refusal:
        raise ValidationError(str(refusal)) from refusal
