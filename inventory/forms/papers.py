"""Files of a bottle or a substance, and the department's waste streams."""

from typing import Any

from django import forms

from inventory.forms.base import CheckedForm
from inventory.models import Attachment, Lot, Substance, WasteStream
from inventory.services import added_waste_stream, check_attachment, check_waste_stream, was_attached


class AttachmentForm(CheckedForm):
    """A file is added."""

    kind = forms.ChoiceField(label="What it is", choices=Attachment.Kind.choices, widget=forms.RadioSelect)
    upload = forms.FileField(
        label="File",
        max_length=1000,
        allow_empty_file=True,
        help_text="PDF, PNG or JPEG, at most 10 MB.",
        widget=forms.FileInput(attrs={"accept": ".pdf,.png,.jpg,.jpeg"}),
    )

    def __init__(self, *args: Any, of: Lot | Substance, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.of = of

    def ask_service(self, data: dict[str, Any]) -> object:
        if "upload" in self.errors or was_attached(data.get("idempotency_key", "")):
            return None
        return check_attachment(of=self.of, kind=data.get("kind", ""), upload=data.get("upload"))


class WasteStreamForm(CheckedForm):
    """A waste stream is added."""

    name = forms.CharField(
        label="Name", help_text="As it stands on the container.", widget=forms.TextInput(attrs={"size": "34"})
    )
    note = forms.CharField(
        label="What belongs in it", required=False, widget=forms.TextInput(attrs={"size": "40"})
    )

    def ask_service(self, data: dict[str, Any]) -> object:
        first: WasteStream | None = added_waste_stream(data.get("idempotency_key"))
        return first or check_waste_stream(name=data.get("name", ""), note=data.get("note", ""))
