"""The work on a file: finding out what each row would do, and doing it as a whole or not at all.

Checking changes nothing, so it runs outside any transaction and writes its progress into the run's own
row as it goes. Bringing in is one transaction, whose rows nobody else sees before it ends (and during
which, on SQLite, nobody else can write), so its progress goes through the cache; a page that finds
nothing there says that the work is going on, without a count. To keep it short the rows are checked
again just before it, and inside only if what they were checked against changed in between.

A process that is killed leaves nothing half done: a check is begun again, and an unfinished
transaction is gone. The run then stays where it was, and whoever looks at it can go on or drop it.
"""

import contextlib
import hashlib
import json
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from django.db import connection
from django.utils import timezone

from inventory import import_states as states
from inventory.importers.kinds import Importer, Verdict, importer_of
from inventory.importers.progress import Stopped, forget_progress, tells_progress, writes_progress
from inventory.models import ImportRow, ImportRun
from inventory.services import in_transaction_with_retries
from prepdesk.core.background import begin_work
from prepdesk.core.errors import DomainError
from prepdesk.core.tables import Row

log = logging.getLogger(__name__)
_BATCH: Final = 1_000
# So few are done before a page could say that it takes a while.
AT_ONCE: Final = 300
CHANGED: Final = (
    "The stock or the lists changed after this was checked, so nothing was brought in. "
    "This is what would happen now; look at it again and confirm."
)


@dataclass(frozen=True, slots=True)
class _Looked:
    """What was found about the rows just now, and the mark of what it was found against."""

    mark: str
    verdicts: list[Verdict]


class _FoundOtherwise(Exception):
    """Checked again, the rows would do something else than what was confirmed."""

    def __init__(self, verdicts: list[Verdict]) -> None:
        super().__init__()
        self.verdicts = verdicts


def begin(run: ImportRun) -> None:
    """Set about what a run waits for: at once when it is short, else where it doesn't keep a page waiting.

    With Redis a worker does it; without, a thread of this process. A hint that gets lost is no harm:
    the run's page then offers to go on.
    """
    pk, attempt = run.pk, run.attempt
    if run.total <= AT_ONCE:
        work_on(pk, attempt)
        return
    from inventory.tasks import work_on_import  # noqa: PLC0415 (the task imports this module)

    begin_work(work_on, work_on_import, pk, attempt)


def work_on(pk: int, attempt: int) -> None:
    """Whatever the run is waiting for; does nothing when another try took over."""
    state = ImportRun.objects.filter(pk=pk, attempt=attempt).values_list("state", flat=True).first()
    if state == states.READING:
        check_run(pk, attempt)
    elif state == states.IMPORTING:
        apply_run(pk, attempt)


def _importer(run: ImportRun) -> Importer:
    importer = importer_of(run.kind)
    if importer is None:
        raise LookupError(f"No importer for {run.kind}.")
    return importer


def _rows(run: ImportRun) -> list[Row]:
    return [Row(number, cells, problems) for number, cells, problems in run.parsed]


def check_run(run_id: int, attempt: int) -> None:
    """Find out what each row would do, and keep it. Stops by itself when another try took over."""
    run = ImportRun.objects.select_related("actor").get(pk=run_id)
    if (run.state, run.attempt) != (states.READING, attempt):
        return
    try:
        verdicts = _importer(run).check(
            _rows(run), actor=run.actor, options=run.options, tick=writes_progress(run)
        )
        _keep(run, verdicts, message="")
    except Stopped:
        return
    except DomainError as refusal:
        _fail(run, refusal.text)
    except Exception:
        _fail(run, "The server failed while checking. Nothing was changed; try again, or ask for help.")
        log.exception("Import %s could not be checked", run.pk)


def _keep(run: ImportRun, verdicts: list[Verdict], *, message: str) -> None:
    """Write what was found beside the rows, all at once."""
    cells = {number: cells for number, cells, _ in run.parsed}
    rows = [
        ImportRow(
            run=run,
            number=verdict.number,
            outcome=verdict.outcome,
            title=verdict.title[:200],
            cells=cells[verdict.number],
            changes=[list(change) for change in verdict.changes],
            reasons=dict(verdict.reasons),
            remarks=list(verdict.remarks),
        )
        for verdict in verdicts
    ]
    counts = {outcome: sum(v.outcome == outcome for v in verdicts) for outcome in ImportRow.Outcome.values}
    wanted = counts["create"] + counts["change"]
    event = "find_none" if not wanted and counts["refuse"] else "find_good"
    if run.state == states.IMPORTING and event == "find_good":
        event = "find_changed"

    def write() -> None:
        mine = ImportRun.objects.select_for_update().filter(pk=run.pk, state=run.state, attempt=run.attempt)
        if not mine.exists():
            raise Stopped
        ImportRow.objects.filter(run=run).delete()
        ImportRow.objects.bulk_create(rows, batch_size=_BATCH)
        mine.update(
            state=states.IMPORT_NEXT[run.state, event],
            done=run.total,
            creates=counts["create"],
            changes=counts["change"],
            same=counts["same"],
            refused=counts["refuse"],
            digest=_digest(verdicts),
            message=message,
            seen_alive_at=timezone.now(),
        )

    in_transaction_with_retries(write)


def _digest(verdicts: Sequence[Verdict]) -> str:
    """The same for the same findings: what somebody saw, and nothing else, is brought in."""
    told = [
        [
            v.number,
            v.outcome,
            v.title,
            [list(change) for change in v.changes],
            dict(v.reasons),
            list(v.remarks),
        ]
        for v in verdicts
    ]
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def _name_results(run: ImportRun, results: Mapping[int, str]) -> None:
    table = connection.ops.quote_name(ImportRow._meta.db_table)
    name_it = f"UPDATE {table} SET result = %s WHERE run_id = %s AND number = %s"  # noqa: S608 (a name of our own)
    with connection.cursor() as cursor:
        cursor.executemany(name_it, [(name, run.pk, number) for number, name in results.items()])


def _fail(run: ImportRun, text: str) -> None:
    ImportRun.objects.filter(pk=run.pk, state=run.state, attempt=run.attempt).update(
        state=states.IMPORT_NEXT[run.state, "fail"], message=text[:600], seen_alive_at=timezone.now()
    )


def apply_run(run_id: int, attempt: int) -> None:
    """Do what was confirmed: all of it in one transaction, or nothing.

    The rows are checked again. When they would do something else than what was confirmed, nothing is
    done and the run goes back to be looked at.
    """
    run = ImportRun.objects.select_related("confirmed_by").get(pk=run_id)
    if (run.state, run.attempt) != (states.IMPORTING, attempt):
        return
    try:
        looked = _look(run)
        in_transaction_with_retries(lambda: _apply(run, looked))
    except Stopped:
        pass
    except _FoundOtherwise as found:
        with contextlib.suppress(Stopped):
            _keep(run, found.verdicts, message=CHANGED)
    except DomainError as refusal:
        _fail(run, f"{refusal.text} Nothing of this file was brought in.")
    except Exception:
        _fail(run, "The server failed and nothing of this file was brought in. Try again, or ask for help.")
        log.exception("Import %s could not be brought in", run.pk)
    finally:
        forget_progress(run)


def _look(run: ImportRun) -> _Looked | None:
    """Check the rows again before the transaction; ``None`` where that has to wait for it.

    Raises:
        _FoundOtherwise: when that is already something else than what was confirmed.
    """
    importer, rows = _importer(run), _rows(run)
    mark = importer.mark(rows)
    return _Looked(mark, _as_confirmed(run, importer, rows)) if mark else None


def _as_confirmed(run: ImportRun, importer: Importer, rows: list[Row]) -> list[Verdict]:
    # Each row counts twice: once when it is checked again, once when it is done.
    assert run.confirmed_by is not None
    tick = tells_progress(run, 0)
    verdicts = importer.check(rows, actor=run.confirmed_by, options=run.options, tick=tick)
    if _digest(verdicts) != run.digest:
        raise _FoundOtherwise(verdicts)
    return verdicts


def _apply(run: ImportRun, looked: _Looked | None) -> None:
    # Whoever works on the same run waits here, and then finds it done.
    mine = ImportRun.objects.filter(pk=run.pk, state=states.IMPORTING, attempt=run.attempt)
    if not mine.select_for_update().values_list("pk", flat=True).first():
        raise Stopped
    importer, actor = _importer(run), run.confirmed_by
    assert actor is not None
    rows = _rows(run)
    if looked and importer.mark(rows) == looked.mark:
        verdicts = looked.verdicts
    else:
        verdicts = _as_confirmed(run, importer, rows)
    wanted = [verdict for verdict in verdicts if verdict.outcome in ("create", "change")]
    results = importer.apply(
        wanted,
        actor=actor,
        key=f"import-{run.pk}",
        source=f"file “{run.name[:80]}”",
        tick=tells_progress(run, len(rows)),
    )
    _name_results(run, results)
    mine.update(
        state=states.IMPORT_NEXT[states.IMPORTING, "finish"],
        done=run.total,
        finished_at=timezone.now(),
        seen_alive_at=timezone.now(),
        # What the rows said and did stays with them; this was for checking them again.
        parsed=[],
    )
