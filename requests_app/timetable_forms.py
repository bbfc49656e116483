"""The forms of the timetable: a term with its breaks, a room, a course, a section."""

from typing import Any, Final

from django import forms

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.forms import day_field, time_field
from requests_app.forms import KEY_LENGTH, WholeNumberField
from requests_app.models import Course, Room, Section, Term
from requests_app.services.timetable.sections import MOST_STUDENTS
from requests_app.timetable import WEEKDAYS, Break, SectionFacts, TermFacts

# Rows for breaks beyond those there are; more come with the next visit.
_MORE_BREAKS: Final = 2


class _Kept(forms.Form):
    """What every form of the timetable carries: its key, and the version it was shown with."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    seen = forms.IntegerField(widget=forms.HiddenInput, required=False)


class TermForm(_Kept):
    """A term, and rows for its breaks; an empty row is no break."""

    code = forms.CharField(label="Code", max_length=20, help_text="As files name it: 2027-spring.")
    name = forms.CharField(label="Name", max_length=80)
    starts_on = day_field("First day")
    ends_on = day_field("Last day")

    def __init__(self, *args: Any, breaks: int = 0, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.rows = breaks + _MORE_BREAKS
        for at in range(self.rows):
            self.fields[f"break-{at}-name"] = forms.CharField(
                label=f"Break {at + 1}", max_length=80, required=False
            )
            self.fields[f"break-{at}-starts_on"] = day_field("From", required=False)
            self.fields[f"break-{at}-ends_on"] = day_field("To and with", required=False)

    @property
    def break_rows(self) -> list[list[Any]]:
        """The fields of each row."""
        return [
            [self[f"break-{at}-{name}"] for name in ("name", "starts_on", "ends_on")]
            for at in range(self.rows)
        ]

    def clean(self) -> dict[str, Any]:
        """A row that is begun is filled in whole."""
        cleaned = super().clean() or {}
        for at in range(self.rows):
            names = [f"break-{at}-{name}" for name in ("name", "starts_on", "ends_on")]
            if any(cleaned.get(name) for name in names):
                for name in names:
                    if not cleaned.get(name) and name not in self.errors:
                        self.add_error(name, "Fill in the whole row, or leave all of it empty.")
        return cleaned

    def facts(self) -> tuple[TermFacts, list[int]]:
        """What a valid form says, and which row each of its breaks stood in."""
        data = self.cleaned_data
        rows = [at for at in range(self.rows) if data[f"break-{at}-name"]]
        breaks = tuple(
            Break(data[f"break-{at}-starts_on"], data[f"break-{at}-ends_on"], data[f"break-{at}-name"])
            for at in rows
        )
        return TermFacts(data["code"], data["name"], data["starts_on"], data["ends_on"], breaks), rows


class RoomForm(_Kept):
    """A teaching room."""

    code = forms.CharField(label="Room", max_length=40, help_text="As it stands on the door.")
    note = forms.CharField(label="Note", max_length=200, required=False)


class CourseForm(_Kept):
    """A course."""

    code = forms.CharField(label="Code", max_length=20)
    title = forms.CharField(label="Title", max_length=160)


class SectionForm(_Kept):
    """A section: who meets when, where, with whom."""

    course = forms.ModelChoiceField(Course.objects.all(), label="Course")
    name = forms.CharField(label="Section", max_length=40, help_text="A, or Monday morning.")
    term = forms.ModelChoiceField(
        Term.objects.all(), label="Term", required=False, empty_label="outside any term"
    )
    weekday = forms.ChoiceField(
        label="Weekday",
        required=False,
        choices=[("", "not known yet"), *((str(at), day) for at, day in enumerate(WEEKDAYS))],
    )
    starts_at = time_field("Starts", required=False)
    ends_at = time_field("Ends", required=False)
    room = forms.ModelChoiceField(
        Room.objects.filter(in_use=True), label="Room", required=False, empty_label="not known yet"
    )
    students = WholeNumberField(label="Students", most=MOST_STUDENTS, required=False)
    groups = WholeNumberField(label="Groups", most=200, help_text="That work at the same time.")
    instructor = forms.ModelChoiceField(User.objects.none(), label="Instructor")
    co_instructors = forms.ModelMultipleChoiceField(
        User.objects.none(),
        label="Taught together with",
        required=False,
        widget=forms.CheckboxSelectMultiple,
        help_text="They order for it as its instructor does.",
    )

    def __init__(self, *args: Any, section: Section | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        teachers = User.objects.filter(is_active=True, role__in=(policy.INSTRUCTOR, policy.MANAGER))
        for name in ("instructor", "co_instructors"):
            self.fields[name].queryset = teachers.order_by("last_name", "username")  # type: ignore[attr-defined]  # a choice of rows
        if section is not None and section.room is not None and not section.room.in_use:
            rooms = Room.objects.filter(in_use=True) | Room.objects.filter(pk=section.room.pk)
            self.fields["room"].queryset = rooms  # type: ignore[attr-defined]  # a choice of rows

    def facts(self) -> SectionFacts:
        """What a valid form says."""
        data = self.cleaned_data
        return SectionFacts(
            course=data["course"],
            name=data["name"],
            instructor=data["instructor"],
            term=data["term"],
            groups=data["groups"],
            students=data["students"],
            weekday=int(data["weekday"]) if data["weekday"] else None,
            starts_at=data["starts_at"],
            ends_at=data["ends_at"],
            room=data["room"],
            co_instructors=tuple(data["co_instructors"]),
        )
