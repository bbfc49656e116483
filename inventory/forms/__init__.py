"""The forms of the stockroom."""

from inventory.forms.apparatus import (
    ApparatusCountForm,
    ApparatusFactsForm,
    ApparatusForm,
    BookingForm,
    CalibrationForm,
    ServiceForm,
)
from inventory.forms.base import new_key
from inventory.forms.bottles import FIGURES, FIGURES_OF_KIND, LabelForm, ReceiveForm
from inventory.forms.changes import (
    CountForm,
    DisposeForm,
    MergeForm,
    MoveForm,
    MoveSeveralForm,
    ReasonForm,
    ReturnForm,
    SplitForm,
    each_bottle,
)
from inventory.forms.files import BringForm, ConfirmForm, LedgerForm
from inventory.forms.listing import StockFilter
from inventory.forms.papers import AttachmentForm, WasteStreamForm
from inventory.forms.places import PlaceForm, PutForm
from inventory.forms.standing import code_trouble
from inventory.forms.stocktakes import AmountsForm, BeginCountForm, CloseCountForm
from inventory.forms.substances import FactsForm, SubstanceForm

__all__ = [
    "FIGURES",
    "FIGURES_OF_KIND",
    "AmountsForm",
    "ApparatusCountForm",
    "ApparatusFactsForm",
    "ApparatusForm",
    "AttachmentForm",
    "BeginCountForm",
    "BookingForm",
    "BringForm",
    "CalibrationForm",
    "CloseCountForm",
    "ConfirmForm",
    "CountForm",
    "DisposeForm",
    "FactsForm",
    "LabelForm",
    "LedgerForm",
    "MergeForm",
    "MoveForm",
    "MoveSeveralForm",
    "PlaceForm",
    "PutForm",
    "ReasonForm",
    "ReceiveForm",
    "ReturnForm",
    "ServiceForm",
    "SplitForm",
    "StockFilter",
    "SubstanceForm",
    "WasteStreamForm",
    "code_trouble",
    "each_bottle",
    "new_key",
]
