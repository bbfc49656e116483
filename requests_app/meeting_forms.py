"""What is typed to change a meeting, a day, a section, or to let a corrected list reach its orders."""

from typing import Any

from django import forms
from django.utils import timezone

from prepdesk.core.forms import day_field, join_moment, time_field
from requests_app.change_forms import KEY_LENGTH, fresh_key, reason_field
from requests_app.drafts import MAX_GROUPS_PER_SECTION
from requests_app.forms import WholeNumberField
from requests_app.models import Meeting, Room
from requests_app.services.meeting_wishes import MeetingWish


class MeetingChangeForm(forms.Form):
    """When, where and for how many a meeting takes place."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    version = forms.IntegerField(widget=forms.HiddenInput)
    day = day_field("Day")
    starts = time_field("Begins")
    ends = time_field("Ends")
    room = forms.ModelChoiceField(
        label="Room", queryset=Room.objects.all(), required=False, empty_label="not known yet"
    )
    groups = WholeNumberField(label="Groups", most=MAX_GROUPS_PER_SECTION, required=False, help_text="")
    reason = reason_field("Why", "Everybody who is told reads it.")

    def __init__(self, data: Any = None, *, meeting: Meeting) -> None:
        self.meeting = meeting
        begins, ends = timezone.localtime(meeting.starts_at), timezone.localtime(meeting.ends_at)
        super().__init__(
            data,
            initial={
                "key": fresh_key(),
                "version": meeting.version,
                "day": begins.date(),
                "starts": f"{begins:%H:%M}",
                "ends": f"{ends:%H:%M}",
                "room": meeting.room_id,
                "groups": "" if meeting.groups is None else meeting.groups,
            },
        )
        of_section = meeting.section.groups
        self.fields["groups"].help_text = f"Left empty: as many as the section has, {of_section}."

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page."""
        return [
            [self["day"], self["starts"], self["ends"]],
            [self["room"], self["groups"]],
            [self["reason"]],
        ]

    def clean(self) -> dict[str, Any]:
        """Join the day with both times."""
        cleaned = super().clean() or {}
        for name in ("starts", "ends"):
            join_moment(self, cleaned, day="day", time=name, into=f"{name}_at")
        return cleaned

    @property
    def wish(self) -> MeetingWish:
        """The meeting as this form wants it."""
        data = self.cleaned_data
        return MeetingWish(
            starts_at=data["starts_at"],
            ends_at=data["ends_at"],
            room=data["room"],
            groups=data["groups"],
        )


class MeetingReasonForm(forms.Form):
    """Why a meeting is cancelled, or takes place after all."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    version = forms.IntegerField(widget=forms.HiddenInput)
    reason = reason_field("Why", "Everybody who is told reads it.")

    def __init__(self, data: Any = None, *, meeting: Meeting) -> None:
        super().__init__(data, initial={"key": fresh_key(), "version": meeting.version})

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page."""
        return [[self["reason"]]]


class DayCancelForm(forms.Form):
    """Which meetings of a day do not take place.

    ``shown`` carries the version of each meeting on the page, so that one that was changed since is told.
    """

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    shown = forms.CharField(widget=forms.HiddenInput, max_length=20_000)
    meetings = forms.MultipleChoiceField(
        label="Meetings that do not take place", widget=forms.CheckboxSelectMultiple
    )
    reason = reason_field("Why", "Everybody who is told reads it.")

    def __init__(self, data: Any = None, *, choices: list[tuple[str, str]], shown: str) -> None:
        every = [key for key, _ in choices]
        super().__init__(data, initial={"key": fresh_key(), "shown": shown, "meetings": every})
        self.fields["meetings"].choices = choices  # type: ignore[attr-defined]  # a choice field

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page."""
        return [[self["meetings"]], [self["reason"]]]

    def clean_shown(self) -> dict[int, int]:
        """Versions by key of the meeting."""
        pairs = (pair.split(":") for pair in self.cleaned_data["shown"].split(",") if pair.count(":") == 1)
        return {
            int(key): int(version)
            for key, version in pairs
            if key.isascii() and key.isdigit() and version.isascii() and version.isdigit() and len(key) < 19
        }


class SectionSizeForm(forms.Form):
    """How many groups and students a section has now."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    expected = forms.IntegerField(widget=forms.HiddenInput)
    groups = WholeNumberField(label="Groups", most=MAX_GROUPS_PER_SECTION)
    students = WholeNumberField(label="Students", most=2000, required=False)
    reason = reason_field("Why", "Everybody who is told reads it.")

    def __init__(self, data: Any = None, *, section: Any) -> None:
        super().__init__(
            data,
            initial={
                "key": fresh_key(),
                "expected": section.version,
                "groups": section.groups,
                "students": section.students or "",
            },
        )

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page."""
        return [[self["groups"], self["students"]], [self["reason"]]]


class CorrectionForm(forms.Form):
    """What else a corrected list does; ``seen`` carries the orders on the page."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=KEY_LENGTH)
    seen = forms.CharField(widget=forms.HiddenInput, max_length=100_000, required=False)
    order_new_lines = forms.BooleanField(label="Order its new lines for the same meetings", required=False)
    cancel_removed_lines = forms.BooleanField(
        label="Cancel the orders of lines that are gone", required=False
    )

    def __init__(self, data: Any = None, *, seen: str, new: bool, gone: bool) -> None:
        super().__init__(
            data,
            initial={
                "key": fresh_key(),
                "seen": seen,
                "order_new_lines": new,
                "cancel_removed_lines": gone,
            },
        )
        if not new:
            del self.fields["order_new_lines"]
        if not gone:
            del self.fields["cancel_removed_lines"]

    @property
    def lines(self) -> list[list[forms.BoundField]]:
        """The fields as they stand on the page."""
        return [[field] for field in self.visible_fields()]

    def clean_seen(self) -> set[int]:
        """Keys of the orders that the page showed."""
        text: str = self.cleaned_data["seen"]
        return {int(key) for key in text.split(",") if key.isascii() and key.isdigit() and len(key) < 19}
