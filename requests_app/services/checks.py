"""What is asked of an order before anything is planned, and how a refused plan reads in its form."""

import re
from datetime import timedelta
from typing import Any, Final

from django.utils import timezone

from inventory.models import Lot, Substance
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from prepdesk.core.errors import InvalidInput
from requests_app import sheets
from requests_app.drafts import (
    MAX_COMPONENTS,
    MAX_GROUPS_PER_SECTION,
    MAX_OVERAGE_PERCENT,
    MAX_SECTIONS,
    MAX_SPARE_GROUPS,
    VOLUME_UNITS,
    OrderDraft,
    volume_of,
    volume_problem,
)
from requests_app.selectors import sections_for

# An order for this morning may still be written down in the evening; one for the year after next is
# a slip of the keyboard.
EARLIEST_DUE: Final = timedelta(days=-1)
LATEST_DUE: Final = timedelta(days=731)
_ROOM_LENGTH: Final = 40
_NOTES_LENGTH: Final = 2000

# Where a field of the contract stands in the order form.
_FORM_FIELDS: Final = {
    "volume": "volume_per_group",
    "tolerance_percent": "tolerance_percent",
    "temperature_c": "temperature_c",
}
_COMPONENT_FIELDS: Final = {
    "target.unit": "unit",
    "target.value": "target",
    "target": "target",
    "substance": "substance",
    "source": "substance",
    "equivalents": "equivalents",
}
# Where a stop of a plan could be put right; everything else lies in the concentration.
_PROBLEM_FIELDS: Final = {
    "tolerance_not_reachable": "tolerance_percent",
    "no_apparatus": "volume_per_group",
    "too_large": "volume_per_group",
    "too_small": "volume_per_group",
}
_PROBLEM_COMPONENT_FIELDS: Final = {"no_strength": "substance"}


def check_draft(actor: User, draft: OrderDraft) -> None:
    """Check everything about a draft that needs no chemistry.

    Field names are those of the order form; a component's are ``components.0.substance`` and so on.

    Raises:
        InvalidInput: with a sentence for every field that can't be.
    """
    errors: dict[str, str] = {}
    _check_sections(actor, draft, errors)
    _check_components(draft, errors)
    _check_amounts(draft, errors)
    if not draft.room.strip():
        errors["room"] = "Say in which room it is wanted."
    elif len(draft.room) > _ROOM_LENGTH:
        errors["room"] = f"That is {len(draft.room)} characters long; {_ROOM_LENGTH} fit."
    if len(draft.notes) > _NOTES_LENGTH:
        errors["notes"] = f"That is {len(draft.notes)} characters long; {_NOTES_LENGTH} fit."
    today = timezone.localdate()
    if not today + EARLIEST_DUE <= sheets.local_date(draft.due_at) <= today + LATEST_DUE:
        errors["due"] = (
            f"The day must lie between {today + EARLIEST_DUE:%d %B %Y} and {today + LATEST_DUE:%d %B %Y}."
        )
    if errors:
        raise InvalidInput(errors)


def _check_sections(actor: User, draft: OrderDraft, errors: dict[str, str]) -> None:
    if not draft.section_ids:
        errors["sections"] = "Choose at least one section."
    elif len(draft.section_ids) > MAX_SECTIONS:
        errors["sections"] = f"One order serves at most {MAX_SECTIONS} sections."
    else:
        own = sections_for(actor).filter(course_id=draft.course_id, pk__in=draft.section_ids)
        if own.count() != len(draft.section_ids):
            errors["sections"] = "Choose sections of this course that are yours."


def _check_components(draft: OrderDraft, errors: dict[str, str]) -> None:
    keys = [component.substance_key for component in draft.components]
    if not keys:
        errors["components.0.substance"] = "Choose a substance."
    if len(keys) > MAX_COMPONENTS:
        errors[f"components.{MAX_COMPONENTS}.substance"] = (
            f"One solution holds at most {MAX_COMPONENTS} substances here."
        )
    known = set(Substance.objects.filter(key__in=keys).values_list("key", flat=True))
    for position, key in enumerate(keys):
        if key not in known:
            errors[f"components.{position}.substance"] = "Choose a substance from the list."
        elif key in keys[:position]:
            errors[f"components.{position}.substance"] = "This substance is in the solution already."
    chosen = {one.from_lot for one in draft.components if one.from_lot is not None}
    there = set(Lot.objects.filter(pk__in=chosen).values_list("pk", flat=True)) if chosen else set()
    for position, component in enumerate(draft.components):
        if component.from_lot is not None and component.from_lot not in there:
            errors[f"components.{position}.substance"] = (
                "The bottle that was chosen is not there. Choose again."
            )


def _check_amounts(draft: OrderDraft, errors: dict[str, str]) -> None:
    if not 0 < draft.groups_per_section <= MAX_GROUPS_PER_SECTION:
        errors["groups_per_section"] = f"A section has 1 to {MAX_GROUPS_PER_SECTION} groups."
    if not 0 <= draft.spare_groups <= MAX_SPARE_GROUPS:
        errors["spare_groups"] = f"A section has 0 to {MAX_SPARE_GROUPS} spare groups."
    if draft.per_section is not None and draft.per_section.value < 0:
        errors["per_section"] = "What is made on top for each section is zero or more."
    overage = draft.overage_percent
    if overage is not None and not 0 <= overage.value <= MAX_OVERAGE_PERCENT:
        errors["overage_percent"] = f"The extra lies between 0 and {MAX_OVERAGE_PERCENT} %."
    if draft.volume_per_group.value <= 0:
        errors["volume_per_group"] = "The volume must be more than zero."
    elif draft.volume_unit not in VOLUME_UNITS:
        errors["volume_per_group"] = f"Choose one of: {', '.join(VOLUME_UNITS)}."
    elif not errors:
        problem = volume_problem(volume_of(draft))
        if problem:
            errors["volume_per_group"] = problem


# --- what the calculation service says, in the words of the form ---------------------------------
def form_field(path: str) -> str:
    """The form's field for a field of the preview contract.

    >>> form_field("components.1.target.value"), form_field("volume.value")
    ('components.1.target', 'volume_per_group')
    """
    component = re.fullmatch(r"components\.(\d+)(?:\.(.+))?", path)
    if component:
        tail = component[2] or "substance"
        name = next((to for of, to in _COMPONENT_FIELDS.items() if tail.startswith(of)), "substance")
        return f"components.{component[1]}.{name}"
    return _FORM_FIELDS.get(path.split(".", maxsplit=1)[0], "components.0.substance")


def refused_request(refused: RequestRefused) -> InvalidInput:
    """A request that could not be read, by field of the form."""
    errors: dict[str, str] = {}
    for error in refused.errors:
        errors.setdefault(form_field(error.field), error.text)
    return InvalidInput(errors)


def refusal_of(plan: dict[str, Any]) -> InvalidInput:
    """What chemistry or apparatus forbids, beside the field that could be changed.

    What the shelf lacks is left out: more stock would not help here.
    """
    errors: dict[str, list[str]] = {}
    for problem in sheets.stops(plan):
        if problem["code"] in sheets.SHELF_PROBLEMS:
            continue
        errors.setdefault(_field_of_problem(problem, plan), []).append(problem["text"])
    return InvalidInput({field: " ".join(texts) for field, texts in errors.items()})


def _field_of_problem(problem: dict[str, str], plan: dict[str, Any]) -> str:
    code = problem["code"]
    if code in _PROBLEM_FIELDS:
        return _PROBLEM_FIELDS[code]
    # A problem names the substance it is about; with several in one solution that finds the row.
    position = next(
        (index for index, one in enumerate(plan["components"]) if one["substance"] in problem["text"]), 0
    )
    return f"components.{position}.{_PROBLEM_COMPONENT_FIELDS.get(code, 'target')}"


def amount_problems(draft: OrderDraft) -> dict[str, str]:
    """What is wrong with the groups and volumes of a draft, by field of the order form; asks no database."""
    errors: dict[str, str] = {}
    _check_amounts(draft, errors)
    return errors
