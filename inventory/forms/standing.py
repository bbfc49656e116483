"""A lot is scanned, and put where it should not stand only with a reason: fields that forms share."""

from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError

from inventory import codes
from inventory.selectors import lot_by_code, place_by_code
from prepdesk.accounts.models import User

GARBLED: Final = (
    "“{typed}” is not a code of our labels: its check character does not fit. Compare it with the label. "
    "If it was scanned, the keyboard layout of the scanner is another than this device's."
)


def code_trouble(typed: str) -> str:
    """Why a typed or scanned text means no lot, for a person."""
    word = codes.tidied(typed)
    if not codes.is_sound(word):
        return GARBLED.format(typed=typed.strip()[:40])
    return f"No bottle has the code {word}. Compare it with the label."


class ScanField(forms.CharField):
    """The code of a lot, scanned or typed; the cleaned value is the lot, once ``actor`` is set."""

    def __init__(self, **kwargs: Any) -> None:
        attrs = {"autocomplete": "off", "spellcheck": "false", "autocapitalize": "characters", "size": "14"}
        widget = forms.TextInput(attrs={**attrs, "data-scan": "true"})
        super().__init__(**{"label": "Scan or type the code of a lot", "widget": widget, **kwargs})
        self.actor: User | None = None

    def clean(self, value: Any) -> Any:
        typed = super().clean(value)
        if not typed or self.actor is None:
            return None
        lot = lot_by_code(self.actor, typed)
        if lot is None:
            place = place_by_code(self.actor, typed)
            raise ValidationError(
                f"That is the label of {place.name}. Scan a lot." if place else code_trouble(typed)
            )
        return lot


class StorageReasonField(forms.CharField):
    """Why something stands where a storage rule speaks against it; templates show it once a rule does."""

    may_be_needed = True

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TextInput(attrs={"size": "40"})
        label = "Why it stands there all the same"
        super().__init__(**{"label": label, "required": False, "widget": widget, **kwargs})
