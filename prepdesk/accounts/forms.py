"""The forms of a person's own page."""

from typing import Any

from django import forms

from prepdesk.accounts.kinds import kinds_for
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import mail_kinds_of, told_kinds_of
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


class MailForm(forms.Form):
    """Where a person's mail goes and which kinds of notices come by it."""

    email = forms.CharField(
        label="Mail address",
        required=False,
        max_length=254,
        help_text="Without one nothing is mailed; every notice stands on the page of notices in any case.",
        widget=forms.TextInput(
            attrs={"size": "40", "type": "email", "inputmode": "email", "autocomplete": "email"}
        ),
    )
    told = forms.MultipleChoiceField(
        label="You are told of",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="Recalls always stand on your page of notices; everything else you may do without.",
    )
    kinds = forms.MultipleChoiceField(
        label="Sent by mail as well", required=False, widget=forms.CheckboxSelectMultiple
    )

    def __init__(self, *args: Any, owner: User, **kwargs: Any) -> None:
        kwargs.setdefault(
            "initial", {"email": owner.email, "kinds": mail_kinds_of(owner), "told": told_kinds_of(owner)}
        )
        super().__init__(*args, **kwargs)
        self.fields["told"].choices = [  # type: ignore[attr-defined]  # a choice field
            (name, f"{kind.label}: {kind.meaning}") for name, kind in kinds_for(owner.role) if kind.may_be_off
        ]
        self.fields["kinds"].choices = [  # type: ignore[attr-defined]  # a choice field
            (name, kind.label) for name, kind in kinds_for(owner.role)
        ]
