"""The one form of a person's own page."""

from typing import Any

from django import forms

from prepdesk.accounts.models import User
from prepdesk.accounts.tokens import live_tokens_of


class TokenForm(forms.Form):
    """Names a new key. Names are unique among a person's live keys, so that a reload makes no second one."""

    name = forms.CharField(
        label="What the key is for",
        max_length=80,
        help_text="For example: the spreadsheet of the second-year course.",
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )

    def __init__(self, *args: Any, owner: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.owner = owner

    def clean_name(self) -> str:
        name: str = self.cleaned_data["name"].strip()
        if live_tokens_of(self.owner).filter(name=name).exists():
            raise forms.ValidationError(
                f"You already have a key called “{name}”. Choose another name, or end that key first."
            )
        return name
