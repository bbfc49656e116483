"""Everything that changes the shelves, by noun: holds and counts, lots, apparatus.

Each takes the person who is responsible as ``actor``, asks the policy, runs in one transaction and
raises a :class:`~prepdesk.core.errors.DomainError`. Whoever calls several in one transaction opens it
with :func:`in_transaction_with_retries` (or decorates with :func:`atomic_with_retries`), because only
the outermost transaction can be run again after a deadlock.
"""

from inventory.ledger import Missing, NotEnough
from inventory.services.apparatus import add_apparatus, check_apparatus, set_in_service
from inventory.services.facts import FACTS
from inventory.services.labels import check_label, correct_label
from inventory.services.lots import (
    change_lot_state,
    check_receipt,
    open_lot,
    receive_lot,
    receive_prepared_lot,
)
from inventory.services.places import (
    AGAINST,
    add_place,
    change_place,
    check_place,
    check_standing,
    put_lots,
    reopen_place,
    retire_place,
)
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
from inventory.services.stocktakes import (
    CountedBefore,
    Found,
    begin_stocktake,
    count_lots,
    give_up_stocktake,
    post_stocktake,
    state_of_lines,
    undo_line,
)
from inventory.services.substances import add_substance, check_substance, hazard_codes, load_catalogue
from inventory.services.transactions import atomic_with_retries, in_transaction_with_retries
from inventory.services.typed import AMOUNT_UNITS

__all__ = [
    "AGAINST",
    "AMOUNT_UNITS",
    "FACTS",
    "CountedBefore",
    "Found",
    "Missing",
    "NotEnough",
    "add_apparatus",
    "add_place",
    "add_substance",
    "atomic_with_retries",
    "begin_stocktake",
    "change_lot_state",
    "change_place",
    "check_apparatus",
    "check_count",
    "check_disposal",
    "check_label",
    "check_place",
    "check_receipt",
    "check_standing",
    "check_substance",
    "correct_label",
    "correct_stock",
    "count_lots",
    "dispose",
    "draw_holds",
    "give_up_stocktake",
    "hazard_codes",
    "hold_stock",
    "in_transaction_with_retries",
    "load_catalogue",
    "open_lot",
    "post_stocktake",
    "put_lots",
    "receive_lot",
    "receive_prepared_lot",
    "release_holds",
    "reopen_place",
    "retire_place",
    "reverse_movement",
    "set_in_service",
    "state_of_lines",
    "undo_line",
]
