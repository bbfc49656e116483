"""What the stock list is narrowed to."""

from typing import Any

from django import forms

from inventory import states
from inventory.forms.base import place_choices
from inventory.models import Lot
from inventory.selectors import SHOWS
from prepdesk.calc.storage import storage_groups


class StockFilter(forms.Form):
    """What the list is narrowed to; it stands in the address. Anything odd there counts as nothing."""

    q = forms.CharField(
        label="Search",
        required=False,
        max_length=100,
        widget=forms.TextInput(
            attrs={
                "size": "34",
                "autocomplete": "off",
                "spellcheck": "false",
                "aria-describedby": "id_q_helptext",
            }
        ),
    )
    show = forms.ChoiceField(label="Show", required=False, choices=list(SHOWS.items()))
    kind = forms.ChoiceField(label="Kind", required=False, choices=[("", "All kinds"), *Lot.Kind.choices])
    place = forms.TypedChoiceField(
        label="Place",
        required=False,
        choices=lambda: [("", "All places"), *place_choices()[1:]],
        coerce=int,
        empty_value=None,
    )
    state = forms.ChoiceField(
        label="State", required=False, choices=[("", "All states"), *states.LOT_STATES.items()]
    )
    group = forms.ChoiceField(
        label="Storage group",
        required=False,
        choices=lambda: [
            ("", "All groups"),
            *((group.code, group.name) for group in storage_groups()),
            ("unknown", "Unknown"),
        ],
    )
    page = forms.IntegerField(required=False, min_value=1, widget=forms.HiddenInput)

    def chosen(self) -> dict[str, Any]:
        """The choices that can be read."""
        self.is_valid()
        data = self.cleaned_data
        return {
            "query": data.get("q", ""),
            "show": data.get("show") or "shelf",
            "kind": data.get("kind", ""),
            "place": data.get("place"),
            "state": data.get("state", ""),
            "group": data.get("group", ""),
            "page": data.get("page") or 1,
        }
