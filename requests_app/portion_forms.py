"""What is typed about bottles that leave and come back."""

from datetime import date
from typing import Any

from django import forms
from django.utils import timezone

from inventory.amounts import as_text, from_base, to_base
from inventory.forms.base import PlaceField
from prepdesk.core.forms import TypedNumberField, day_field
from requests_app import states
from requests_app.bench_forms import REASON_LENGTH, fresh_key
from requests_app.drafts import plain
from requests_app.models import Portion
from requests_app.services.portions import LONGEST_NAME


class SplitForm(forms.Form):
    """So much of a bottle into a second one."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=64, initial=fresh_key)
    amount = TypedNumberField(label="Into a second bottle", unit="mL")


class PourBackForm(forms.Form):
    """A bottle that nobody wants."""

    reason = forms.CharField(
        label="Why nobody wants it",
        max_length=REASON_LENGTH,
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )


class ReceiverForm(forms.Form):
    """Whoever takes bottles: a button with a person, another name, or nobody."""

    name = forms.CharField(
        label="Somebody else",
        required=False,
        max_length=LONGEST_NAME,
        widget=forms.TextInput(attrs={"autocomplete": "off", "size": "24"}),
    )


class LeftForm(forms.Form):
    """How much is left in a bottle that came back, and in which condition."""

    left = TypedNumberField(label="What is left in it", unit="mL")
    condition = forms.ChoiceField(
        choices=list(states.CONDITIONS.items()), required=False, widget=forms.HiddenInput
    )

    def __init__(self, *args: Any, portion: Portion, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.portion = portion
        self.fields["left"].widget.attrs.update({"data-focus": "", "enterkeyhint": "done"})

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        left = cleaned.get("left")
        if left is not None and to_base(left.value, "mL") > self.portion.amount:
            most = as_text(self.portion.amount, "mL")
            self.add_error("left", f"{most} were delivered in it, so no more can come back.")
        if not cleaned.get("condition"):
            self.add_error(None, "Press how it comes back; what nobody can vouch for is soiled.")
        return cleaned


class KeepForm(forms.Form):
    """Where a bottle is kept apart, and until when."""

    place = PlaceField()
    keep_until = day_field("Keep until", required=False)

    def __init__(self, *args: Any, portion: Portion, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.expires_on: date | None = portion.lot.expires_on
        until = f" The solution itself is good until {self.expires_on:%d %B %Y}." if self.expires_on else ""
        self.fields["keep_until"].help_text = f"The last day on which it may be used.{until}"
        self.fields["keep_until"].initial = self.expires_on

    def clean_keep_until(self) -> date | None:
        """A day to come; never later than the solution itself."""
        day: date | None = self.cleaned_data["keep_until"]
        if day is not None and day < timezone.localdate():
            raise forms.ValidationError("That day is past; pour it away instead.")
        if day is not None and self.expires_on is not None and day > self.expires_on:
            raise forms.ValidationError(f"The solution itself is good until {self.expires_on:%d %B %Y}.")
        return day


def all_of(portion: Portion) -> str:
    """The whole content of a bottle as one would type it [mL]."""
    return plain(from_base(portion.amount, "mL"))
