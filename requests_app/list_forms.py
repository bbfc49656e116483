"""The form of a bench list: solutions with their substances, consumables, student apparatus, notes.

Everything stands on one page and every row is plain fields, so it works without a script: a button adds or
takes out a row, and the page comes back with all that was typed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from django import forms
from django.core.exceptions import ValidationError
from django.http import QueryDict

from prepdesk.calc.typed import TypedNumber
from prepdesk.core.forms import TypedNumberField
from requests_app.drafts import (
    MAX_COMPONENTS,
    MAX_OVERAGE_PERCENT,
    MAX_SPARE_GROUPS,
    VOLUME_UNITS,
    DraftComponent,
)
from requests_app.forms import (
    KEY_LENGTH,
    ComponentForm,
    ComponentFormSet,
    Components,
    WholeNumberField,
    component_from,
)
from requests_app.list_content import (
    MAX_APPARATUS,
    MAX_CONSUMABLES,
    MAX_SOLUTIONS,
    ApparatusLine,
    ConsumableLine,
    ListContent,
    SolutionLine,
)
from requests_app.models import Course

Values = dict[str, Any]

EMPTY_COMPONENT: Final[Values] = {"unit": "mol/L"}
EMPTY_SOLUTION: Final[Values] = {
    "volume_unit": "mL",
    "overage_percent": "10",
    "components": [EMPTY_COMPONENT],
}
EMPTY_APPARATUS: Final[Values] = {"per_group": "1"}
# What a bench list may set out; those that measure something are judged, the others are counted.
APPARATUS_TYPES: Final = (
    "balance",
    "beaker",
    "burette",
    "conical flask",
    "crucible",
    "desiccator",
    "dropper",
    "evaporating dish",
    "funnel",
    "graduated cylinder",
    "graduated pipette",
    "hot plate",
    "one-mark flask",
    "one-mark pipette",
    "piston pipette",
    "stand and clamp",
    "stirring rod",
    "test tube rack",
    "thermometer",
    "wash bottle",
    "watch glass",
)


class ListForm(forms.Form):
    """What holds for the whole list."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    # Of the version the form began with; empty for a new list.
    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)
    # Of the version a new list was filled in from.
    like = forms.IntegerField(widget=forms.HiddenInput, required=False)
    course = forms.ModelChoiceField(Course.objects.none(), label="Course", required=False)
    title = forms.CharField(label="Experiment", max_length=160, widget=forms.TextInput(attrs={"size": "40"}))
    notes_to_prep = forms.CharField(
        label="Notes for whoever prepares it",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": "3"}),
    )
    reason = forms.CharField(
        label="What is different",
        required=False,
        max_length=200,
        help_text="In a few words, for those who share the list: “titrant twice as strong”.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    def __init__(self, *args: Any, courses: Any, is_new: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if is_new:
            del self.fields["reason"]
            self.fields["course"].queryset = courses  # type: ignore[attr-defined]  # a choice of rows
            self.fields["course"].required = True
        else:
            del self.fields["course"], self.fields["title"]


class SolutionForm(forms.Form):
    """One solution, but for its substances."""

    line = forms.UUIDField(widget=forms.HiddenInput, required=False)
    label = forms.CharField(
        label="What the exercise calls it",
        required=False,
        max_length=80,
        help_text="Titrant, stock A, rinse; may stay empty.",
    )
    volume_per_group = TypedNumberField(label="Volume for each group")
    volume_unit = forms.ChoiceField(
        label="Unit of the volume", choices=[(unit, unit) for unit in VOLUME_UNITS]
    )
    spare_groups = TypedNumberField(label="Spare groups", required=False, positive=False)
    per_section = TypedNumberField(
        label="For each section on top",
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
    temperature_c = TypedNumberField(
        label="Temperature", unit="°C", required=False, positive=False, help_text="20 °C when left empty."
    )
    container = forms.CharField(
        label="Container", required=False, max_length=120, help_text="Dropper bottle, carboy with tap."
    )
    notes = forms.CharField(label="Note", required=False, max_length=300)

    def clean_spare_groups(self) -> int:
        """A whole number of groups."""
        number: TypedNumber | None = self.cleaned_data["spare_groups"]
        if number is None:
            return 0
        if number.value != number.value.to_integral_value() or not 0 <= number.value <= MAX_SPARE_GROUPS:
            raise ValidationError(f"A whole number of groups, at most {MAX_SPARE_GROUPS}.")
        return int(number.value)

    def clean_overage_percent(self) -> TypedNumber | None:
        """From nothing up to as much again."""
        number: TypedNumber | None = self.cleaned_data["overage_percent"]
        if number is not None and not 0 <= number.value <= MAX_OVERAGE_PERCENT:
            raise ValidationError(f"The extra lies between 0 and {MAX_OVERAGE_PERCENT} %.")
        return number

    def clean_per_section(self) -> TypedNumber | None:
        """Not less than nothing."""
        number: TypedNumber | None = self.cleaned_data["per_section"]
        if number is not None and number.value < 0:
            raise ValidationError("This can't be less than nothing.")
        return number


class ConsumableForm(forms.Form):
    """Something that is no solution."""

    what = forms.CharField(label="What", max_length=120, widget=forms.TextInput(attrs={"size": "30"}))
    per_group = TypedNumberField(label="For each group", required=False)
    per_section = TypedNumberField(label="For each section", required=False)
    unit = forms.CharField(
        label="Counted in", required=False, max_length=20, widget=forms.TextInput(attrs={"size": "8"})
    )
    notes = forms.CharField(label="Note", required=False, max_length=200)


class ApparatusForm(forms.Form):
    """Student apparatus, what is measured with it, and why this and no other."""

    type = forms.ChoiceField(
        label="Apparatus", choices=[("", "Choose"), *((name, name) for name in APPARATUS_TYPES)]
    )
    size = forms.CharField(
        label="Size",
        required=False,
        max_length=40,
        help_text="As it stands on it: 25 mL; 25 mL, 0.05 mL; 50 mL, class A. A balance by what it reads "
        "to: 0.01 g.",
        widget=forms.TextInput(attrs={"size": "10"}),
    )
    per_group = WholeNumberField(label="For each group", most=200)
    measures = forms.CharField(
        label="Measures",
        required=False,
        max_length=40,
        help_text="10 mL, 12 g; empty when nothing is measured.",
        widget=forms.TextInput(attrs={"size": "10"}),
    )
    wanted_percent = forms.CharField(
        label="Wanted within (%)",
        required=False,
        max_length=40,
        help_text="How far off the exercise may be.",
        widget=forms.TextInput(attrs={"size": "6", "inputmode": "decimal"}),
    )
    result = forms.CharField(
        label="Gives",
        required=False,
        max_length=80,
        help_text="Lines with one word give one result: a mass and a volume the density.",
        widget=forms.TextInput(attrs={"size": "14"}),
    )
    reason = forms.CharField(
        label="Reason",
        required=False,
        max_length=300,
        help_text="Why this one: by burette, because a density to 1 % is wanted.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )


@dataclass(frozen=True, slots=True)
class Bound:
    """All forms of one list, bound to what was typed."""

    form: ListForm
    solutions: list[tuple[SolutionForm, ComponentFormSet]]
    consumables: list[ConsumableForm]
    apparatus: list[ApparatusForm]

    def is_valid(self) -> bool:
        """Whether everything can be read; every form is looked at, so that one post names every error."""
        parts = [
            self.form.is_valid(),
            *(part.is_valid() for pair in self.solutions for part in pair),
            *(one.is_valid() for one in (*self.consumables, *self.apparatus)),
        ]
        return all(parts)

    @property
    def forms(self) -> list[Any]:
        """Every form, in the order of the page."""
        return [
            self.form,
            *(one for solution, components in self.solutions for one in (solution, *components)),
            *self.consumables,
            *self.apparatus,
        ]

    def content(self) -> ListContent:
        """What valid forms say."""
        return ListContent(
            solutions=tuple(solution_from(solution, components) for solution, components in self.solutions),
            consumables=tuple(_consumable(one.cleaned_data) for one in self.consumables),
            apparatus=tuple(ApparatusLine(**one.cleaned_data) for one in self.apparatus),
            notes_to_prep=self.form.cleaned_data["notes_to_prep"],
        )

    def show(self, errors: Mapping[str, str]) -> None:
        """Put what a service refused beside the fields it names."""
        for path, text in errors.items():
            form, field = self._place(path)
            form.add_error(field if field in form.fields else None, text)

    def _place(self, path: str) -> tuple[Any, str]:
        noun, _, rest = path.partition(".")
        index, _, field = rest.partition(".")
        at = int(index) if index.isdigit() else 0
        if noun == "solutions" and at < len(self.solutions):
            solution, components = self.solutions[at]
            if field.startswith("components."):
                _, number, name = field.split(".", 2)
                return components[min(int(number), len(components) - 1)], name
            return solution, field
        if noun == "consumables" and at < len(self.consumables):
            return self.consumables[at], field
        if noun == "apparatus" and at < len(self.apparatus):
            return self.apparatus[at], field
        return self.form, path


def solution_from(form: SolutionForm, components: ComponentFormSet) -> SolutionLine:
    """One solution of valid forms."""
    data = dict(form.cleaned_data)
    line: UUID | None = data.pop("line")
    parts: tuple[DraftComponent, ...] = tuple(component_from(one.cleaned_data) for one in components)
    return SolutionLine(components=parts, line=line, **data)


def _consumable(data: Mapping[str, Any]) -> ConsumableLine:
    return ConsumableLine(
        what=data["what"],
        per_group=data["per_group"].text if data["per_group"] else "",
        per_section=data["per_section"].text if data["per_section"] else "",
        unit=data["unit"],
        notes=data["notes"],
    )


# --- what was typed, as it was typed ----------------------------------------------------------------
def typed(data: QueryDict) -> Values:
    """All that was typed, without judging it."""
    return {
        **{name: data.get(name, "") for name in ListForm.base_fields},
        "solutions": [
            {
                **{name: data.get(f"solutions-{at}-{name}", "") for name in SolutionForm.base_fields},
                "components": [
                    {
                        name: data.get(f"solutions-{at}-components-{part}-{name}", "")
                        for name in ComponentForm.base_fields
                    }
                    for part in range(
                        _count(data, f"solutions-{at}-components-TOTAL_FORMS", MAX_COMPONENTS) or 1
                    )
                ],
            }
            for at in range(_count(data, "solutions-TOTAL", MAX_SOLUTIONS))
        ],
        "consumables": _rows(data, "consumables", ConsumableForm, MAX_CONSUMABLES),
        "apparatus": _rows(data, "apparatus", ApparatusForm, MAX_APPARATUS),
    }


def _rows(data: QueryDict, noun: str, form: type[forms.Form], most: int) -> list[Values]:
    return [
        {name: data.get(f"{noun}-{at}-{name}", "") for name in form.base_fields}
        for at in range(_count(data, f"{noun}-TOTAL", most))
    ]


def _count(data: QueryDict, name: str, most: int) -> int:
    count = data.get(name, "0")
    return min(int(count), most) if count.isascii() and count.isdigit() and len(count) < 4 else 0


def after(step: str, values: Values, name_of: Any) -> Values:
    """The values after a button that adds, takes out or settles a row.

    Args:
        step: ``add-solutions``, ``remove-apparatus-2``, ``add-part-0``, ``remove-part-0-1``,
            ``choose-0-1-sodium-chloride``.
        name_of: the name of a substance by its key.
    """
    event, _, rest = step.partition("-")
    noun, _, rest = rest.partition("-")
    empty = {"solutions": EMPTY_SOLUTION, "consumables": {}, "apparatus": EMPTY_APPARATUS}
    most = {"solutions": MAX_SOLUTIONS, "consumables": MAX_CONSUMABLES, "apparatus": MAX_APPARATUS}
    if event == "add" and noun in empty and len(values[noun]) < most[noun]:
        return {**values, noun: [*values[noun], empty[noun]]}
    if event == "remove" and noun in empty and _at(rest, values[noun]) is not None:
        return {**values, noun: [one for at, one in enumerate(values[noun]) if at != int(rest)]}
    if event == "choose":
        noun, rest = "part", f"{noun}-{rest}"
    if noun != "part":
        return values
    first, _, rest = rest.partition("-")
    at = _at(first, values["solutions"])
    if at is None:
        return values
    solution = values["solutions"][at]
    parts = _parts_after(event, rest, solution["components"], name_of)
    solutions = [{**one, "components": parts} if one is solution else one for one in values["solutions"]]
    return {**values, "solutions": solutions}


def _parts_after(event: str, rest: str, parts: list[Values], name_of: Any) -> list[Values]:
    if event == "add":
        return [*parts, EMPTY_COMPONENT] if len(parts) < MAX_COMPONENTS else parts
    number, _, key = rest.partition("-")
    at = _at(number, parts)
    if at is None:
        return parts
    if event == "remove":
        return [one for number, one in enumerate(parts) if number != at] if len(parts) > 1 else parts
    return [
        {**one, "substance": name_of(key) or one["substance"]} if number == at else one
        for number, one in enumerate(parts)
    ]


def _at(text: str, rows: list[Values]) -> int | None:
    return (
        int(text) if text.isascii() and text.isdigit() and len(text) < 4 and int(text) < len(rows) else None
    )


def bound(values: Values, *, courses: Any, is_new: bool) -> Bound:
    """Forms bound to values as they were typed."""
    return Bound(
        form=ListForm(values, courses=courses, is_new=is_new),
        solutions=[
            (
                SolutionForm(_named(f"solutions-{at}", one), prefix=f"solutions-{at}"),
                _components(f"solutions-{at}-components", one["components"]),
            )
            for at, one in enumerate(values["solutions"])
        ],
        consumables=[
            ConsumableForm(_named(f"consumables-{at}", one), prefix=f"consumables-{at}")
            for at, one in enumerate(values["consumables"])
        ],
        apparatus=[
            ApparatusForm(_named(f"apparatus-{at}", one), prefix=f"apparatus-{at}")
            for at, one in enumerate(values["apparatus"])
        ],
    )


def _named(prefix: str, values: Values) -> Values:
    return {f"{prefix}-{name}": value for name, value in values.items()}


def _components(prefix: str, rows: list[Values]) -> ComponentFormSet:
    data: Values = {
        f"{prefix}-{at}-{name}": value for at, row in enumerate(rows) for name, value in row.items()
    }
    data |= {f"{prefix}-TOTAL_FORMS": str(len(rows)), f"{prefix}-INITIAL_FORMS": "0"}
    return Components(data, prefix=prefix)


def values_of(content: ListContent, names: Mapping[str, str]) -> Values:
    """What a form begins with that corrects or copies a list."""
    return {
        "notes_to_prep": content.notes_to_prep,
        "solutions": [
            {
                "line": str(one.line) if one.line else "",
                "label": one.label,
                "volume_per_group": one.volume_per_group.text,
                "volume_unit": one.volume_unit,
                "spare_groups": str(one.spare_groups or ""),
                "per_section": _text(one.per_section),
                "overage_percent": _text(one.overage_percent),
                "tolerance_percent": _text(one.tolerance_percent),
                "temperature_c": _text(one.temperature_c),
                "container": one.container,
                "notes": one.notes,
                "components": [
                    {
                        "substance": names.get(part.substance_key, part.substance_key),
                        "target": part.target.text,
                        "unit": part.unit,
                        "equivalents": str(part.equivalents or ""),
                    }
                    for part in one.components
                ],
            }
            for one in content.solutions
        ],
        "consumables": [
            {
                "what": one.what,
                "per_group": one.per_group,
                "per_section": one.per_section,
                "unit": one.unit,
                "notes": one.notes,
            }
            for one in content.consumables
        ],
        "apparatus": [
            {
                "type": one.type,
                "size": one.size,
                "per_group": str(one.per_group),
                "measures": one.measures,
                "wanted_percent": one.wanted_percent,
                "result": one.result,
                "reason": one.reason,
            }
            for one in content.apparatus
        ],
    }


def _text(number: TypedNumber | None) -> str:
    return number.text if number else ""
