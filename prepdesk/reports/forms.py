"""The period a review looks at."""

from datetime import timedelta

from django import forms
from django.core.exceptions import ValidationError
from django.utils import timezone

from prepdesk.reports.selectors import Period

LONGEST = timedelta(days=366 * 5)


class PeriodForm(forms.Form):
    """From and to, whole days, both included; the last thirty days when nothing is asked."""

    first = forms.DateField(label="From", required=False, widget=forms.DateInput(attrs={"type": "date"}))
    last = forms.DateField(label="To", required=False, widget=forms.DateInput(attrs={"type": "date"}))

    def clean(self) -> dict[str, object]:
        cleaned = super().clean() or {}
        today = timezone.localdate()
        if "first" in self.errors or "last" in self.errors:
            return cleaned
        last = cleaned.get("last") or today
        first = cleaned.get("first") or last - timedelta(days=29)
        if first > last:
            raise ValidationError({"first": "The first day lies after the last. Swap them or change one."})
        if last - first > LONGEST:
            raise ValidationError({"first": "That is longer than five years. Choose a later first day."})
        cleaned["period"] = Period(first, last)
        return cleaned
