"""Everything that changes the shelves, by noun: holds and counts, lots, apparatus.

Each takes the person who is responsible as ``actor``, asks the policy, runs in one transaction and
raises a :class:`~prepdesk.core.errors.DomainError`. Whoever calls several in one transaction opens it
with :func:`in_transaction_with_retries` (or decorates with :func:`atomic_with_retries`), because only
the outermost transaction can be run again after a deadlock.
"""

from inventory.ledger import Missing, NotEnough, lock_lots
from inventory.services.apparatus import (
    add_apparatus,
    change_apparatus,
    check_apparatus,
    check_change,
)
from inventory.services.attachments import (
    MOST_BYTES,
    add_attachment,
    check_attachment,
    opened_file,
    was_attached,
    withdraw_attachment,
)
from inventory.services.bookings import (
    AlreadyBooked,
    Clash,
    book_apparatus,
    cancel_booking,
    check_booking,
    end_bookings,
    release_bookings,
)
from inventory.services.bulk import (
    Counted,
    Receipt,
    SubstanceChange,
    correct_stock_in_bulk,
    receive_lots_in_bulk,
    save_substances_in_bulk,
)
from inventory.services.facts import FACTS
from inventory.services.labels import Label, check_label, correct_label, correct_labels_in_bulk
from inventory.services.lost import listen_to_lost_apparatus
from inventory.services.lots import (
    change_lot_state,
    check_receipt,
    receive_lot,
    receive_prepared_lot,
)
from inventory.services.moves import move_lot, move_lots
from inventory.services.opening import open_lot
from inventory.services.places import (
    add_place,
    added_place,
    change_place,
    check_place,
    reopen_place,
    retire_place,
)
from inventory.services.pouring import check_filled_place, check_merge, check_split, merge_lots, split_lot
from inventory.services.recalls import recall_lots
from inventory.services.returns import check_return, return_to_lot, takes_back_opened
from inventory.services.run_dry import empty_bottle, leave_nothing
from inventory.services.sending import was_sent
from inventory.services.spills import Spill, book_spill, check_stream
from inventory.services.standing import AGAINST, check_standing
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
from inventory.services.substance_facts import check_facts, edit_substance, facts_as_shown
from inventory.services.substances import (
    add_substance,
    added_substance,
    check_substance,
    hazard_codes,
    load_catalogue,
)
from inventory.services.transactions import atomic_with_retries, in_transaction_with_retries
from inventory.services.typed import AMOUNT_UNITS
from inventory.services.upkeep import (
    change_count,
    check_calibration,
    check_new_count,
    record_calibration,
    set_in_service,
)
from inventory.services.waste import (
    add_waste_stream,
    added_waste_stream,
    check_waste_stream,
    set_waste_stream_in_use,
)

__all__ = [
    "AGAINST",
    "AMOUNT_UNITS",
    "FACTS",
    "MOST_BYTES",
    "AlreadyBooked",
    "Clash",
    "Counted",
    "CountedBefore",
    "Found",
    "Label",
    "Missing",
    "NotEnough",
    "Receipt",
    "Spill",
    "SubstanceChange",
    "add_apparatus",
    "add_attachment",
    "add_place",
    "add_substance",
    "add_waste_stream",
    "added_place",
    "added_substance",
    "added_waste_stream",
    "atomic_with_retries",
    "begin_stocktake",
    "book_apparatus",
    "book_spill",
    "cancel_booking",
    "change_apparatus",
    "change_count",
    "change_lot_state",
    "change_place",
    "check_apparatus",
    "check_attachment",
    "check_booking",
    "check_calibration",
    "check_change",
    "check_count",
    "check_disposal",
    "check_facts",
    "check_filled_place",
    "check_label",
    "check_merge",
    "check_new_count",
    "check_place",
    "check_receipt",
    "check_return",
    "check_split",
    "check_standing",
    "check_stream",
    "check_substance",
    "check_waste_stream",
    "correct_label",
    "correct_labels_in_bulk",
    "correct_stock",
    "correct_stock_in_bulk",
    "count_lots",
    "dispose",
    "draw_holds",
    "edit_substance",
    "empty_bottle",
    "end_bookings",
    "facts_as_shown",
    "give_up_stocktake",
    "hazard_codes",
    "hold_stock",
    "in_transaction_with_retries",
    "leave_nothing",
    "listen_to_lost_apparatus",
    "load_catalogue",
    "lock_lots",
    "merge_lots",
    "move_lot",
    "move_lots",
    "open_lot",
    "opened_file",
    "post_stocktake",
    "recall_lots",
    "receive_lot",
    "receive_lots_in_bulk",
    "receive_prepared_lot",
    "record_calibration",
    "release_bookings",
    "release_holds",
    "reopen_place",
    "retire_place",
    "return_to_lot",
    "reverse_movement",
    "save_substances_in_bulk",
    "set_in_service",
    "set_waste_stream_in_use",
    "split_lot",
    "state_of_lines",
    "takes_back_opened",
    "undo_line",
    "was_attached",
    "was_sent",
    "withdraw_attachment",
]
