"""What is typed to change an order, and what is said about one."""

from dataclasses import replace
from typing import Any, Final
from uuid import uuid4

from django import forms
from django.utils import timezone

from prepdesk.core.forms import TypedNumberField, day_field, join_moment, time_field
from requests_app.drafts import MAX_GROUPS_PER_SECTION, VOLUME_UNITS, OrderDraft, draft_of
from requests_app.forms import CountField, WholeNumberField
from requests_app.models import Order
from requests_app.services.changes import is_begun, standing

KEY_LENGTH: Final = 64
REASON_LENGTH: Final = 200


def fresh_key() -> str:
    """A key for one form: sent under it twice, it happens once."""
    return uuid4().hex


def reason_field(label: str, hint: str, *, required: bool = False) -> forms.CharField:
    """Why something changes, in a line of its own."""
    return forms.CharField(
        label=label,
        required=required,
        max_length=REASON_LENGTH,
        help_text=hint,
        widget=forms.TextInput(attrs={"size": "50", "autocomplete": "off"}),
    )


class OrderChangeForm(forms.Form):
    """What may be wanted otherwise of an order; what is begun keeps its concentration and tolerance.

    ``revision`` and ``standing`` say how the order stood on the page that was filled in.
    """

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    revision = forms.IntegerField(widget=forms.HiddenInput)
    standing = forms.CharField(widget=forms.HiddenInput, max_length=40)
    groups_per_section = WholeNumberField(label="Groups in each section", most=MAX_GROUPS_PER_SECTION)
    spare_groups = CountField(
        label="Spare groups",
        most=MAX_GROUPS_PER_SECTION,
        required=False,
        help_text="So many more in each section than work there.",
    )
    volume_per_group = TypedNumberField(label="Volume for each group")
    volume_unit = forms.ChoiceField(
        label="Unit of the volumes", choices=[(unit, unit) for unit in VOLUME_UNITS]
    )
    per_section = TypedNumberField(
        label="More for each section",
        required=False,
        positive=False,
        help_text="In the same unit: the dead volume of a dispenser, a bottle at the back.",
    )
    overage_percent = TypedNumberField(label="Extra", unit="%", required=False, positive=False)
    tolerance_percent = TypedNumberField(
        label="Tolerance",
        unit="%",
        required=False,
        help_text="Left empty, the digits of the concentration say it.",
    )
    due_date = day_field("Day it is needed")
    due_time = time_field("Time it is needed")
    room = forms.CharField(
        label="Room", max_length=40, widget=forms.TextInput(attrs={"size": "12", "autocomplete": "off"})
    )
    container = forms.CharField(
        label="Wanted in",
        required=False,
        max_length=120,
        widget=forms.TextInput(attrs={"size": "30", "autocomplete": "off"}),
    )
    notes = forms.CharField(
        label="Notes for whoever makes it",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": "3"}),
    )
    reason = reason_field("Why it changes", "Whoever makes it reads this.")

    def __init__(self, data: Any = None, *, order: Order) -> None:
        self.order = order
        self.draft: OrderDraft = draft_of(order)
        super().__init__(data, initial=_initial(order, self.draft))
        if is_begun(order):
            del self.fields["tolerance_percent"]
        else:
            for number, component in enumerate(order.components.select_related("substance")):
                self.fields[f"target_{number}"] = TypedNumberField(
                    label=f"Concentration of {component.substance.name}",
                    unit=component.target_unit,
                    initial=component.target_value,
                )

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page, what belongs together side by side."""
        targets = [name for name in self.fields if name.startswith("target_")]
        rows = [
            ["groups_per_section", "spare_groups"],
            ["volume_per_group", "volume_unit"],
            ["per_section", "overage_percent"],
            *([name] for name in targets),
            ["tolerance_percent"],
            ["due_date", "due_time"],
            ["room", "container"],
            ["notes"],
            ["reason"],
        ]
        there = [[self[name] for name in row if name in self.fields] for row in rows]
        return [row for row in there if row]

    def clean(self) -> dict[str, Any]:
        """Join day and time; what was left as it stood keeps its seconds."""
        cleaned = super().clean() or {}
        day, hour = cleaned.get("due_date"), cleaned.get("due_time")
        if day is not None and hour is not None:
            here = timezone.localtime(self.draft.due_at)
            if (day, f"{hour:%H:%M}") == (here.date(), f"{here:%H:%M}"):
                cleaned["due_at"] = self.draft.due_at
            else:
                join_moment(self, cleaned, day="due_date", time="due_time", into="due_at")
        return cleaned

    @property
    def draft_changes(self) -> dict[str, Any]:
        """The fields of the draft as this form wants them."""
        names = (
            "groups_per_section",
            "spare_groups",
            "volume_per_group",
            "volume_unit",
            "per_section",
            "overage_percent",
            "tolerance_percent",
            "due_at",
            "room",
            "container",
            "notes",
        )
        wanted = {name: self.cleaned_data[name] for name in names if name in self.cleaned_data}
        targets = [name for name in self.fields if name.startswith("target_")]
        if targets:
            wanted["components"] = tuple(
                replace(one, target=self.cleaned_data[f"target_{number}"])
                for number, one in enumerate(self.draft.components)
            )
        return wanted

    def show(self, errors: dict[str, str]) -> None:
        """Put what a service refused beside its field."""
        for path, text in errors.items():
            name = {"due": "due_date"}.get(path, path)
            if path.startswith("components."):
                name = f"target_{path.split('.')[1]}"
            self.add_error(name if name in self.fields else None, text)


def _initial(order: Order, draft: OrderDraft) -> dict[str, Any]:
    here = timezone.localtime(draft.due_at)
    return {
        "key": fresh_key(),
        "revision": order.revision,
        "standing": standing(order),
        "groups_per_section": order.groups_per_section,
        "spare_groups": order.spare_groups or "",
        "volume_per_group": order.volume_per_group,
        "volume_unit": order.volume_unit,
        "per_section": order.per_section,
        "overage_percent": order.overage_percent,
        "tolerance_percent": order.tolerance_percent,
        "due_date": here.date(),
        "due_time": f"{here:%H:%M}",
        "room": order.room,
        "container": order.container,
        "notes": order.notes,
    }


class WithdrawForm(forms.Form):
    """Why nobody needs an order any more."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH, initial=fresh_key)
    reason = reason_field("Why it is not needed", "Whoever makes it reads this.", required=True)


class CommentForm(forms.Form):
    """Something said about an order."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH, initial=fresh_key)
    text = forms.CharField(
        label="Write a comment",
        # How long it may be is said by the service, with how long it is.
        max_length=20_000,
        help_text="Whoever ordered it, makes it or wrote here before is told.",
        widget=forms.Textarea(attrs={"rows": "3"}),
    )
