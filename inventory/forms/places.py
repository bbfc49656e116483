"""Places are named and changed; lots are scanned to where they stand now."""

from typing import Any

from django import forms

from inventory.forms.base import CheckedForm, PlaceField
from inventory.forms.standing import ScanField, StorageReasonField
from inventory.models import Place
from inventory.services import AGAINST, added_place, check_place, check_standing
from prepdesk.accounts.models import User


class PlaceForm(CheckedForm):
    """A room, a cabinet, a shelf."""

    name = forms.CharField(label="Name", help_text="As it stands on the door or the shelf.")
    kind = forms.ChoiceField(
        label="What it is",
        required=False,
        choices=Place.Kind.choices,
        initial=Place.Kind.SHELF,
        help_text="What stands in one cabinet is judged together.",
    )
    parent = PlaceField(label="It is in")
    note = forms.CharField(label="Note", required=False, widget=forms.TextInput(attrs={"size": "40"}))

    def __init__(self, *args: Any, place: Place | None = None, **kwargs: Any) -> None:
        if place:
            own = {"name": place.name, "kind": place.kind, "parent": place.parent_id, "note": place.note}
            kwargs.setdefault("initial", own)
        super().__init__(*args, **kwargs)
        self.place = place

    def ask_service(self, data: dict[str, Any]) -> object:
        if not self.place and added_place(data.get("idempotency_key"), name=data.get("name", "")):
            return None
        return check_place(**self.typed(data), instead_of=self.place)

    def typed(self, data: dict[str, Any]) -> dict[str, Any]:
        """What the service takes."""
        return {
            "name": data.get("name", ""),
            "kind": data.get("kind") or Place.Kind.OTHER,
            "parent": data.get("parent"),
            "note": data.get("note", ""),
        }


class PutForm(CheckedForm):
    """A scanned lot comes to stand at a place."""

    scan = ScanField()
    storage_reason = StorageReasonField()

    def __init__(self, *args: Any, actor: User, place: Place, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scan"].actor = actor  # type: ignore[attr-defined]  # a scan field
        self.place = place

    def ask_service(self, data: dict[str, Any]) -> object:
        lot = data.get("scan")
        if lot and lot.place_id != self.place.pk:
            check_standing(lot, self.place, data.get(AGAINST, ""))
        return lot
