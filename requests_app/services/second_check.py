"""A second person looks at the readings before the work is closed: asked for, signed, sent back.

A check is about exactly the readings there were when it was asked for. A step done again takes an open one
back, and leaves a signature behind; so does a new revision of the sheet. The batch row is locked first, so
that of two people who answer at once one counts and the other is told.
"""

from decimal import Decimal

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.settle import added_unit
from prepdesk.calc.typed import TypedNumber
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.times import absolute_words
from requests_app import sheets, states
from requests_app.concealing import may_read_batch
from requests_app.models import Batch, SecondCheck, Sheet
from requests_app.second_look import ADDED, added_in, covers, makers_of
from requests_app.selectors import bench_steps
from requests_app.selectors.second_look import needed_points
from requests_app.services.added import read_added
from requests_app.services.at_work import AT_WORK, locked_batch, require_at_work, require_fresh
from requests_app.services.handing_over import require_changes_seen, require_nothing_stopped
from requests_app.services.moves import note_event
from requests_app.services.telling import tell_check_answered, tell_check_asked

NOTE_LENGTH = 300


class SecondLookMissing(NotInThisState):
    """The work can't be closed before a second person has signed exactly the present readings."""

    title = "A second person looks first"


# --- asking ---------------------------------------------------------------------------------------
def ask_check(
    *,
    actor: User,
    batch: Batch,
    idempotency_key: str,
    added_text: str = "",
    seen_version: int | None = None,
) -> SecondCheck:
    """Put the readings of a batch before a second person, once every step has one.

    Asking while one is asked already gives that one back. The stockroom is told, without those who took part.

    Args:
        added_text: solvent added after making up, as typed: no step records it, so it is asked about here.

    Raises:
        InvalidInput: field ``added``.
        Conflict: somebody else has the batch or changed it meanwhile, or the key was used for another.
        NotInThisState: it isn't being made, a step has no record, no rule asks for it, or it is signed.
    """
    policy.require(actor, "work_batch")

    def ask() -> SecondCheck:
        locked = locked_batch(batch)
        first = SecondCheck.objects.filter(idempotency_key=idempotency_key).first()
        if first is not None:
            if first.batch_id != locked.pk:
                raise Conflict("This form was sent before, for another batch. Open the page again.")
            return first
        require_at_work(actor, locked)
        require_changes_seen(locked)
        require_nothing_stopped(locked)
        sheet = sheets.current_sheet(locked)
        require_all_done(locked, sheet)
        points = [{"code": point.code, "text": point.text} for point in needed_points(locked, sheet)]
        if not points:
            raise NotInThisState(f"No rule asks for a second person at {locked.reference}; close it.")
        added = read_added(sheet, added_text)
        if added is not None:
            said = f"{added.text} {added_unit(sheet.plan)} of solvent was added after making up."
            points.append({"code": ADDED, "text": said, "value": str(added.value)})
        newest = locked.step_records.order_by("-pk")[0]
        there = _counting(locked, sheet, newest.pk)
        if there is not None and _added_of(there) == (added.value if added else None):
            if there.state == states.SIGNED:
                raise NotInThisState(f"{there.answered_by} has signed the readings; close the work.")
            return there
        require_fresh(locked, seen_version)
        withdraw_check(actor=actor, batch=locked, why="asked anew")
        check = SecondCheck.objects.create(
            batch=locked,
            sheet=sheet,
            points=points,
            up_to=newest,
            asked_by=actor,
            idempotency_key=idempotency_key,
        )
        _touch(actor, locked, "ask_check", " ".join(point["text"] for point in points))
        tell_check_asked(actor=actor, check=check, takers_part=_makers(locked, check))
        return check

    return in_transaction_with_retries(ask)


def require_all_done(batch: Batch, sheet: Sheet) -> None:
    """Refuse while a step of a locked batch has no record.

    Raises:
        NotInThisState: naming the steps.
    """
    steps = bench_steps(sheet, batch.step_records.all())
    missing = [str(one.step["number"]) for one in steps if not one.is_done]
    if missing:
        noun = "Step" if len(missing) == 1 else "Steps"
        verb = "has" if len(missing) == 1 else "have"
        raise NotInThisState(f"{noun} {', '.join(missing)} of {batch.reference} {verb} no record yet.")


def withdraw_check(*, actor: User, batch: Batch, why: str) -> None:
    """Take the open check of a locked batch back, if there is one: what it was about is not so any more."""
    check = SecondCheck.objects.select_for_update().filter(batch=batch, state=states.ASKED).first()
    if check is not None:
        _move(check, "withdraw_check")
        note_event(actor=actor, row=batch, event="withdraw_check", note=why)


# --- answering ------------------------------------------------------------------------------------
def sign_check(*, actor: User, check: SecondCheck) -> SecondCheck:
    """Sign, as the second person, that one has looked at the readings. Signing twice is the same as once.

    Raises:
        NotAllowed: the role may not, or the actor took part in the work.
        Conflict: somebody else answered, or the readings are not those any more.
    """
    return _answer(actor, check, "sign")


def send_back(*, actor: User, check: SecondCheck, step_number: int, note: str) -> SecondCheck:
    """Send the readings back to whoever made them, with the step and why. Twice is the same as once.

    The first reading stays when the step is done again.

    Raises:
        NotAllowed, Conflict: as :func:`sign_check`.
        InvalidInput: field ``step`` (the sheet has no such step) or ``note`` (nothing says why).
    """
    return _answer(actor, check, "send_back", step_number=step_number, note=note.strip())


def _answer(
    actor: User, check: SecondCheck, event: str, *, step_number: int | None = None, note: str = ""
) -> SecondCheck:
    policy.require(actor, "check_batch")

    def answer() -> SecondCheck:
        batch = Batch.objects.select_for_update().get(pk=check.batch_id)
        locked = SecondCheck.objects.select_for_update().get(pk=check.pk)
        _require_second(actor, batch, locked)
        wanted = states.CHECK_NEXT[states.ASKED, event]
        if locked.state != states.ASKED:
            same = (locked.state, locked.answered_by_id, locked.step_number, locked.note)
            if same == (wanted, actor.pk, step_number, note):
                return locked
            raise _too_late(batch, locked)
        sheet = sheets.current_sheet(batch)
        newest = batch.step_records.order_by("-pk")[0]
        if batch.state not in AT_WORK or not covers(locked, sheet_id=sheet.pk, newest_record_id=newest.pk):
            raise Conflict(f"{batch.reference} was changed since it was asked for, so nothing was signed.")
        if event == "send_back":
            _require_reason(sheet, step_number, note)
        locked.answered_by = actor
        locked.answered_at = timezone.now()
        locked.step_number = step_number
        locked.note = note
        _move(locked, event)
        said = f"step {step_number}: {note}" if event == "send_back" else ""
        _touch(actor, batch, event, said)
        tell_check_answered(actor=actor, check=locked)
        return locked

    return in_transaction_with_retries(answer)


def _require_second(actor: User, batch: Batch, check: SecondCheck) -> None:
    if not may_read_batch(actor, batch):
        raise NotAllowed("A coded sample is not put before a second person.")
    if actor.pk in _makers(batch, check):
        raise NotAllowed(
            f"You took part in making {batch.reference}, so somebody else of the stockroom looks at it."
        )


def _makers(batch: Batch, check: SecondCheck) -> set[int]:
    recorders = batch.step_records.order_by().values_list("actor_id", flat=True).distinct()
    return makers_of(batch.claimed_by_id, recorders, check.asked_by_id)


def _too_late(batch: Batch, check: SecondCheck) -> Conflict:
    if check.state == states.WITHDRAWN:
        return Conflict(
            f"{batch.reference} was taken back before you answered: a step was done again, or it was given "
            "up. Nothing was signed."
        )
    did = "signed it" if check.state == states.SIGNED else f"sent step {check.step_number} back"
    when = absolute_words(check.answered_at) if check.answered_at else "a moment ago"
    return Conflict(f"{check.answered_by} {did}, {when}. Nothing of yours was kept.")


def _require_reason(sheet: Sheet, step_number: int | None, note: str) -> None:
    errors = {}
    if step_number is None or sheets.step_of(sheet.plan, step_number) is None:
        errors["step"] = "The sheet has no such step."
    if not note:
        errors["note"] = "Say why it goes back, so that it can be put right."
    elif len(note) > NOTE_LENGTH:
        errors["note"] = f"At most {NOTE_LENGTH} characters."
    if errors:
        raise InvalidInput(errors)


# --- closing --------------------------------------------------------------------------------------
def require_second_look(*, actor: User, batch: Batch, sheet: Sheet, added: TypedNumber | None) -> User | None:
    """Who signed exactly the present readings of a locked batch; None where nobody had to and nobody did.

    Raises:
        SecondLookMissing: a rule asks for a second person, and none has signed what is closed here.
        Conflict: whoever signed would close it themselves.
    """
    newest = batch.step_records.order_by("-pk")[0]
    check = _counting(batch, sheet, newest.pk)
    points = needed_points(batch, sheet)
    if check is None or check.state != states.SIGNED:
        if points:
            raise SecondLookMissing(_missing_words(batch, check, " ".join(point.text for point in points)))
        return None
    if points and _added_of(check) != (added.value if added else None):
        with_what = "without" if _added_of(check) is None else "with another amount of"
        raise SecondLookMissing(
            f"{check.answered_by} signed {batch.reference} {with_what} solvent added after making up. "
            "Ask again with what was added."
        )
    if points and check.answered_by_id == actor.pk:
        raise Conflict(
            f"You signed {batch.reference} as its second person, so whoever made it closes the work, or a "
            "manager."
        )
    return check.answered_by


def _missing_words(batch: Batch, check: SecondCheck | None, why: str) -> str:
    if check is not None and check.state == states.ASKED:
        since = absolute_words(check.asked_at)
        return f"{batch.reference} waits for a second person since {since}. {why}"
    return (
        f"{batch.reference} needs a second person before it is closed: {why} Ask for it on its page “Second "
        "look”; somebody of the stockroom who took no part in the work signs the readings as they are now."
    )


# --- rows -----------------------------------------------------------------------------------------
def _counting(batch: Batch, sheet: Sheet, newest_record_id: int) -> SecondCheck | None:
    """The check about exactly the present readings that is asked or signed, the newest of several."""
    rows = batch.checks.select_related("answered_by").filter(
        state__in=(states.ASKED, states.SIGNED), sheet=sheet, up_to_id=newest_record_id
    )
    return rows.order_by("-pk").first()


def _added_of(check: SecondCheck) -> Decimal | None:
    text = added_in(check)
    return Decimal(text) if text else None


def _move(check: SecondCheck, event: str) -> None:
    check.state = states.CHECK_NEXT[check.state, event]
    check.save()


def _touch(actor: User, batch: Batch, event: str, note: str) -> None:
    """A line of the history; pages that show the batch as it was before are told."""
    batch.version += 1
    batch.save(update_fields=["version"])
    note_event(actor=actor, row=batch, event=event, note=note)
