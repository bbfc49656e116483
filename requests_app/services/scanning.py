"""A bottle is shown to a step before it is opened; what it was and what was said is kept."""

from datetime import datetime
from typing import Any

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState
from requests_app import sheets
from requests_app.models import Batch, BottleScan, Sheet
from requests_app.selectors.scans import SAID_AT_MOST, bottle_of, judge_scan, scan_state, short
from requests_app.services.at_work import locked_batch, require_at_work, require_fresh
from requests_app.services.handing_over import require_nothing_stopped
from requests_app.services.sent_later import credible_time, require_same_sheet

CODE_AT_MOST = 64


class BottleNotShown(NotInThisState):
    """The right bottle was not shown to the step, or a wrong one was since."""

    title = "The right bottle first"


def scan_bottle(
    *,
    actor: User,
    batch: Batch,
    step_number: int,
    scanned: str,
    idempotency_key: str,
    seen_version: int | None = None,
    seen_revision: int | None = None,
    taken_at: datetime | None = None,
) -> BottleScan:
    """Show a bottle to a step, by its scanned or typed code, and keep what was said to it.

    Args:
        scanned: as it arrived, also when it is no code of ours.
        seen_version: of the batch on the page; an older one is told.
        seen_revision: of the sheet that was worked from.
        taken_at: when it was scanned, where it was kept on a device since; a time that can't be is not
            believed, and that of arrival counts.

    Returns:
        The scan with its verdict; a wrong bottle is a verdict and no error.

    Raises:
        InvalidInput: field ``scan``, nothing arrived.
        Conflict: somebody else has the batch or changed it meanwhile, or the key was used otherwise.
        NotInThisState: the batch isn't being made, the step takes from no bottle, or another bottle that it
            holds is quarantined or recalled.
    """
    policy.require(actor, "work_batch")
    code = scanned.strip()[:CODE_AT_MOST]
    if not code:
        raise InvalidInput({"scan": "Scan the label of the bottle, or type its code."})

    def scan() -> BottleScan:
        locked = locked_batch(batch)
        first = BottleScan.objects.filter(idempotency_key=idempotency_key).first()
        if first is not None:
            if (first.batch_id, first.step_number, first.code) != (locked.pk, step_number, code):
                raise Conflict(f"This form was sent before, with {first.code}. Scan the bottle again.")
            return first
        require_at_work(actor, locked)
        require_fresh(locked, seen_version)
        sheet = sheets.current_sheet(locked)
        require_same_sheet(locked, sheet, seen_revision)
        step = sheets.step_of(sheet.plan, step_number)
        right = bottle_of(step) if step else None
        if right is None:
            raise NotInThisState(f"Step {step_number} of {locked.reference} takes from no bottle.")
        made_at = _made_at(actor, locked, step_number, taken_at)
        # A bottle that was good on the day it was opened was rightly opened.
        judged = judge_scan(right, scanned[:200], timezone.localdate(made_at))
        # That this very bottle is stopped is the answer; that another one is stops everything.
        if judged.verdict != BottleScan.Verdict.STOPPED:
            require_nothing_stopped(locked)
        return BottleScan.objects.create(
            batch=locked,
            sheet=sheet,
            step_number=step_number,
            code=code,
            lot=judged.lot,
            verdict=judged.verdict,
            said=short(judged.said, SAID_AT_MOST),
            actor=actor,
            taken_at=made_at,
            idempotency_key=idempotency_key,
        )

    return in_transaction_with_retries(scan)


def _made_at(actor: User, batch: Batch, step_number: int, taken_at: datetime | None) -> datetime | None:
    """When a kept scan was made, as far as it can be believed; None for one that was sent as it was made."""
    made_at, _ = credible_time(batch, taken_at, timezone.now())
    if made_at is None:
        return None
    # A device sends in the order in which it was scanned, and some scans are longer on their way than others.
    own = BottleScan.objects.filter(batch=batch, step_number=step_number, actor=actor)
    before = own.exclude(taken_at=None).order_by("taken_at").last()
    return max(made_at, before.taken_at) if before and before.taken_at else made_at


def require_bottle_shown(batch: Batch, sheet: Sheet, step: dict[str, Any]) -> None:
    """Refuse to record a step of a locked batch while its bottle is in doubt.

    A wrong bottle that was shown always stops it; that none was shown, where the department asks for it.

    Raises:
        BottleNotShown: saying what was wrong, or which bottle to scan.
    """
    found = scan_state(batch, sheet, step)
    if found.right is None or not found.is_needed:
        return
    code = found.right.code
    if found.stops is not None:
        raise BottleNotShown(f"{found.stops.said} Scan {code}, then record.")
    raise BottleNotShown(
        f"Scan lot {code} before it is opened, or type its code from the label; then record."
    )
