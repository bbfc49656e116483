"""Forms for arranging batches by hand."""

from django import forms

REASON_LENGTH = 200


class PullOutForm(forms.Form):
    """Taking an order out of its batch; ``version`` is that of the batch on the page."""

    version = forms.IntegerField(widget=forms.HiddenInput, required=False)
    reason = forms.CharField(
        label="Why it is made by itself",
        max_length=REASON_LENGTH,
        help_text="It stands in the history of the order and of the batch.",
        error_messages={"required": "Say why, for example: it goes to another building."},
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )
