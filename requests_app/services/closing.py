"""The work is closed: what is in the bottle, what was drawn, the solution on the shelf."""

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.settle import added_unit, settle
from prepdesk.core.errors import InvalidInput
from requests_app import sheets, states
from requests_app.models import Batch
from requests_app.selectors import bench_steps, readings_of
from requests_app.services.added import read_added
from requests_app.services.at_work import (
    go_on,
    locked_batch,
    move_with_orders,
    require_at_work,
    require_fresh,
)
from requests_app.services.batching import open_orders
from requests_app.services.finishing import draw_used, shelve_solution
from requests_app.services.handing_over import (
    hold_shares,
    require_changes_seen,
    require_nothing_stopped,
)
from requests_app.services.reserving import end_for
from requests_app.services.second_check import require_all_done, require_second_look
from requests_app.services.telling import tell_ready


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
        NotInThisState: a step has no record yet, a bottle it holds is quarantined or recalled, or a second
            person has not signed exactly the present readings where a rule asks for one.
        Conflict: the second person would close it themselves.
        OutOfStock: more was weighed than the ledger has free; the stock must be corrected first.
    """
    policy.require(actor, "work_batch")

    def finish() -> Batch:
        locked = locked_batch(batch)
        if locked.state in (states.READY, states.SHELVED) and locked.prepared_lot_id:
            return locked
        require_at_work(actor, locked)
        require_changes_seen(locked)
        require_fresh(locked, seen_version)
        require_nothing_stopped(locked)
        sheet = sheets.current_sheet(locked)
        steps = bench_steps(sheet, locked.step_records.all())
        require_all_done(locked, sheet)
        added = read_added(sheet, added_text)
        second = require_second_look(actor=actor, batch=locked, sheet=sheet, added=added)
        settlement = settle(sheet.plan, readings_of(steps), added=added)
        if not settlement.inside and not reason.strip():
            raise InvalidInput(
                {"reason": f"{settlement.text} Say why it is kept and used, or make it again."}
            )
        go_on(actor=actor, batch=locked)
        orders = open_orders(locked)
        drawn = draw_used(actor=actor, batch=locked, sheet=sheet, steps=steps)
        shelve_solution(
            actor=actor,
            batch=locked,
            sheet=sheet,
            settlement=settlement,
            added=added,
            parents=drawn,
            checked_by=second,
        )
        hold_shares(actor=actor, batch=locked, orders=orders)
        end_for(actor=actor, batch=locked)
        locked.finished_at = timezone.now()
        locked.settlement = {**settlement.as_dict(), "reason": reason.strip()}
        if added is not None:
            locked.settlement["added"] = {"value": added.text, "unit": added_unit(sheet.plan)}
        orders = move_with_orders(
            actor=actor,
            batch=locked,
            event="finish" if orders else "shelve",
            note=_finish_note(locked, reason),
        )
        for order in orders:
            tell_ready(actor=actor, batch=locked, order=order)
        return locked

    return in_transaction_with_retries(finish)


def _finish_note(batch: Batch, reason: str) -> str:
    added = (batch.settlement or {}).get("added")
    return "; ".join(
        filter(None, [f"{added['value']} {added['unit']} of solvent added" if added else "", reason])
    )
