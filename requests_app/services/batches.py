"""Batches at the bench: claimed, worked step by step, finished, handed over.

Each function locks the batch row first, so that of two people who press the same button exactly one
is served and the other is told by whom.
"""

from typing import Any, Final

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.settle import added_unit, judge_reading, most_added, settle
from prepdesk.calc.typed import TypedNumber, parse_positive
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import sheets, states
from requests_app.concealing import may_make
from requests_app.models import Batch, Order, Sheet, StepRecord
from requests_app.selectors import BenchStep, bench_steps, readings_of
from requests_app.services.batching import dissolve, open_orders, replan_batch
from requests_app.services.finishing import draw_used, shelve_solution
from requests_app.services.handing_over import (
    ChangeUnseen,
    hand_over_batch,
    hand_over_order,
    hold_shares,
    require_changes_seen,
    require_nothing_stopped,
)
from requests_app.services.moves import move
from requests_app.services.reserving import end_for
from requests_app.services.telling import tell_ready

__all__ = [
    "ChangeUnseen",
    "claim_batch",
    "finish_batch",
    "hand_over_batch",
    "hand_over_order",
    "put_back_batch",
    "read_added",
    "record_step",
]

_AT_WORK: Final = (states.CLAIMED, states.IN_WORK)


# --- who has it -------------------------------------------------------------------------------
def claim_batch(*, actor: User, batch: Batch) -> Batch:
    """Take a batch off the queue; of several who press at once exactly one gets it.

    Claiming what one has already is the same as once.

    Raises:
        Conflict: somebody else has it; the text says who.
        NotInThisState: it is made, handed over or cancelled.
    """
    policy.require(actor, "work_batch")

    def claim() -> Batch:
        locked = _locked(batch)
        if locked.state in _AT_WORK:
            if locked.claimed_by_id == actor.pk:
                return locked
            raise Conflict(f"{locked.claimed_by} has {locked.reference} since {_clock(locked)}.")
        locked.claimed_by = actor
        locked.claimed_at = timezone.now()
        _move_with_orders(actor=actor, batch=locked, event="claim")
        return locked

    return in_transaction_with_retries(claim)


def put_back_batch(*, actor: User, batch: Batch, reason: str = "") -> Batch:
    """Give a claimed batch back to the queue, as long as no step is recorded.

    Raises:
        Conflict: somebody else has it, and the actor is no manager.
        NotInThisState: work on it has begun, or it isn't claimed.
    """
    policy.require(actor, "work_batch")

    def put_back() -> Batch:
        locked = _locked(batch)
        if locked.state == states.QUEUED:
            return locked
        if locked.state == states.CLAIMED:
            _require_holder(actor, locked)
        locked.claimed_by = None
        locked.claimed_at = None
        _move_with_orders(actor=actor, batch=locked, event="put_back", note=reason)
        if not locked.orders.filter(state__in=states.OPEN_ORDER_STATES).exists():
            # Nobody wants it any more, so it does not stand in the queue again.
            dissolve(actor=actor, batch=locked, reason="no order asks for it any more")
        elif locked.changes.filter(needs_seeing=True).exists():
            # While it was claimed its sheet could not follow.
            replan_batch(actor=actor, batch=locked, reason="changed while it was claimed", or_keep=True)
        return locked

    return in_transaction_with_retries(put_back)


# --- at the bench -----------------------------------------------------------------------------
def record_step(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    reading_text: str,
    idempotency_key: str,
    reason: str = "",
    seen_version: int | None = None,
) -> StepRecord:
    """Record that a step was done, with its reading where one is taken.

    Steps go in order; doing a recorded step again adds a record, and the first one stays.

    Args:
        reading_text: as typed, in the unit of the step; empty where no reading is taken.
        reason: needed for a reading outside the window.
        seen_version: of the batch on the page that was filled in; an older one is told.

    Raises:
        InvalidInput: field ``reading`` (no number, missing, not wanted, outside without a reason).
        Conflict: somebody else has the batch or changed it meanwhile, or the key was used otherwise.
        NotInThisState: the batch isn't being made, an earlier step comes first, or a bottle it holds is
            quarantined or recalled.
    """
    policy.require(actor, "work_batch")

    def record() -> StepRecord:
        locked = _locked(batch)
        first = _recorded_before(locked, step_number, reading_text, idempotency_key)
        if first is not None:
            return first
        _require_at_work(actor, locked)
        require_changes_seen(locked)
        _require_fresh(locked, seen_version)
        require_nothing_stopped(locked)
        sheet = sheets.current_sheet(locked)
        step = _open_step(locked, sheet, step_number)
        verdict = _verdict(step, reading_text, reason)
        if locked.state == states.CLAIMED:
            move(actor=actor, row=locked, event="start")
        else:
            locked.version += 1
            locked.save(update_fields=["version"])
        return StepRecord.objects.create(
            batch=locked,
            sheet=sheet,
            step_number=step_number,
            reading_text=reading_text.strip(),
            reading_unit=step["quantity"]["unit"] if step.get("window") else "",
            verdict=verdict,
            reason=reason.strip(),
            actor=actor,
            idempotency_key=idempotency_key,
        )

    return in_transaction_with_retries(record)


def finish_batch(
    *, actor: User, batch: Batch, reason: str = "", added_text: str = "", seen_version: int | None = None
) -> Batch:
    """Close the work: settle what is in the bottle, draw what was used, put the solution on the shelf.

    Each order's share of the prepared lot is held until it is handed over, so that nobody plans with it.
    Where nobody wants it any more it stands on the shelf, free for whoever needs it next. Finishing twice is
    the same as once.

    Args:
        reason: needed when the concentration is outside the tolerance.
        added_text: solvent added after making up to put it right, as typed, in the unit of
            :func:`prepdesk.calc.settle.added_unit`.

    Raises:
        InvalidInput: field ``reason``, when the result is outside the tolerance and nothing says why;
            field ``added``, when that is no amount or so much that it is a preparation of its own.
        NotInThisState: a step has no record yet, or a bottle it holds is quarantined or recalled.
        OutOfStock: more was weighed than the ledger has free; the stock must be corrected first.
    """
    policy.require(actor, "work_batch")

    def finish() -> Batch:
        locked = _locked(batch)
        if locked.state in (states.READY, states.SHELVED) and locked.prepared_lot_id:
            return locked
        _require_at_work(actor, locked)
        require_changes_seen(locked)
        _require_fresh(locked, seen_version)
        require_nothing_stopped(locked)
        sheet = sheets.current_sheet(locked)
        steps = bench_steps(sheet, locked.step_records.all())
        _require_all_done(locked, steps)
        added = read_added(sheet, added_text)
        settlement = settle(sheet.plan, readings_of(steps), added=added)
        if not settlement.inside and not reason.strip():
            raise InvalidInput(
                {"reason": f"{settlement.text} Say why it is kept and used, or make it again."}
            )
        orders = open_orders(locked)
        drawn = draw_used(actor=actor, batch=locked, sheet=sheet, steps=steps)
        shelve_solution(
            actor=actor, batch=locked, sheet=sheet, settlement=settlement, added=added, parents=drawn
        )
        hold_shares(actor=actor, batch=locked, orders=orders)
        end_for(actor=actor, batch=locked)
        locked.finished_at = timezone.now()
        locked.settlement = {**settlement.as_dict(), "reason": reason.strip()}
        if added is not None:
            locked.settlement["added"] = {"value": added.text, "unit": added_unit(sheet.plan)}
        orders = _move_with_orders(
            actor=actor,
            batch=locked,
            event="finish" if orders else "shelve",
            note=_finish_note(locked, reason),
        )
        for order in orders:
            tell_ready(actor=actor, batch=locked, order=order)
        return locked

    return in_transaction_with_retries(finish)


# --- readings ---------------------------------------------------------------------------------
def _recorded_before(
    batch: Batch, step_number: int, reading_text: str, idempotency_key: str
) -> StepRecord | None:
    first = StepRecord.objects.filter(idempotency_key=idempotency_key).first()
    if first is None:
        return None
    if (first.batch_id, first.step_number, first.reading_text) != (
        batch.pk,
        step_number,
        reading_text.strip(),
    ):
        raise Conflict(
            f"This form was sent before and recorded for step {first.step_number} as "
            f"“{first.reading_text or 'done'}”. Open the step again to record something else."
        )
    return first


def _open_step(batch: Batch, sheet: Sheet, step_number: int) -> dict[str, Any]:
    steps = bench_steps(sheet, batch.step_records.all())
    chosen = next((one for one in steps if one.step["number"] == step_number), None)
    if chosen is None:
        raise NotInThisState(f"The sheet of {batch.reference} has no step {step_number}.")
    if not chosen.is_done and not chosen.is_current:
        current = next(one.step["number"] for one in steps if one.is_current)
        raise NotInThisState(f"Step {current} comes first.")
    return chosen.step


def _verdict(step: dict[str, Any], reading_text: str, reason: str) -> str:
    if not step.get("window"):
        if reading_text.strip():
            raise InvalidInput({"reading": "No reading is taken at this step. Leave the field empty."})
        return StepRecord.Verdict.DONE
    try:
        reading = parse_positive(reading_text)
    except InputError as error:
        raise InvalidInput({"reading": error.text}) from error
    judged = judge_reading(step, reading)
    if judged.inside:
        return StepRecord.Verdict.INSIDE
    if not reason.strip():
        raise InvalidInput({"reading": f"{judged.text} Read again, or give a reason and record it so."})
    return StepRecord.Verdict.OUTSIDE


def _require_all_done(batch: Batch, steps: list[BenchStep]) -> None:
    missing = [str(one.step["number"]) for one in steps if not one.is_done]
    if missing:
        noun = "Step" if len(missing) == 1 else "Steps"
        verb = "has" if len(missing) == 1 else "have"
        raise NotInThisState(f"{noun} {', '.join(missing)} of {batch.reference} {verb} no record yet.")


def read_added(sheet: Sheet, text: str) -> TypedNumber | None:
    """The solvent added after making up, None for an empty text.

    Raises:
        InvalidInput: field ``added``: no amount, or more than :func:`prepdesk.calc.settle.most_added`.
    """
    if not text.strip():
        return None
    try:
        added = parse_positive(text)
    except InputError as error:
        raise InvalidInput({"added": error.text}) from error
    most = most_added(sheet.plan)
    if added.value > most:
        unit = added_unit(sheet.plan)
        raise InvalidInput(
            {"added": f"At most {most:g} {unit} are added; with more it is a dilution, to be ordered as one."}
        )
    return added


def _finish_note(batch: Batch, reason: str) -> str:
    added = (batch.settlement or {}).get("added")
    return "; ".join(
        filter(None, [f"{added['value']} {added['unit']} of solvent added" if added else "", reason])
    )


# --- locks and rights -------------------------------------------------------------------------
def _locked(batch: Batch) -> Batch:
    # No join: whoever waits for the lock gets the row as it is then, but joined rows as they were before.
    return Batch.objects.select_for_update().get(pk=batch.pk)


def _move_with_orders(*, actor: User, batch: Batch, event: str, note: str = "") -> list[Order]:
    move(actor=actor, row=batch, event=event, note=note)
    orders = open_orders(batch)
    for order in orders:
        move(actor=actor, row=order, event=states.ORDER_EVENT_OF[event], note=note)
    return orders


def _require_at_work(actor: User, batch: Batch) -> None:
    if batch.state not in _AT_WORK:
        raise NotInThisState(
            f"{batch.reference} is “{batch.get_state_display()}”; claim it before working on it."
            if batch.state == states.QUEUED
            else f"{batch.reference} is “{batch.get_state_display()}”; nothing more is recorded for it."
        )
    _require_holder(actor, batch)
    _require_maker(actor, batch)


def _require_maker(actor: User, batch: Batch) -> None:
    """What is read and found of an unknown is for its maker's eyes, so not even a manager works for them."""
    if not may_make(actor, batch):
        raise Conflict(
            f"{batch.claimed_by} has {batch.reference} since {_clock(batch)}, and it is an unknown: "
            "whoever has claimed it makes it. Have it put back, then claim it."
        )


def _require_holder(actor: User, batch: Batch) -> None:
    if batch.claimed_by_id != actor.pk and actor.role != policy.MANAGER:
        raise Conflict(f"{batch.claimed_by} has {batch.reference} since {_clock(batch)}.")


def _require_fresh(batch: Batch, seen_version: int | None) -> None:
    if seen_version is not None and seen_version != batch.version:
        raise Conflict(
            f"{batch.reference} was changed since this page was shown, perhaps on another device. "
            "Nothing was saved; look at it again."
        )


def _clock(batch: Batch) -> str:
    return absolute_words(batch.claimed_at) if batch.claimed_at else "a moment ago"
