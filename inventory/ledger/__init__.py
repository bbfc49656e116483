"""The ledger: the only writer of movements, of holds, and of a lot's two balances.

Movements are the truth; ``Lot.on_hand`` and ``Lot.held`` are caches of them and of the active holds.
Three guards work together, because each alone lets something through:

1. the lots concerned are locked, in key order, once, before anything is checked. Unsorted locks
   deadlock, and a check before the lock reads a balance that somebody else is changing;
2. the balances change by ``F()`` in the database, never by saving a number read earlier;
3. constraints (0 <= held <= on_hand) stop whatever the first two should miss.

A hold's state changes only under the lock of its lot, so that lock guards the holds too.

On PostgreSQL a hold is placed by one function of the database (migration 0010), which keeps the same
three guards; whatever it declines, and every hold on SQLite, goes step by step and can say why.

Every function but ``place_holds_at_once`` runs inside the caller's transaction; :mod:`inventory.services`
opens it, retries it and decides who may do what. Amounts are whole base units, see :mod:`inventory.amounts`.
"""

from inventory.ledger.draws import draw_holds
from inventory.ledger.holds import Draws, place_holds, place_holds_at_once, release_holds
from inventory.ledger.locks import Missing, NotEnough, lock_lots
from inventory.ledger.many import Entry, post_movements
from inventory.ledger.movements import post_movement, posted
from inventory.ledger.pouring import post_pouring, rows_of_pouring
from inventory.ledger.reversals import reverse_movement

__all__ = [
    "Draws",
    "Entry",
    "Missing",
    "NotEnough",
    "draw_holds",
    "lock_lots",
    "place_holds",
    "place_holds_at_once",
    "post_movement",
    "post_movements",
    "post_pouring",
    "posted",
    "release_holds",
    "reverse_movement",
    "rows_of_pouring",
]
