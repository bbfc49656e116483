"""Bench lists: written, corrected by a new version, copied, retired. A version is never changed."""

import uuid
from dataclasses import replace

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory.models import Substance
from inventory.services import atomic_with_retries
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.exercise import judge
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app.list_checks import refused_solutions
from requests_app.list_content import (
    MAX_APPARATUS,
    MAX_CONSUMABLES,
    MAX_SOLUTIONS,
    ListContent,
    SolutionLine,
    content_of,
    measured,
)
from requests_app.models import (
    BenchList,
    BenchListVersion,
    Course,
    ListApparatus,
    ListComponent,
    ListConsumable,
    ListSolution,
)
from requests_app.selectors.bench_lists import courses_to_write_for

_TITLE_LENGTH = 160


def check_content(content: ListContent) -> None:
    """Refuse what can't be, by field: ``solutions.0.volume_per_group``, ``apparatus.2.size`` and so on.

    A solution that chemistry or the department's apparatus forbids is refused; one that only lacks stock
    today is not.

    Raises:
        InvalidInput: with a sentence for every field that can't be.
    """
    errors: dict[str, str] = {}
    if not (content.solutions or content.consumables or content.apparatus):
        errors["solutions.0.volume_per_group"] = (
            "Say what the experiment needs: a solution, or something else."
        )
    for noun, lines, most in (
        ("solutions", content.solutions, MAX_SOLUTIONS),
        ("consumables", content.consumables, MAX_CONSUMABLES),
        ("apparatus", content.apparatus, MAX_APPARATUS),
    ):
        if len(lines) > most:
            errors[noun] = f"At most {most} {noun} stand on one list. Divide the experiment."
    errors |= refused_solutions(content.solutions)
    errors |= _refused_apparatus(content)
    if errors:
        raise InvalidInput(errors)


def _refused_apparatus(content: ListContent) -> dict[str, str]:
    lines = measured(content.apparatus)
    try:
        problems = judge([line for _, line in lines]).problems
    except RequestRefused as refused:
        problems = refused.errors
    errors: dict[str, str] = {}
    for problem in problems:
        index, _, field = problem.field.partition(".")
        position = lines[int(index)][0]
        errors.setdefault(f"apparatus.{position}.{field}", problem.text)
    return errors


@atomic_with_retries
def write_list(
    *,
    actor: User,
    course: Course,
    title: str,
    content: ListContent,
    idempotency_key: str,
    copied_from: BenchListVersion | None = None,
) -> BenchList:
    """Make a list with its first version. Sending the same form again gives the first list back.

    Raises:
        NotAllowed: the actor doesn't teach the course.
        InvalidInput: ``title`` empty, too long or taken; and as :func:`check_content`.
    """
    policy.require(actor, "write_bench_list")
    first = BenchList.objects.filter(idempotency_key=idempotency_key, created_by=actor).first()
    if first is not None:
        return first
    _require_course(actor, course)
    named = title.strip()
    if not named or len(named) > _TITLE_LENGTH:
        raise InvalidInput({"title": f"Give the experiment a name of at most {_TITLE_LENGTH} characters."})
    check_content(content)
    try:
        with transaction.atomic():
            made = BenchList.objects.create(
                course=course, title=named, created_by=actor, idempotency_key=idempotency_key
            )
    except IntegrityError:
        raise InvalidInput(
            {"title": f"{course.code} has a list of this name. Choose another name."}
        ) from None
    fresh = replace(content, solutions=tuple(replace(one, line=None) for one in content.solutions))
    _write_version(
        actor=actor,
        bench_list=made,
        content=fresh,
        number=1,
        reason="",
        key=f"{idempotency_key}-1",
        copied_from=copied_from,
    )
    return made


@atomic_with_retries
def correct_list(
    *,
    actor: User,
    bench_list: BenchList,
    content: ListContent,
    reason: str,
    seen_number: int,
    idempotency_key: str,
) -> BenchListVersion:
    """Write the next version of a list. The versions before stay readable, and so do orders made of them.

    A line that stays keeps its identity, so that orders of older versions find it again.

    Args:
        seen_number: of the version the form began with.
        idempotency_key: the same key writes once.

    Raises:
        NotAllowed: the actor doesn't teach the course.
        NotInThisState: the list is out of use.
        Conflict: somebody wrote a newer version meanwhile; the text says who and what for.
        InvalidInput: as :func:`check_content`; ``reason`` when nothing is different.
    """
    policy.require(actor, "write_bench_list")
    locked = BenchList.objects.select_for_update().get(pk=bench_list.pk)
    first = BenchListVersion.objects.filter(idempotency_key=idempotency_key, bench_list=locked).first()
    if first is not None:
        return first
    _require_course(actor, locked.course)
    require_in_use(locked)
    newest = locked.versions.select_related("created_by").order_by("-number")[0]
    if newest.number != seen_number:
        why = f": {newest.reason}" if newest.reason else ""
        raise Conflict(
            f"{newest.created_by} wrote version {newest.number} meanwhile{why}. What you typed stands below; "
            "look at the new version, and take over what still holds."
        )
    if content_of(newest) == content:
        raise InvalidInput({"reason": "Nothing is different from the version before."})
    check_content(content)
    known = {one.line for one in newest.solutions.all()}
    kept = replace(
        content,
        solutions=tuple(one if one.line in known else replace(one, line=None) for one in content.solutions),
    )
    return _write_version(
        actor=actor,
        bench_list=locked,
        content=kept,
        number=newest.number + 1,
        reason=reason.strip()[:200],
        key=idempotency_key,
    )


@atomic_with_retries
def retire_list(*, actor: User, bench_list: BenchList, is_retired: bool = True) -> BenchList:
    """Take a list out of use, or back into it. Nothing is lost; it is no longer offered.

    Raises:
        NotAllowed: the actor doesn't teach the course.
    """
    policy.require(actor, "write_bench_list")
    locked = BenchList.objects.select_for_update().get(pk=bench_list.pk)
    _require_course(actor, locked.course)
    if (locked.retired_at is not None) != is_retired:
        locked.retired_at = timezone.now() if is_retired else None
        locked.save(update_fields=["retired_at"])
    return locked


def require_in_use(bench_list: BenchList) -> None:
    """Refuse to correct a list that nobody is offered any more.

    Raises:
        NotInThisState: the list is out of use.
    """
    if bench_list.retired_at is not None:
        raise NotInThisState(f"{bench_list} is out of use. Take it into use again to correct it.")


def _require_course(actor: User, course: Course) -> None:
    if not courses_to_write_for(actor).filter(pk=course.pk).exists():
        raise NotAllowed(f"Bench lists of {course.code} are written by those who teach it, or a manager.")


def _write_version(
    *,
    actor: User,
    bench_list: BenchList,
    content: ListContent,
    number: int,
    reason: str,
    key: str,
    copied_from: BenchListVersion | None = None,
) -> BenchListVersion:
    version = BenchListVersion.objects.create(
        bench_list=bench_list,
        number=number,
        notes_to_prep=content.notes_to_prep,
        reason=reason,
        copied_from=copied_from,
        created_by=actor,
        idempotency_key=key,
    )
    for position, one in enumerate(content.solutions):
        _write_solution(version, position, one)
    ListConsumable.objects.bulk_create(
        ListConsumable(
            version=version,
            position=position,
            what=one.what,
            per_group=one.per_group,
            per_section=one.per_section,
            unit=one.unit,
            notes=one.notes,
        )
        for position, one in enumerate(content.consumables)
    )
    ListApparatus.objects.bulk_create(
        ListApparatus(
            version=version,
            position=position,
            type=one.type,
            size=one.size,
            per_group=one.per_group,
            measures=one.measures,
            wanted_percent=one.wanted_percent,
            result=one.result,
            reason=one.reason,
        )
        for position, one in enumerate(content.apparatus)
    )
    return version


def _write_solution(version: BenchListVersion, position: int, one: SolutionLine) -> None:
    stored = ListSolution.objects.create(
        version=version,
        line=one.line or uuid.uuid4(),
        position=position,
        label=one.label,
        volume_per_group=one.volume_per_group.text,
        volume_unit=one.volume_unit,
        spare_groups=one.spare_groups,
        per_section=one.per_section.text if one.per_section else "",
        overage_percent=one.overage_percent.text if one.overage_percent else "",
        tolerance_percent=one.tolerance_percent.text if one.tolerance_percent else "",
        temperature_c=one.temperature_c.text if one.temperature_c else "",
        container=one.container,
        notes=one.notes,
    )
    keys = Substance.objects.in_bulk([part.substance_key for part in one.components], field_name="key")
    ListComponent.objects.bulk_create(
        ListComponent(
            solution=stored,
            position=number,
            substance=keys[part.substance_key],
            target_value=part.target.text,
            target_unit=part.unit,
            equivalents=part.equivalents,
        )
        for number, part in enumerate(one.components)
    )
