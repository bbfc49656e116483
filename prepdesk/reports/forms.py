"""The period a review looks at."""

from datetime import date, timedelta
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from prepdesk.reports.selectors import Period

LONGEST = timedelta(days=366 * 5)
# Beyond these lies nothing that was used, and the days around them must still be dates.
FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2999, 12, 31)


def _day() -> forms.DateInput:
    return forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})


class PeriodForm(forms.Form):
    """From and to, whole days, both included; the last thirty days when nothing is asked."""

    first = forms.DateField(label="From", required=False, widget=_day())
    last = forms.DateField(label="To", required=False, widget=_day())

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for field in self.fields.values():
            # Both stand filled in, so calling them optional would only puzzle.
            field.may_be_needed = True  # type: ignore[attr-defined]  # read by core/field.html

    @classmethod
    def showing(cls, period: Period) -> "PeriodForm":
        """The form as it stands above the figures of a period."""
        return cls(initial={"first": period.first, "last": period.last})

    def clean(self) -> dict[str, object]:
        cleaned = super().clean() or {}
        today = timezone.localdate()
        if "first" in self.errors or "last" in self.errors:
            return cleaned
        last = cleaned.get("last") or today
        if not FIRST_DAY <= last <= LAST_DAY:
            raise ValidationError({"last": f"Choose a day from {FIRST_DAY.year} to {LAST_DAY.year}."})
        first = cleaned.get("first") or last - timedelta(days=29)
        if first > last:
            raise ValidationError({"first": "The first day lies after the last. Swap them or change one."})
        if last - first > LONGEST:
            raise ValidationError({"first": "That is longer than five years. Choose a later first day."})
        cleaned["period"] = Period(first, last)
        return cleaned
