"""The form of a manager who declines an order."""

from django import forms


class DeclineForm(forms.Form):
    """Why, and which entry of the history the page showed last."""

    seen = forms.CharField(widget=forms.HiddenInput, required=False, max_length=20)
    reason = forms.CharField(
        label="Why it is declined",
        max_length=300,
        help_text="Whoever ordered it reads this.",
        widget=forms.TextInput(attrs={"size": "50", "autocomplete": "off"}),
    )
