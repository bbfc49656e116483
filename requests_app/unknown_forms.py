"""The form of a set of unknowns, and the small ones on its page."""

from collections.abc import Iterator, Mapping
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.calc.units import CONCENTRATION_UNITS
from prepdesk.core.forms import TypedNumberField, day_field, join_moment, time_field
from requests_app.drafts import VOLUME_UNITS
from requests_app.forms import KEY_LENGTH, SectionChoices, SubstanceField, WholeNumberField, fresh_key
from requests_app.models import Section, UnknownSet
from requests_app.selectors import last_order_of, sections_to_order_for
from requests_app.services.unknowns import MAX_SAMPLES, UnknownsDraft

# Equivalents need a number beside them, and nobody hands out unknowns by them.
_UNITS: Final = [(unit.symbol, unit.label) for unit in CONCENTRATION_UNITS if unit.symbol != "eq/L"]


class SpareField(WholeNumberField):
    """A count that may be nothing."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(positive=False, **kwargs)

    def clean(self, value: object) -> int:  # type: ignore[override]  # nothing is none
        number = super().clean(value)
        if number is not None and number < 0:
            raise ValidationError("No fewer than none.", code="negative")
        return number or 0


class UnknownsForm(forms.Form):
    """A set of unknowns: of what, between which concentrations, how many, for whom."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    title = forms.CharField(
        label="Name of the set",
        max_length=160,
        help_text="As the students know it: Chloride by titration, week 7.",
        widget=forms.TextInput(attrs={"size": "34", "autocomplete": "off"}),
    )
    sections = forms.MultipleChoiceField(
        label="Sections",
        widget=SectionChoices,
        help_text="All of one course. Each section gets some of every sample.",
        error_messages={"invalid_choice": "Choose sections of this course that are yours."},
    )
    substance = SubstanceField(
        label="Substance",
        max_length=200,
        help_text="Name, formula or CAS number, with its hydrate: calcium chloride dihydrate, CaCl2.2H2O.",
        widget=forms.TextInput(attrs={"size": "34", "autocomplete": "off", "spellcheck": "false"}),
    )
    lowest = TypedNumberField(label="From")
    highest = TypedNumberField(label="to")
    unit = forms.ChoiceField(label="Unit of the range", choices=_UNITS)
    count = WholeNumberField(label="Samples", most=MAX_SAMPLES)
    spares = SpareField(
        label="Spares",
        most=MAX_SAMPLES,
        required=False,
        help_text="Samples more, each with its own code and concentration, for whoever breaks one.",
    )
    apart_percent = TypedNumberField(
        label="Any two apart by at least",
        unit="%",
        required=False,
        help_text="Of the lower one. Left empty, each is drawn for itself, and two may be equal.",
    )
    volume_per_sample = TypedNumberField(label="Volume of each sample for each section")
    volume_unit = forms.ChoiceField(
        label="Unit of the volume", choices=[(unit, unit) for unit in VOLUME_UNITS]
    )
    tolerance_percent = TypedNumberField(
        label="Tolerance",
        unit="%",
        required=False,
        help_text="How far a sample may be off what was drawn. Left empty, the digits of the range say it. "
        "The key says what was really made.",
    )
    readers = forms.MultipleChoiceField(
        label="Who else may open the key",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="You can, and whoever makes a sample sees that one. Nobody else does unless named here.",
    )
    due_date = day_field("Day they are needed")
    due_time = time_field("Time they are needed")
    room = forms.CharField(
        label="Room",
        max_length=40,
        widget=forms.TextInput(attrs={"size": "12", "list": "rooms", "autocomplete": "off"}),
    )
    notes = forms.CharField(
        label="Notes for whoever makes them",
        required=False,
        max_length=2000,
        help_text="Everybody in the stockroom reads these. Write no concentrations here.",
        widget=forms.Textarea(attrs={"rows": "3"}),
    )

    def __init__(self, *args: Any, actor: User, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["substance"].widget.attrs["data-combobox-source"] = (
            f"{reverse('requests_app:substance_search')}?q="
        )
        self.sections_by_id: dict[str, Section] = {
            str(section.pk): section
            for section in sections_to_order_for(actor, timezone.localdate()).order_by("course__code", "name")
        }
        self.people = {str(one.pk): one for one in _others(actor)}
        self.fields["sections"].choices = list(self._grouped())  # type: ignore[attr-defined]  # a choice field
        self.fields["readers"].choices = [  # type: ignore[attr-defined]  # a choice field
            (key, f"{one}, {one.get_role_display().lower()}") for key, one in self.people.items()
        ]

    def _grouped(self) -> Iterator[tuple[str, list[tuple[str, str]]]]:
        courses: dict[str, list[tuple[str, str]]] = {}
        for key, section in self.sections_by_id.items():
            courses.setdefault(str(section.course), []).append((key, f"Section {section.name}"))
        yield from courses.items()

    def clean_sections(self) -> list[Section]:
        """The sections, which must belong to one course."""
        chosen = [self.sections_by_id[key] for key in self.cleaned_data["sections"]]
        if len({section.course_id for section in chosen}) > 1:
            raise ValidationError("A set is for one course. Send another one for the other course.")
        return chosen

    def clean(self) -> dict[str, Any]:
        """Join day and time; a time that the change of the clocks leaves out or repeats is refused."""
        cleaned = super().clean() or {}
        join_moment(self, cleaned, day="due_date", time="due_time", into="due_at")
        return cleaned

    @property
    def chosen_readers(self) -> list[User]:
        """Those who are named on a valid form."""
        return [self.people[key] for key in self.cleaned_data["readers"]]

    def draft(self) -> UnknownsDraft:
        """The draft of a valid form."""
        data = self.cleaned_data
        return UnknownsDraft(
            course_id=data["sections"][0].course_id,
            section_ids=tuple(sorted(section.pk for section in data["sections"])),
            reader_ids=tuple(sorted(one.pk for one in self.chosen_readers)),
            title=data["title"].strip(),
            substance_key=data["substance"].key,
            lowest=data["lowest"],
            highest=data["highest"],
            unit=data["unit"],
            count=data["count"],
            spares=data["spares"],
            apart_percent=data["apart_percent"],
            volume_per_sample=data["volume_per_sample"],
            volume_unit=data["volume_unit"],
            due_at=data["due_at"],
            room=data["room"],
            tolerance_percent=data["tolerance_percent"],
            notes=data["notes"],
        )

    def show(self, errors: Mapping[str, str]) -> None:
        """Put what a service refused beside the fields it names."""
        for name, text in errors.items():
            self.add_error(name if name in self.fields else None, text)


def fresh_unknowns(actor: User) -> dict[str, Any]:
    """What a new form begins with."""
    last = last_order_of(actor)
    return {
        "key": fresh_key(),
        "unit": "mol/L",
        "volume_unit": "mL",
        "spares": "0",
        "apart_percent": "5",
        "room": last.room if last else "",
    }


class ReaderForm(forms.Form):
    """Somebody more who may open the key; a manager who is not the one who ordered says why."""

    reader = forms.ChoiceField(
        label="Also let this person open the key", error_messages={"invalid_choice": "Choose somebody."}
    )
    reason = forms.CharField(
        label="Why",
        max_length=120,
        required=False,
        help_text="It is written down, and whoever ordered is told at once.",
    )

    def __init__(self, *args: Any, unknowns: UnknownSet, own: bool, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        there = {reader.pk for reader in unknowns.readers.all()}
        self.people = {str(one.pk): one for one in _others(unknowns.ordered_by) if one.pk not in there}
        self.fields["reader"].choices = [  # type: ignore[attr-defined]  # a choice field
            ("", "Choose"),
            *((key, f"{one}, {one.get_role_display().lower()}") for key, one in self.people.items()),
        ]
        if own:
            del self.fields["reason"]


def _others(actor: User) -> list[User]:
    return list(User.objects.filter(is_active=True).exclude(pk=actor.pk).order_by("last_name", "username"))
