"""Who has a batch: taken off the queue, resting, handed on, taken over, put back.

Each locks the batch row first, so of two who press at the same moment one is served and the other told by
whom; a batch is always in one person's hands. Whoever gets it goes on at the step at which it stands.
"""

from typing import Final

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.concealing import holds_unknown
from requests_app.models import Batch
from requests_app.services.at_work import (
    AT_WORK,
    clock,
    go_on,
    locked_batch,
    move_with_orders,
    require_at_work,
    require_fresh,
    require_holder,
)
from requests_app.services.batching import dissolve, replan_batch
from requests_app.services.moves import note_event
from requests_app.services.second_check import withdraw_check
from requests_app.services.telling import tell_given, tell_taken_over

NOTE_LENGTH: Final = 300


# --- off the queue and back ---------------------------------------------------------------------
def claim_batch(*, actor: User, batch: Batch) -> Batch:
    """Take a batch off the queue; of several who press at once exactly one gets it.

    Claiming what one has already is the same as once.

    Raises:
        Conflict: somebody else has it; the text says who.
        NotInThisState: it is made, handed over or cancelled.
    """
    policy.require(actor, "work_batch")

    def claim() -> Batch:
        locked = locked_batch(batch)
        if locked.state in AT_WORK:
            if locked.claimed_by_id == actor.pk:
                return locked
            raise Conflict(f"{locked.claimed_by} has {locked.reference} since {clock(locked)}.")
        locked.claimed_by = actor
        locked.claimed_at = timezone.now()
        move_with_orders(actor=actor, batch=locked, event="claim")
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
        locked = locked_batch(batch)
        if locked.state == states.QUEUED:
            return locked
        if locked.state == states.CLAIMED:
            require_holder(actor, locked)
        locked.claimed_by = None
        locked.claimed_at = None
        locked.pause_note = ""
        move_with_orders(actor=actor, batch=locked, event="put_back", note=reason)
        if not locked.orders.filter(state__in=states.OPEN_ORDER_STATES).exists():
            # Nobody wants it any more, so it does not stand in the queue again.
            dissolve(actor=actor, batch=locked, reason="no order asks for it any more")
        elif locked.mishaps.exists():
            # What was spilled or broke is not there for it any more.
            replan_batch(actor=actor, batch=locked, reason="something went wrong while it was claimed")
        elif locked.changes.filter(needs_seeing=True).exists():
            # While it was claimed its sheet could not follow.
            replan_batch(actor=actor, batch=locked, reason="changed while it was claimed", or_keep=True)
        return locked

    return in_transaction_with_retries(put_back)


# --- work that rests ----------------------------------------------------------------------------
def pause_batch(*, actor: User, batch: Batch, note: str = "", seen_version: int | None = None) -> Batch:
    """Let begun work rest, with a word on where it stands; its stock and its glass stay promised to it.

    Recording a step ends the rest by itself, see :func:`requests_app.services.at_work.go_on`. Pausing twice
    is the same as once.

    Args:
        note: where it stands, for whoever goes on; may be empty.
        seen_version: of the batch on the page that was filled in; an older one is told.

    Raises:
        InvalidInput: field ``note``, when it is too long.
        Conflict: somebody else has it, or it was changed since.
        NotInThisState: nothing of it is begun, or it isn't at the bench.
    """
    policy.require(actor, "work_batch")
    said = _words(note)

    def pause() -> Batch:
        locked = locked_batch(batch)
        require_at_work(actor, locked)
        if locked.paused_at is not None:
            return locked
        require_fresh(locked, seen_version)
        if locked.state != states.IN_WORK:
            raise NotInThisState(
                f"Nothing of {locked.reference} is begun, so there is nothing to rest. "
                "Put it back into the queue, or hand it to a colleague."
            )
        _let_rest(actor, locked, said)
        return locked

    return in_transaction_with_retries(pause)


def resume_batch(*, actor: User, batch: Batch, seen_version: int | None = None) -> Batch:
    """Go on with work that rested, at the same step, on this device or another.

    Going on with what doesn't rest changes nothing.

    Raises:
        Conflict: somebody else has it.
        NotInThisState: it isn't at the bench any more.
    """
    policy.require(actor, "work_batch")

    def resume() -> Batch:
        locked = locked_batch(batch)
        require_at_work(actor, locked)
        if locked.paused_at is not None:
            require_fresh(locked, seen_version)
            go_on(actor=actor, batch=locked)
        return locked

    return in_transaction_with_retries(resume)


# --- into other hands -----------------------------------------------------------------------------
def give_batch(
    *, actor: User, batch: Batch, to: User, note: str = "", seen_version: int | None = None
) -> Batch:
    """Hand a batch to a colleague of the stockroom, who is told; begun work rests until they go on.

    Of an unknown its figures go with it: from then on the colleague reads them, and whoever gave it no more.
    That is why nobody but its maker gives it. What was put before a second person is taken back. Giving
    twice is the same as once.

    Args:
        to: who gets it.
        note: where it stands; what was said when it was paused stays where nothing new is said.

    Raises:
        InvalidInput: field ``to``: nobody who may make batches, or oneself; field ``note``.
        Conflict: somebody else has it and the actor is no manager, it is somebody else's unknown, or it was
            changed since the page was shown.
        NotInThisState: it isn't at the bench.
    """
    policy.require(actor, "work_batch")
    said = _words(note)

    def give() -> Batch:
        locked = locked_batch(batch)
        if locked.state in AT_WORK and locked.claimed_by_id == to.pk != actor.pk:
            return locked
        require_at_work(actor, locked)
        require_fresh(locked, seen_version)
        if not policy.may(to, "work_batch"):
            raise InvalidInput({"to": f"{to} makes no batches. Choose somebody of the stockroom."})
        if to.pk == actor.pk:
            raise InvalidInput({"to": "Choose a colleague; to take it yourself, take it over."})
        if locked.state == states.CLAIMED:
            locked.pause_note = said
        elif locked.paused_at is None or said:
            _let_rest(actor, locked, said)
        before = _pass_on(actor, locked, to)
        told = f": {locked.pause_note}" if locked.pause_note else ""
        note_event(actor=actor, row=locked, event="give", note=f"to {to}{told}")
        tell_given(actor=actor, batch=locked, to=to, before=before)
        return locked

    return in_transaction_with_retries(give)


def take_over_batch(*, actor: User, batch: Batch, seen_version: int | None = None) -> Batch:
    """Take what a colleague let rest; a manager takes any. Whoever had it is told.

    It doesn't rest any more then, so of two who take it at once one gets it and the other reads the name;
    where it stood is shown until the next step is recorded. Never an unknown: its figures are given on by
    whoever has it, not taken. Taking what one has is the same as once.

    Raises:
        NotAllowed: it is an unknown.
        Conflict: a colleague is at work on it, and the actor is no manager; or it was changed since.
        NotInThisState: it isn't at the bench.
    """
    policy.require(actor, "work_batch")

    def take_over() -> Batch:
        locked = locked_batch(batch)
        if locked.state not in AT_WORK:
            raise NotInThisState(
                f"{locked.reference} is “{locked.get_state_display()}”, so nobody has it to take over."
            )
        if locked.claimed_by_id == actor.pk:
            return locked
        if holds_unknown(locked):
            raise NotAllowed(
                f"{locked.reference} is an unknown, and whoever has it reads what is in it. "
                f"Ask {locked.claimed_by} to hand it to you."
            )
        if locked.paused_at is None and actor.role != policy.MANAGER:
            raise Conflict(
                f"{locked.claimed_by} has {locked.reference} since {clock(locked)} and is at work on it. "
                "Ask them to pause it or to hand it to you."
            )
        require_fresh(locked, seen_version)
        locked.paused_at = None
        before = _pass_on(actor, locked, actor)
        note_event(actor=actor, row=locked, event="take_over", note=f"from {before}")
        tell_taken_over(actor=actor, batch=locked, before=before)
        return locked

    return in_transaction_with_retries(take_over)


def _let_rest(actor: User, batch: Batch, note: str) -> None:
    if batch.paused_at is None:
        batch.paused_at = timezone.now()
    batch.pause_note = note
    batch.version += 1
    batch.save(update_fields=["paused_at", "pause_note", "version"])
    note_event(actor=actor, row=batch, event="pause", note=note)


def _pass_on(actor: User, batch: Batch, to: User) -> User:
    """Put a locked batch into other hands; whose it was."""
    before = batch.claimed_by
    assert before is not None
    batch.claimed_by = to
    batch.claimed_at = timezone.now()
    batch.version += 1
    batch.save(update_fields=["claimed_by", "claimed_at", "paused_at", "pause_note", "version"])
    withdraw_check(actor=actor, batch=batch, why=f"{to} has it now")
    return before


def _words(note: str) -> str:
    said = " ".join(note.split())
    if len(said) > NOTE_LENGTH:
        raise InvalidInput({"note": f"That is {len(said)} characters long; {NOTE_LENGTH} fit."})
    return said
