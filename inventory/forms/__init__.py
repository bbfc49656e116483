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
from inventory.forms.listing import StockFilter
from inventory.forms.places import PlaceForm, PutForm
from inventory.forms.standing import code_trouble
from inventory.forms.stocktakes import AmountsForm, BeginCountForm, CloseCountForm
from inventory.forms.substances import SubstanceForm

__all__ = [
    "FIGURES",
    "FIGURES_OF_KIND",
    "AmountsForm",
    "ApparatusForm",
    "BeginCountForm",
    "CloseCountForm",
    "CountForm",
    "DisposeForm",
    "LabelForm",
    "PlaceForm",
    "PutForm",
    "ReasonForm",
    "ReceiveForm",
    "StockFilter",
    "SubstanceForm",
    "code_trouble",
    "new_key",
]
