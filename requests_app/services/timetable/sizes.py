"""The enrolment of a section changes: its meetings to come follow, with everything ordered for them."""

from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from requests_app import states
from requests_app.models import Section
from requests_app.selectors.laid_out import LAID_OUT
from requests_app.services.meeting_changes import REHEARSAL, Outcome, carry_out, done_before
from requests_app.services.meeting_wishes import as_it_is, check_groups, require_own, sentence
from requests_app.services.revisions import rehearse
from requests_app.services.timetable.changes import keep_change, refuse_stale, sent_before


def change_section_size(
    *,
    actor: User,
    section: Section,
    groups: int,
    students: int | None,
    reason: str,
    expected_version: int,
    idempotency_key: str,
    rehearsal: bool = False,
) -> Outcome:
    """Give a section another number of groups: all its meetings to come without a size of their own follow.

    Args:
        expected_version: of the section, on the page that was filled in.
        rehearsal: say what it would do, and do nothing.

    Raises:
        NotAllowed: neither a section of the actor's nor a manager.
        InvalidInput: field ``groups``.
        Conflict: somebody changed the section meanwhile; the text says what.
    """
    policy.require(actor, "change_meeting")

    def resize() -> Outcome:
        locked = Section.objects.select_for_update().get(pk=section.pk)
        require_own(actor, locked)
        if not rehearsal and sent_before(Section, idempotency_key, locked) is not None:
            return done_before(idempotency_key) or Outcome()
        refuse_stale(locked, expected_version)
        check_groups(groups)
        was = locked.groups, locked.students
        if was == (groups, students):
            raise InvalidInput({"groups": f"{locked} has {groups} groups already."})
        locked.groups, locked.students = groups, students
        locked.version += 1
        locked.save(update_fields=["groups", "students", "version"])
        told = zip(("Groups", "Students"), was, (groups, students), strict=True)
        keep_change(
            actor=actor,
            row=locked,
            changes=[[name, _text(old), _text(new)] for name, old, new in told if old != new],
            idempotency_key=idempotency_key,
            reason=reason,
        )
        return follow_size(
            actor=actor,
            section=locked,
            before=was[0],
            reason=reason,
            idempotency_key=REHEARSAL if rehearsal else idempotency_key,
        )

    return rehearse(resize) if rehearsal else in_transaction_with_retries(resize)


def follow_size(*, actor: User, section: Section, before: int, reason: str, idempotency_key: str) -> Outcome:
    """Let the meetings to come of a locked section, and their orders, follow its new number of groups.

    In the caller's transaction. It is no change of a meeting by itself, so the timetable goes on laying
    these meetings out.

    Args:
        before: how many groups the section had.
    """
    outcome = Outcome()
    if section.groups == before:
        return outcome
    follow = section.meetings.filter(state=states.PLANNED, groups=None, ends_at__gt=timezone.now())
    note = f"{before} groups → {section.groups}, as the whole section. {sentence(reason)}".strip()
    carry_out(
        actor,
        [(one, as_it_is(one), note) for one in follow.select_for_update().order_by("pk")],
        reason,
        idempotency_key,
        outcome,
        event_name=LAID_OUT,
    )
    return outcome


def _text(value: int | None) -> str:
    return "" if value is None else str(value)
