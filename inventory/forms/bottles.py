"""Bottles: coming in, their labels, counts and disposals."""

from typing import Any, Final

from django import forms
from django.utils import timezone

from inventory.amounts import Unit, money_text
from inventory.forms.base import CheckedForm, DateText, MoneyText, NumberText, PlaceField
from inventory.forms.standing import StorageReasonField
from inventory.models import Lot, Substance
from inventory.services import (
    AMOUNT_UNITS,
    FACTS,
    check_label,
    check_receipt,
    check_standing,
)

FIGURES: Final = tuple(FACTS)
FIGURES_OF_KIND: Final = {
    kind: tuple(name for name, fact in FACTS.items() if kind in fact.kinds) for kind in Lot.Kind.values
}


UNIT_WORDS: Final = {"uL": "µL", "pc": str(Unit.PIECE.label)}


class SubstanceSelect(forms.Select):
    """A select whose options carry what the combobox script searches and shows."""

    def create_option(self, name: str, value: Any, *args: Any, **kwargs: Any) -> dict[str, Any]:
        option = super().create_option(name, value, *args, **kwargs)
        substance = getattr(value, "instance", None)
        if substance is not None:
            detail = ", ".join(filter(None, (substance.form, substance.formula, substance.cas)))
            option["attrs"]["data-detail"] = detail
            option["attrs"]["data-words"] = " ".join(substance.synonyms)
        return option


class FigureFields(forms.Form):
    """What a certificate or a label says, for every kind of bottle."""

    assay_percent = NumberText(
        label="Assay", unit="%", help_text="From the certificate or the label, with all its digits."
    )
    assay_tolerance_percent = NumberText(
        label="Tolerance of the assay", unit="± %", help_text="Where the certificate gives one."
    )
    mass_percent = NumberText(
        label="Mass percent", unit="% w/w", help_text="100 for a pure liquid, 37.2 for a strong acid."
    )
    density_g_per_ml = NumberText(
        label="Density at 20 °C", unit="g/mL", help_text="From the label; tables serve where it is empty."
    )
    concentration_mol_per_l = NumberText(label="Concentration", unit="mol/L")
    relative_uncertainty_percent = NumberText(
        label="Uncertainty (k = 2)", unit="%", help_text="Relative, where the label gives one."
    )


class ReceiveForm(FigureFields, CheckedForm):
    """A bottle comes in."""

    substance = forms.ModelChoiceField(
        queryset=Substance.objects.order_by("name"),
        label="Substance",
        empty_label="Choose one",
        to_field_name="key",
        help_text="Type part of a name, a formula or a CAS number; choose the form that stands on the label.",
        widget=SubstanceSelect(attrs={"data-combobox": "true"}),
    )
    kind = forms.ChoiceField(label="What it is", choices=Lot.Kind.choices, widget=forms.RadioSelect)
    amount = NumberText(label="Amount", required=True, help_text="All of it, if several bottles share a lot.")
    unit = forms.ChoiceField(
        label="Unit",
        initial="g",
        choices=[(unit, UNIT_WORDS.get(unit, unit)) for unit in AMOUNT_UNITS],
    )
    lot_number = forms.CharField(label="Maker's lot number", required=False)
    grade = forms.CharField(label="Grade", required=False)
    place = PlaceField()
    storage_reason = StorageReasonField()
    received_on = DateText(label="Received on", initial=timezone.localdate)
    opened_on = DateText(label="Opened on")
    expires_on = DateText(
        label="Expires on",
        help_text="The last day on which it may be used. Where the label gives none, leave it empty: the "
        "shelf life kept for the substance counts, and you are told.",
    )
    no_expiry = forms.BooleanField(label="It does not expire", required=False)
    cost = MoneyText(label="Cost", help_text="Of all of it.")
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))

    field_order = ["substance", "kind", "amount", "unit"]

    def ask_service(self, data: dict[str, Any]) -> object:
        lot, base = check_receipt(
            kind=data.get("kind", ""),
            amount=data.get("amount", ""),
            unit=data.get("unit", ""),
            figures={field: data.get(field, "") for field in FIGURES},
            words={field: data.get(field, "") for field in ("lot_number", "grade", "note")},
            received_on=data.get("received_on") or timezone.localdate(),
            opened_on=data.get("opened_on"),
            expires_on=data.get("expires_on"),
            cost=data.get("cost", ""),
        )
        if data.get("substance"):
            lot.substance = data["substance"]
            check_standing(lot, data.get("place"), data.get("storage_reason", ""))
        return lot, base

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("expires_on") and data.get("no_expiry"):
            self.add_error("no_expiry", "A day of expiry is given above. Leave one of the two out.")
        return data


class LabelForm(FigureFields, CheckedForm):
    """A label was copied wrongly, or the bottle was put elsewhere."""

    lot_number = forms.CharField(label="Maker's lot number", required=False)
    grade = forms.CharField(label="Grade", required=False)
    expires_on = DateText(label="Expires on", help_text="The last day on which it may be used.")
    place = PlaceField()
    storage_reason = StorageReasonField()
    cost = MoneyText(label="Cost", help_text="Of all of it.")
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))
    reason = forms.CharField(
        label="Reason",
        required=False,
        help_text="Needed when more than the place or the note changes.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        own = ("lot_number", "grade", "expires_on", "note", *FIGURES)
        kwargs.setdefault(
            "initial",
            {
                **{name: getattr(lot, name) for name in own},
                "place": lot.place_id,
                "cost": "" if lot.cost_minor is None else money_text(lot.cost_minor),
            },
        )
        super().__init__(*args, **kwargs)
        self.lot = lot
        kept = () if lot.prepared_by_id else FIGURES_OF_KIND[lot.kind]
        for name in FIGURES:
            if name not in kept:
                del self.fields[name]

    def ask_service(self, data: dict[str, Any]) -> object:
        place = data.get("place")
        if place and place.pk != self.lot.place_id:
            check_standing(self.lot, place, data.get("storage_reason", ""))
        return check_label(lot=self.lot, **self.typed(data), reason=data.get("reason", ""))

    def typed(self, data: dict[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        return {
            "figures": {field: data.get(field, "") for field in FIGURES},
            "words": {field: data.get(field, "") for field in ("lot_number", "grade", "note")},
            "expires_on": data.get("expires_on"),
            "cost": data.get("cost", ""),
        }
