"""Some of what was weighed or measured is spilled: it leaves its bottle on top of what the step needs.

A reading whose substance was lost stays in the history and counts no more, so its step is done again.
"""

from dataclasses import dataclass
from typing import Final

from inventory.amounts import as_text, to_base
from inventory.models import Lot, WasteStream
from inventory.services import book_spill, lock_lots
from inventory.states import ACTIVE as HOLD_ACTIVE
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import TypedNumber, parse_positive
from prepdesk.core.errors import InvalidInput, NotInThisState
from requests_app import sheets
from requests_app.models import Batch, BatchHold, Mishap, Sheet, StepRecord
from requests_app.selectors import BenchStep, active_holds, bench_steps, readings_of
from requests_app.services.mishaps import Sending, keep_mishap, once, taken_base

# What is taken at these stands in a vessel of its own until the next one; after any other it is mixed.
_APART: Final = frozenset({"weigh", "measure"})


def note_spill(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    lot: Lot,
    amount_text: str,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
    seen_version: int | None = None,
) -> Mishap:
    """Some of a bottle was spilled before it was read: it leaves the bottle on top of what the step needs.

    Args:
        amount_text: as typed, in the unit the bottle is counted in.
        waste_stream: where it goes; must be said once the department has any.

    Raises:
        InvalidInput: field ``amount`` or ``waste_stream``.
        Conflict, NotInThisState: as :func:`requests_app.services.recording.record_step`.
    """
    policy.require(actor, "work_batch")
    amount = _base_of(amount_text, lot)

    sending = Sending(actor, batch, step_number, Mishap.Kind.SPILLED, idempotency_key, seen_version)

    def spill(locked: Batch, sheet: Sheet) -> Mishap:
        _require_lot(locked, sheet, lot)
        return _book(sending, locked, _Lost(sheet, lot.pk, amount, "from the bottle", waste_stream))

    return once(sending, spill)


def note_spoilt_step(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    spoilt: int,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
    seen_version: int | None = None,
) -> Mishap:
    """What was weighed or measured at a step is not whole any more: all of it counts as lost.

    Nobody knows what is left of it, so nothing of it goes into the solution. Its reading stays in the
    history and counts no more; the step is done again, whole, in a clean vessel.

    Args:
        step_number: where it was noticed.
        spoilt: the step whose reading is lost.

    Raises:
        NotInThisState: nothing is read there, or it is mixed already and can only be given up.
        InvalidInput, Conflict: as :func:`note_spill`.
    """
    policy.require(actor, "work_batch")
    sending = Sending(actor, batch, step_number, Mishap.Kind.SPILLED, idempotency_key, seen_version)

    def spoil(locked: Batch, sheet: Sheet) -> Mishap:
        steps = bench_steps(sheet, locked.step_records.all())
        chosen = next((one for one in spoilable(steps) if one.step["number"] == spoilt), None)
        if chosen is None or chosen.latest is None:
            raise NotInThisState(
                f"What was taken at step {spoilt} is mixed already, or nothing was read there. If some of "
                "what is in work is lost, nobody can say how much is left: give it up."
            )
        StepRecord.objects.create(
            batch=locked,
            sheet=sheet,
            step_number=spoilt,
            verdict=StepRecord.Verdict.SPOILT,
            actor=actor,
            idempotency_key=f"{idempotency_key}-spoilt",
        )
        lot_id = int(chosen.step["lot"]["id"])
        amount = taken_base(sheet.plan, lot_id, {spoilt: parse_positive(chosen.latest.reading_text)})
        said = f"what was read at step {spoilt}; it is done again"
        return _book(sending, locked, _Lost(sheet, lot_id, amount, said, waste_stream))

    return once(sending, spoil)


def spoilable(steps: list[BenchStep]) -> list[BenchStep]:
    """The steps whose reading can still be taken back: read, and nothing was mixed since.

    Not one at which the bottle ran out: it can't be done again from an empty bottle, and the rest of the
    sheet goes by what it gave.
    """
    done = [one for one in steps if one.is_done]
    mixed = max((one.step["number"] for one in done if one.step["action"] not in _APART), default=0)
    return [
        one
        for one in done
        if one.step["number"] > mixed
        and one.step.get("lot")
        and one.step.get("window")
        and one.latest
        and one.latest.reading_text
    ]


def still_short(batch: Batch, lot: Lot) -> str:
    """Says that a bottle holds too little for what its steps still need; empty where it holds enough.

    The least a step can do with is the lower end of its window.
    """
    sheet = sheets.current_sheet(batch)
    steps = bench_steps(sheet, batch.step_records.all())
    read = readings_of(steps)
    mine = next((hold for hold in active_holds(batch) if hold.lot_id == lot.pk), None)
    lot.refresh_from_db()
    needed: dict[int, TypedNumber] = {}
    for one in steps:
        step = one.step
        if sheets.lot_of(step) != lot.pk or not step.get("quantity"):
            continue
        least = (step.get("window") or {}).get("low") or step["quantity"]["value"]
        needed[step["number"]] = read.get(step["number"]) or parse_positive(least)
    there = lot.free + (mine.amount if mine else 0)
    open_steps = [number for number in needed if number not in read]
    if not open_steps or taken_base(sheet.plan, lot.pk, needed) <= there:
        return ""
    taken = {number: value for number, value in needed.items() if number in read}
    left = max(0, there - (taken_base(sheet.plan, lot.pk, taken) if taken else 0))
    asked = next(one.step for one in steps if one.step["number"] == open_steps[0])
    return (
        f"{lot.code} has {as_text(left, lot.unit)} left for this work, and step {open_steps[0]} needs "
        f"{asked['quantity']['value']} {asked['quantity']['unit']}. Go on from another bottle."
    )


@dataclass(frozen=True, slots=True)
class _Lost:
    sheet: Sheet
    lot_id: int
    amount: int
    said: str
    stream: WasteStream | None


def _book(sending: Sending, batch: Batch, lost: _Lost) -> Mishap:
    lot = lock_lots([lost.lot_id])[lost.lot_id]
    link = batch.batch_holds.filter(hold__lot=lot, hold__state=HOLD_ACTIVE).order_by("-pk").first()
    booked = book_spill(
        actor=sending.actor,
        lot=lot,
        amount=lost.amount,
        hold=link.hold if link else None,
        # The ledger is read by all; beside an amount the code of an unknown would be its key.
        reason=f"{batch.reference}: spilled at the bench",
        idempotency_key=f"mishap-{sending.key}",
        waste_stream=lost.stream,
    )
    if link is not None and booked.hold is not None and booked.hold.pk != link.hold_id:
        BatchHold.objects.create(batch=batch, sheet=link.sheet, hold=booked.hold, component=link.component)
    return keep_mishap(
        sending,
        batch=batch,
        sheet=lost.sheet,
        text=lost.said,
        lost={lost.lot_id: lost.amount},
        waste_stream=lost.stream,
        movement=booked.movement,
    )


def _base_of(text: str, lot: Lot) -> int:
    try:
        typed = parse_positive(text)
    except InputError as error:
        raise InvalidInput({"amount": error.text}) from error
    base = to_base(typed.value, lot.unit)
    if not base:
        raise InvalidInput({"amount": f"“{typed.text} {lot.unit}” is less than the ledger can count."})
    return base


def _require_lot(batch: Batch, sheet: Sheet, lot: Lot) -> None:
    if lot.pk not in {sheets.lot_of(step) for step in sheet.plan["steps"]}:
        raise InvalidInput({"lot": f"{lot.code} is no bottle of {batch.reference}. Choose one of its own."})
