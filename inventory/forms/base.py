"""What the forms of the stockroom are made of.

Fields take what is typed as text; the services read and check it. So that one sending names every
mistake, a form asks the service's own check in ``clean`` and puts its words beside the fields; the
service checks again when it saves.
"""

import uuid
from typing import Any, ClassVar

from django import forms
from django.conf import settings
from django.core.exceptions import NON_FIELD_ERRORS
from django.forms.boundfield import BoundField

from inventory.models import Place
from inventory.selectors import places
from prepdesk.core.errors import DomainError, InvalidInput


def new_key() -> str:
    """A key that makes a form sent twice count once."""
    return uuid.uuid4().hex


class NumberText(forms.CharField):
    """A number as typed, in a text field with a decimal keypad, with its unit behind it."""

    def __init__(self, *, unit: str = "", **kwargs: Any) -> None:
        super().__init__(**{"required": False, "max_length": 200, **kwargs})
        self.unit = unit

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        attrs = super().widget_attrs(widget)
        attrs.pop("maxlength", None)
        # An empty placeholder lets the styles tell a field with something in it from an empty one.
        return {**attrs, "inputmode": "decimal", "autocomplete": "off", "size": "10", "placeholder": " "}


class DateText(forms.DateField):
    """A day, from the browser's own calendar."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        super().__init__(**{"required": False, "widget": widget, **kwargs})


class MoneyText(NumberText):
    """A price as typed, with the department's currency behind it."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(unit=settings.DEPARTMENT_CURRENCY, **kwargs)


class ReasonText(forms.CharField):
    """Why something is done, in one line."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TextInput(attrs={"size": "40"})
        super().__init__(**{"label": "Reason", "widget": widget, **kwargs})


class CheckedForm(forms.Form):
    """A form that asks a service's check; subclasses say which in :meth:`ask_service`."""

    # A page that was sent and comes back keeps its key; a page opened afresh has a new one.
    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=64, initial=new_key)

    # Names of fields that stand side by side; every other field has a line of its own.
    SIDE_BY_SIDE: ClassVar[tuple[tuple[str, ...], ...]] = ()

    @property
    def field_lines(self) -> list[list[forms.BoundField]]:
        """The visible fields line by line, for pages that say nothing between them."""
        lines: dict[tuple[str, ...], list[forms.BoundField]] = {}
        for field in filter(self._is_asked, self.visible_fields()):
            together = next((names for names in self.SIDE_BY_SIDE if field.name in names), (field.name,))
            lines.setdefault(together, []).append(field)
        return list(lines.values())

    def _is_asked(self, field: forms.BoundField) -> bool:
        """Whether a field is shown: one that is only needed in some cases is, once it is."""
        needed = self.is_bound and (field.errors or field.value())
        return bool(needed or not getattr(field.field, "may_be_needed", False))

    def ask_service(self, data: dict[str, Any]) -> object:
        """Call the check with what was cleaned so far; fields with an error of their own are missing."""
        raise NotImplementedError

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        try:
            self.checked = self.ask_service(data)
        except DomainError as refusal:
            self.show(refusal)
        return data

    def show(self, refusal: DomainError) -> None:
        """Put a service's words beside the fields they are about, or on top where there is none."""
        named = refusal.errors if isinstance(refusal, InvalidInput) else {}
        for field, text in named.items():
            place = field if field in self.fields else None
            if (place or NON_FIELD_ERRORS) not in self.errors:
                self.add_error(place, text)
        if not named:
            self.add_error(None, refusal.text)


class TwoStepForm(CheckedForm):
    """A form whose change is first shown in figures, then made."""

    def shown_anew(self) -> dict[str, str]:
        """Hidden fields that say what the page shows now, for the next sending."""
        raise NotImplementedError

    def told(self) -> list[tuple[str, str]]:
        """What was typed or chosen, in words, beside the figures: label and value."""
        return [
            (str(field.label), words)
            for line in self.field_lines
            for field in line
            if field.name != "unit" and (words := self._words(field))
        ]

    def _words(self, field: BoundField) -> str:
        value = field.value()
        if isinstance(value, bool) or field.widget_type == "checkbox":
            return "yes" if value else ""
        chosen = [str(one) for one in value] if isinstance(value, list | tuple) else [str(value or "")]
        choices = getattr(field.field, "choices", None)
        if choices is not None:
            words = {str(key): str(text) for key, text in choices}
            return "; ".join(words[one] for one in chosen if one in words)
        typed = ", ".join(chosen[0].splitlines())
        return (
            f"{typed} {self['unit'].value()}" if "unit" in self.fields and field.name != "reason" else typed
        )


def place_choices() -> list[tuple[str, str]]:
    """Every place in use by its whole name, for a select."""
    return [("", "Not said"), *((str(pk), name) for pk, name in places(in_use=True))]


class PlaceField(forms.TypedChoiceField):
    """A place out of those there are; the cleaned value is the place or ``None``."""

    def __init__(self, **kwargs: Any) -> None:
        found = {
            "required": False,
            "label": "Place",
            "choices": place_choices,
            "coerce": lambda pk: Place.objects.get(pk=pk),
            "empty_value": None,
        }
        super().__init__(**{**found, **kwargs})
