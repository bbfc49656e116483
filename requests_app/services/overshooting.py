"""A step went past its mark: what was read is recorded as it is, and counted with from then on."""

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.settle import judge_reading, most_added, over_the_line, settle
from prepdesk.calc.typed import TypedNumber, parse_positive
from prepdesk.core.errors import InvalidInput, NotInThisState
from requests_app import sheets
from requests_app.models import Batch, Mishap, Sheet, StepRecord
from requests_app.selectors import bench_steps
from requests_app.services.mishaps import Sending, keep_mishap, once
from requests_app.services.recording import record_step

PAST: Final = "past the mark, read on the scale"


def note_overshot(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    reading_text: str,
    idempotency_key: str,
    seen_version: int | None = None,
) -> Mishap:
    """A step went past its mark: what was read is recorded as it is, and counted with from here on.

    At a step with a window that is its reading. Where a solution is made up to the line of a scale it is the
    volume read there: closing the work then counts with it. Past the one mark of a flask nothing can be
    read, so that is given up.

    Raises:
        InvalidInput: field ``reading``: no number, not past the mark, or beyond what can be read.
        NotInThisState: nothing is read at this step.
        Conflict: as :func:`requests_app.services.recording.record_step`.
    """
    policy.require(actor, "work_batch")
    sending = Sending(actor, batch, step_number, Mishap.Kind.OVERSHOT, idempotency_key, seen_version)

    def overshoot(locked: Batch, sheet: Sheet) -> Mishap:
        step = sheets.step_of(sheet.plan, step_number) or {}
        if step.get("window"):
            _require_past_the_window(step, reading_text)
            # Under the lock that is held already; whatever a reading has to pass, this one has to.
            record_step(
                actor=actor,
                batch=locked,
                step_number=step_number,
                reading_text=reading_text,
                reason="past the mark, noted as gone wrong",
                idempotency_key=f"{idempotency_key}-read",
            )
        else:
            _record_past_the_line(sending, locked, sheet, step, reading_text)
        locked.refresh_from_db()
        unit = step["quantity"]["unit"]
        return keep_mishap(
            sending,
            batch=locked,
            sheet=sheet,
            text=f"read {reading_text.strip()} {unit} instead of {step['quantity']['value']} {unit}",
            lost={},
        )

    return once(sending, overshoot)


def is_read_on_a_scale(plan: sheets.Plan, step: Mapping[str, Any]) -> bool:
    """Whether what a step made up can be read where it really stands: the one filling of a cylinder."""
    lines = [one for one in plan["steps"] if one["action"] == "make_up"]
    vessel = (step.get("equipment") or {}).get("type")
    by_volume = (plan.get("settling") or {}).get("kind") == "volume"
    return (
        by_volume
        and len(lines) == 1
        and lines[0]["number"] == step["number"]
        and vessel == "graduated cylinder"
    )


def read_past_the_line(plan: sheets.Plan, step: Mapping[str, Any], text: str) -> TypedNumber:
    """The volume read on the scale, past the line.

    Raises:
        InvalidInput: field ``reading``.
    """
    read = _number(text)
    line = Decimal(step["quantity"]["value"])
    ends = Decimal(step["equipment"]["nominal"]["value"])
    over = over_the_line(plan, {step["number"]: read})
    if read.value <= line:
        raise InvalidInput({"reading": f"{read.text} mL is not past {line} mL. Fill up to the line."})
    if read.value > ends:
        raise InvalidInput({"reading": f"The scale ends at {ends} mL, so it can't be read. Give it up."})
    if over > most_added(plan):
        raise InvalidInput(
            {"reading": f"That is more than {most_added(plan):g} mL past it, another solution. Give it up."}
        )
    return read


def _require_past_the_window(step: Mapping[str, Any], text: str) -> None:
    if judge_reading(step, _number(text)).code != "above":
        raise InvalidInput({"reading": "That is not past the mark. Record it at its step as it is."})


def _number(text: str) -> TypedNumber:
    try:
        return parse_positive(text)
    except InputError as error:
        raise InvalidInput({"reading": error.text}) from error


def _record_past_the_line(
    sending: Sending, batch: Batch, sheet: Sheet, step: Mapping[str, Any], text: str
) -> None:
    if not step or not is_read_on_a_scale(sheet.plan, step):
        raise NotInThisState("Past this mark nothing can be read, so nobody knows what is in it. Give it up.")
    read = read_past_the_line(sheet.plan, step, text)
    steps = bench_steps(sheet, batch.step_records.all())
    current = next((one.step["number"] for one in steps if one.is_current), None)
    if current is not None and step["number"] > current:
        raise NotInThisState(f"Step {current} comes first.")
    StepRecord.objects.create(
        batch=batch,
        sheet=sheet,
        step_number=step["number"],
        reading_text=read.text,
        reading_unit=step["quantity"]["unit"],
        verdict=StepRecord.Verdict.OUTSIDE,
        reason=PAST,
        actor=sending.actor,
        idempotency_key=f"{sending.key}-read",
    )


@dataclass(frozen=True, slots=True)
class Ways:
    """What a reading past its mark makes of the solution, and what can be done.

    Attributes:
        text: in a sentence with its figures, as if the steps still to come went as planned.
        inside: whether it may stay as it is.
        ways: the cheapest first; empty where nothing has to be done.
    """

    text: str
    inside: bool
    ways: tuple[str, ...]


def ways_after(
    plan: sheets.Plan, readings: Mapping[int, TypedNumber], number: int, read: TypedNumber
) -> Ways:
    """The ways out of a reading past its mark, worked out from what was read so far.

    Args:
        readings: of the steps recorded so far, by number.
        number: the step that went past its mark.
        read: what it reads, in the unit of the step.
    """
    known = {**readings, number: read}
    moved = [
        one for one in steps_with_rest(plan, known) if "because" in one and one["number"] not in readings
    ]
    if moved:
        last = moved[0]
        asked = f"{last['quantity']['value']} {last['quantity']['unit']}"
        text = f"Step {last['number']} then asks for {asked} from lot {last['lot']['code']} instead."
        return Ways(f"{text} The whole comes right.", True, ())
    settled = settle(plan, known)
    return Ways(settled.text, settled.inside, settled.remedies)
