"""Files that are brought in and taken out."""

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from inventory.forms.base import DateText, new_key
from inventory.importers import Importer
from prepdesk.core.tables import FORMATS, IN_WORDS, LIMITS


class BringForm(forms.Form):
    """A file comes in, for the importer of one kind."""

    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=64, initial=new_key)
    file = forms.FileField(
        label="File",
        help_text=IN_WORDS,
        allow_empty_file=True,
        error_messages={"required": "Choose a file."},
        widget=forms.FileInput(attrs={"accept": ".csv,.tsv,.txt,.xlsx"}),
    )
    sheet = forms.CharField(
        label="Sheet",
        required=False,
        max_length=40,
        help_text="Of a workbook with several; the first one where it is empty.",
        widget=forms.TextInput(attrs={"size": "20", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, importer: Importer, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.importer = importer
        for option in importer.options:
            self.fields[option.name] = forms.BooleanField(
                label=option.label, help_text=option.help, required=False
            )

    def clean_file(self) -> Any:
        file = self.cleaned_data["file"]
        if file.size > LIMITS.bytes:
            raise ValidationError(
                f"This file has {file.size / 1e6:.1f} MB; {LIMITS.bytes // 1_000_000} MB are taken. "
                "Send it in pieces."
            )
        return file

    def typed(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        return {
            "name": data["file"].name,
            "data": data["file"].read(),
            "sheet": data["sheet"],
            "idempotency_key": data["idempotency_key"],
            "options": {option.name: data[option.name] for option in self.importer.options},
        }


class ConfirmForm(forms.Form):
    """What was looked at shall be done."""

    digest = forms.CharField(widget=forms.HiddenInput, max_length=64)
    again = forms.BooleanField(
        label="Bring it in a second time",
        required=False,
        help_text="This very file was brought in before. Its new bottles would stand in the list twice.",
    )


class LedgerForm(forms.Form):
    """The days of the ledger that are taken out."""

    first = DateText(label="From")
    last = DateText(label="To")
    form = forms.ChoiceField(label="As", required=False, choices=[(each, each.upper()) for each in FORMATS])

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # It always has a choice, so calling it optional would only puzzle.
        self.fields["form"].may_be_needed = True  # type: ignore[attr-defined]  # read by core/field.html

    def clean(self) -> dict[str, Any]:
        data = super().clean() or self.cleaned_data
        first, last = data.get("first"), data.get("last")
        if first and last and first > last:
            raise ValidationError({"first": "The first day lies after the last. Swap them or change one."})
        return data
