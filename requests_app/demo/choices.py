"""Orders that show a choice: one waits for it, one was made from what was chosen; and a leftover."""

from typing import Final

from inventory.services import change_lot_state, return_to_lot
from prepdesk.accounts.models import User
from requests_app.demo.days import DemoOrder
from requests_app.models import Batch

# The bottle of the anhydrous salt is too small for a class, and the pentahydrate stands beside it.
WAITS_FOR_A_CHOICE: Final = DemoOrder(
    "instructor", "CH 101", "A B", (("copper-sulfate-anhydrous", "0.20", "mol/L"),), "70", 12, "210", 22.0
)
# There is no bottle of the anhydrous salt at all; whoever ordered it chose the hexahydrate.
MADE_FROM_A_CHOICE: Final = DemoOrder(
    "quill",
    "CH 240",
    "A",
    (("cobalt-chloride-anhydrous", "0.10", "mol/L"),),
    "15",
    9,
    "305",
    (-6, 10),
    source="cobalt-chloride-hexahydrate",
)
# What a class brought back of yesterday's solution.
LEFT_OVER_ML: Final = "420"


def bring_back_leftover(*, actor: User, key: str) -> None:
    """The last solution that was handed over comes back in part, is looked at and is good to use."""
    batch = (
        Batch.objects.filter(prepared_lot__substance__key="sodium-hydrogen-carbonate", state="handed_over")
        .select_related("prepared_lot")
        .latest("pk")
    )
    lot = batch.prepared_lot
    assert lot is not None
    return_to_lot(
        actor=actor,
        lot=lot,
        amount=LEFT_OVER_ML,
        unit="mL",
        reason="came back unopened from section C",
        idempotency_key=f"{key}leftover",
    )
    change_lot_state(actor=actor, lot=lot, event="release", reason="clear, label whole, stopper tight")
