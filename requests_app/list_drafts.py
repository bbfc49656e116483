"""From a line of a bench list and a meeting of a section to the draft of an order."""

from datetime import datetime, timedelta

from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import DepartmentRules, ListSolution, Meeting


def due_of(meeting: Meeting, rules: DepartmentRules) -> datetime:
    """When the solutions of a meeting are due: the department's minutes before it begins."""
    return meeting.starts_at - timedelta(minutes=rules.minutes_before)


def room_of(meeting: Meeting) -> str:
    """The code of the room a meeting is in, its section's where it has none of its own; else empty."""
    room = meeting.room or meeting.section.room
    return room.code if room else ""


def draft_for(
    solution: ListSolution, meeting: Meeting, rules: DepartmentRules, groups: int | None = None
) -> OrderDraft:
    """What one meeting needs of one solution of a bench list.

    Args:
        solution: with its components and their substances.
        meeting: with its section, and both their rooms.
        groups: so many instead of those the meeting has.
    """
    return OrderDraft(
        course_id=meeting.section.course_id,
        section_ids=(meeting.section_id,),
        components=tuple(
            DraftComponent(
                substance_key=one.substance.key,
                target=parse_number(one.target_value),
                unit=one.target_unit,
                equivalents=one.equivalents,
            )
            for one in solution.components.all()
        ),
        groups_per_section=meeting.group_count if groups is None else groups,
        volume_per_group=parse_number(solution.volume_per_group),
        volume_unit=solution.volume_unit,
        due_at=due_of(meeting, rules),
        room=room_of(meeting),
        overage_percent=_typed_or_none(solution.overage_percent),
        tolerance_percent=_typed_or_none(solution.tolerance_percent),
        temperature_c=_typed_or_none(solution.temperature_c),
        notes=". ".join(filter(None, [solution.label, solution.notes])),
        spare_groups=solution.spare_groups,
        per_section=_typed_or_none(solution.per_section),
        container=solution.container,
        meeting_id=meeting.pk,
        list_solution_id=solution.pk,
        list_line=solution.line,
    )


def _typed_or_none(text: str) -> TypedNumber | None:
    return parse_number(text) if text else None
