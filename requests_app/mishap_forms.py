"""What is pressed or typed when something went wrong: choices first, a figure where it counts."""

from collections.abc import Iterable
from typing import Any, Final

from django import forms

from inventory.models import ApparatusItem, Lot, WasteStream
from inventory.selectors import waste_streams
from prepdesk.core.forms import TypedNumberField
from requests_app.bench_forms import fresh_key
from requests_app.selectors import BenchStep

FROM_BOTTLE: Final = "bottle"
IN_IT: Final = {
    "empty": "Nothing, or nothing that is needed",
    "weighed": "What was weighed or measured for one step",
    "lost": "What is in work: it is lost",
}
WHY: Final = {
    "spilled": "It was spilled",
    "overshot": "It is past the mark",
    "broken": "Its vessel broke",
    "wrong": "A wrong bottle or a wrong amount went into it",
    "dirty": "Dirt or another solution got into it",
    "other": "Something else",
}


class GuardedForm(forms.Form):
    """One sending is one mishap; ``version`` is that of the batch on the page."""

    key = forms.CharField(widget=forms.HiddenInput, max_length=64, initial=fresh_key)
    version = forms.IntegerField(widget=forms.HiddenInput)


class SpillForm(GuardedForm):
    """How much of one bottle was spilled, and where it goes."""

    how = forms.ChoiceField(label="What was spilled", widget=forms.RadioSelect)
    amount = TypedNumberField(label="How much", required=False)
    waste_stream = forms.ModelChoiceField(
        label="Where it goes", queryset=WasteStream.objects.none(), widget=forms.RadioSelect, empty_label=None
    )

    def __init__(self, *args: Any, lot: Lot, spoilable: Iterable[BenchStep], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        read = [
            (
                str(one.step["number"]),
                f"What was read at step {one.step['number']}, {one.latest.reading_text} "
                f"{one.latest.reading_unit}: all of it counts as lost, and the step is done again",
            )
            for one in spoilable
            if one.latest is not None
        ]
        how: Any = self.fields["how"]
        how.choices = [(FROM_BOTTLE, "Some of the bottle, before it was read"), *read]
        self.has_read = bool(read)
        if not read:
            how.widget, how.initial = forms.HiddenInput(), FROM_BOTTLE
        self.fields["amount"].unit = "pieces" if lot.unit == "pc" else lot.unit  # type: ignore[attr-defined]
        stream: Any = self.fields["waste_stream"]
        stream.queryset = waste_streams(in_use=True)
        if not stream.queryset.exists():
            del self.fields["waste_stream"]

    def clean(self) -> dict[str, Any]:
        cleaned: dict[str, Any] = super().clean() or {}
        if cleaned.get("how") == FROM_BOTTLE and "amount" not in self.errors and not cleaned.get("amount"):
            self.add_error("amount", "Type about how much of the bottle was spilled.")
        return cleaned


class OvershotForm(GuardedForm):
    """What is read now that it is past the mark."""

    reading = TypedNumberField(label="What it reads now")

    def __init__(self, *args: Any, unit: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reading"].unit = unit  # type: ignore[attr-defined]  # a TypedNumberField

    @property
    def wants_to_keep(self) -> bool:
        """The button that records was pressed; the other one only works out what can be done."""
        return "keep" in self.data


class BrokenForm(GuardedForm):
    """What broke, and what was in it."""

    item = forms.ModelChoiceField(
        label="What broke", queryset=ApparatusItem.objects.none(), widget=forms.RadioSelect, empty_label=None
    )
    in_it = forms.ChoiceField(
        label="What was in it", choices=list(IN_IT.items()), widget=forms.RadioSelect, initial="empty"
    )

    def __init__(self, *args: Any, items: Iterable[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        item: Any = self.fields["item"]
        item.queryset = ApparatusItem.objects.filter(pk__in=items).order_by("type", "pk")
        item.label_from_instance = lambda one: one.words


class FailedForm(GuardedForm):
    """Why what is in work is given up."""

    why = forms.ChoiceField(label="What happened", choices=list(WHY.items()), widget=forms.RadioSelect)
    note = forms.CharField(
        label="More, in a few words",
        required=False,
        max_length=200,
        help_text="Whoever ordered it reads this.",
        widget=forms.TextInput(attrs={"autocomplete": "off"}),
    )

    @property
    def words(self) -> str:
        """Both as one reason."""
        chosen = WHY[self.cleaned_data["why"]]
        return ". ".join(filter(None, (chosen, self.cleaned_data["note"].strip())))
