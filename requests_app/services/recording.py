"""A step done at the bench, with the reading taken: written down as it comes, once."""

from datetime import datetime
from typing import Any, Final

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.settle import judge_reading
from prepdesk.calc.typed import parse_positive
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets, states
from requests_app.models import Batch, Sheet, StepRecord
from requests_app.selectors import bench_steps
from requests_app.services.at_work import go_on, locked_batch, require_at_work
from requests_app.services.handing_over import (
    require_changes_seen,
    require_nothing_stopped,
)
from requests_app.services.moves import move
from requests_app.services.scanning import require_bottle_shown
from requests_app.services.second_check import withdraw_check
from requests_app.services.sent_later import credible_time, require_goes_on

_REASON_LENGTH: Final = 300


def record_step(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    reading_text: str,
    idempotency_key: str,
    reason: str = "",
    seen_version: int | None = None,
    seen_revision: int | None = None,
    after_key: str = "",
    taken_at: datetime | None = None,
) -> StepRecord:
    """Record that a step was done, with its reading where one is taken.

    Steps go in order; doing a recorded step again adds a record, and the first one stays.

    Args:
        reading_text: as typed, in the unit of the step; empty where no reading is taken.
        reason: needed for a reading outside the window.
        seen_version: of the batch on the page that was filled in; an older one is told.
        seen_revision: of the sheet that was worked from.
        after_key: key of the reading that the same device sent just before, see ``sent_later``.
        taken_at: when it was read, where that was earlier; a time that can't be is not believed, and the
            record says so.

    Raises:
        InvalidInput: field ``reading`` (no number, missing, not wanted, outside without a reason).
        Conflict: somebody else has the batch or changed it meanwhile, or the key was used otherwise.
        NotInThisState: the batch isn't being made, an earlier step comes first, or a bottle it holds is
            quarantined or recalled; or the right bottle was not shown to the step.
    """
    policy.require(actor, "work_batch")

    def record() -> StepRecord:
        locked = locked_batch(batch)
        first = _recorded_before(actor, locked, step_number, reading_text, idempotency_key)
        if first is not None:
            return first
        require_at_work(actor, locked)
        require_changes_seen(locked)
        sheet = sheets.current_sheet(locked)
        require_goes_on(
            actor,
            locked,
            sheet,
            seen_version=seen_version,
            seen_revision=seen_revision,
            after_key=after_key,
        )
        require_nothing_stopped(locked)
        step = _open_step(locked, sheet, step_number)
        require_bottle_shown(locked, sheet, step)
        verdict = _verdict(step, reading_text, reason)
        go_on(actor=actor, batch=locked)
        read_at, doubt = credible_time(locked, taken_at, timezone.now())
        if locked.state == states.CLAIMED:
            move(actor=actor, row=locked, event="start")
        else:
            locked.version += 1
            locked.save(update_fields=["version"])
        withdraw_check(actor=actor, batch=locked, why=f"step {step_number} was done again")
        return StepRecord.objects.create(
            batch=locked,
            sheet=sheet,
            step_number=step_number,
            reading_text=reading_text.strip(),
            reading_unit=step["quantity"]["unit"] if step.get("window") else "",
            verdict=verdict,
            reason=f"{reason.strip()} {doubt}".strip()[:_REASON_LENGTH],
            actor=actor,
            taken_at=read_at,
            version_after=locked.version,
            idempotency_key=idempotency_key,
        )

    return in_transaction_with_retries(record)


def _recorded_before(
    actor: User, batch: Batch, step_number: int, reading_text: str, idempotency_key: str
) -> StepRecord | None:
    first = StepRecord.objects.filter(idempotency_key=idempotency_key).first()
    if first is None:
        return None
    if (first.actor_id, first.batch_id, first.step_number, first.reading_text) != (
        actor.pk,
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
