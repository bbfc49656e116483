"""The shelves: substances, lots, apparatus, and the ledger's rows.

Rows of :class:`Movement` are the truth about stock; ``Lot.on_hand`` and ``Lot.held`` are caches that
database constraints guard and only :mod:`inventory.ledger` changes. Amounts are whole base units
(micrograms, microlitres, pieces); see :mod:`inventory.amounts`.
"""

from inventory.models.apparatus import ApparatusEvent, ApparatusItem
from inventory.models.attachments import Attachment
from inventory.models.bookings import Booking
from inventory.models.imports import ImportRow, ImportRun
from inventory.models.lots import Lot, LotEvent, LotParent
from inventory.models.places import Place
from inventory.models.stock import Hold, Movement, WasteStream
from inventory.models.stocktakes import Stocktake, StocktakeLine
from inventory.models.substances import Substance, SubstanceEvent

__all__ = [
    "ApparatusEvent",
    "ApparatusItem",
    "Attachment",
    "Booking",
    "Hold",
    "ImportRow",
    "ImportRun",
    "Lot",
    "LotEvent",
    "LotParent",
    "Movement",
    "Place",
    "Stocktake",
    "StocktakeLine",
    "Substance",
    "SubstanceEvent",
    "WasteStream",
]
