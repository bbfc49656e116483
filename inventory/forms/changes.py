"""What a bottle's stock goes through: counts, disposals, returns, pouring over, moves."""

import re
from collections.abc import Iterable, Sequence
from typing import Any, Final

from django import forms

from inventory.amounts import as_text
from inventory.forms.base import CheckedForm, NumberText, PlaceField, ReasonText, TwoStepForm
from inventory.forms.bottles import UNIT_WORDS
from inventory.forms.standing import StorageReasonField
from inventory.models import Lot, WasteStream
from inventory.selectors import mergeable_with, waste_streams
from inventory.services import (
    AMOUNT_UNITS,
    check_count,
    check_disposal,
    check_filled_place,
    check_merge,
    check_return,
    check_split,
    takes_back_opened,
)
from prepdesk.core.errors import InvalidInput


class _AmountForm(TwoStepForm):
    """An amount of one lot, in a unit it can be counted in, with the balance the page showed."""

    expected_on_hand = forms.IntegerField(widget=forms.HiddenInput)
    unit = forms.ChoiceField(label="Unit")
    reason = ReasonText()

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        kwargs.setdefault("initial", {"expected_on_hand": lot.on_hand, "unit": lot.unit})
        super().__init__(*args, **kwargs)
        self.lot = lot
        self.fields["unit"].choices = _units_of(lot.unit)  # type: ignore[attr-defined]  # a choice field

    def shown_anew(self) -> dict[str, str]:
        """The balance that the page shows now, for the next sending."""
        return {"expected_on_hand": str(self.lot.on_hand)}

    def typed(self, data: dict[str, Any], *names: str) -> dict[str, Any]:
        """What was typed in these fields, with unit and reason."""
        return {name: data.get(name, "") for name in (*names, "unit", "reason")}


class CountForm(_AmountForm):
    """What a count found."""

    counted = NumberText(
        label="Counted", required=True, help_text="What is in the bottle, without the bottle. 0 if empty."
    )
    SIDE_BY_SIDE = (("counted", "unit"),)
    field_order = ["counted", "unit", "reason"]

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_count(lot=self.lot, **self.typed(data, "counted"))


class DisposeForm(_AmountForm):
    """What goes to waste."""

    amount = NumberText(label="Amount that goes to waste", required=True)
    waste_stream = forms.ModelChoiceField(
        queryset=WasteStream.objects.none(), label="Waste stream", empty_label="Choose one"
    )
    SIDE_BY_SIDE = (("amount", "unit"),)
    field_order = ["amount", "unit", "waste_stream", "reason"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        streams = waste_streams(in_use=True)
        self.fields["waste_stream"].queryset = streams  # type: ignore[attr-defined]  # a model choice
        if not streams.exists():
            del self.fields["waste_stream"]

    def ask_service(self, data: dict[str, Any]) -> object:
        if "waste_stream" in self.errors:
            # The field has said so already; the rest is still to be read.
            check = {**self.typed(data, "amount"), "lot": self.lot}
            return _without("waste_stream", lambda: check_disposal(**check))
        return check_disposal(
            lot=self.lot, **self.typed(data, "amount"), waste_stream=data.get("waste_stream")
        )


class ReturnForm(_AmountForm):
    """What came back unused."""

    amount = NumberText(label="Amount that came back", required=True)
    unopened = forms.BooleanField(label="These are packs that were never opened", required=False)
    SIDE_BY_SIDE = (("amount", "unit"),)
    field_order = ["amount", "unit", "unopened", "reason"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if takes_back_opened(self.lot):
            del self.fields["unopened"]

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_return(lot=self.lot, **self.typed(data, "amount"), unopened=bool(data.get("unopened")))


# "10 x 100" fills ten bottles alike; the sign may be x, × or *.
_SEVERAL: Final = re.compile(r"\s*([0-9]{1,3})\s*[x×*]\s*(.+)", re.IGNORECASE)


class SplitForm(_AmountForm):
    """How a bottle is filled into smaller ones."""

    amounts = forms.CharField(
        label="Amount in each new bottle",
        max_length=2000,
        help_text="One line for each bottle, or 10 x 100 for ten bottles alike.",
        widget=forms.Textarea(attrs={"rows": "4", "cols": "16", "spellcheck": "false"}),
    )
    place = PlaceField(label="Where the new bottles stand")
    storage_reason = StorageReasonField()
    SIDE_BY_SIDE = (("amounts", "unit"),)
    field_order = ["amounts", "unit", "place", "storage_reason", "reason"]

    def __init__(self, *args: Any, lot: Lot, **kwargs: Any) -> None:
        initial = {"expected_on_hand": lot.on_hand, "unit": lot.unit, "place": lot.place_id}
        kwargs.setdefault("initial", initial)
        super().__init__(*args, lot=lot, **kwargs)

    def ask_service(self, data: dict[str, Any]) -> object:
        read = check_split(
            lot=self.lot,
            amounts=each_bottle(data.get("amounts", "")),
            unit=data.get("unit", ""),
            reason=data.get("reason", ""),
        )
        check_filled_place(self.lot, data.get("place"), data.get("storage_reason", ""))
        return read


def each_bottle(typed: str) -> Sequence[str]:
    """The amount of each bottle out of lines of amounts.

    >>> each_bottle("2 x 50")
    ['50', '50']
    """
    amounts: list[str] = []
    for line in filter(None, map(str.strip, typed.splitlines())):
        several = _SEVERAL.fullmatch(line)
        amounts += [several[2]] * int(several[1]) if several else [line]
    return amounts


class MergeForm(TwoStepForm):
    """Whose rest is poured into a bottle."""

    leftovers = forms.MultipleChoiceField(
        label="Pour in all that is left of",
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": "Tick the bottles whose rest is poured into this one.",
            "invalid_choice": "One of the bottles can't be poured any more: it was emptied or stopped. "
            "Choose again.",
        },
    )
    # Keys and balances the page showed, so that a bottle somebody drew from since is told.
    expected = forms.CharField(widget=forms.HiddenInput, required=False, max_length=4000)
    reason = ReasonText()

    def __init__(self, *args: Any, lot: Lot, actor: Any, **kwargs: Any) -> None:
        self.lot = lot
        self.candidates = {other.pk: other for other in mergeable_with(lot, actor=actor)}
        kwargs.setdefault("initial", {"expected": self.as_shown()})
        super().__init__(*args, **kwargs)
        self.fields["leftovers"].choices = [  # type: ignore[attr-defined]  # a choice field
            (str(pk), f"{other.code}, {as_text(other.on_hand, other.unit)}{_held(other)}{_until(other)}")
            for pk, other in self.candidates.items()
        ]

    def shown_anew(self) -> dict[str, str]:
        """What the page shows now, for the next sending."""
        return {"expected": self.as_shown()}

    def as_shown(self) -> str:
        """The balances the page shows."""
        return ",".join(f"{each.pk}:{each.on_hand}" for each in (self.lot, *self.candidates.values()))

    def chosen(self, data: dict[str, Any]) -> list[Lot]:
        """The bottles that were ticked."""
        return [self.candidates[int(pk)] for pk in data.get("leftovers", ())]

    def expected_balances(self) -> dict[int, int]:
        """The balances the page showed, by key; what can't be read counts as not shown."""
        pairs = re.findall(r"(\d{1,18}):(\d{1,18})", self.cleaned_data.get("expected", ""))
        return {int(pk): int(base) for pk, base in pairs}

    def ask_service(self, data: dict[str, Any]) -> object:
        return check_merge(into=self.lot, leftovers=self.chosen(data), reason=data.get("reason", ""))


def _held(lot: Lot) -> str:
    return f", {as_text(lot.held, lot.unit)} of it held" if lot.held else ""


def _until(lot: Lot) -> str:
    return f", expires {lot.expires_on:%d %B %Y}" if lot.expires_on else ""


class MoveForm(CheckedForm):
    """Where a bottle, or several, were put."""

    place = PlaceField(label="It stands now in")
    storage_reason = StorageReasonField()
    reason = ReasonText(required=False)

    def ask_service(self, data: dict[str, Any]) -> object:
        return data


class MoveSeveralForm(MoveForm):
    """Bottles of one place are put elsewhere together."""

    lots = forms.ModelMultipleChoiceField(
        queryset=Lot.objects.none(),
        label="Bottles",
        to_field_name="code",
        widget=forms.CheckboxSelectMultiple,
    )
    field_order = ["lots", "place", "storage_reason", "reason"]

    def __init__(self, *args: Any, lots: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["lots"].queryset = lots  # type: ignore[attr-defined]  # a model choice field
        self.fields["place"].label = "They stand now in"


def _units_of(counted_in: str) -> Iterable[tuple[str, str]]:
    return [
        (unit, UNIT_WORDS.get(unit, unit)) for unit, (base, _) in AMOUNT_UNITS.items() if base == counted_in
    ]


def _without(field: str, check: Any) -> object:
    """Run a check and leave out what it says about ``field``."""
    try:
        return check()
    except InvalidInput as refusal:
        rest = {name: text for name, text in refusal.errors.items() if name != field}
        if rest:
            raise InvalidInput(rest) from refusal
        return None


class ReasonForm(CheckedForm):
    """Only a reason."""

    reason = ReasonText()

    def __init__(self, *args: Any, asks: bool = True, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["reason"].required = asks

    def ask_service(self, data: dict[str, Any]) -> object:
        return data
