"""A bottle is empty in the middle of the work: the batch goes on from another one.

Locks are taken as everywhere, the batch, then both lots in key order. Other batches that count on the empty
bottle are planned again after the commit, each in a transaction of its own; until then what they hold of it
stays held, so nobody else can be promised it.
"""

from dataclasses import dataclass
from typing import Any, Final

from django.urls import reverse

from inventory.amounts import as_text
from inventory.models import Lot, Movement
from inventory.services import (
    draw_holds,
    empty_bottle,
    hold_stock,
    in_transaction_with_retries,
    lock_lots,
)
from inventory.states import ACTIVE
from prepdesk.access import policy
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.calc.errors import InputError
from prepdesk.calc.going_on import CannotGoOn, GoneOn
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets, states
from requests_app.concealing import holds_unknown, purpose_of
from requests_app.models import Batch, BatchHold, Mishap, Sheet, StepRecord
from requests_app.selectors import BenchStep, active_holds, bench_steps
from requests_app.selectors.run_outs import run_out_shelf, taken_of, why_not_this
from requests_app.services.at_work import locked_batch, require_at_work, require_fresh
from requests_app.services.batching import replan_batch
from requests_app.services.handing_over import require_changes_seen, require_nothing_stopped
from requests_app.services.moves import move, note_event

RAN_OUT: Final = "the bottle ran out"
# Refusals of the calculation that are about what the first bottle gave; all others are about the other one.
_OF_WHAT_IT_GAVE: Final = frozenset(
    {
        "nothing_more_needed",
        "more_than_needed",
        "no_part_volume",
        "nothing_missing",
        "rest_too_small",
        "no_bottle",
        "used_as_it_is",
        "label_changed",
    }
)


@dataclass(frozen=True, slots=True)
class _Emptied:
    """What is done after the commit: other batches counted on this bottle."""

    lot: Lot
    said: str
    key: str


def run_out(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    gave_text: str,
    other_lot: Lot,
    idempotency_key: str,
    seen_version: int | None = None,
) -> Sheet:
    """Go on from another bottle where the one of the present step is empty.

    What it gave is recorded and drawn, and its ledger set right: what it said more is written off and the
    bottle marked as empty. The sheet is frozen anew with the rest from the other lot, which is held. Batches
    of the queue that count on the empty bottle are planned again; who has one at the bench is told. Sent
    twice it is done once.

    Args:
        gave_text: what the bottle gave at this step, as typed, in the step's unit; 0 where nothing came out.
        other_lot: to go on from, with its own assay.
        seen_version: of the batch on the page that was filled in; an older one is told.

    Returns:
        The new sheet; its step after ``step_number`` takes the rest.

    Raises:
        InvalidInput: field ``gave`` (no number, nothing missing) or ``lot`` (it does not serve).
        Conflict: somebody else has the batch or changed it meanwhile, or the key was used otherwise.
        NotInThisState: the batch isn't being made, another step is the present one, it names no bottle, or
            a bottle it holds is quarantined or recalled.
        OutOfStock: somebody took of the other bottle at this very moment, or the ledger of the empty one
            has less than it gave.
    """
    policy.require(actor, "work_batch")
    emptied: list[_Emptied] = []

    def go_on() -> Sheet:
        emptied.clear()
        locked = locked_batch(batch)
        first = _done_before(locked, step_number, idempotency_key)
        if first is not None:
            return first
        require_at_work(actor, locked)
        require_changes_seen(locked)
        require_fresh(locked, seen_version)
        require_nothing_stopped(locked)
        sheet = sheets.current_sheet(locked)
        steps = bench_steps(sheet, locked.step_records.all())
        step = _present_step(locked, steps, step_number)
        gave = read_gave(gave_text)
        lots = lock_lots({int(step["lot"]["id"]), other_lot.pk})
        empty, other = lots[int(step["lot"]["id"])], lots[other_lot.pk]
        job = _RunOut(actor, locked, sheet, steps, step, gave, empty, other, idempotency_key)
        gone_on = job.gone_on()
        record = job.record()
        new = job.freeze(gone_on)
        job.hold(new)
        job.draw(record)
        said = f"{locked.reference}: the bottle was empty at step {step_number}."
        row = empty_bottle(actor=actor, lot=empty, reason=said, idempotency_key=f"ran-out-{record.pk}")
        job.write_down(new, gone_on, row)
        emptied.append(_Emptied(empty, said, f"ran-out-{record.pk}"))
        return new

    new = in_transaction_with_retries(go_on)
    for one in emptied:
        _plan_others_again(actor, new.batch, one)
    return new


def read_gave(text: str) -> TypedNumber:
    """What a bottle gave, 0 or more.

    Raises:
        InvalidInput: field ``gave``.
    """
    try:
        gave = parse_number(text)
    except InputError as error:
        raise InvalidInput({"gave": error.text}) from error
    if gave.value < 0:
        raise InvalidInput({"gave": "Enter what it gave, or 0 where nothing came out."})
    return gave


def field_of(refused: CannotGoOn) -> str:
    """The field of a form that a refusal of the calculation stands beside: ``gave`` or ``lot``."""
    return "gave" if refused.code in _OF_WHAT_IT_GAVE else "lot"


def _done_before(batch: Batch, step_number: int, idempotency_key: str) -> Sheet | None:
    first = StepRecord.objects.filter(idempotency_key=idempotency_key).first()
    if first is None:
        return None
    later = Sheet.objects.filter(batch=batch, kept__has_key=str(first.sheet_id)).order_by("revision").first()
    if (first.batch_id, first.step_number) != (batch.pk, step_number) or later is None:
        raise Conflict("This form was sent before, for something else. Open the step again.")
    return later


def _present_step(batch: Batch, steps: list[BenchStep], step_number: int) -> dict[str, Any]:
    current = next((one for one in steps if one.is_current), None)
    if current is None:
        raise NotInThisState(f"Every step of {batch.reference} is done; no bottle is needed any more.")
    if current.step["number"] != step_number:
        raise NotInThisState(f"Step {current.step['number']} is the present one. Go on from there.")
    if not current.step.get("lot"):
        raise NotInThisState(f"Step {step_number} of {batch.reference} takes from no bottle.")
    return current.step


@dataclass(frozen=True, slots=True)
class _RunOut:
    """The parts of one run-out, each written in the caller's transaction."""

    actor: User
    batch: Batch
    sheet: Sheet
    steps: list[BenchStep]
    step: dict[str, Any]
    gave: TypedNumber
    empty: Lot
    other: Lot
    key: str

    def gone_on(self) -> GoneOn:
        """The plan with the other bottle."""
        there = run_out_shelf(self.batch, self.sheet)
        bottle = there.other(self.other.pk)
        if bottle is None:
            raise InvalidInput({"lot": why_not_this(there, self.other)})
        try:
            return there.gone_on(self.steps, self.step["number"], self.gave, bottle)
        except CannotGoOn as refused:
            raise InvalidInput({field_of(refused): refused.text}) from refused

    def record(self) -> StepRecord:
        """The reading, on the sheet that it was taken by; nothing that came out is no reading."""
        gave = self.gave
        if self.batch.state == states.CLAIMED:
            move(actor=self.actor, row=self.batch, event="start")
        else:
            self.batch.version += 1
            self.batch.save(update_fields=["version"])
        return StepRecord.objects.create(
            batch=self.batch,
            sheet=self.sheet,
            step_number=self.step["number"],
            reading_text=gave.text if gave.value else "",
            reading_unit=self.step["quantity"]["unit"] if gave.value else "",
            verdict=StepRecord.Verdict.OUTSIDE if gave.value else StepRecord.Verdict.DONE,
            reason=RAN_OUT if gave.value else f"{RAN_OUT}; it gave nothing",
            actor=self.actor,
            version_after=self.batch.version,
            idempotency_key=self.key,
        )

    def freeze(self, gone_on: GoneOn) -> Sheet:
        """The next revision; what was recorded on older sheets up to this step counts for it."""
        return sheets.freeze_sheet(
            actor=self.actor,
            batch=self.batch,
            request=self.sheet.request,
            plan=gone_on.plan,
            reason=f"{self.empty.code} ran out at step {self.step['number']}",
            kept={**self.sheet.kept, str(self.sheet.pk): self.step["number"]},
        )

    def hold(self, new: Sheet) -> None:
        """Hold all that the new sheet takes of the other bottle."""
        draw = next(one for one in sheets.draws_of(new.plan) if one.lot_id == self.other.pk)
        before = [hold for hold in active_holds(self.batch) if hold.lot_id == self.other.pk]
        holds = hold_stock(
            actor=self.actor,
            draws={self.other.pk: draw.amount},
            purpose=purpose_of(self.batch)[:120],
            idempotency_key=f"sheet-{new.pk}",
            instead_of=before,
        )
        BatchHold.objects.create(
            batch=self.batch, sheet=new, hold=holds[self.other.pk], component=draw.component
        )

    def draw(self, record: StepRecord) -> None:
        """What the bottle gave leaves its ledger; a bottle that gave nothing is given back."""
        for hold in active_holds(self.batch):
            if hold.lot_id == self.empty.pk:
                draw_holds(
                    actor=self.actor,
                    amounts={hold.pk: taken_of(hold, self.steps, self.step["number"], self.gave)},
                    reason=purpose_of(self.batch)[:300],
                    idempotency_key=f"run-out-{record.pk}",
                )

    def write_down(self, new: Sheet, gone_on: GoneOn, row: Movement | None) -> None:
        """The history of the batch, and what was missing, for whoever reviews the day."""
        number, rest = self.step["number"], gone_on.rest
        unit = self.step["quantity"]["unit"]
        said = (
            f"step {number}: {self.empty.code} gave {self.gave.text} {unit} of"
            f" {self.step['quantity']['value']} {unit}; {rest.text} {rest.unit} from {self.other.code},"
            f" revision {new.revision}"
        )
        more = f" The ledger said {as_text(-row.amount, self.empty.unit)} more." if row is not None else ""
        text = f"{said[:1].upper()}{said[1:]}.{more}"
        if holds_unknown(self.batch):
            said, text = f"revision {new.revision}", f"{self.empty.code} was empty.{more}"
        note_event(actor=self.actor, row=self.batch, event="run_out", note=said)
        Mishap.objects.create(
            batch=self.batch,
            sheet=self.sheet,
            step_number=number,
            kind=Mishap.Kind.RAN_OUT,
            text=text[:300],
            movement=row,
            actor=self.actor,
            idempotency_key=f"ran-out-{self.key}"[:120],
        )


# --- others who count on the bottle ---------------------------------------------------------------
def _plan_others_again(actor: User, batch: Batch, one: _Emptied) -> None:
    """Batches of the queue are planned without the bottle, people at the bench are told."""
    links = BatchHold.objects.filter(hold__lot=one.lot, hold__state=ACTIVE).exclude(batch=batch)
    others = Batch.objects.filter(pk__in=links.values("batch_id")).order_by("pk")
    for other in others:
        if other.state == states.QUEUED:
            _plan_again(actor, other, one.lot)
        elif other.claimed_by is not None and other.claimed_by_id != actor.pk:
            tell(
                people=[other.claimed_by],
                kind=kinds.BATCH_FLAGGED,
                text=f"{one.lot.code} is empty, and {other.reference} {other.title} is planned with it."
                " If you have not taken yours yet, go on from another bottle at its step.",
                path=reverse("requests_app:batch", args=[other.reference]),
                key=f"{one.key}-batch-{other.pk}",
            )
    if others:
        # What the others gave back is not there either.
        empty_bottle(actor=actor, lot=one.lot, reason=one.said, idempotency_key=f"{one.key}-rest")


def _plan_again(actor: User, batch: Batch, lot: Lot) -> None:
    def plan() -> None:
        locked = locked_batch(batch)
        # Claimed at this very moment: then whoever has it finds the bottle empty at its step.
        if locked.state == states.QUEUED:
            replan_batch(actor=actor, batch=locked, reason=f"{lot.code} is empty")

    in_transaction_with_retries(plan)
