"""Something went wrong at the bench: written down with what it cost. How each kind of it happens is with
:mod:`requests_app.services.spilling`, ``overshooting``, ``breaking`` and ``stopping``.

What was recorded before stays as it was read; nothing here is ever changed.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from inventory.amounts import from_base, to_base
from inventory.models import Lot, Movement, WasteStream
from inventory.selectors import cost_shares
from inventory.services import in_transaction_with_retries
from prepdesk.accounts.models import User
from prepdesk.calc.typed import TypedNumber
from prepdesk.core.errors import Conflict
from requests_app import sheets
from requests_app.concealing import holds_unknown
from requests_app.models import Batch, Mishap, Sheet
from requests_app.services.at_work import locked_batch, require_at_work, require_fresh
from requests_app.services.moves import note_event
from requests_app.services.second_check import withdraw_check


@dataclass(frozen=True, slots=True)
class Sending:
    """One sending of a form about what went wrong.

    Attributes:
        step_number: where it was noticed; None for what is given up as a whole.
        key: makes it one mishap however often it arrives.
        seen_version: of the batch on the page that was filled in; an older one is told.
    """

    actor: User
    batch: Batch
    step_number: int | None
    kind: str
    key: str
    seen_version: int | None = None


def once(sending: Sending, do: Callable[[Batch, Sheet], Mishap]) -> Mishap:
    """Do it under the lock of the batch, once for each key, by whoever has the batch.

    Raises:
        Conflict: somebody else has it or changed it meanwhile, or the key was used otherwise.
        NotInThisState: the batch isn't at the bench.
    """

    def work() -> Mishap:
        locked = locked_batch(sending.batch)
        first = Mishap.objects.filter(idempotency_key=sending.key).first()
        if first is not None:
            if (first.batch_id, first.kind) != (locked.pk, sending.kind):
                raise Conflict("This form was sent before, for something else. Open the page afresh.")
            return first
        require_at_work(sending.actor, locked)
        require_fresh(locked, sending.seen_version)
        withdraw_check(actor=sending.actor, batch=locked, why="something went wrong")
        return do(locked, sheets.current_sheet(locked))

    return in_transaction_with_retries(work)


def keep_mishap(
    sending: Sending,
    *,
    batch: Batch,
    sheet: Sheet,
    text: str,
    lost: Mapping[int, int],
    waste_stream: WasteStream | None = None,
    movement: Movement | None = None,
) -> Mishap:
    """Write down what went wrong with a locked batch, with what it cost; its version is raised.

    Args:
        text: what happened, without a capital; for those who may read the figures of the batch.
        lost: base units by lot key.
    """
    rows = lost_rows(lost)
    mishap = write_mishap(
        sending, sheet=sheet, text=text, rows=rows, waste_stream=waste_stream, movement=movement
    )
    batch.version += 1
    batch.save(update_fields=["version"])
    named = ", ".join(f"{row['amount']} {row['unit']} of {row['substance']}, {row['code']}" for row in rows)
    # What everybody reads of an unknown says what happened and not how much.
    more = "" if holds_unknown(batch) else "; ".join(filter(None, (text, named)))
    at = f"{mishap.get_kind_display()} at step {sending.step_number}"
    said = f"{at}: {more}" if more else at
    note_event(actor=sending.actor, row=batch, event="mishap", note=said)
    return mishap


def write_mishap(
    sending: Sending,
    *,
    sheet: Sheet,
    text: str,
    rows: list[dict[str, Any]],
    waste_stream: WasteStream | None = None,
    movement: Movement | None = None,
) -> Mishap:
    """The row alone, for a service that writes the history itself."""
    return Mishap.objects.create(
        batch=sending.batch,
        sheet=sheet,
        step_number=sending.step_number,
        kind=sending.kind,
        text=text[:300],
        lost=rows,
        cost_minor=cost_of(rows),
        waste_stream=waste_stream,
        movement=movement,
        actor=sending.actor,
        idempotency_key=sending.key,
    )


def cost_of(rows: Iterable[Mapping[str, Any]]) -> int | None:
    """What all that was lost cost; None where nothing was, or a bottle has no price."""
    costs = [row["cost_minor"] for row in rows]
    return sum(costs) if costs and None not in costs else None


def lost_rows(lost: Mapping[int, int]) -> list[dict[str, Any]]:
    """What was lost of each bottle, as it is kept: named, with its amount and its share of the cost."""
    lots = Lot.objects.select_related("substance").in_bulk(lost)
    shares = cost_shares(lost)
    return [
        {
            "lot": pk,
            "code": lots[pk].code,
            "substance": lots[pk].title or lots[pk].substance.name,
            "amount": f"{from_base(lost[pk], lots[pk].unit).normalize():f}",
            "unit": lots[pk].unit,
            "cost_minor": shares[pk],
        }
        for pk in sorted(lost)
    ]


def taken_base(plan: sheets.Plan, lot_id: int, values: Mapping[int, TypedNumber]) -> int:
    """Base units of a lot that its steps took together, by what was taken at each.

    Args:
        values: by step number, in the unit of the step. A liquid that is weighed follows in proportion to
            what the plan draws of it; nothing is worked out by a density.
    """
    steps = [one for one in plan["steps"] if one.get("quantity") and sheets.lot_of(one) == lot_id]
    lot = Lot.objects.only("unit").get(pk=lot_id)
    taken = sum((value.value for value in values.values()), Decimal(0))
    if steps[0]["quantity"]["unit"] == lot.unit:
        return to_base(taken, lot.unit)
    asked = sum((Decimal(step["quantity"]["value"]) for step in steps), Decimal(0))
    drawn = next(draw.amount for draw in sheets.draws_of(plan) if draw.lot_id == lot_id)
    return to_base(from_base(drawn, lot.unit) * taken / asked, lot.unit)
