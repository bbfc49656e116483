"""The steps a person takes with a file: bring it, confirm what it would do, go on, drop it."""

import hashlib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import PurePath
from typing import Final

from django.db import IntegrityError, transaction
from django.db.models import QuerySet, Sum
from django.utils import timezone

from inventory import import_states as states
from inventory.importers.kinds import ROW, WHY, Importer, importer_of
from inventory.importers.progress import has_stopped
from inventory.models import ImportRun
from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState, TooManyTries
from prepdesk.core.tables import LIMITS, Table, read_table

_WHILE: Final = timedelta(hours=1)


def start_run(
    *,
    actor: User,
    kind: str,
    name: str,
    data: bytes,
    idempotency_key: str,
    options: Mapping[str, bool] | None = None,
    sheet: str = "",
) -> ImportRun:
    """Read a file and keep its rows; the work then finds out what they would do.

    Args:
        kind: of a registered importer.
        name: what the file was called, shown to people and used for nothing else.
        options: what was ticked, by the importer's names.
        sheet: of a workbook; the first one where it is empty.
        idempotency_key: the same key starts one run; later calls return it.

    Raises:
        NotAllowed, InvalidInput: for an unknown kind.
        TooManyTries: when this person had more files checked within the hour than ``LIMITS`` allows.
        FileRefused: when the file can't be read as such a table.
    """
    importer = _importer(kind)
    policy.require(actor, importer.action)
    first = ImportRun.objects.filter(idempotency_key=idempotency_key).first()
    if first:
        return _sent_before(first, actor, kind)
    _require_patience(actor)
    table = read_table(data, [*importer.columns, ROW, WHY], sheet=sheet)
    run = ImportRun(
        kind=kind,
        actor=actor,
        name=_plain_name(name),
        sha256=hashlib.sha256(data).hexdigest(),
        options={option.name: bool((options or {}).get(option.name)) for option in importer.options},
        notes=list(table.notes),
        columns=list(table.columns),
        parsed=_packed(table),
        total=len(table.rows),
        seen_alive_at=timezone.now(),
        idempotency_key=idempotency_key,
    )
    try:
        with transaction.atomic():
            run.save(force_insert=True)
    except IntegrityError:
        return _sent_before(ImportRun.objects.get(idempotency_key=idempotency_key), actor, kind)
    return run


def _require_patience(actor: User) -> None:
    lately = ImportRun.objects.filter(actor=actor, seen_alive_at__gt=timezone.now() - _WHILE)
    tries = lately.order_by().aggregate(tries=Sum("attempt"))["tries"] or 0
    if tries >= LIMITS.tries_per_hour:
        raise TooManyTries(
            f"You had files checked and brought in {tries} times within an hour; {LIMITS.tries_per_hour} is "
            "the most. Wait a while, or put the rows of several files into one."
        )


def _light() -> QuerySet[ImportRun]:
    # The rows of a long file are megabytes, and only the work on it needs them.
    return ImportRun.objects.defer("parsed")


def _importer(kind: str) -> Importer:
    importer = importer_of(kind)
    if importer is None:
        raise InvalidInput({"kind": "Nothing of this kind can be brought in."})
    return importer


def _sent_before(first: ImportRun, actor: User, kind: str) -> ImportRun:
    if (first.actor_id, first.kind) != (actor.pk, kind):
        raise Conflict("This form was sent before. Open the page afresh.")
    return first


def _plain_name(name: str) -> str:
    # Shown only, never a path: the last part, without what no screen shows.
    last = PurePath(name.replace("\\", "/")).name
    return "".join(letter for letter in last if letter.isprintable())[:200] or "file"


def _packed(table: Table) -> list[list[object]]:
    return [[row.number, dict(row.cells), dict(row.problems)] for row in table.rows]


def confirm_run(*, actor: User, run: ImportRun, digest: str, again: bool = False) -> bool:
    """Say that what was shown shall be done; the work then does it.

    Args:
        digest: of what the page showed.
        again: that the same file may be brought in a second time, when it was before.

    Returns:
        Whether this call is the one that confirmed it; a second click changes nothing.

    Raises:
        NotAllowed, NotInThisState.
        Conflict: when the page showed something else than what is found now.
        InvalidInput: field ``again``, when this very file was brought in before.
    """
    policy.require(actor, _importer(run.kind).action)
    now = _light().get(pk=run.pk)
    if now.state in (states.IMPORTING, states.DONE) and now.digest == digest:
        return False
    if now.state != states.CHECKED:
        raise NotInThisState(f"This file is: {now.get_state_display().lower()}. It can't be confirmed now.")
    if now.digest != digest:
        raise Conflict("What would be brought in has changed since the page was shown. Look at it again.")
    if not now.wanted:
        raise NotInThisState("There is nothing to change in this file.")
    if now.creates and brought_in_before(now) and not again:
        raise InvalidInput({"again": "This very file was brought in before. Tick this if it is meant."})
    won = ImportRun.objects.filter(
        pk=now.pk, state=states.CHECKED, digest=digest, attempt=now.attempt
    ).update(
        state=states.IMPORT_NEXT[states.CHECKED, "confirm"],
        confirmed_by=actor,
        confirmed_at=timezone.now(),
        seen_alive_at=timezone.now(),
        attempt=now.attempt + 1,
        done=0,
        message="",
    )
    return bool(won)


def brought_in_before(run: ImportRun) -> ImportRun | None:
    """An earlier run of the very same file that was brought in."""
    same = _light().filter(kind=run.kind, sha256=run.sha256, state=states.DONE)
    return same.exclude(pk=run.pk).first()


def go_on_with_run(*, actor: User, run: ImportRun) -> ImportRun:
    """Begin again what stopped or failed, or check afresh what was checked long ago.

    Raises:
        NotAllowed.
        NotInThisState: while it is being worked on, and when it is done or dropped.
        TooManyTries: as :func:`start_run`.
    """
    policy.require(actor, _importer(run.kind).action)
    _require_patience(actor)

    def begin() -> ImportRun:
        # A row that is locked is being brought in at this very moment.
        now = _light().select_for_update(skip_locked=True).filter(pk=run.pk).first()
        if now is None or (now.state in (states.READING, states.IMPORTING) and not has_stopped(now)):
            raise NotInThisState("This file is being worked on. Wait a moment and look again.")
        if now.state not in (states.READING, states.IMPORTING):
            after = states.IMPORT_NEXT.get((now.state, "check_again"))
            if after is None:
                raise NotInThisState(f"This file is: {now.get_state_display().lower()}.")
            now.state = after
        now.attempt += 1
        now.done, now.message, now.seen_alive_at = 0, "", timezone.now()
        now.save(update_fields=["state", "attempt", "done", "message", "seen_alive_at"])
        return now

    return in_transaction_with_retries(begin)


def drop_run(*, actor: User, run: ImportRun) -> None:
    """Put a file aside; nothing of it is brought in.

    Raises:
        NotAllowed.
        NotInThisState: when it is being brought in or was.
    """
    policy.require(actor, _importer(run.kind).action)
    droppable = [state for state, event in states.IMPORT_NEXT if event == "drop"]
    dropped = ImportRun.objects.filter(pk=run.pk, state__in=droppable).update(
        state=states.DROPPED, finished_at=timezone.now(), parsed=[], message=""
    )
    if not dropped and _light().get(pk=run.pk).state != states.DROPPED:
        raise NotInThisState("This file was confirmed already. Look at what it did.")
