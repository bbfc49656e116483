"""What a second person says: which step goes back, and why; and what the maker adds when asking."""

from typing import Any, Final

from django import forms

from prepdesk.core.forms import TypedNumberField
from requests_app.bench_forms import REASON_LENGTH

# One press each, for wet gloves; anything else is typed.
REASONS: Final = (
    "The reading looks mistyped. Read it again.",
    "It is not the bottle the sheet names.",
    "The label of the bottle says something else than this page.",
    "Other apparatus was used than the sheet names.",
    "The level does not stand at the mark.",
)


class AskForm(forms.Form):
    """The maker puts the readings before a second person."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=64)
    version = forms.IntegerField(widget=forms.HiddenInput)
    added = TypedNumberField(
        label="Solvent added after making up",
        required=False,
        help_text="No step records it, so the second person signs it with the readings.",
    )

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["added"].unit = unit  # type: ignore[attr-defined]  # a TypedNumberField

    @property
    def added_text(self) -> str:
        """What was added, as typed."""
        added = self.cleaned_data.get("added")
        return added.text if added else ""


class AnswerForm(forms.Form):
    """The check that is answered, as the page showed it."""

    check_id = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=2**63 - 1)


class SendBackForm(AnswerForm):
    """A step goes back with a reason, pressed or typed."""

    step = forms.IntegerField(widget=forms.HiddenInput, min_value=1, max_value=32767)
    note = forms.CharField(
        label="Another reason, in your words",
        required=False,
        max_length=REASON_LENGTH,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Needed where no ready-made reason is pressed, so it must not be called optional.
        self.fields["note"].may_be_needed = True  # type: ignore[attr-defined]  # read by core/field.html

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        pressed = self.data.get("because", "")
        if pressed in REASONS:
            cleaned["note"] = pressed
        elif not cleaned.get("note", "").strip() and "note" not in self.errors:
            self.add_error("note", "Say why it goes back, so that it can be put right.")
        return cleaned
