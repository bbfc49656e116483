"""Apparatus is added, put right, counted, calibrated, taken out of service, booked."""

from datetime import date, datetime, time
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from inventory import states
from inventory.forms.base import CheckedForm, DateText, NumberText, PlaceField
from inventory.models import ApparatusItem
from inventory.services import (
    check_apparatus,
    check_booking,
    check_calibration,
    check_change,
    check_new_count,
)
from prepdesk.calc.apparatus import class_choices
from prepdesk.core.forms import on_the_clock


def _marks() -> list[tuple[str, Any]]:
    by_type: dict[str, list[tuple[str, str]]] = {}
    for choice in class_choices():
        by_type.setdefault(choice.type, []).append(
            (f"{choice.standard}|{choice.apparatus_class}", choice.label)
        )
    labels = dict(ApparatusItem.Type.choices)
    groups = [(str(labels[kind]), choices) for kind, choices in by_type.items()]
    return [("", "None, or its own limit of error below"), *groups]


class CountField(forms.IntegerField):
    """How many, typed."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TextInput(attrs={"inputmode": "numeric", "size": "5", "autocomplete": "off"})
        said = {"invalid": "Write a whole number, as 12."}
        super().__init__(**{"widget": widget, "error_messages": said, **kwargs})


class TimeText(forms.TimeField):
    """A time of day on the department's clock."""

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.TimeInput(format="%H:%M", attrs={"type": "time"})
        said = {"invalid": "This is not a time. Write it as 13:30."}
        super().__init__(**{"widget": widget, "error_messages": said, **kwargs})


class FactFields(CheckedForm):
    """What stands on the apparatus and in its papers."""

    nominal_ml = NumberText(label="Size", unit="mL")
    mark = forms.ChoiceField(
        label="Class, and the standard it means",
        choices=_marks,
        required=False,
        help_text="ISO and ASTM differ for the same class mark. The limit of error comes from the standard.",
    )
    division_ml = NumberText(label="Smallest division", unit="mL", help_text="Of graduated ware.")
    tolerance_ml = NumberText(
        label="Limit of error, if it has its own",
        unit="± mL",
        help_text="Marked on it, or from its certificate.",
    )
    readability_g = NumberText(label="Readability", unit="g", help_text="As on its plate: 0.01.")
    capacity_g = NumberText(label="Capacity", unit="g")
    repeatability_g = NumberText(
        label="Repeatability", unit="g", help_text="From its papers; usual figures serve where it is empty."
    )
    linearity_g = NumberText(label="Linearity", unit="± g")
    name = forms.CharField(
        label="Name",
        required=False,
        help_text="What the room calls it, where there are several of its kind.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )
    last_calibrated_on = DateText(label="Last calibrated on")
    calibration_due_on = DateText(
        label="Calibration due on",
        help_text="The last day it may be used without a new one; empty where none is kept.",
    )
    place = PlaceField()
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))

    SIDE_BY_SIDE = (
        ("nominal_ml", "division_ml"),
        ("mark", "tolerance_ml"),
        ("readability_g", "capacity_g"),
        ("repeatability_g", "linearity_g"),
        ("last_calibrated_on", "calibration_due_on"),
        ("place", "note"),
    )
    SIZES = (
        "nominal_ml",
        "division_ml",
        "tolerance_ml",
        "readability_g",
        "capacity_g",
        "repeatability_g",
        "linearity_g",
    )

    def chosen_mark(self, data: dict[str, Any]) -> tuple[str, str]:
        """Standard and class that were chosen."""
        standard, _, apparatus_class = data.get("mark", "").partition("|")
        return standard, apparatus_class

    def facts(self, data: dict[str, Any]) -> dict[str, Any]:
        """The facts as the service's checks take them."""
        standard, apparatus_class = self.chosen_mark(data)
        return {
            "sizes": {field: data.get(field, "") for field in self.SIZES},
            "apparatus_class": apparatus_class,
            "words": {"standard": standard, "note": data.get("note", ""), "name": data.get("name", "")},
            "last_calibrated_on": data.get("last_calibrated_on"),
            "calibration_due_on": data.get("calibration_due_on"),
        }


class ApparatusForm(FactFields):
    """Apparatus is added."""

    type = forms.ChoiceField(label="What it is", choices=[("", "Choose one"), *ApparatusItem.Type.choices])
    count = CountField(label="How many", initial=1)

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_apparatus(kind=data.get("type", ""), count=data.get("count") or 0, **self.facts(data))

    def typed(self) -> dict[str, Any]:
        """What the service takes."""
        standard, apparatus_class = self.chosen_mark(self.cleaned_data)
        days = ("last_calibrated_on", "calibration_due_on")
        names = (*self.SIZES, *days, "type", "count", "name", "place", "note", "idempotency_key")
        return {
            "standard": standard,
            "apparatus_class": apparatus_class,
            **{name: self.cleaned_data[name] for name in names},
        }


class ApparatusFactsForm(FactFields):
    """Facts of an item are put right; the history keeps the old ones."""

    reason = forms.CharField(
        label="Reason",
        required=False,
        help_text="Needed when more than name, place or note changes.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    def __init__(self, *args: Any, item: ApparatusItem, **kwargs: Any) -> None:
        own = (*self.SIZES, "name", "note", "last_calibrated_on", "calibration_due_on")
        initial = {name: getattr(item, name) for name in own}
        mark = f"{item.standard}|{item.apparatus_class}" if item.standard or item.apparatus_class else ""
        kwargs.setdefault("initial", {**initial, "place": item.place_id, "mark": mark})
        super().__init__(*args, **kwargs)
        self.item = item
        balance = item.type == ApparatusItem.Type.BALANCE
        for field in ("mark", *self.SIZES):
            wanted = balance if field.endswith("_g") else not balance
            if item.type in ApparatusItem.COUNTED_ONLY or not wanted:
                del self.fields[field]
        if "mark" in self.fields and mark not in dict(_flat(_marks())):
            # A mark that no table here knows stays what it is unless somebody chooses another.
            shown = f"{item.apparatus_class and 'class '}{item.apparatus_class} {item.standard}".strip()
            self.fields["mark"].choices = [(mark, shown), *_marks()]  # type: ignore[attr-defined]  # a choice field

    def chosen_mark(self, data: dict[str, Any]) -> tuple[str, str]:
        if "mark" not in self.fields:
            return self.item.standard, self.item.apparatus_class
        return super().chosen_mark(data)

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_change(item=self.item, **self.facts(data), reason=data.get("reason", ""))

    def typed(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        return {**self.facts(data), "place": data["place"], "reason": data["reason"]}


def _flat(choices: list[tuple[str, Any]]) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    for value, label in choices:
        found += label if isinstance(label, list) else [(value, label)]
    return found


class ServiceForm(CheckedForm):
    """Out of service or back, with the reason; it says itself which, so that a second click can't undo it."""

    in_service = forms.ChoiceField(choices=[("0", ""), ("1", "")], widget=forms.HiddenInput)
    reason = forms.CharField(label="Reason", widget=forms.TextInput(attrs={"size": "40"}))

    def ask_service(self, data: dict[str, Any]) -> object:
        return data


class ApparatusCountForm(CheckedForm):
    """How many there are now, and why that is another number."""

    expected_count = forms.IntegerField(widget=forms.HiddenInput)
    count = CountField(label="How many there are now")
    reason = forms.CharField(
        label="What happened",
        help_text="One broke, two were bought, counted on the shelf.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    def __init__(self, *args: Any, item: ApparatusItem, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"expected_count": item.count, "count": max(item.count - 1, 0)})
        super().__init__(*args, **kwargs)
        self.item = item

    def ask_service(self, data: dict[str, Any]) -> object:
        count = data.get("count")
        if count is None:
            return None
        return check_new_count(item=self.item, count=count, reason=data.get("reason", ""))


class CalibrationForm(CheckedForm):
    """A calibration that was done."""

    done_on = DateText(label="Done on", required=True, initial=timezone.localdate)
    done_by = forms.CharField(
        label="Done by",
        help_text="A person, or a firm with the number of its certificate.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )
    as_found = forms.ChoiceField(
        label="As found, before anything was adjusted",
        choices=list(states.AS_FOUND.items()),
        widget=forms.RadioSelect,
    )
    note = forms.CharField(
        label="Note",
        required=False,
        help_text="What was found and done. Needed when it was outside its limits.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )
    next_due_on = DateText(
        label="Next one due on",
        help_text="The last day on which it may be used without a new one, by the department's own rules.",
    )

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_calibration(
            done_on=data.get("done_on"),
            done_by=data.get("done_by", ""),
            as_found=data.get("as_found", ""),
            next_due_on=data.get("next_due_on"),
            note=data.get("note", ""),
        )


class BookingForm(CheckedForm):
    """Hours for which a person wants apparatus."""

    count = CountField(label="How many", initial=1)
    day = DateText(label="Day", required=True)
    starts = TimeText(label="From")
    ends = TimeText(label="Until")
    last_day = DateText(label="Last day", help_text="Where it is booked over several days.")
    purpose = forms.CharField(
        label="For what",
        max_length=200,
        help_text="Others who want it read this: the class, the work, the room.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    field_order = ["count", "day", "starts", "ends", "last_day", "purpose"]
    SIDE_BY_SIDE = (("day", "starts", "ends", "last_day"),)

    def __init__(self, *args: Any, item: ApparatusItem, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.item = item

    def ask_service(self, data: dict[str, Any]) -> object:
        if any(data.get(name) is None for name in ("count", "day", "starts", "ends", "purpose")):
            return None
        data["starts_at"] = self._moment("starts", data["day"], data["starts"])
        data["ends_at"] = self._moment("ends", data.get("last_day") or data["day"], data["ends"])
        if data["starts_at"] is None or data["ends_at"] is None:
            return None
        check_booking(
            item=self.item,
            count=data["count"],
            starts=data["starts_at"],
            ends=data["ends_at"],
            purpose=data["purpose"],
        )
        return data

    def _moment(self, field: str, day: date, hour: time) -> datetime | None:
        try:
            return on_the_clock(datetime.combine(day, hour))
        except ValidationError as error:
            self.add_error(field, error)
            return None
