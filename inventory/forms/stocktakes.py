"""A shelf is counted: begun, amounts typed, differences answered for."""

from collections.abc import Iterable
from typing import Any, Final

from django import forms

from inventory import codes, states
from inventory.amounts import Unit
from inventory.forms.base import CheckedForm, NumberText, PlaceField
from inventory.models import Lot, StocktakeLine
from inventory.services import AMOUNT_UNITS, Found

_UNIT_NAMES: Final = {"uL": "µL", "pc": str(Unit.PIECE.label)}
ANSWERS: Final = ((states.NOT_FOUND, "It is gone: count it as nothing"), (states.LEFT_OPEN, "Leave it open"))


class BeginCountForm(CheckedForm):
    """A count of one place and of what is inside it."""

    place = PlaceField(label="What is counted", required=True, help_text="With everything inside it.")
    blind = forms.BooleanField(
        label="Hide what the ledger expects until a lot is counted",
        required=False,
    )
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))

    def ask_service(self, data: dict[str, Any]) -> object:
        return data


class AmountsForm(CheckedForm):
    """Amounts found, one field per lot; an empty field was not counted."""

    def __init__(self, *args: Any, lots: Iterable[Lot], choose_unit: bool = False, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.lots = list(lots)
        for lot in self.lots:
            name = f"counted_{lot.pk}"
            self.fields[name] = NumberText(
                label=f"Counted of {lot.code}",
                unit="" if choose_unit else Unit(lot.unit).label,
                required=choose_unit,
            )
            self.fields[name].widget.attrs["data-amount"] = lot.code
            if choose_unit:
                self.fields[f"unit_{lot.pk}"] = forms.ChoiceField(
                    label="Unit", choices=_units_of(lot.unit), initial=lot.unit
                )

    def ask_service(self, data: dict[str, Any]) -> object:
        for lot in self.lots:
            typed = str(data.get(f"counted_{lot.pk}", "")).strip()
            if codes.looks_like_one(typed) or codes.is_sound(codes.tidied(typed)):
                self.add_error(
                    f"counted_{lot.pk}",
                    f"“{typed}” is a scanned code and no amount. Nothing was counted for {lot.code}; "
                    "type what is in it, then scan the next one.",
                )
        return data

    def found(self) -> list[Found]:
        """What was typed, lot by lot."""
        data = self.cleaned_data
        return [
            Found(lot, data[f"counted_{lot.pk}"], data.get(f"unit_{lot.pk}") or lot.unit)
            for lot in self.lots
            if data.get(f"counted_{lot.pk}", "").strip()
        ]


class CloseCountForm(CheckedForm):
    """The differences of a count, each with its reason, and an answer for whatever nobody has seen."""

    seen = forms.CharField(widget=forms.HiddenInput, max_length=60)
    reason = forms.CharField(
        label="Reason for all differences",
        required=False,
        help_text="Counts for every difference below that has none of its own.",
        widget=forms.TextInput(attrs={"size": "40"}),
    )

    rest_open = forms.BooleanField(label="Leave open whatever has no answer above", required=False)

    def __init__(
        self, *args: Any, lines: Iterable[StocktakeLine], unseen: Iterable[Lot], **kwargs: Any
    ) -> None:
        super().__init__(*args, **kwargs)
        self.counted, self.unseen = list(lines), list(unseen)
        for line in self.counted:
            if line.difference:
                self.fields[f"reason_{line.pk}"] = forms.CharField(
                    label=f"Reason for {line.lot.code}", required=False
                )
            self.fields[f"leave_{line.pk}"] = forms.BooleanField(
                label=f"Leave {line.lot.code} open", required=False
            )
        for lot in self.unseen:
            self.fields[f"answer_{lot.pk}"] = forms.ChoiceField(
                label=f"What about {lot.code}", choices=ANSWERS, widget=forms.RadioSelect, required=False
            )

    def ask_service(self, data: dict[str, Any]) -> object:
        return data

    def typed(self) -> dict[str, Any]:
        """What the service takes."""
        data = self.cleaned_data
        return {
            "seen": data["seen"],
            "reason": data["reason"],
            "reasons": {line.pk: data.get(f"reason_{line.pk}", "") for line in self.counted},
            "leave": [line.pk for line in self.counted if data.get(f"leave_{line.pk}")],
            "answers": {
                lot.pk: data.get(f"answer_{lot.pk}") or (states.LEFT_OPEN if data["rest_open"] else "")
                for lot in self.unseen
            },
        }


def _units_of(counted_in: str) -> list[tuple[str, str]]:
    return [
        (unit, _UNIT_NAMES.get(unit, unit)) for unit, (base, _) in AMOUNT_UNITS.items() if base == counted_in
    ]
