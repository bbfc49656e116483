"""Sections: who meets when, where, with whom. Saving one lays out its meetings."""

from dataclasses import dataclass, replace
from typing import Any, Final

from inventory.services import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app.drafts import MAX_GROUPS_PER_SECTION
from requests_app.models import Section
from requests_app.services.timetable.changes import keep_change, refuse_stale, sent_before
from requests_app.services.timetable.layout import LaidOut, lay_out
from requests_app.services.timetable.sizes import follow_size
from requests_app.timetable import SectionFacts, by_name, differences, section_facts

MOST_STUDENTS: Final = 999
_ORDERED: Final = "Something was ordered for this section"
_PLAIN: Final = (
    "course",
    "name",
    "term",
    "instructor",
    "groups",
    "students",
    "weekday",
    "starts_at",
    "ends_at",
    "room",
)


@dataclass(frozen=True, slots=True)
class SectionChanged:
    """A section after it was saved, and what that did to its meetings."""

    section: Section
    laid_out: LaidOut


@atomic_with_retries
def make_section(*, actor: User, facts: SectionFacts, idempotency_key: str) -> SectionChanged:
    """Add a section and lay out its meetings.

    Raises:
        NotAllowed.
        InvalidInput: by field; ``starts_at`` also where a change of the clocks leaves the time out.
        Conflict: when the key was used for something else.
    """
    policy.require(actor, "manage_teaching")
    first = sent_before(Section, idempotency_key)
    if first is not None:
        return SectionChanged(first, LaidOut())
    section = add_section(actor=actor, facts=facts, idempotency_key=idempotency_key)
    return SectionChanged(section, lay_out(actor=actor, sections=[section]))


def add_section(*, actor: User, facts: SectionFacts, idempotency_key: str) -> Section:
    """The same inside the caller's transaction, and without its meetings."""
    kept = check_section(facts)
    section = Section.objects.create(**_columns(kept))
    section.co_instructors.set(kept.co_instructors)
    changes = differences({}, kept.told())
    keep_change(actor=actor, row=section, changes=changes, idempotency_key=idempotency_key)
    return section


@atomic_with_retries
def change_section(
    *, actor: User, section: Section, facts: SectionFacts, seen_version: int | None, idempotency_key: str
) -> SectionChanged:
    """Change what is said about a section, and lay out its coming meetings anew.

    A meeting with orders stays when and where it is; see :func:`requests_app.selectors.meetings_to_move`.
    Another number of groups reaches the orders too; see :func:`change_section_size`.

    Raises:
        NotAllowed.
        InvalidInput: as :func:`make_section`; ``course`` and ``term`` stay once something was ordered.
        Conflict: when somebody changed it since it was shown.
    """
    policy.require(actor, "manage_teaching")
    if sent_before(Section, idempotency_key, section) is not None:
        return SectionChanged(Section.objects.get(pk=section.pk), LaidOut())
    before = Section.objects.select_for_update().get(pk=section.pk).groups
    changed = replace_section(
        actor=actor, section=section, facts=facts, seen_version=seen_version, idempotency_key=idempotency_key
    )
    laid_out = lay_out(actor=actor, sections=[changed])
    follow_size(
        actor=actor, section=changed, before=before, reason="", idempotency_key=f"groups-{idempotency_key}"
    )
    return SectionChanged(changed, laid_out)


def replace_section(
    *, actor: User, section: Section, facts: SectionFacts, seen_version: int | None, idempotency_key: str
) -> Section:
    """The same inside the caller's transaction, and without its meetings."""
    locked = Section.objects.select_for_update().get(pk=section.pk)
    kept, before = check_section(facts, instead_of=locked), section_facts(locked)
    if kept == before:
        return locked
    refuse_stale(locked, seen_version)
    for name, value in _columns(kept).items():
        setattr(locked, name, value)
    locked.version += 1
    locked.save()
    locked.co_instructors.set(kept.co_instructors)
    changes = differences(before.told(), kept.told())
    keep_change(actor=actor, row=locked, changes=changes, idempotency_key=idempotency_key)
    return locked


def _columns(facts: SectionFacts) -> dict[str, Any]:
    return {name: getattr(facts, name) for name in _PLAIN}


def check_section(facts: SectionFacts, *, instead_of: Section | None = None) -> SectionFacts:
    """What was typed about a section, tidied; saves nothing.

    Args:
        instead_of: the section as it is now, where it is changed.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    name = reader.words("name", " ".join(facts.name.split()), 40)
    if not name:
        reader.refuse("name", "Say which section it is: A, or Monday morning.")
    elif _is_taken(facts, name, instead_of):
        where = f"in {facts.term}" if facts.term else "outside any term"
        reader.refuse("name", f"{facts.course.code} has a section “{name}” {where} already.")
    read_section(reader, facts, instead_of)
    reader.done()
    return replace(facts, name=name, co_instructors=by_name(facts.co_instructors))


def _is_taken(facts: SectionFacts, name: str, instead_of: Section | None) -> bool:
    there = Section.objects.filter(course=facts.course, term=facts.term, name__iexact=name)
    return there.exclude(pk=instead_of.pk if instead_of else 0).exists()


def read_section(reader: Reader, facts: SectionFacts, instead_of: Section | None) -> None:
    """Note what can't be about a section, apart from its name."""
    if not 1 <= facts.groups <= MAX_GROUPS_PER_SECTION:
        reader.refuse("groups", f"From 1 to {MAX_GROUPS_PER_SECTION} groups.")
    if facts.students is not None:
        if not 1 <= facts.students <= MOST_STUDENTS:
            reader.refuse("students", f"From 1 to {MOST_STUDENTS} students, or empty while nobody knows.")
        elif facts.students < facts.groups:
            reader.refuse(
                "groups", f"{facts.groups} groups of {facts.students} students: some would have nobody."
            )
    _read_hours(reader, facts)
    if facts.room and not facts.room.in_use and (not instead_of or instead_of.room_id != facts.room.pk):
        reader.refuse("room", f"{facts.room} is no longer in use.")
    teach = (policy.INSTRUCTOR, policy.MANAGER)
    known = {instead_of.instructor_id} if instead_of else set()
    if facts.instructor.pk not in known and not _may_teach(facts.instructor, teach):
        reader.refuse("instructor", f"{facts.instructor} is nobody who teaches here.")
    for person in facts.co_instructors:
        if person == facts.instructor:
            reader.refuse("co_instructors", f"{person} is its instructor already.")
        elif not _may_teach(person, teach):
            reader.refuse("co_instructors", f"{person} is nobody who teaches here.")
    _refuse_uprooted(reader, facts, instead_of)


def _may_teach(person: User, roles: tuple[str, ...]) -> bool:
    return person.is_active and person.role in roles


def _read_hours(reader: Reader, facts: SectionFacts) -> None:
    """Weekday, start and end are known together or not at all."""
    said = {"weekday": facts.weekday, "starts_at": facts.starts_at, "ends_at": facts.ends_at}
    if any(value is not None for value in said.values()):
        asks = {
            "weekday": "Say on which day it meets, or leave both times empty.",
            "starts_at": "Say when it begins, or leave day and end empty.",
            "ends_at": "Say when it ends, or leave day and start empty.",
        }
        for field, value in said.items():
            if value is None:
                reader.refuse(field, asks[field])
    if facts.weekday is not None and not 0 <= facts.weekday <= 6:
        reader.refuse("weekday", "There is no such day of the week.")
    if facts.starts_at and facts.ends_at and facts.ends_at <= facts.starts_at:
        reader.refuse("ends_at", "It ends before it begins. Times are those of one day, as 13:30.")


def _refuse_uprooted(reader: Reader, facts: SectionFacts, instead_of: Section | None) -> None:
    """Course and term of a section stay once something was ordered for it: its history hangs on them."""
    if instead_of is None or not instead_of.orders.exists():
        return
    if facts.course.pk != instead_of.course_id:
        reader.refuse("course", f"{_ORDERED}, so its course stays. Add another section.")
    now = facts.term.pk if facts.term else None
    if instead_of.term_id is not None and now != instead_of.term_id:
        reader.refuse("term", f"{_ORDERED}, so its term stays. Add another section.")
