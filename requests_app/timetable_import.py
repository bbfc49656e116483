"""A timetable from a file: courses, rooms and sections of terms that are there, and all their meetings."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import time
from typing import Final

from inventory.importers import Importer, Verdict
from inventory.importers.kinds import Tick
from inventory.importers.naming import Refusals
from inventory.services.typed import Reader
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from prepdesk.core.tables import Row
from requests_app.models import Course, Room, Section, Term
from requests_app.services.timetable import check_course, check_room
from requests_app.services.timetable.changes import keep_change
from requests_app.services.timetable.layout import lay_out
from requests_app.services.timetable.sections import add_section, read_section, replace_section
from requests_app.timetable import WEEKDAYS, SectionFacts, by_name, differences, section_facts, slots_of
from requests_app.timetable_columns import TIMETABLE_COLUMNS

_BY_KEY: Final = {column.key: column for column in TIMETABLE_COLUMNS}
_CLOCK: Final = re.compile(r"([01]?[0-9]|2[0-3])[:.h]([0-5][0-9])(?::00)?")
_USUAL_GROUPS: Final = 12
# What the checks call otherwise than the columns.
_COLUMN_OF: Final = {"name": "section", "starts_at": "starts", "ends_at": "ends"}


@dataclass(frozen=True, slots=True)
class _Meant:
    """What a row wants: facts whose course and room may be new, and the section they change."""

    facts: SectionFacts
    section: Section | None


class TimetableImporter(Importer):
    """Sections of a term, with when, where and by whom they are taught."""

    kind = "timetable"
    label = "Timetable"
    about = (
        "Adds and changes sections of terms that are there, with new courses and rooms as they are named, "
        "and lays out the meetings. A section that the file doesn't name stays as it is."
    )
    action = "manage_teaching"
    home = "requests_app:timetable"
    columns = TIMETABLE_COLUMNS

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
        courses: dict[str, Course] = {}
        rooms: dict[str, Room] = {}
        sections = []
        for done, verdict in enumerate(verdicts, start=1):
            meant: _Meant = verdict.action
            facts = replace(
                meant.facts,
                course=_course(actor, meant.facts.course, courses, key),
                room=_room(actor, meant.facts.room, rooms, key),
            )
            own = f"{key}-{verdict.number}"
            if meant.section is None:
                sections.append(add_section(actor=actor, facts=facts, idempotency_key=own))
            else:
                changed = replace_section(
                    actor=actor,
                    section=meant.section,
                    facts=facts,
                    seen_version=meant.section.version,
                    idempotency_key=own,
                )
                sections.append(changed)
            tick(done)
        lay_out(actor=actor, sections=sections)
        return {}


def _course(actor: User, wanted: Course, made: dict[str, Course], key: str) -> Course:
    if wanted.pk is not None:
        return wanted
    if wanted.code not in made:
        course = check_course(code=wanted.code, title=wanted.title)
        course.save()
        told = differences({}, {"Code": course.code, "Title": course.title})
        keep_change(actor=actor, row=course, changes=told, idempotency_key=f"{key}-course-{course.pk}")
        made[wanted.code] = course
    return made[wanted.code]


def _room(actor: User, wanted: Room | None, made: dict[str, Room], key: str) -> Room | None:
    if wanted is None or wanted.pk is not None:
        return wanted
    if wanted.code not in made:
        room = check_room(code=wanted.code)
        room.save()
        told = differences({}, {"Room": room.code})
        keep_change(actor=actor, row=room, changes=told, idempotency_key=f"{key}-room-{room.pk}")
        made[wanted.code] = room
    return made[wanted.code]


class _Against:
    """Reads rows against the timetable as it is, and against the rows before them."""

    def __init__(self) -> None:
        self.terms = {one.code.casefold(): one for one in Term.objects.prefetch_related("breaks")}
        self.courses = {one.code.casefold(): one for one in Course.objects.all()}
        self.rooms = {one.code.casefold(): one for one in Room.objects.all()}
        self.people = {one.username.casefold(): one for one in User.objects.filter(is_active=True)}
        sections = Section.objects.exclude(term=None).select_related("course", "term", "room", "instructor")
        self.sections = {
            (one.term_id, one.course_id, one.name.casefold()): one
            for one in sections.prefetch_related("co_instructors")
        }
        self.named: dict[tuple[str, str, str], int] = {}

    def verdict(self, row: Row) -> Verdict:
        """What this row would do."""
        refusals = Refusals(row)
        title = " ".join(row.cells.get(name, "") for name in ("term", "course", "section")).strip()
        name = ("term", "course", "section")
        first = self.named.setdefault(
            (row.cells.get(name[0], ""), row.cells.get(name[1], ""), row.cells.get(name[2], "")), row.number
        )
        if first != row.number:
            refusals.add("section", f"Row {first} is about the same section. Keep one of them.")
        facts, section = self._facts(row, refusals)
        if facts is None or refusals.by_column:
            return Verdict(row.number, "refuse", title, reasons=refusals.by_heading(_BY_KEY))
        before = section_facts(section) if section is not None else None
        if facts == before:
            return Verdict(row.number, "same", title)
        self._check(facts, refusals)
        if refusals.by_column:
            return Verdict(row.number, "refuse", title, reasons=refusals.by_heading(_BY_KEY))
        changes = differences(before.told() if before else {}, facts.told())
        return Verdict(
            row.number,
            "change" if section is not None else "create",
            title,
            tuple((heading, was, now) for heading, was, now in changes),
            action=_Meant(facts, section),
        )

    def _facts(self, row: Row, refusals: Refusals) -> tuple[SectionFacts | None, Section | None]:
        cells = row.cells
        term = self.terms.get(cells.get("term", "").casefold())
        if term is None:
            refusals.add("term", f"There is no term “{cells.get('term', '')[:40]}”. Add it first.")
        course = self._course(cells, refusals)
        instructor = self._person(cells.get("instructor", ""), "instructor", refusals)
        name = " ".join(cells.get("section", "").split())
        if not name:
            refusals.add("section", "Say which section it is.")
        if term is None or course is None or instructor is None or not name:
            return None, None
        section = self.sections.get((term.pk, course.pk or 0, name.casefold()))
        others = [one for one in re.split(r"[;,]", cells.get("co_instructors", "")) if one.strip()]
        found = [self._person(one, "co_instructors", refusals) for one in others]
        usual = section.groups if section is not None else _USUAL_GROUPS
        groups = _whole(cells.get("groups", ""), "groups", refusals)
        facts = SectionFacts(
            course=course,
            name=section.name if section is not None else name,
            instructor=instructor,
            term=term,
            groups=usual if groups is None else groups,
            students=_whole(cells.get("students", ""), "students", refusals),
            weekday=_weekday(cells.get("weekday", ""), refusals),
            starts_at=_clock(cells.get("starts", ""), "starts", refusals),
            ends_at=_clock(cells.get("ends", ""), "ends", refusals),
            room=self._room(cells.get("room", "")),
            co_instructors=by_name(one for one in found if one is not None),
        )
        return facts, section

    def _course(self, cells: Mapping[str, str], refusals: Refusals) -> Course | None:
        code = " ".join(cells.get("course", "").split())
        known = self.courses.get(code.casefold())
        if known is not None:
            return known
        try:
            new = check_course(code=code, title=cells.get("course_title", ""))
        except InvalidInput as refusal:
            names = {"code": "course", "title": "course_title"}
            refusals.add_all({names[field]: text for field, text in refusal.errors.items()})
            return None
        self.courses[code.casefold()] = new
        return new

    def _room(self, text: str) -> Room | None:
        code = " ".join(text.split())
        if not code:
            return None
        return self.rooms.setdefault(code.casefold(), Room(code=code))

    def _person(self, text: str, column: str, refusals: Refusals) -> User | None:
        found = self.people.get(text.strip().casefold())
        if found is None:
            refusals.add(column, f"Nobody signs in as “{text.strip()[:40]}”.")
        return found

    def _check(self, facts: SectionFacts, refusals: Refusals) -> None:
        reader = Reader()
        reader.words("section", facts.name, 40)
        if facts.room is not None:
            reader.words("room", facts.room.code, 40)
        read_section(reader, facts, None)
        try:
            reader.done()
            laid = Section(
                term=facts.term, weekday=facts.weekday, starts_at=facts.starts_at, ends_at=facts.ends_at
            )
            slots_of(laid)
        except InvalidInput as refusal:
            refusals.add_all({_COLUMN_OF.get(name, name): text for name, text in refusal.errors.items()})


def _whole(text: str, column: str, refusals: Refusals) -> int | None:
    if not text:
        return None
    whole = text.removesuffix(".0")
    if whole.isascii() and whole.isdigit() and len(whole) < 5:
        return int(whole)
    refusals.add(column, f"“{text[:20]}” is no whole number.")
    return None


def _weekday(text: str, refusals: Refusals) -> int | None:
    if not text:
        return None
    typed = text.strip().rstrip(".").casefold()
    fits = [at for at, day in enumerate(WEEKDAYS) if len(typed) >= 2 and day.casefold().startswith(typed)]
    if len(fits) == 1:
        return fits[0]
    refusals.add("weekday", f"“{text[:20]}” is no day of the week. Write Monday, or Mon.")
    return None


def _clock(text: str, column: str, refusals: Refusals) -> time | None:
    if not text:
        return None
    match = _CLOCK.fullmatch(text.strip())
    if match:
        return time(int(match[1]), int(match[2]))
    refusals.add(column, f"“{text[:20]}” is no time. Write it as 13:30.")
    return None
