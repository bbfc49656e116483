"""The plan of a term from a file: which bench list a course does in which week."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from inventory.importers import Importer, Verdict
from inventory.importers.kinds import Tick
from inventory.importers.naming import Refusals
from prepdesk.accounts.models import User
from prepdesk.core.tables import Column, Row
from requests_app.models import BenchList, Course, PlannedExperiment, Term
from requests_app.selectors.term import planned_in
from requests_app.services.term_plan import set_plan

PLAN_COLUMNS: Final = (
    Column("term", "Term", required=True, help="Code of the term.", example="2026-autumn"),
    Column("week", "Week", required=True, help="Of the term, counted from 1.", example="3"),
    Column("course", "Course", required=True, help="Code of the course.", example="CH 101"),
    Column("bench_list", "Bench list", required=True, help="Its title, as it stands.", example="Titration"),
)
_BY_KEY: Final = {column.key: column for column in PLAN_COLUMNS}


@dataclass(frozen=True, slots=True)
class _Meant:
    """What a row wants."""

    term: Term
    week: int
    listed: BenchList


class TermPlanImporter(Importer):
    """Bench lists put into weeks of terms that are there."""

    kind = "term-plan"
    label = "Plan of a term"
    about = "Puts bench lists into the weeks of a term. What the file doesn't name stays as it is planned."
    action = "manage_teaching"
    home = "requests_app:term_plan"
    columns = PLAN_COLUMNS

    def check(
        self, rows: Sequence[Row], *, actor: User, options: Mapping[str, bool], tick: Tick
    ) -> list[Verdict]:
        against = _Against()
        verdicts = []
        for done, row in enumerate(rows, start=1):
            verdicts.append(against.verdict(row))
            tick(done)
        return verdicts

    def apply(
        self, verdicts: Sequence[Verdict], *, actor: User, key: str, source: str, tick: Tick
    ) -> dict[int, str]:
        wanted: dict[tuple[Term, Course], list[_Meant]] = {}
        for verdict in verdicts:
            meant: _Meant = verdict.action
            wanted.setdefault((meant.term, meant.listed.course), []).append(meant)
        done = 0
        for (term, course), rows in wanted.items():
            weeks = {
                week: {one.pk for one in lists} for (_, week), lists in planned_in(term, [course]).items()
            }
            for meant in rows:
                weeks.setdefault(meant.week, set()).add(meant.listed.pk)
            set_plan(actor=actor, term=term, course=course, weeks=weeks, seen=None)
            done += len(rows)
            tick(done)
        return {}


class _Against:
    """Reads rows against the plans as they are, and against the rows before them."""

    def __init__(self) -> None:
        self.terms = {one.code.casefold(): one for one in Term.objects.all()}
        self.courses = {one.code.casefold(): one for one in Course.objects.all()}
        lists = BenchList.objects.filter(retired_at=None).select_related("course")
        self.lists = {(one.course_id, one.title.casefold()): one for one in lists}
        self.planned = set(PlannedExperiment.objects.values_list("term", "week", "bench_list"))
        self.named: dict[tuple[int, int, int], int] = {}

    def verdict(self, row: Row) -> Verdict:
        """What this row would do."""
        refusals = Refusals(row)
        title = " ".join(filter(None, (row.cells.get(name, "") for name in ("course", "bench_list"))))
        meant = self._meant(row, refusals)
        if meant is None or refusals.by_column:
            return Verdict(row.number, "refuse", title, reasons=refusals.by_heading(_BY_KEY))
        line = (meant.term.pk, meant.week, meant.listed.pk)
        first = self.named.setdefault(line, row.number)
        if first != row.number:
            refusals.add("bench_list", f"Row {first} says the same. Keep one of them.")
            return Verdict(row.number, "refuse", title, reasons=refusals.by_heading(_BY_KEY))
        if line in self.planned:
            return Verdict(row.number, "same", title)
        change = (f"Week {meant.week} of {meant.term}", "", meant.listed.title)
        return Verdict(row.number, "create", title, changes=(change,), action=meant)

    def _meant(self, row: Row, refusals: Refusals) -> _Meant | None:
        term = self.terms.get(row.cells.get("term", "").casefold())
        course = self.courses.get(row.cells.get("course", "").casefold())
        text = row.cells.get("week", "")
        week = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else 0
        if term is None:
            refusals.add("term", "There is no term of this code. Add it in the timetable first.")
        elif not 1 <= week <= term.weeks:
            refusals.add("week", f"“{text}” is no week of {term}: write one from 1 to {term.weeks}.")
        if course is None:
            refusals.add("course", "There is no course of this code.")
            return None
        listed = self.lists.get((course.pk, row.cells.get("bench_list", "").casefold()))
        if listed is None:
            refusals.add("bench_list", f"{course.code} has no bench list of this title in use.")
        if term is None or listed is None:
            return None
        return _Meant(term, week, listed)
