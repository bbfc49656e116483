"""What a bench list would make, for one section of usual size, on today's shelf."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

from django.utils import timezone

from inventory.models import Substance
from inventory.selectors import calc_catalogue, calc_shelf
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.exercise import Verdict, judge
from requests_app import sheets
from requests_app.drafts import (
    MAX_OVERAGE_PERCENT,
    MAX_SPARE_GROUPS,
    OrderDraft,
    VolumeWanted,
    volume_of,
    volume_problem,
    wanted_for,
)
from requests_app.list_content import ApparatusLine, SolutionLine, measured
from requests_app.services.checks import refusal_of, refused_request

# A list is looked at as if a section of so many groups worked by it next week.
USUAL_GROUPS: Final = 12


@dataclass(frozen=True, slots=True)
class LineCheck:
    """One solution of a list, as it would be made for one section.

    Attributes:
        volume: for a section of :data:`USUAL_GROUPS`.
        plan: None where it can't be read.
        refused: why it can't be, by field; empty where it can.
        waits: what today's shelf lacks for it.
    """

    volume: VolumeWanted
    plan: dict[str, Any] | None
    refused: dict[str, str]
    waits: tuple[dict[str, Any], ...] = ()


def draft_for_a_section(line: SolutionLine, groups: int = USUAL_GROUPS) -> OrderDraft:
    """What one section of so many groups would order of a line."""
    return OrderDraft(
        course_id=0,
        section_ids=(0,),
        components=line.components,
        groups_per_section=groups,
        volume_per_group=line.volume_per_group,
        volume_unit=line.volume_unit,
        due_at=timezone.now() + timedelta(days=7),
        room="",
        overage_percent=line.overage_percent,
        tolerance_percent=line.tolerance_percent,
        temperature_c=line.temperature_c,
        spare_groups=line.spare_groups,
        per_section=line.per_section,
    )


def checked_solutions(lines: Sequence[SolutionLine]) -> list[LineCheck]:
    """Each line as it would be made; the shelf is read once for all."""
    if not lines:
        return []
    shelf, catalogue = calc_shelf(on=timezone.localdate()), calc_catalogue()
    known = set(
        Substance.objects.filter(
            key__in={one.substance_key for line in lines for one in line.components}
        ).values_list("key", flat=True)
    )
    found = []
    for line in lines:
        draft = draft_for_a_section(line)
        volume = volume_of(draft)
        errors = _refused_amounts(line, volume, known)
        if errors:
            found.append(LineCheck(volume, None, errors))
            continue
        try:
            plan = sheets.plan_on(shelf, catalogue, wanted_for(draft))
        except RequestRefused as refused:
            found.append(LineCheck(volume, None, dict(refused_request(refused).errors)))
            continue
        waits = tuple(sheets.waiting_reasons(plan)) if sheets.only_the_shelf_is_short(plan) else ()
        stopped = {} if plan["feasible"] or waits else dict(refusal_of(plan).errors)
        found.append(LineCheck(volume, plan, stopped, waits))
    return found


def refused_solutions(lines: Sequence[SolutionLine]) -> dict[str, str]:
    """Why lines can't be, by the field of the list: ``solutions.0.components.1.target``."""
    return {
        f"solutions.{position}.{field}": text
        for position, check in enumerate(checked_solutions(lines))
        for field, text in check.refused.items()
    }


def _refused_amounts(line: SolutionLine, volume: VolumeWanted, known: set[str]) -> dict[str, str]:
    errors: dict[str, str] = {}
    keys = [one.substance_key for one in line.components]
    if not keys:
        errors["components.0.substance"] = "Choose a substance."
    for position, key in enumerate(keys):
        if key not in known:
            errors[f"components.{position}.substance"] = "Choose a substance from the list."
        elif key in keys[:position]:
            errors[f"components.{position}.substance"] = "This substance is in the solution already."
    if line.overage_percent is not None and not 0 <= line.overage_percent.value <= MAX_OVERAGE_PERCENT:
        errors["overage_percent"] = f"The extra lies between 0 and {MAX_OVERAGE_PERCENT} %."
    if not 0 <= line.spare_groups <= MAX_SPARE_GROUPS:
        errors["spare_groups"] = f"At most {MAX_SPARE_GROUPS} spare groups."
    problem = volume_problem(volume)
    if problem:
        errors["volume_per_group"] = problem
    return errors


def judged(apparatus: Sequence[ApparatusLine]) -> tuple[Verdict | None, dict[int, Any]]:
    """Whether the apparatus gives what the exercise wants, and the verdict of each line by its position.

    None where what is typed can't be read yet.
    """
    lines = measured(apparatus)
    try:
        verdict = judge([line for _, line in lines])
    except RequestRefused:
        return None, {}
    return verdict, {lines[one.line][0]: one for one in verdict.lines}
