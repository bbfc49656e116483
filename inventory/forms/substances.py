"""Substances are added to the list."""

from typing import Any

from django import forms

from inventory.amounts import from_base
from inventory.forms.base import CheckedForm, NumberText, ReasonText
from inventory.forms.bottles import UNIT_WORDS, SubstanceSelect
from inventory.models import Lot, Substance
from inventory.selectors import usual_unit
from inventory.services import (
    AMOUNT_UNITS,
    added_substance,
    check_facts,
    check_substance,
    facts_as_shown,
    hazard_codes,
)
from prepdesk.calc.cautions import caution
from prepdesk.calc.storage import storage_groups


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
        first = added_substance(data.get("idempotency_key"), name=data.get("name", ""))
        return first or check_substance(**self.typed(data))

    def typed(self, data: dict[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        words = ("name", "formula", "cas", "form", "synonyms", "state")
        return {
            **{field: data.get(field, "") for field in words},
            "another_form_of": data.get("another_form_of"),
            "hazards": data.get("hazards", ()),
        }


class FactsForm(CheckedForm):
    """What the stockroom keeps about a substance."""

    grade = forms.CharField(label="Usual grade", required=False)
    shelf_life_closed_days = NumberText(
        label="Keeps, closed", unit="days", help_text="Gives the expiry of bottles whose label gives none."
    )
    shelf_life_opened_days = NumberText(
        label="Keeps, once opened", unit="days", help_text="Brings the expiry forward on the day of opening."
    )
    reorder_below = NumberText(label="Order again below")
    reorder_unit = forms.ChoiceField(label="Unit")
    storage_group = forms.ChoiceField(
        label="Storage group",
        required=False,
        choices=lambda: [
            ("", "By what is known of it"),
            *((group.code, group.name) for group in storage_groups()),
        ],
        help_text="Only where the department decided otherwise, by its safety data sheet and local rules.",
    )
    restricted = forms.BooleanField(
        label="Restricted: a manager approves each order of it",
        required=False,
        help_text="For what local rules keep under special watch. A manager decides this.",
    )
    reason = ReasonText(required=False)
    expected = forms.CharField(widget=forms.HiddenInput, required=False, max_length=400)

    def __init__(self, *args: Any, substance: Substance, may_restrict: bool = False, **kwargs: Any) -> None:
        self.substance = substance
        unit = usual_unit(substance)
        below = substance.reorder_below
        kwargs.setdefault(
            "initial",
            {
                "grade": substance.grade,
                "shelf_life_closed_days": substance.shelf_life_closed_days,
                "shelf_life_opened_days": substance.shelf_life_opened_days,
                "reorder_below": "" if below is None else f"{from_base(below, unit).normalize():f}",
                "reorder_unit": unit,
                "storage_group": substance.storage_group,
                "restricted": substance.restricted,
                "expected": facts_as_shown(substance),
            },
        )
        super().__init__(*args, **kwargs)
        if not may_restrict:
            del self.fields["restricted"]
        self.fields["reorder_unit"].choices = [  # type: ignore[attr-defined]  # a choice field
            (name, UNIT_WORDS.get(name, name)) for name, (base, _) in AMOUNT_UNITS.items() if base == unit
        ]

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_facts(substance=self.substance, **self.typed(data))

    def typed(self, data: dict[str, Any]) -> dict[str, Any]:
        """What the service reads."""
        names = (
            "grade",
            "shelf_life_closed_days",
            "shelf_life_opened_days",
            "reorder_below",
            "reorder_unit",
            "storage_group",
            "restricted",
            "reason",
        )
        return {name: data.get(name, "") for name in names}

    def clean_restricted(self) -> str:
        """In the words of the service; who has no such field leaves it as it is."""
        return "yes" if self.cleaned_data["restricted"] else "no"
