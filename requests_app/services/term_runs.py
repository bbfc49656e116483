"""A term ordered at once: begun, stopped by hand, gone on with. The work is :mod:`.term_work`."""

from collections.abc import Collection

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.background import SILENCE, begin_work
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Course, Term, TermRun
from requests_app.services.term_plan import require_planner
from requests_app.services.term_work import lines_in, work_on_run

# So few orders are made before a page could say that it takes a while.
AT_ONCE = 24


def start_run(
    *, actor: User, term: Term, courses: Collection[Course], first: int, last: int, idempotency_key: str
) -> TermRun:
    """Ask for everything that the plan of a term has in these weeks to be ordered.

    The same key starts one run. What is ordered already is kept, however often a term is ordered.

    Raises:
        NotAllowed: for a course the actor doesn't teach.
        InvalidInput: ``courses``, ``weeks``; for nothing chosen, or nothing planned there.
        Conflict: the key was used by somebody else, or a run of the actor over this term is going on.
    """
    policy.require(actor, "plan_term")
    before = TermRun.objects.filter(idempotency_key=idempotency_key).first()
    if before is not None:
        return _sent_before(before, actor)
    if not courses:
        raise InvalidInput({"courses": "Choose at least one course."})
    for course in courses:
        require_planner(actor, course)
    if not 1 <= first <= last <= term.weeks:
        raise InvalidInput({"weeks": f"Choose weeks from 1 to {term.weeks}, the first before the last."})
    run = TermRun(
        term=term,
        actor=actor,
        options={"courses": sorted(course.pk for course in courses), "first": first, "last": last},
        seen_alive_at=timezone.now(),
        idempotency_key=idempotency_key,
    )
    run.total = lines_in(run)
    if not run.total:
        raise InvalidInput(
            {"weeks": "Nothing is to be ordered there: no bench list is planned for a meeting to come."}
        )
    for other in TermRun.objects.filter(actor=actor, term=term, state=states.RUNNING):
        if not has_stopped(other):
            raise Conflict(f"{term} is being ordered by you already. Wait until that is done, or stop it.")
    try:
        with transaction.atomic():
            run.save(force_insert=True)
    except IntegrityError:
        return _sent_before(TermRun.objects.get(idempotency_key=idempotency_key), actor)
    return run


def begin(run: TermRun) -> None:
    """Set about a run: at once when it is short, else where it doesn't keep a page waiting."""
    if run.total <= AT_ONCE:
        work_on_run(run.pk, run.attempt)
        return
    from requests_app.tasks import work_on_term  # noqa: PLC0415 (the task imports this module's work)

    begin_work(work_on_run, work_on_term, run.pk, run.attempt)


def has_stopped(run: TermRun) -> bool:
    """Whether a run gave no sign of life for so long that the work on it must have ended."""
    sign = max(run.at, run.seen_alive_at or run.at)
    return run.state == states.RUNNING and timezone.now() - sign > SILENCE


def stop_run(*, actor: User, run: TermRun) -> None:
    """Stop a run by hand; what it ordered stays. Twice is the same as once.

    Raises:
        NotAllowed: somebody else's run.
        NotInThisState: it is done.
    """
    _require_own(actor, run)
    stopped = TermRun.objects.filter(pk=run.pk, state=states.RUNNING).update(
        state=states.RUN_NEXT[states.RUNNING, "stop"],
        message=f"Stopped by {actor}. What was ordered until then stays.",
        finished_at=timezone.now(),
    )
    if not stopped and TermRun.objects.get(pk=run.pk).state != states.STOPPED:
        raise NotInThisState("This run is over. Cancel single orders, or order the rest again.")


def go_on_with_run(*, actor: User, run: TermRun) -> TermRun:
    """Begin again what was stopped, by hand or with the server, or failed; what was made is kept.

    Raises:
        NotAllowed: somebody else's run.
        NotInThisState: it is worked on, or done.
    """
    _require_own(actor, run)

    def go_on() -> TermRun:
        now = TermRun.objects.select_for_update().get(pk=run.pk)
        if now.state == states.RUNNING:
            if not has_stopped(now):
                raise NotInThisState("This run is being worked on. Wait a moment and look again.")
        else:
            after = states.RUN_NEXT.get((now.state, "go_on"))
            if after is None:
                raise NotInThisState("This run is done. Order the weeks again if the plan has changed.")
            now.state = after
        now.attempt += 1
        now.done, now.message, now.seen_alive_at, now.finished_at = 0, "", timezone.now(), None
        now.save()
        return now

    return in_transaction_with_retries(go_on)


def _require_own(actor: User, run: TermRun) -> None:
    policy.require(actor, "plan_term")
    if run.actor_id != actor.pk and actor.role != policy.MANAGER:
        raise NotAllowed("This run is somebody else's. Ask them, or a manager.")


def _sent_before(run: TermRun, actor: User) -> TermRun:
    if run.actor_id != actor.pk:
        raise Conflict("This form was sent before. Open the page afresh.")
    return run
