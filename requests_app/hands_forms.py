"""Where work stands when it rests or goes into other hands: said by a press, for wet gloves, or typed."""

from typing import Any, Final

from django import forms

# Ordinary places for work to rest, in the sequence of the bench.
STANDS: Final = (
    "Weighed out and covered",
    "Dissolving on the stirrer",
    "Cooling to the temperature of the mark",
    "In the flask, not made up to the mark",
    "Waiting for a bottle or for apparatus",
)


class StandsForm(forms.Form):
    """Where a batch stands; nothing has to be said."""

    version = forms.IntegerField(widget=forms.HiddenInput)
    stands = forms.ChoiceField(
        label="Where it stands",
        required=False,
        choices=[(text, text) for text in STANDS],
        widget=forms.RadioSelect,
    )
    note = forms.CharField(
        label="Something else, or where to find it",
        required=False,
        max_length=200,
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    @property
    def words(self) -> str:
        """Both as one note."""
        data: dict[str, Any] = self.cleaned_data
        return "; ".join(filter(None, (data.get("stands", ""), data.get("note", "").strip())))
