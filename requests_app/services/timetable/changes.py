"""What every change of the timetable shares: it is sent once, refuses what is stale, and is kept in words."""

from collections.abc import Iterable
from typing import Final, TypeVar

from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict
from requests_app.models import Course, Room, Section, TeachingChange, Term

Row = TypeVar("Row", Term, Room, Course, Section)
KINDS: Final = {
    Term: TeachingChange.Kind.TERM,
    Room: TeachingChange.Kind.ROOM,
    Course: TeachingChange.Kind.COURSE,
    Section: TeachingChange.Kind.SECTION,
}


def sent_before(model: type[Row], key: str, row: Row | None = None) -> Row | None:
    """The row that an earlier sending of the same form made or changed.

    Raises:
        Conflict: when the form was sent for something else.
    """
    first = TeachingChange.objects.filter(idempotency_key=key).first()
    if first is None:
        return None
    if first.kind != KINDS[model] or (row is not None and first.row != row.pk):
        raise Conflict("This form was sent before for something else. Open the page afresh.")
    return model._default_manager.get(pk=first.row)


def refuse_stale(row: Row, seen_version: int | None) -> None:
    """Refuse what was decided on an older version than there is now.

    Raises:
        Conflict: with what changed since, and by whom.
    """
    if seen_version is None or seen_version == row.version:
        return
    since = TeachingChange.objects.filter(kind=KINDS[type(row)], row=row.pk, version__gt=seen_version)
    told = [
        f"{heading} was {before or 'empty'} and is {after or 'empty'} now ({change.actor})"
        for change in since.select_related("actor")
        for heading, before, after in change.changes
    ]
    raise Conflict(
        f"{row} was changed since this page was shown{': ' if told else ''}{'; '.join(told)}. Nothing was "
        "saved. What you typed is kept below: look at it again and save it if it still holds."
    )


def keep_change(
    *, actor: User, row: Row, changes: Iterable[Iterable[str]], idempotency_key: str, reason: str = ""
) -> None:
    """Write what was made or changed into the history, with the version the row has since."""
    TeachingChange.objects.create(
        kind=KINDS[type(row)],
        row=row.pk,
        version=row.version,
        changes=[list(change) for change in changes],
        reason=reason[:200],
        actor=actor,
        idempotency_key=idempotency_key,
    )
