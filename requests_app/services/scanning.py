"""A bottle is shown to a step before it is opened; what it was and what was said is kept."""

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
) -> BottleScan:
    """Show a bottle to a step, by its scanned or typed code, and keep what was said to it.

    Args:
        scanned: as it arrived, also when it is no code of ours.
        seen_version: of the batch on the page; an older one is told.

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
        step = sheets.step_of(sheet.plan, step_number)
        right = bottle_of(step) if step else None
        if right is None:
            raise NotInThisState(f"Step {step_number} of {locked.reference} takes from no bottle.")
        judged = judge_scan(right, scanned[:200], timezone.localdate())
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
            idempotency_key=idempotency_key,
        )

    return in_transaction_with_retries(scan)


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
