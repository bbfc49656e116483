"""What is typed when a bottle runs out: what it gave, and which other one is at hand."""

from typing import Any

from django import forms

from prepdesk.core.forms import TypedNumberField

_CODE_LENGTH = 64


class RunOutForm(forms.Form):
    """What the empty bottle gave, in the unit of its step; 0 where nothing came out.

    ``version`` is that of the batch on the page that was filled in. ``lot`` is the bottle that was chosen on
    the page, ``code`` one that was scanned or typed; the latter counts.
    """

    key = forms.CharField(widget=forms.HiddenInput, max_length=64)
    version = forms.IntegerField(widget=forms.HiddenInput)
    gave = TypedNumberField(
        label="What this bottle gave",
        positive=False,
        help_text="As the balance or the scale shows it now. 0 where nothing came out.",
    )
    lot = forms.CharField(required=False, max_length=_CODE_LENGTH, widget=forms.HiddenInput)
    code = forms.CharField(
        label="Or scan or type the code of another bottle",
        required=False,
        max_length=_CODE_LENGTH,
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["gave"].unit = unit  # type: ignore[attr-defined]  # a TypedNumberField
        self.fields["gave"].widget.attrs.update({"data-focus": "", "enterkeyhint": "done"})

    def focus_on_code(self) -> None:
        """What the bottle gave is known, so what a scanner types now is a code."""
        self.fields["gave"].widget.attrs.pop("data-focus", None)
        self.fields["code"].widget.attrs["data-focus"] = ""

    @property
    def chosen_code(self) -> str:
        """The code of the bottle that was scanned, typed or pressed; empty while none is chosen."""
        return str(self.cleaned_data.get("code") or self.cleaned_data.get("lot") or "")

    @property
    def wants_to_go_on(self) -> bool:
        """The button that does it was pressed; all others only look."""
        return "go_on" in self.data
