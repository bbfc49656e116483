"""Balances and glassware are added."""

from typing import Any

from django import forms

from inventory.forms.base import CheckedForm, NumberText, PlaceField
from inventory.models import ApparatusItem
from inventory.services import check_apparatus
from prepdesk.calc.apparatus import class_choices


def _marks() -> list[tuple[str, Any]]:
    by_type: dict[str, list[tuple[str, str]]] = {}
    for choice in class_choices():
        by_type.setdefault(choice.type, []).append(
            (f"{choice.standard}|{choice.apparatus_class}", choice.label)
        )
    labels = dict(ApparatusItem.Type.choices)
    groups = [(str(labels[kind]), choices) for kind, choices in by_type.items()]
    return [("", "None, or its own limit of error below"), *groups]


class ApparatusForm(CheckedForm):
    """Apparatus is added."""

    type = forms.ChoiceField(label="What it is", choices=[("", "Choose one"), *ApparatusItem.Type.choices])
    count = forms.IntegerField(
        label="How many",
        initial=1,
        widget=forms.TextInput(attrs={"inputmode": "numeric", "size": "5", "autocomplete": "off"}),
    )
    nominal_ml = NumberText(label="Size", unit="mL")
    mark = forms.ChoiceField(
        label="Class, and the standard it means",
        choices=_marks,
        required=False,
        help_text="ISO and ASTM differ for the same class mark. The limit of error comes from the standard.",
    )
    division_ml = NumberText(label="Smallest division", unit="mL", help_text="Of graduated ware.")
    tolerance_ml = NumberText(
        label="Limit of error, if it has its own",
        unit="± mL",
        help_text="Marked on it, or from its certificate.",
    )
    readability_g = NumberText(label="Readability", unit="g", help_text="As on its plate: 0.01.")
    capacity_g = NumberText(label="Capacity", unit="g")
    repeatability_g = NumberText(
        label="Repeatability", unit="g", help_text="From its papers; usual figures serve where it is empty."
    )
    linearity_g = NumberText(label="Linearity", unit="± g")
    place = PlaceField()
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))

    SIZES = (
        "nominal_ml",
        "division_ml",
        "tolerance_ml",
        "readability_g",
        "capacity_g",
        "repeatability_g",
        "linearity_g",
    )

    def ask_service(self, data: dict[str, Any]) -> object:
        standard, apparatus_class = self.chosen_mark(data)
        return check_apparatus(
            kind=data.get("type", ""),
            sizes={field: data.get(field, "") for field in self.SIZES},
            apparatus_class=apparatus_class,
            words={"standard": standard, "note": data.get("note", "")},
            count=data.get("count") or 0,
        )

    def chosen_mark(self, data: dict[str, Any]) -> tuple[str, str]:
        """Standard and class that were chosen."""
        standard, _, apparatus_class = data.get("mark", "").partition("|")
        return standard, apparatus_class

    def typed(self) -> dict[str, Any]:
        """What the service takes."""
        standard, apparatus_class = self.chosen_mark(self.cleaned_data)
        names = (*self.SIZES, "type", "count", "place", "note", "idempotency_key")
        return {
            "standard": standard,
            "apparatus_class": apparatus_class,
            **{name: self.cleaned_data[name] for name in names},
        }
