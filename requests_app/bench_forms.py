"""What is typed at the bench: a reading, a reason, a note."""

from datetime import datetime, timedelta
from typing import Any
from uuid import uuid4

from django import forms

from prepdesk.core.forms import TypedNumberField

REASON_LENGTH = 300
# No reading is under way for so long; what says so is told from a wrong clock by the service.
ABSURD = timedelta(days=1000)


def fresh_key() -> str:
    """A key that makes one sending of a form one record, however often it arrives."""
    return uuid4().hex


def time_by_the_server(taken_at: datetime, sent_at: datetime, now: datetime) -> datetime:
    """When something was taken, by the server's clock.

    Args:
        taken_at, sent_at: by the clock of the device, of which only the difference counts.
        now: when it arrived.
    """
    return now - max(min(sent_at - taken_at, ABSURD), -ABSURD)


class StepForm(forms.Form):
    """One step: its reading where the step has a window, and a reason for one outside of it.

    ``version`` is that of the batch on the page that was filled in.
    """

    key = forms.CharField(widget=forms.HiddenInput, max_length=64)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(self, *args: Any, step: dict[str, Any], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.takes_reading = bool(step.get("window"))
        if self.takes_reading:
            unit = step["quantity"]["unit"]
            self.fields["reading"] = TypedNumberField(label="Reading", unit=unit)
            self.fields["reading"].widget.attrs.update(
                {"data-focus": "", "autofocus": True, "enterkeyhint": "done"}
            )
            self.fields["reason"] = forms.CharField(
                label="Why this reading is kept",
                required=False,
                max_length=REASON_LENGTH,
                widget=forms.TextInput(attrs={"autocomplete": "off"}),
            )

    @property
    def wants_to_keep(self) -> bool:
        """The button that keeps a reading outside its window was pressed."""
        return "keep" in self.data

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        if self.takes_reading and self.wants_to_keep and not cleaned.get("reason", "").strip():
            self.add_error("reason", "Type why this reading is kept, for example: the bottle ran out.")
            # The field that is wanted now takes the focus from the one that is not.
            self.fields["reading"].widget.attrs.pop("data-focus")
            self.fields["reason"].widget.attrs["data-focus"] = ""
        return cleaned

    @property
    def reading_text(self) -> str:
        """The reading as typed, empty at a step that takes none."""
        return self.cleaned_data["reading"].text if self.takes_reading else ""

    @property
    def reason_text(self) -> str:
        """The reason, only when the button beside it was pressed: Enter alone accepts nothing."""
        return self.cleaned_data["reason"] if self.takes_reading and self.wants_to_keep else ""


class SentReadingForm(forms.Form):
    """A step as a device sends it, at once or later; the service judges what was read.

    ``taken_at`` and ``sent_at`` are by the clock of the device, whose difference holds even where that
    clock is wrong.
    """

    key = forms.CharField(max_length=64)
    person = forms.IntegerField()
    version = forms.IntegerField()
    revision = forms.IntegerField()
    reading = forms.CharField(required=False, max_length=200)
    reason = forms.CharField(required=False, max_length=REASON_LENGTH)
    after = forms.CharField(required=False, max_length=64)
    taken_at = forms.DateTimeField()
    sent_at = forms.DateTimeField()

    def taken(self, now: datetime) -> datetime:
        """When it was read, by the server's clock.

        Args:
            now: when it arrived.
        """
        return time_by_the_server(self.cleaned_data["taken_at"], self.cleaned_data["sent_at"], now)


class FinishForm(forms.Form):
    """Closing the work; the reason is needed when the result is outside the tolerance.

    ``added`` is solvent that was added after making up to put it right.
    """

    version = forms.IntegerField(widget=forms.HiddenInput)
    added = TypedNumberField(label="Solvent added after making up", required=False)
    reason = forms.CharField(
        label="Why it is kept and used",
        required=False,
        max_length=REASON_LENGTH,
        help_text="It stands in the history and on the order.",
        widget=forms.Textarea(attrs={"rows": 2}),
    )

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        # Shown only where it is needed, so it must not be called optional there.
        self.fields["reason"].may_be_needed = True  # type: ignore[attr-defined]  # read by core/field.html
        self.fields["added"].unit = unit  # type: ignore[attr-defined]  # a TypedNumberField

    @property
    def wants_to_close(self) -> bool:
        """The button that books was pressed; the other one only works it out again."""
        return "close" in self.data

    @property
    def added_text(self) -> str:
        """What was added, as typed."""
        added = self.cleaned_data.get("added")
        return added.text if added else ""


class HandOverForm(forms.Form):
    """Handing over."""

    note = forms.CharField(
        label="Note",
        required=False,
        max_length=REASON_LENGTH,
        help_text="For example who took it, or on which cart it stands.",
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )


class PutBackForm(forms.Form):
    """Putting a batch back into the queue."""

    reason = forms.CharField(
        label="Why it goes back",
        required=False,
        max_length=REASON_LENGTH,
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )
