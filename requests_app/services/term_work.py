"""The work of ordering a term: week by week and course by course, then batch by batch.

Each step is a transaction of its own, and nothing but rows says how far it is. A process that is killed loses
the step it was in; whoever goes on begins at the first week again and finds what is ordered. A run belongs to
one try: another try, or a person who stops it, ends the work at its next sign of life.
"""

import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final
from uuid import UUID

from django.db.models import Count, Q
from django.urls import reverse
from django.utils import timezone

from inventory.services import in_transaction_with_retries
from prepdesk.access import policy
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.core.errors import Conflict, DomainError, InvalidInput
from requests_app import states
from requests_app.list_drafts import room_of
from requests_app.models import BenchListVersion, Meeting, Order, PlannedExperiment, TermRun
from requests_app.selectors import term as reading
from requests_app.services.from_lists import Changes, Checked, order_lines
from requests_app.services.together import put_together

log = logging.getLogger(__name__)
ORDERS: Final = "orders"
BATCHES: Final = "batches"
STAGES: Final = {ORDERS: "Orders are made", BATCHES: "Orders are put together and planned"}
_EVERY_S: Final = 0.4
# A list is asked for again without what was refused of it.
_ROUNDS: Final = 3
_MOST_PROBLEMS: Final = 200


class Stopped(Exception):
    """The run was stopped by hand, or another try has it."""


@dataclass(slots=True)
class _Tally:
    """What a try has found so far."""

    made: list[int] = field(default_factory=list)
    kept: list[int] = field(default_factory=list)
    problems: dict[str, None] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Chunk:
    """A bench list in a week, for the meetings that lie ahead."""

    version: BenchListVersion
    week: int
    meetings: list[Meeting]

    @property
    def lines(self) -> int:
        """How many orders that is."""
        return len(self.version.solutions.all()) * len(self.meetings)


def work_on_run(pk: int, attempt: int) -> None:
    """Order what a run asks for; does nothing when another try took over."""
    run = TermRun.objects.select_related("actor", "term").filter(pk=pk, attempt=attempt).first()
    if run is None or run.state != states.RUNNING:
        return
    try:
        tally = _Tally()
        progress = Progress(run, tally)
        _make_orders(run, tally, progress)
        _make_batches(run, tally, progress)
        _finish(run, tally)
    except Stopped:
        return
    except DomainError as refusal:
        _fail(run, refusal.text)
    except Exception:
        _fail(run, "The server failed. What was ordered until then stays; go on, or ask for help.")
        log.exception("Run %s over a term could not be finished", run.pk)


# --- what there is to do ------------------------------------------------------------------------
def chunks_of(run: TermRun) -> Iterator[Chunk]:
    """The bench lists of the plan that a run is asked for, the first week first."""
    chosen = run.options
    planned = PlannedExperiment.objects.filter(
        term=run.term,
        week__gte=chosen["first"],
        week__lte=chosen["last"],
        bench_list__course__in=chosen["courses"],
    )
    listed = list(planned.select_related("bench_list").order_by("week", "bench_list__course__code", "pk"))
    versions = {
        version.bench_list_id: version
        for version in reading.newest_versions().filter(bench_list__in={one.bench_list_id for one in listed})
    }
    meetings: dict[tuple[int, int], list[Meeting]] = {}
    for meeting in reading.meetings_ahead(run.actor, run.term):
        meetings.setdefault((meeting.section.course_id, meeting.week), []).append(meeting)
    for one in listed:
        version = versions.get(one.bench_list_id)
        met = meetings.get((one.bench_list.course_id, one.week))
        if version is not None and met:
            yield Chunk(version, one.week, met)


def lines_in(run: TermRun) -> int:
    """How many orders a run would make, or find made."""
    return sum(chunk.lines for chunk in chunks_of(run))


# --- the two stages -----------------------------------------------------------------------------
def _make_orders(run: TermRun, tally: _Tally, progress: "Progress") -> None:
    chunks = list(chunks_of(run))
    progress.begin(ORDERS, sum(chunk.lines for chunk in chunks))
    checked: dict[int, Checked] = {}
    for chunk in chunks:
        _order_chunk(run, chunk, tally, checked)
        progress.step(chunk.lines)


def _order_chunk(run: TermRun, chunk: Chunk, tally: _Tally, checked: dict[int, Checked]) -> None:
    """Order a list for a week; what can't be ordered of it is a problem in words and left out."""
    course = chunk.version.bench_list.course.code
    named = f"{course}, {chunk.version.bench_list.title}"
    left_out: set[UUID] = set()
    meetings = [meeting for meeting in chunk.meetings if room_of(meeting)]
    for meeting in chunk.meetings:
        if meeting not in meetings:
            tally.problems[f"{meeting.section} meets in no known room; nothing was ordered."] = None
    for _ in range(_ROUNDS):
        if not meetings:
            return
        try:
            sent = order_lines(
                actor=run.actor,
                version=chunk.version,
                meetings=meetings,
                changes=Changes(left_out=frozenset(left_out)),
                # Of its own for each chunk, so that what comes back is what this chunk made.
                key=f"term-{run.pk}-{chunk.version.pk}-{chunk.week}",
                checked=checked,
            )
        except InvalidInput as refused:
            for name, text in refused.errors.items():
                what, _, which = name.partition("-")
                if what == "line":
                    left_out.add(UUID(which))
                    tally.problems[f"{named}: {text}"] = None
                else:
                    tally.problems[f"{named}, week {chunk.week}: {text}"] = None
                    meetings = [one for one in meetings if what == "groups" and str(one.pk) != which]
        except Conflict as changed:
            tally.problems[f"{named}, week {chunk.week}: {changed.text}"] = None
            return
        else:
            tally.made += [order.pk for order in sent.made]
            tally.kept += [line.ordered.pk for line in sent.kept if line.ordered]
            return


def _make_batches(run: TermRun, tally: _Tally, progress: "Progress") -> None:
    waiting = Order.objects.filter(state=states.WAITING, batch=None, pk__in=[*tally.made, *tally.kept])
    if not policy.may(run.actor, "arrange_batches"):
        # What a colleague ordered is the colleague's, or the stockroom's, to put together.
        waiting = waiting.filter(ordered_by=run.actor)
    orders = list(waiting)
    progress.begin(BATCHES, len(orders))
    if orders:
        put_together(
            actor=run.actor,
            orders=orders,
            reason=f"{run.term} ordered",
            told=lambda done, _: progress.reach(done),
        )


def _finish(run: TermRun, tally: _Tally) -> None:
    figures = _figures(run, tally)

    def finish() -> None:
        mine = TermRun.objects.filter(pk=run.pk, state=states.RUNNING, attempt=run.attempt)
        if not mine.update(
            state=states.RUN_NEXT[states.RUNNING, "finish"],
            finished_at=timezone.now(),
            seen_alive_at=timezone.now(),
            **figures,
        ):
            raise Stopped
        tell_done(run.actor, run, figures)
        tell_owners(run, tally.made)

    in_transaction_with_retries(finish)


def tell_done(person: User, run: TermRun, figures: dict[str, object]) -> None:
    """Tell whoever asked for it that their term is ordered."""
    problems = len(tuple(figures["problems"]))  # type: ignore[arg-type]  # a list of sentences
    text = (
        f"{run.term} is ordered: {figures['orders_made']} orders made, {figures['orders_kept']} stood, "
        f"{figures['orders_waiting']} wait for stock or apparatus."
    )
    if problems:
        text += f" {problems} could not be ordered." if problems > 1 else " One thing could not be ordered."
    path = reverse("requests_app:term_run", args=[run.pk])
    key = f"term-run-{run.pk}-{run.attempt}"
    tell(people=[person], kind=kinds.TERM_ORDERED, text=text, path=path, key=key)


def tell_owners(run: TermRun, made: list[int]) -> None:
    """Tell those whose orders somebody else sent, each once for all of them."""
    theirs = Order.objects.filter(pk__in=made).exclude(ordered_by=run.actor).order_by()
    counted = theirs.values_list("ordered_by").annotate(
        Count("pk"), waiting=Count("pk", filter=Q(state=states.WAITING))
    )
    people = User.objects.in_bulk([person for person, *_ in counted])
    weeks = f"weeks {run.options['first']} to {run.options['last']} of {run.term}"
    for person, count, waiting in counted:
        noun = "order of yours was" if count == 1 else "orders of yours were"
        text = f"{count} {noun} sent by {run.actor}, for {weeks}; {waiting} of them waiting."
        tell(
            people=[people[person]],
            kind=kinds.TERM_ORDERED,
            text=text,
            path=reverse("requests_app:order_list"),
            key=f"term-run-{run.pk}-{run.attempt}",
        )


def _fail(run: TermRun, text: str) -> None:
    TermRun.objects.filter(pk=run.pk, state=states.RUNNING, attempt=run.attempt).update(
        state=states.RUN_NEXT[states.RUNNING, "fail"],
        message=text[:600],
        seen_alive_at=timezone.now(),
        finished_at=timezone.now(),
    )


def _figures(run: TermRun, tally: _Tally) -> dict[str, object]:
    made = Order.objects.filter(pk__in=tally.made)
    both = Order.objects.filter(pk__in=[*tally.made, *tally.kept], state=states.WAITING)
    return {
        "orders_made": len(tally.made),
        "orders_kept": len(tally.kept),
        "orders_waiting": both.count(),
        "batches_made": made.exclude(batch=None).order_by().values("batch").distinct().count(),
        "problems": list(tally.problems)[:_MOST_PROBLEMS],
    }


# --- how far it is ------------------------------------------------------------------------------
class Progress:
    """Tells through the run's own row, between the transactions of the work."""

    def __init__(self, run: TermRun, tally: _Tally) -> None:
        self.run = run
        self.tally = tally
        self.stage = ""
        self.done = self.total = 0
        self.last = 0.0

    def begin(self, stage: str, total: int) -> None:
        """A stage begins, with so much to do."""
        self.stage, self.done, self.total = stage, 0, total
        self._tell()

    def step(self, count: int) -> None:
        """So much more is done.

        Raises:
            Stopped: the run is no longer this try's.
        """
        self.reach(self.done + count)

    def reach(self, done: int) -> None:
        """So much of the stage is done.

        Raises:
            Stopped: the run is no longer this try's.
        """
        self.done = done
        if time.monotonic() - self.last >= _EVERY_S:
            self._tell()

    def _tell(self) -> None:
        mine = TermRun.objects.filter(pk=self.run.pk, state=states.RUNNING, attempt=self.run.attempt)
        figures = _figures(self.run, self.tally)
        if not mine.update(
            stage=self.stage, done=self.done, total=self.total, seen_alive_at=timezone.now(), **figures
        ):
            raise Stopped
        self.last = time.monotonic()
