"""What is spilled at the bench leaves its bottle: from what is free of it, else from what the work holds."""

from dataclasses import dataclass

from inventory import ledger, states
from inventory.amounts import as_text
from inventory.models import Hold, Lot, Movement, WasteStream
from inventory.selectors import active_holds_of, waste_streams
from inventory.services.lots import follow_balance
from inventory.services.sending import kept_reason, sent_before
from inventory.services.transactions import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput


@dataclass(frozen=True, slots=True)
class Spill:
    """What was written off, and what the work holds of the bottle now: as before, or less."""

    movement: Movement
    hold: Hold | None


@atomic_with_retries
def book_spill(
    *,
    actor: User,
    lot: Lot,
    amount: int,
    hold: Hold | None,
    reason: str,
    idempotency_key: str,
    waste_stream: WasteStream | None = None,
) -> Spill:
    """Write off what was spilled of a bottle that work has at the bench.

    What is free of it goes first, so that the work keeps what it needs; where that is not enough, the work
    holds so much less. What others hold is never touched.

    Args:
        amount: base units.
        hold: what the work holds of this bottle.
        reason: shown in the ledger, as "B-2601: spilled".
        waste_stream: where it goes; must be said once the department has any.

    Raises:
        NotAllowed: for those who don't work batches.
        InvalidInput: field ``amount``, where the bottle can't have given so much; field ``waste_stream``.
        Conflict: the key was used for something else.
    """
    policy.require(actor, "work_batch")
    kept = kept_reason(reason)
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.posted(idempotency_key)
    if first:
        return Spill(sent_before(first, locked, Movement.Kind.DISPOSED), hold)
    check_stream(waste_stream)
    mine = Hold.objects.filter(pk=hold.pk, lot=locked, state=states.ACTIVE).first() if hold else None
    from_hold = max(0, amount - locked.free)
    _require_there(locked, amount, mine, from_hold)
    if mine is not None and from_hold:
        mine = _smaller(actor, mine, mine.amount - from_hold, kept, idempotency_key)
    row = ledger.post_movement(
        actor=actor,
        lot_id=locked.pk,
        kind=Movement.Kind.DISPOSED,
        amount=-amount,
        reason=kept,
        waste_stream=waste_stream,
        idempotency_key=idempotency_key,
    )
    follow_balance(row.lot, actor=actor, reason=kept)
    return Spill(row, mine)


def check_stream(stream: WasteStream | None) -> None:
    """Refuse a spill that goes nowhere, where the department says where waste goes.

    Raises:
        InvalidInput: field ``waste_stream``.
    """
    if stream is None and waste_streams(in_use=True).exists():
        raise InvalidInput({"waste_stream": "Choose where it goes, by the local rules."})
    if stream is not None and not stream.in_use:
        raise InvalidInput({"waste_stream": f"“{stream}” is no longer in use. Choose another one."})


def _require_there(lot: Lot, amount: int, mine: Hold | None, from_hold: int) -> None:
    if amount > lot.on_hand:
        raise InvalidInput(
            {"amount": f"{lot.code} has only {as_text(lot.on_hand, lot.unit)} by the ledger. Count it first."}
        )
    if from_hold > (mine.amount if mine else 0):
        others = sorted(
            {
                one.purpose or "an unnamed purpose"
                for one in active_holds_of(lot)
                if not mine or one.pk != mine.pk
            }
        )
        yours = as_text(lot.free + (mine.amount if mine else 0), lot.unit)
        raise InvalidInput(
            {
                "amount": f"Only {yours} of {lot.code} are free or yours; the rest is held for "
                f"{', '.join(others)}. Plan that work again from other stock, then note this."
            }
        )


def _smaller(actor: User, hold: Hold, amount: int, reason: str, key: str) -> Hold | None:
    if not amount:
        ledger.release_holds(actor=actor, hold_ids=[hold.pk], reason=reason)
        return None
    made = ledger.place_holds(
        actor=actor,
        draws={hold.lot_id: amount},
        purpose=hold.purpose,
        idempotency_key=f"{key}-rest",
        instead_of=[hold.pk],
    )
    return made[hold.lot_id]
