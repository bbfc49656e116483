"""What is in an unknown, and who may read it: the one place that decides, and that takes it away.

The rule:

* The one who ordered the set reads everything about its samples.
* Whoever has claimed the batch of a sample makes it, so reads its sheet; afterwards, what they made. They
  may hand it to a colleague, who then reads it in their place; nobody gets to read it by taking it.
* The readers that were named open the key, where every reading is written down. On the pages of orders and
  batches they see what everybody sees.
* Nobody else: no colleague, no other prep staff, no manager.

Rows are taken apart in memory as they are loaded for a person, by the selectors of orders and batches and
by the traces, before any page, file or answer is made of them. They are never saved: every service reads
its rows afresh, under a lock. What is said to more than one person (titles, notices, the purpose of a hold,
what stands on the shelf) never has a figure to begin with. What was weighed stays in the ledger of the
bottle it came from, as it must; there it stands under the number of its batch, not under the code.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Final

from django.db.models import prefetch_related_objects

from prepdesk.accounts.models import User
from requests_app.models import Batch, Order, UnknownSet

NOT_SHOWN: Final = "An unknown: what it waits for is shown to whoever ordered it."
ASK_THE_KEY: Final = "An unknown: its figures are with whoever ordered it and whoever makes it."
# What of a plan says nothing about how much is in it.
_KEPT: Final = (
    "feasible",
    "title",
    "volume",
    "makes",
    "cautions",
    "tolerance_percent",
    "tolerance_basis",
    "temperature_c",
    "solvent",
    "data_version",
)


# --- who ----------------------------------------------------------------------------------------
def is_unknown(order: Order) -> bool:
    """Whether an order is a coded sample."""
    return getattr(order, "unknown_sample", None) is not None


def holds_unknown(batch: Batch) -> bool:
    """Whether a batch is made for a coded sample, or was."""
    return batch.unknown_of_id is not None


def may_read_order(actor: User, order: Order) -> bool:
    """Whether a person may read the figures of an order, and of the batch it is in."""
    if not is_unknown(order) or order.ordered_by_id == actor.pk:
        return True
    return order.batch is not None and order.batch.claimed_by_id == actor.pk


def may_read_batch(actor: User, batch: Batch) -> bool:
    """Whether a person may read the figures of a batch."""
    return may_read_figures(actor, batch.unknown_of_id, batch.claimed_by_id)


def may_read_figures(actor: User, owner: int | None, maker: int | None) -> bool:
    """The same by keys: whose unknown it is, None for what is no unknown, and who has claimed its batch."""
    return owner is None or actor.pk in (owner, maker)


def may_make(actor: User, batch: Batch) -> bool:
    """Whether this person may work on a batch that somebody else has, as a manager may on all others."""
    return batch.claimed_by_id == actor.pk or not holds_unknown(batch)


def may_open_key(actor: User, unknowns: UnknownSet) -> bool:
    """Whether a person may open the key of a set: who ordered it, and the readers they named."""
    return unknowns.ordered_by_id == actor.pk or any(
        reader.pk == actor.pk for reader in unknowns.readers.all()
    )


def owner_of(orders: Iterable[Order]) -> User | None:
    """Whose unknown a batch for these orders is, if it is one."""
    return next((order.ordered_by for order in orders if is_unknown(order)), None)


# --- what everybody may read ----------------------------------------------------------------------
def title_of(orders: Iterable[Order], plan: Mapping[str, Any]) -> str:
    """What a batch is called: as its plan says, or for an unknown as its order, which has no figure."""
    unknown = next((order.title for order in orders if is_unknown(order)), None)
    return unknown or str(plan["title"])[:200]


def purpose_of(batch: Batch) -> str:
    """What holds, bookings and draws of a batch say they are for.

    Of an unknown without its code: beside an amount, the code would be the key.
    """
    return f"{batch.reference} {'unknown' if holds_unknown(batch) else batch.title}"


def note_for(orders: Iterable[Order], note: str) -> str:
    """A line of a history that a service writes itself; for an unknown without what it says of amounts."""
    return "" if any(is_unknown(order) for order in orders) else note


# --- taking it away -------------------------------------------------------------------------------
def conceal_order(actor: User, order: Order) -> Order:
    """Take away what this person may not read of a loaded order and its batch; never save what is left."""
    order.is_concealed = not may_read_order(actor, order)  # type: ignore[attr-defined]  # for pages
    if order.is_concealed:  # type: ignore[attr-defined]
        _empty_order(order)
        if order.batch is not None:
            _empty_batch(order.batch)
    return order


def conceal_orders(actor: User, orders: Iterable[Order]) -> list[Order]:
    """The same for the rows of a list, whose batches are not shown with them."""
    listed = list(orders)
    concealed = [order for order in listed if not may_read_order(actor, order)]
    prefetch_related_objects(concealed, "events")
    for order in concealed:
        order.is_concealed = True  # type: ignore[attr-defined]
        _empty_order(order)
    return listed


def conceal_batch(actor: User, batch: Batch) -> Batch:
    """The same for a loaded batch and all its orders."""
    batch.is_concealed = not may_read_batch(actor, batch)  # type: ignore[attr-defined]  # for pages
    if batch.is_concealed:  # type: ignore[attr-defined]
        _empty_batch(batch)
        for order in batch.orders.all():
            order.is_concealed = True  # type: ignore[attr-defined]
            _empty_order(order)
    return batch


def card_for_list(card: Mapping[str, Any]) -> dict[str, Any]:
    """What the row of a list may show of a batch whose figures this person may not read: how much of it."""
    return {"makes": card["makes"], "concealed": True}


def concealed_plan(plan: Mapping[str, Any]) -> dict[str, Any]:
    """A plan without any figure that leads to the concentration: what, how much of it, and the cautions."""
    components = [
        {name: one[name] for name in _IDENTITY if name in one} for one in plan.get("components", ())
    ]
    settling = {"kind": (plan.get("settling") or {}).get("kind", "volume"), "components": [], "sources": []}
    empty: dict[str, Any] = {name: [] for name in _EMPTIED}
    return {
        **{name: plan[name] for name in _KEPT if name in plan},
        **empty,
        "components": components,
        "settling": settling,
        "result": {"concentrations": []},
        "explanation": "",
        "runner_up": "",
        "concealed": True,
    }


_IDENTITY: Final = ("substance", "key", "formula", "formula_pretty", "cas", "form", "molar_mass")
_EMPTIED: Final = ("steps", "route", "budget", "problems", "working", "draws", "shortages", "offers")


def _empty_order(order: Order) -> None:
    # Loaded now if it wasn't before: rows that are loaded later would be whole again.
    prefetch_related_objects([order], "events")
    if order.waiting_for:
        order.waiting_for = [{"text": NOT_SHOWN, "alternatives": []}]
    _empty_notes(order.events.all())


def _empty_batch(batch: Batch) -> None:
    prefetch_related_objects([batch], "sheets", "step_records", "events", "mishaps")
    batch.settlement = None
    batch.pause_note = ""
    for sheet in batch.sheets.all():
        sheet.plan = {**concealed_plan(sheet.plan), "title": batch.title}
        sheet.request = {}
        sheet.reason = ""
    for record in batch.step_records.all():
        record.reading_text = record.reason = ""
    for mishap in batch.mishaps.all():
        # What was lost of a bottle, and what that cost, is what was weighed.
        mishap.text = ""
        mishap.lost = []
        mishap.cost_minor = None
    _empty_notes(batch.events.all())


def _empty_notes(events: Iterable[Any]) -> None:
    # What somebody typed may name an amount, and no rule finds that out.
    for event in events:
        event.note = ""
