"""The forms of a term: its plan week by week, ordering it at once, and ordering one bench list."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final
from uuid import UUID

from django import forms
from django.utils import timezone

from requests_app.drafts import MAX_GROUPS_PER_SECTION
from requests_app.forms import KEY_LENGTH, WholeNumberField, fresh_key
from requests_app.models import BenchList, BenchListVersion, Course, Meeting
from requests_app.selectors.term import Week
from requests_app.services.from_lists import Changes

# A form always offers one more than there are.
_LEAST_ROWS: Final = 2


class PlanForm(forms.Form):
    """What a course does in each week: some choices of a bench list for every week."""

    seen = forms.CharField(widget=forms.HiddenInput, max_length=40, required=False)

    def __init__(
        self,
        *args: Any,
        weeks: Sequence[Week],
        lists: Iterable[BenchList],
        plan: Mapping[int, Sequence[int]],
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.weeks = weeks
        choices = [("", "nothing"), *((str(one.pk), one.title) for one in lists)]
        for week in weeks:
            planned = plan.get(week.number, ())
            for place in range(max(_LEAST_ROWS, len(planned) + 1)):
                self.fields[f"week-{week.number}-{place}"] = forms.ChoiceField(
                    label=f"Week {week.number}" + (f", experiment {place + 1}" if place else ""),
                    choices=choices,
                    required=False,
                    initial=str(planned[place]) if place < len(planned) else "",
                    error_messages={"invalid_choice": "Choose one of the bench lists of this course."},
                )

    def rows(self) -> list[tuple[Week, list[forms.BoundField]]]:
        """The weeks with their fields."""
        return [
            (week, [self[name] for name in self.fields if name.startswith(f"week-{week.number}-")])
            for week in self.weeks
        ]

    def plan(self) -> dict[int, tuple[int, ...]]:
        """What was chosen, by week; the same list twice in a week counts once."""
        chosen: dict[int, dict[int, None]] = {}
        for name, value in self.cleaned_data.items():
            if name.startswith("week-") and value:
                chosen.setdefault(int(name.split("-")[1]), {})[int(value)] = None
        return {week: tuple(keys) for week, keys in chosen.items()}


class OrderTermForm(forms.Form):
    """Which courses and weeks of a term are ordered at once."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    courses = forms.MultipleChoiceField(
        label="Courses",
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Choose at least one course."},
    )
    first = forms.TypedChoiceField(label="From week", coerce=int)
    last = forms.TypedChoiceField(label="To week", coerce=int)

    def __init__(self, *args: Any, courses: Sequence[Course], weeks: Sequence[Week], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.by_key = {str(course.pk): course for course in courses}
        today = timezone.localdate()
        # The week that runs: what lies before it can't be ordered any more.
        first = max((week.number for week in weeks if week.monday <= today), default=weeks[0].number)
        self.fields["courses"].choices = [(str(one.pk), str(one)) for one in courses]  # type: ignore[attr-defined]  # a choice field
        for name, initial in (("first", first), ("last", weeks[-1].number)):
            self.fields[name].choices = [  # type: ignore[attr-defined]  # a choice field
                (str(week.number), f"{week.number}, from {week.monday:%-d %b}") for week in weeks
            ]
            self.fields[name].initial = str(initial)
        self.fields["courses"].initial = list(self.by_key)
        self.fields["key"].initial = fresh_key()

    def clean(self) -> dict[str, Any]:
        """The first week comes before the last."""
        cleaned = super().clean() or {}
        if cleaned.get("first") and cleaned.get("last") and cleaned["first"] > cleaned["last"]:
            self.add_error("last", "The last week comes before the first. Choose a later one.")
        return cleaned

    def asked(self) -> dict[str, Any]:
        """What the service is asked for."""
        data = self.cleaned_data
        return {
            "courses": [self.by_key[key] for key in data["courses"]],
            "first": data["first"],
            "last": data["last"],
            "idempotency_key": data["key"],
        }

    def show(self, errors: Mapping[str, str]) -> None:
        """What the service refused, beside the fields it names."""
        for name, text in errors.items():
            self.add_error({"weeks": "last"}.get(name, name), text)


class ListOrderForm(forms.Form):
    """Which meetings and which solutions of a bench list are ordered, and for how many groups."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    version = forms.IntegerField(widget=forms.HiddenInput)

    def __init__(
        self,
        *args: Any,
        of: BenchListVersion,
        meetings: Sequence[Meeting],
        ticked: bool = True,
        **kwargs: Any,
    ) -> None:
        super().__init__(*args, **kwargs)
        self.of, self.meetings = of, meetings
        self.fields["key"].initial = fresh_key()
        self.fields["version"].initial = of.pk
        for meeting in meetings:
            self.fields[f"meeting-{meeting.pk}"] = forms.BooleanField(
                label=f"Section {meeting.section.name}", required=False, initial=ticked
            )
            self.fields[f"groups-{meeting.pk}"] = WholeNumberField(
                label=f"Groups in section {meeting.section.name}",
                most=MAX_GROUPS_PER_SECTION,
                initial=str(meeting.group_count),
            )
        for solution in of.solutions.all():
            self.fields[f"line-{solution.line}"] = forms.BooleanField(
                label=solution.label or f"Solution {solution.position + 1}", required=False, initial=True
            )

    def chosen(self) -> list[Meeting]:
        """The meetings that are ticked."""
        return [one for one in self.meetings if self._value(f"meeting-{one.pk}")]

    def changes(self) -> Changes:
        """What is ordered otherwise than the list and the timetable say."""
        groups = {one.pk: self._value(f"groups-{one.pk}") for one in self.chosen()}
        without = [one.line for one in self.of.solutions.all() if not self._value(f"line-{one.line}")]
        return Changes(
            {key: int(count) for key, count in groups.items() if count is not None}, frozenset[UUID](without)
        )

    def _value(self, name: str) -> Any:
        if self.is_bound:
            return self.cleaned_data.get(name)
        value = self.fields[name].initial
        return int(value) if name.startswith("groups-") else value

    def show(self, errors: Mapping[str, str]) -> None:
        """What the service refused, beside the fields it names; what is about all stands on top."""
        for name, text in errors.items():
            self.add_error(name if name in self.fields else None, text)
