"""Batches at the bench: claimed, worked step by step, finished, handed over.

Each function locks the batch row first, so that of two people who press the same button exactly one
is served and the other is told by whom.
"""

from decimal import Decimal
from typing import Any, Final

from django.utils import timezone

from inventory.amounts import from_base, to_base
from inventory.models import Hold, Substance
from inventory.services import (
    draw_holds,
    hold_stock,
    in_transaction_with_retries,
    receive_prepared_lot,
)
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.settle import Settlement, judge_reading, settle
from prepdesk.calc.typed import TypedNumber, parse_number, parse_positive
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets, states
from requests_app.models import Batch, BatchHold, Sheet, StepRecord
from requests_app.selectors import BenchStep, active_holds, bench_steps
from requests_app.services.moves import move
from requests_app.shelf_life import expiry_of
