"""Substances are added to the list."""

from typing import Any

from django import forms

from inventory.forms.base import CheckedForm
from inventory.forms.bottles import SubstanceSelect
from inventory.models import Lot, Substance
from inventory.services import check_substance, hazard_codes
from prepdesk.calc.cautions import caution


class SubstanceForm(CheckedForm):
    """A substance that the catalogue doesn't have."""

    name = forms.CharField(
        label="Name",
        help_text="With its hydrate: barium thiosulfate monohydrate.",
        widget=forms.TextInput(attrs={"size": "40", "autocomplete": "off"}),
    )
    formula = forms.CharField(
        label="Formula",
        help_text="Of this very form, hydrate water after a point: BaS2O3.H2O.",
        widget=forms.TextInput(attrs={"size": "24", "autocomplete": "off", "spellcheck": "false"}),
    )
    cas = forms.CharField(
        label="CAS number",
        required=False,
        widget=forms.TextInput(attrs={"size": "14", "autocomplete": "off"}),
    )
    state = forms.ChoiceField(
        label="The pure substance is", choices=Lot.Kind.choices[:2], widget=forms.RadioSelect, initial="solid"
    )
    another_form_of = forms.ModelChoiceField(
        queryset=Substance.objects.order_by("name"),
        label="It is another form of",
        required=False,
        empty_label="None of the list",
        to_field_name="key",
        widget=SubstanceSelect(attrs={"data-combobox": "true"}),
    )
    form = forms.CharField(
        label="Which form",
        required=False,
        help_text="As the label has it: monohydrate, anhydrous, free acid.",
    )
    synonyms = forms.CharField(
        label="Other names that mean exactly this",
        required=False,
        help_text="One a line.",
        widget=forms.Textarea(attrs={"rows": "3"}),
    )
    hazards = forms.MultipleChoiceField(
        label="Cautions, by its safety data sheet",
        required=False,
        choices=lambda: [(code, caution(code).text) for code in hazard_codes()],
        widget=forms.CheckboxSelectMultiple,
        help_text="With none of them, every sheet says that nobody has reviewed it.",
    )

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_substance(**self.typed(data))

    def typed(self, data: dict[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        words = ("name", "formula", "cas", "form", "synonyms", "state")
        return {
            **{field: data.get(field, "") for field in words},
            "another_form_of": data.get("another_form_of"),
            "hazards": data.get("hazards", ()),
        }
