"""Terms: their first and last day, and the breaks in which nobody meets."""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from inventory.services import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app.models import Term, TermBreak
from requests_app.services.timetable.changes import keep_change, refuse_stale, sent_before
from requests_app.services.timetable.layout import LaidOut, lay_out
from requests_app.timetable import Break, TermFacts, day_words, differences, term_facts

# Longer than a year is a slip of the keyboard.
LONGEST_TERM: Final = timedelta(days=370)
MOST_BREAKS: Final = 12


@dataclass(frozen=True, slots=True)
class TermChanged:
    """A term after a change, and what that did to the meetings of its sections."""

    term: Term
    laid_out: LaidOut


@atomic_with_retries
def make_term(*, actor: User, facts: TermFacts, idempotency_key: str) -> Term:
    """Add a term with its breaks.

    Raises:
        NotAllowed.
        InvalidInput: by field; ``breaks.0.starts_on`` and so on for a break.
        Conflict: when the key was used for something else.
    """
    policy.require(actor, "manage_teaching")
    first = sent_before(Term, idempotency_key)
    if first is not None:
        return first
    kept = check_term(facts)
    term = Term.objects.create(code=kept.code, name=kept.name, starts_on=kept.starts_on, ends_on=kept.ends_on)
    _write_breaks(term, kept)
    keep_change(actor=actor, row=term, changes=differences({}, kept.told()), idempotency_key=idempotency_key)
    return term


@atomic_with_retries
def change_term(
    *, actor: User, term: Term, facts: TermFacts, seen_version: int | None, idempotency_key: str
) -> TermChanged:
    """Change days or breaks of a term, and lay out the meetings of its sections anew.

    Raises:
        NotAllowed.
        InvalidInput: as :func:`make_term`; also where a section would then meet at a time that a change of
            the clocks leaves out.
        Conflict: when somebody changed it since it was shown.
    """
    policy.require(actor, "manage_teaching")
    if sent_before(Term, idempotency_key, term) is not None:
        return TermChanged(Term.objects.get(pk=term.pk), LaidOut())
    locked = Term.objects.select_for_update().get(pk=term.pk)
    kept = check_term(facts, instead_of=locked)
    before = term_facts(locked)
    if kept == before:
        return TermChanged(locked, LaidOut())
    refuse_stale(locked, seen_version)
    locked.code, locked.name = kept.code, kept.name
    locked.starts_on, locked.ends_on = kept.starts_on, kept.ends_on
    locked.version += 1
    locked.save()
    if kept.breaks != before.breaks:
        locked.breaks.all().delete()
        _write_breaks(locked, kept)
    keep_change(
        actor=actor,
        row=locked,
        changes=differences(before.told(), kept.told()),
        idempotency_key=idempotency_key,
    )
    return TermChanged(locked, lay_out(actor=actor, sections=list(locked.sections.all())))


def check_term(facts: TermFacts, *, instead_of: Term | None = None) -> TermFacts:
    """What was typed about a term, tidied; saves nothing.

    Args:
        instead_of: the term as it is now, where it is changed.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    code = reader.words("code", " ".join(facts.code.split()), 20)
    if not code:
        reader.refuse("code", "Give it a short code, as files and lists will name it: 2027-spring.")
    elif Term.objects.filter(code__iexact=code).exclude(pk=instead_of.pk if instead_of else 0).exists():
        reader.refuse("code", f"There is a term “{code}” already.")
    name = reader.words("name", " ".join(facts.name.split()), 80)
    if not name:
        reader.refuse("name", "Say what people call it: Spring term 2027.")
    if facts.ends_on < facts.starts_on:
        reader.refuse("ends_on", "The last day lies before the first. Swap them or change one.")
    elif facts.ends_on - facts.starts_on > LONGEST_TERM:
        reader.refuse("ends_on", "That is longer than a year. Check the year.")
    breaks = _checked_breaks(reader, facts)
    reader.done()
    return replace(facts, code=code, name=name, breaks=breaks)


def _checked_breaks(reader: Reader, facts: TermFacts) -> tuple[Break, ...]:
    """The breaks in the order of their days; fields are counted in the order they were typed."""
    kept: list[Break] = []
    if len(facts.breaks) > MOST_BREAKS:
        reader.refuse("breaks", f"A term has at most {MOST_BREAKS} breaks.")
    for number, each in enumerate(facts.breaks):
        name = reader.words(f"breaks.{number}.name", " ".join(each.name.split()), 80)
        if not name:
            reader.refuse(f"breaks.{number}.name", "Say what this break is: Reading week.")
        if each.ends_on < each.starts_on:
            reader.refuse(f"breaks.{number}.ends_on", "This break ends before it begins.")
        elif each.starts_on < facts.starts_on or each.ends_on > facts.ends_on:
            reader.refuse(
                f"breaks.{number}.starts_on",
                f"This break lies outside the term, {day_words(facts.starts_on)} to "
                f"{day_words(facts.ends_on)}.",
            )
        for other in kept:
            if other.starts_on <= each.ends_on and each.starts_on <= other.ends_on:
                reader.refuse(f"breaks.{number}.starts_on", f"It overlaps {other.words}.")
        kept.append(Break(each.starts_on, each.ends_on, name))
    return tuple(sorted(kept))


def _write_breaks(term: Term, facts: TermFacts) -> None:
    TermBreak.objects.bulk_create(
        [
            TermBreak(term=term, name=one.name, starts_on=one.starts_on, ends_on=one.ends_on)
            for one in facts.breaks
        ]
    )
    # What was read before they were written would still be remembered.
    getattr(term, "_prefetched_objects_cache", {}).clear()
