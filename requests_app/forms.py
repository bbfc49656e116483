"""The order form: numbers as typed, substances by any of their names, a time on the department's clock."""

import uuid
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Final, cast

from django import forms
from django.core.exceptions import ValidationError
from django.db.models import F
from django.forms import BaseFormSet, formset_factory
from django.urls import reverse
from django.utils import timezone

from inventory.models import Lot, Substance
from inventory.selectors import calc_catalogue
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.calc.units import CONCENTRATION_UNITS
from prepdesk.core.forms import TypedNumberField, day_field, join_moment, time_field
from requests_app.drafts import (
    MAX_COMPONENTS,
    MAX_GROUPS_PER_SECTION,
    MAX_OVERAGE_PERCENT,
    MAX_SPARE_GROUPS,
    VOLUME_UNITS,
    DraftComponent,
    OrderDraft,
    draft_of,
)
from requests_app.models import Order, Section
from requests_app.selectors import (
    department_rules,
    lot_to_choose,
    may_stand_in,
    sections_to_order_for,
)

KEY_LENGTH: Final = 100
_BY_COURSE_AND_TERM: Final = ("course__code", F("term__starts_on").asc(nulls_first=True), "name")


class WholeNumberField(TypedNumberField):
    """A count as typed; the cleaned value is an ``int``."""

    def __init__(self, *, most: int, **kwargs: Any) -> None:
        super().__init__(**kwargs)
        self.most = most

    def widget_attrs(self, widget: forms.Widget) -> dict[str, object]:
        return {**super().widget_attrs(widget), "inputmode": "numeric", "size": "5"}

    def clean(self, value: object) -> int | None:  # type: ignore[override]  # a count is its own kind of number
        number = super().clean(value)
        if number is None:
            return None
        if number.value != number.value.to_integral_value() or number.value > self.most:
            raise ValidationError(
                f"“{number.text}” must be a whole number from 1 to {self.most}.", code="not_whole"
            )
        return int(number.value)


class CountField(TypedNumberField):
    """A whole number from none up, as typed; the cleaned value is an ``int``, 0 where it is empty."""

    def __init__(self, *, most: int, **kwargs: Any) -> None:
        super().__init__(positive=False, **kwargs)
        self.most = most

    def clean(self, value: object) -> int:  # type: ignore[override]  # a count is its own kind of number
        number = super().clean(value)
        if number is None:
            return 0
        if number.value != number.value.to_integral_value() or not 0 <= number.value <= self.most:
            raise ValidationError(
                f"“{number.text}” must be a whole number from 0 to {self.most}.", code="not_whole"
            )
        return int(number.value)


class SubstanceField(forms.CharField):
    """A name, formula or CAS number; the cleaned value is the inventory's substance.

    A name that fits several forms is refused with the forms to choose from (``choices`` of the error's
    params), because a wrong hydrate is a wrong solution.
    """

    def clean(self, value: object) -> Substance | None:
        text = super().clean(value)
        if not text:
            return None
        try:
            found = calc_catalogue().resolve(text)
        except InputError as error:
            choices = tuple(choice.key for choice in getattr(error, "choices", ()))
            raise ValidationError(error.text, code=error.code, params={"choices": choices}) from error
        row = Substance.objects.filter(key=found.key).first()
        if row is None:
            raise ValidationError(
                f"{found.name} is known, but not in the department's list yet. Ask the stockroom to add it.",
                code="not_listed",
            )
        return row


class SectionChoices(forms.CheckboxSelectMultiple):
    """Check boxes in groups by course, each with the section's size."""

    template_name = "requests_app/_section_choices.html"


class OrderForm(forms.Form):
    """Everything but the substances; see :class:`ComponentForm`."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    sections = forms.MultipleChoiceField(
        label="Sections",
        widget=SectionChoices,
        help_text="All of one course. The solution is made once and divided when it is handed over.",
        error_messages={"invalid_choice": "Choose sections of this course that are yours."},
    )
    groups_per_section = WholeNumberField(
        label="Groups in each section",
        most=MAX_GROUPS_PER_SECTION,
        help_text="That work at the same time. The largest section counts.",
    )
    volume_per_group = TypedNumberField(label="Volume for each group")
    volume_unit = forms.ChoiceField(
        label="Unit of the volume", choices=[(unit, unit) for unit in VOLUME_UNITS]
    )
    overage_percent = TypedNumberField(
        label="Extra",
        unit="%",
        required=False,
        positive=False,
        help_text="For spills, repeats and rinsing; 10 to 20 % is usual.",
    )
    spare_groups = CountField(
        label="Spare groups",
        most=MAX_SPARE_GROUPS,
        required=False,
        help_text="So many more in each section than work there.",
    )
    per_section = TypedNumberField(
        label="On top for each section",
        required=False,
        positive=False,
        help_text="In the same unit: what stays in a dispenser, a bottle at the back.",
    )
    container = forms.CharField(
        label="Wanted in",
        required=False,
        max_length=120,
        help_text="For example: one dispenser for each section.",
        widget=forms.TextInput(attrs={"size": "34", "autocomplete": "off"}),
    )
    tolerance_percent = TypedNumberField(
        label="Tolerance",
        unit="%",
        required=False,
        help_text="How far the concentration may be off. Left empty, the digits of the concentration say it: "
        "“2.00” allows 0.25 %, “2” up to 5 %.",
    )
    temperature_c = TypedNumberField(
        label="Temperature",
        unit="°C",
        required=False,
        positive=False,
        help_text="At which it is made up and used; 20 °C when left empty.",
    )
    due_date = day_field("Day it is needed")
    due_time = time_field("Time it is needed")
    room = forms.CharField(
        label="Room",
        max_length=40,
        widget=forms.TextInput(attrs={"size": "12", "list": "rooms", "autocomplete": "off"}),
    )
    notes = forms.CharField(
        label="Notes for whoever makes it",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": "3"}),
    )

    def __init__(self, *args: Any, actor: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        today = timezone.localdate()
        offered = sections_to_order_for(actor, today).order_by(*_BY_COURSE_AND_TERM)
        self.sections_by_id: dict[str, Section] = {str(section.pk): section for section in offered}
        self.today = today
        self.fields["sections"].choices = list(self._grouped())  # type: ignore[attr-defined]  # a choice field

    def _grouped(self) -> Iterator[tuple[str, list[tuple[str, str]]]]:
        courses: dict[str, list[tuple[str, str]]] = {}
        for key, section in self.sections_by_id.items():
            size = f"{section.groups} group" if section.groups == 1 else f"{section.groups} groups"
            # Before a term begins, its sections stand beside those of the one that is going on.
            coming = section.term is not None and section.term.starts_on > self.today
            heading = f"{section.course}, {section.term}" if coming else str(section.course)
            courses.setdefault(heading, []).append((key, f"Section {section.name}, {size}"))
        yield from courses.items()

    def clean_overage_percent(self) -> TypedNumber | None:
        """An extra of nothing up to as much again."""
        number: TypedNumber | None = self.cleaned_data["overage_percent"]
        if number is not None and not 0 <= number.value <= MAX_OVERAGE_PERCENT:
            raise ValidationError(f"The extra lies between 0 and {MAX_OVERAGE_PERCENT} %.")
        return number

    def clean_per_section(self) -> TypedNumber | None:
        """A volume from nothing."""
        number: TypedNumber | None = self.cleaned_data["per_section"]
        if number is not None and number.value < 0:
            raise ValidationError("This is zero or more.")
        return number

    def clean_sections(self) -> list[Section]:
        """The sections, which must belong to one course."""
        chosen = [self.sections_by_id[key] for key in self.cleaned_data["sections"]]
        if len({section.course_id for section in chosen}) > 1:
            raise ValidationError("One order is for one course. Send another order for the other course.")
        return chosen

    def clean(self) -> dict[str, Any]:
        """Join day and time; a time that the change of the clocks leaves out or repeats is refused."""
        cleaned = super().clean() or {}
        join_moment(self, cleaned, day="due_date", time="due_time", into="due_at")
        return cleaned


class ComponentForm(forms.Form):
    """One substance of the solution and how much of it, and the bottle if one was chosen."""

    substance = SubstanceField(
        label="Substance",
        max_length=200,
        help_text="Name, formula or CAS number, with its hydrate: calcium chloride dihydrate, CaCl2.2H2O.",
        widget=forms.TextInput(attrs={"size": "34", "autocomplete": "off", "spellcheck": "false"}),
    )
    target = TypedNumberField(label="Concentration")
    unit = forms.ChoiceField(
        label="Unit of the concentration", choices=[(unit.symbol, unit.label) for unit in CONCENTRATION_UNITS]
    )
    equivalents = WholeNumberField(
        label="Equivalents",
        most=20,
        required=False,
        help_text="For eq/L alone: how many one formula unit has in this reaction.",
    )

    # The code of a bottle that was chosen. Nobody types it, but it is kept in the tab with what is typed.
    from_lot = forms.CharField(
        required=False, max_length=16, widget=forms.HiddenInput(attrs={"data-keep-this": ""})
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        address = reverse("requests_app:substance_search")
        self.fields["substance"].widget.attrs["data-combobox-source"] = f"{address}?q="

    def clean(self) -> dict[str, Any]:
        """Find the bottle that was chosen; one that can't stand in for the substance is refused beside it."""
        cleaned = super().clean() or {}
        code, substance = cleaned.get("from_lot", ""), cleaned.get("substance")
        lot = cleaned["from_lot"] = lot_to_choose(code) if code else None
        if code and lot is None:
            self.add_error("substance", f"There is no bottle {code} any more. Take the choice back.")
        elif lot is not None and substance is not None and not may_stand_in(lot, substance):
            self.add_error(
                "substance",
                f"{lot.code}, chosen before, holds {lot.substance.name}, which can't stand in for"
                f" {substance.name}. Take the choice back.",
            )
        return cleaned

    @property
    def chosen(self) -> Lot | None:
        """The bottle that was chosen, if any, whatever else the form says."""
        code = self.data.get(self.add_prefix("from_lot")) if self.is_bound else self.initial.get("from_lot")
        return lot_to_choose(str(code)) if code else None

    @property
    def choices(self) -> list[Substance]:
        """The forms to choose from, when the name fits several."""
        if not self.is_bound:
            return []
        errors = self.errors.as_data().get("substance", [])
        keys = [key for error in errors for key in (error.params or {}).get("choices", ())]
        return list(Substance.objects.filter(key__in=keys).order_by("name"))


class ComponentFormSet(BaseFormSet):  # type: ignore[type-arg]  # generic in the stubs alone
    """One to four components, each of them filled in."""

    def get_form_kwargs(self, index: int | None) -> dict[str, Any]:
        # A row that is shown is wanted: without this an empty one would pass as valid.
        return {**super().get_form_kwargs(index), "empty_permitted": False, "use_required_attribute": False}


Components: Final = cast(
    "type[ComponentFormSet]",
    formset_factory(
        ComponentForm,
        formset=ComponentFormSet,
        extra=0,
        min_num=1,
        max_num=MAX_COMPONENTS,
        absolute_max=MAX_COMPONENTS,
        validate_min=True,
        validate_max=True,
    ),
)
PREFIX: Final = "components"


# --- from forms to drafts and back ------------------------------------------------------------------
def draft_from(form: OrderForm, components: Iterable[forms.Form]) -> OrderDraft:
    """The draft of valid forms; for a preview day and room may still be open, and today counts."""
    data = form.cleaned_data
    return OrderDraft(
        course_id=data["sections"][0].course_id,
        section_ids=tuple(sorted(section.pk for section in data["sections"])),
        components=tuple(component_from(one.cleaned_data) for one in components),
        groups_per_section=data["groups_per_section"],
        volume_per_group=data["volume_per_group"],
        volume_unit=data["volume_unit"],
        due_at=data.get("due_at") or timezone.now(),
        room=data.get("room", ""),
        overage_percent=data["overage_percent"],
        spare_groups=data["spare_groups"],
        per_section=data["per_section"],
        container=data.get("container", "").strip(),
        tolerance_percent=data.get("tolerance_percent"),
        temperature_c=data.get("temperature_c"),
        notes=data.get("notes", ""),
    )


def component_from(data: Mapping[str, Any]) -> DraftComponent:
    """One component of a valid row."""
    return DraftComponent(
        substance_key=data["substance"].key,
        target=data["target"],
        unit=data["unit"],
        equivalents=data["equivalents"] if data["unit"] == "eq/L" else None,
        from_lot=data["from_lot"].pk if data.get("from_lot") else None,
    )


def show_refusal(errors: Mapping[str, str], form: OrderForm, components: ComponentFormSet) -> None:
    """Put what a service refused beside the fields it names."""
    for path, text in errors.items():
        name, _, rest = path.partition(".")
        if name == PREFIX and rest:
            index, _, field = rest.partition(".")
            components[min(int(index), len(components) - 1)].add_error(field or None, text)
        else:
            field = {"due": "due_date"}.get(name, name)
            form.add_error(field if field in form.fields else None, text)


def fresh_key() -> str:
    """A key for one form: sent under it twice, the order is taken once."""
    return uuid.uuid4().hex


def fresh_values(last: Order | None, sections: Iterable[Section] = ()) -> dict[str, Any]:
    """What a new form begins with: room and groups of the person's last order, else their largest section."""
    largest = max((section.groups for section in sections), default="")
    rules = department_rules()
    return {
        "key": fresh_key(),
        "overage_percent": rules.overage_percent,
        "spare_groups": str(rules.spare_groups) if rules.spare_groups else "",
        "per_section": _text_unless_zero(rules.per_section_ml),
        "volume_unit": "mL",
        "room": last.room if last else "",
        "groups_per_section": str(last.groups_per_section if last else largest),
        "sections": [],
    }


def values_like(order: Order) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """What a form begins with that orders the same again; day and time stay open."""
    draft = draft_of(order)
    values = {
        **fresh_values(order),
        "sections": [str(pk) for pk in draft.section_ids],
        "volume_per_group": draft.volume_per_group.text,
        "volume_unit": draft.volume_unit,
        "overage_percent": _text(draft.overage_percent),
        "spare_groups": str(draft.spare_groups) if draft.spare_groups else "",
        "per_section": _text(draft.per_section),
        "container": draft.container,
        "tolerance_percent": _text(draft.tolerance_percent),
        "temperature_c": _text(draft.temperature_c),
        "notes": draft.notes,
    }
    rows = [
        {
            "substance": component.substance.name,
            "target": component.target_value,
            "unit": component.target_unit,
            "equivalents": component.equivalents or "",
        }
        for component in order.components.select_related("substance")
    ]
    return values, rows


def _text_unless_zero(text: str) -> str:
    return text if parse_number(text).value else ""


def _text(number: TypedNumber | None) -> str:
    return number.text if number else ""
