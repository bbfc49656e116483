"""Bottles: coming in, their labels, counts and disposals."""

from collections.abc import Iterable
from typing import Any, Final

from django import forms
from django.utils import timezone

from inventory.amounts import Unit
from inventory.forms.base import CheckedForm, DateText, NumberText, PlaceField
from inventory.forms.standing import StorageReasonField
from inventory.models import Lot, Substance
from inventory.services import (
    AMOUNT_UNITS,
    FACTS,
    check_count,
    check_disposal,
    check_label,
    check_receipt,
    check_standing,
)

FIGURES: Final = tuple(FACTS)
FIGURES_OF_KIND: Final = {
    kind: tuple(name for name, fact in FACTS.items() if kind in fact.kinds) for kind in Lot.Kind.values
}


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
        choices=[(unit, "µL" if unit == "uL" else unit) for unit in AMOUNT_UNITS if unit != "pc"],
    )
    lot_number = forms.CharField(label="Maker's lot number", required=False)
    grade = forms.CharField(label="Grade", required=False)
    place = PlaceField()
    storage_reason = StorageReasonField()
    received_on = DateText(label="Received on", initial=timezone.localdate)
    opened_on = DateText(label="Opened on")
    expires_on = DateText(label="Expires on", help_text="The last day on which it may be used.")
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
        )
        if data.get("substance"):
            lot.substance = data["substance"]
            check_standing(lot, data.get("place"), data.get("storage_reason", ""))
        return lot, base


class LabelForm(FigureFields, CheckedForm):
    """A label was copied wrongly, or the bottle was put elsewhere."""

    lot_number = forms.CharField(label="Maker's lot number", required=False)
    grade = forms.CharField(label="Grade", required=False)
    expires_on = DateText(label="Expires on", help_text="The last day on which it may be used.")
    place = PlaceField()
    storage_reason = StorageReasonField()
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))
    reason = forms.CharField(
        label="Reason",
        required=False,
        help_text="Needed when more than the place or the note changes.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        own = ("lot_number", "grade", "expires_on", "note", *FIGURES)
        kwargs.setdefault("initial", {**{name: getattr(lot, name) for name in own}, "place": lot.place_id})
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
        }


class _AmountForm(CheckedForm):
    """An amount of one lot, in a unit it can be counted in, with the balance the page showed."""

    expected_on_hand = forms.IntegerField(widget=forms.HiddenInput)
    unit = forms.ChoiceField(label="Unit")
    reason = forms.CharField(label="Reason", widget=forms.TextInput(attrs={"size": "40"}))

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"expected_on_hand": lot.on_hand, "unit": lot.unit})
        super().__init__(*args, **kwargs)
        self.lot = lot
        self.fields["unit"].choices = _units_of(lot.unit)  # type: ignore[attr-defined]  # a choice field


class CountForm(_AmountForm):
    """What a count found."""

    counted = NumberText(
        label="Counted", required=True, help_text="What is in the bottle, without the bottle. 0 if empty."
    )
    field_order = ["counted", "unit", "reason"]

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_count(
            lot=self.lot,
            counted=data.get("counted", ""),
            unit=data.get("unit", ""),
            reason=data.get("reason", ""),
        )


class DisposeForm(_AmountForm):
    """What goes to waste."""

    amount = NumberText(label="Amount that goes to waste", required=True)
    field_order = ["amount", "unit", "reason"]

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_disposal(
            lot=self.lot,
            amount=data.get("amount", ""),
            unit=data.get("unit", ""),
            reason=data.get("reason", ""),
        )


def _units_of(counted_in: str) -> Iterable[tuple[str, str]]:
    names = {"uL": "µL", "pc": Unit.PIECE.label}
    return [
        (unit, str(names.get(unit, unit))) for unit, (base, _) in AMOUNT_UNITS.items() if base == counted_in
    ]


class ReasonForm(CheckedForm):
    """Only a reason."""

    reason = forms.CharField(label="Reason", widget=forms.TextInput(attrs={"size": "40"}))

    def __init__(self, *args: Any, asks: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].required = asks

    def ask_service(self, data: dict[str, Any]) -> object:
        return data
