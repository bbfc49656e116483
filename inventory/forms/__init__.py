"""The forms of the stockroom."""

from inventory.forms.apparatus import ApparatusForm
from inventory.forms.base import new_key
from inventory.forms.bottles import (
    FIGURES,
    FIGURES_OF_KIND,
    CountForm,
    DisposeForm,
    LabelForm,
    ReasonForm,
    ReceiveForm,
)
from inventory.forms.files import BringForm, ConfirmForm, LedgerForm
from inventory.forms.listing import StockFilter
from inventory.forms.substances import PlaceForm, SubstanceForm

__all__ = [
    "FIGURES",
    "FIGURES_OF_KIND",
    "ApparatusForm",
    "BringForm",
    "ConfirmForm",
    "CountForm",
    "DisposeForm",
    "LabelForm",
    "LedgerForm",
    "PlaceForm",
    "ReasonForm",
    "ReceiveForm",
    "StockFilter",
    "SubstanceForm",
    "new_key",
]
