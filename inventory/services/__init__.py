"""Everything that changes the shelves, by noun: holds and counts, lots, apparatus.

Each takes the person who is responsible as ``actor``, asks the policy, runs in one transaction and
raises a :class:`~prepdesk.core.errors.DomainError`. Whoever calls several in one transaction opens it
with :func:`in_transaction_with_retries` (or decorates with :func:`atomic_with_retries`), because only
the outermost transaction can be run again after a deadlock.
"""

from inventory.ledger import Missing, NotEnough
from inventory.services.apparatus import add_apparatus, check_apparatus, set_in_service
from inventory.services.bulk import (
    Counted,
    Receipt,
    correct_stock_in_bulk,
    receive_lots_in_bulk,
    save_substances_in_bulk,
)
from inventory.services.facts import FACTS
from inventory.services.labels import check_label, correct_label
from inventory.services.lots import (
    change_lot_state,
    check_receipt,
    open_lot,
    receive_lot,
    receive_prepared_lot,
)
from inventory.services.places import add_place, check_place
from inventory.services.stock import (
    check_count,
    check_disposal,
    correct_stock,
    dispose,
    draw_holds,
    hold_stock,
    release_holds,
    reverse_movement,
)
from inventory.services.store_facts import check_store_facts, unit_of_substance
from inventory.services.substances import add_substance, check_substance, hazard_codes, load_catalogue
from inventory.services.transactions import atomic_with_retries, in_transaction_with_retries
from inventory.services.typed import AMOUNT_UNITS

__all__ = [
    "AMOUNT_UNITS",
    "FACTS",
    "Counted",
    "Missing",
    "NotEnough",
    "Receipt",
    "add_apparatus",
    "add_place",
    "add_substance",
    "atomic_with_retries",
    "change_lot_state",
    "check_apparatus",
    "check_count",
    "check_disposal",
    "check_label",
    "check_place",
    "check_receipt",
    "check_store_facts",
    "check_substance",
    "correct_label",
    "correct_stock",
    "correct_stock_in_bulk",
    "dispose",
    "draw_holds",
    "hazard_codes",
    "hold_stock",
    "in_transaction_with_retries",
    "load_catalogue",
    "open_lot",
    "receive_lot",
    "receive_lots_in_bulk",
    "receive_prepared_lot",
    "release_holds",
    "reverse_movement",
    "save_substances_in_bulk",
    "set_in_service",
    "unit_of_substance",
]
