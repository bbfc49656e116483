"""The forms of a recall, and of a batch that is given up."""

import uuid
from typing import Any

from django import forms

from inventory.models import Lot

_REASON_LENGTH = 300


def _new_key() -> str:
    return uuid.uuid4().hex


class RecallForm(forms.Form):
    """Why a bottle is recalled, and which of the bottles made of it are recalled with it.

    The page says which bottles it showed, so that an unticked one is a decision and one that was made
    since is not: that one is recalled as well.
    """

    idempotency_key = forms.CharField(widget=forms.HiddenInput, max_length=64, initial=_new_key)
    shown = forms.CharField(widget=forms.HiddenInput, required=False, max_length=200_000)
    lots = forms.MultipleChoiceField(
        label="Recalled with it",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Untick only what is certainly not concerned; its batches then go on.",
    )
    reason = forms.CharField(
        label="Reason",
        max_length=_REASON_LENGTH,
        help_text="Everybody who is told reads it. For example the maker’s letter with its date.",
        widget=forms.TextInput(attrs={"size": "60", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, on_shelf: tuple[Lot, ...], **kwargs: Any) -> None:
        keys = [str(lot.pk) for lot in on_shelf]
        kwargs.setdefault("initial", {"shown": ",".join(keys), "lots": keys})
        super().__init__(*args, **kwargs)
        self.fields["lots"].choices = [  # type: ignore[attr-defined]  # a choice field
            (str(lot.pk), f"{lot.code} {lot.title or lot.substance.name}, {_left(lot)}") for lot in on_shelf
        ]

    def clean_shown(self) -> set[int]:
        text: str = self.cleaned_data["shown"]
        return {int(key) for key in text.split(",") if key.isascii() and key.isdigit() and len(key) < 19}

    @property
    def left_out(self) -> set[int]:
        """Keys of the lots that were shown and unticked."""
        shown: set[int] = self.cleaned_data["shown"]
        return shown - {int(key) for key in self.cleaned_data["lots"]}


def _left(lot: Lot) -> str:
    return f"{lot.on_hand_amount.normalize():f} {lot.unit}"


class StopForm(forms.Form):
    """Why a batch is given up."""

    reason = forms.CharField(
        label="Why it is given up",
        max_length=_REASON_LENGTH,
        help_text="Whoever ordered it reads this.",
        widget=forms.TextInput(attrs={"size": "50", "autocomplete": "off"}),
    )
