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
from inventory.forms.substances import PlaceForm, SubstanceForm

__all__ = [
    "FIGURES",
    "FIGURES_OF_KIND",
    "ApparatusCountForm",
    "ApparatusFactsForm",
    "ApparatusForm",
    "BookingForm",
    "CalibrationForm",
    "CountForm",
    "DisposeForm",
    "LabelForm",
    "PlaceForm",
    "ReasonForm",
    "ReceiveForm",
    "ServiceForm",
    "StockFilter",
    "SubstanceForm",
    "new_key",
]
