"""What a bench list says, as typed values: given by a form to the service, or read back from a version."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from prepdesk.calc.exercise import Line
from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app.drafts import DraftComponent
from requests_app.models import BenchListVersion, ListSolution

MAX_SOLUTIONS: Final = 20
MAX_CONSUMABLES: Final = 30
MAX_APPARATUS: Final = 30


@dataclass(frozen=True, slots=True)
class SolutionLine:
    """One solution for each group of a section.

    Attributes:
        components: as in an order; without chosen bottles.
        volume_per_group: as typed, in ``volume_unit``.
        line: of the version before, where it is the same line; None for a new one.
        per_section: on top for each section, in ``volume_unit``.
        container: what it is wanted in.
        The others as in :class:`requests_app.drafts.OrderDraft`.
    """

    components: tuple[DraftComponent, ...]
    volume_per_group: TypedNumber
    volume_unit: str = "mL"
    label: str = ""
    line: UUID | None = None
    spare_groups: int = 0
    per_section: TypedNumber | None = None
    overage_percent: TypedNumber | None = None
    tolerance_percent: TypedNumber | None = None
    temperature_c: TypedNumber | None = None
    container: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True)
class ConsumableLine:
    """Something that is no solution; how much of it for a group and for a section, as typed."""

    what: str
    per_group: str = ""
    per_section: str = ""
    unit: str = ""
    notes: str = ""


@dataclass(frozen=True, slots=True)
class ApparatusLine:
    """Student apparatus to set out; see :class:`requests_app.models.ListApparatus`."""

    type: str
    size: str = ""
    per_group: int = 1
    measures: str = ""
    wanted_percent: str = ""
    result: str = ""
    reason: str = ""

    @property
    def is_judged(self) -> bool:
        """Whether something is measured with it, so that its precision is looked at."""
        return bool(self.measures or self.wanted_percent or self.result)


@dataclass(frozen=True, slots=True)
class ListContent:
    """All that one version of a bench list says."""

    solutions: tuple[SolutionLine, ...] = ()
    consumables: tuple[ConsumableLine, ...] = ()
    apparatus: tuple[ApparatusLine, ...] = ()
    notes_to_prep: str = ""


def measured(apparatus: Sequence[ApparatusLine]) -> list[tuple[int, Line]]:
    """The lines with which something is measured, each with its position, as the calculation reads them."""
    return [
        (
            position,
            Line(
                type=one.type,
                size=one.size,
                measures=one.measures,
                wanted_percent=one.wanted_percent,
                result=one.result,
            ),
        )
        for position, one in enumerate(apparatus)
        if one.is_judged
    ]


# --- a stored version -----------------------------------------------------------------------------
def content_of(version: BenchListVersion) -> ListContent:
    """Read a stored version back, with its lines, their components and substances."""
    return ListContent(
        solutions=tuple(solution_line(one) for one in version.solutions.all()),
        consumables=tuple(
            ConsumableLine(one.what, one.per_group, one.per_section, one.unit, one.notes)
            for one in version.consumables.all()
        ),
        apparatus=tuple(
            ApparatusLine(
                one.type,
                one.size,
                one.per_group,
                one.measures,
                one.wanted_percent,
                one.result,
                one.reason,
            )
            for one in version.apparatus.all()
        ),
        notes_to_prep=version.notes_to_prep,
    )


def solution_line(stored: ListSolution) -> SolutionLine:
    """One stored solution as it was typed."""
    return SolutionLine(
        components=tuple(
            DraftComponent(
                one.substance.key, parse_number(one.target_value), one.target_unit, one.equivalents
            )
            for one in stored.components.all()
        ),
        volume_per_group=parse_number(stored.volume_per_group),
        volume_unit=stored.volume_unit,
        label=stored.label,
        line=stored.line,
        spare_groups=stored.spare_groups,
        per_section=_typed(stored.per_section),
        overage_percent=_typed(stored.overage_percent),
        tolerance_percent=_typed(stored.tolerance_percent),
        temperature_c=_typed(stored.temperature_c),
        container=stored.container,
        notes=stored.notes,
    )


def _typed(text: str) -> TypedNumber | None:
    return parse_number(text) if text else None


# --- what is different ----------------------------------------------------------------------------
_SOLUTION_WORDS: Final = {
    "label": "name",
    "volume_per_group": "for each group",
    "volume_unit": "unit of the volume",
    "spare_groups": "spare groups",
    "per_section": "for each section on top",
    "overage_percent": "extra in percent",
    "tolerance_percent": "tolerance in percent",
    "temperature_c": "temperature in °C",
    "container": "container",
    "notes": "note",
}


def differences(before: ListContent, after: ListContent, names: dict[str, str]) -> list[str]:
    """What a version changed, a sentence for each line.

    Args:
        before, after: the two versions.
        names: of the substances, by their keys.
    """
    return [
        *_solution_differences(before, after, names),
        *_other_differences("consumable", before.consumables, after.consumables),
        *_other_differences("apparatus", before.apparatus, after.apparatus),
        *(["Other notes for whoever prepares it."] if before.notes_to_prep != after.notes_to_prep else []),
    ]


def title_of_line(line: SolutionLine, names: dict[str, str]) -> str:
    """A solution as a list names it: "2.00 mol/L sodium chloride"."""
    return " and ".join(
        f"{one.target.text} {one.unit} {names.get(one.substance_key, one.substance_key)}"
        for one in line.components
    )


def _solution_differences(before: ListContent, after: ListContent, names: dict[str, str]) -> Iterator[str]:
    was = {one.line: one for one in before.solutions}
    kept = {one.line for one in after.solutions}
    for now in after.solutions:
        old = was.get(now.line)
        title = title_of_line(now, names)
        if old is None:
            yield f"New: {title}, {now.volume_per_group.text} {now.volume_unit} for each group."
            continue
        changed = [
            f"{words} {_said(getattr(old, name))} → {_said(getattr(now, name))}"
            for name, words in _SOLUTION_WORDS.items()
            if _said(getattr(old, name)) != _said(getattr(now, name))
        ]
        old_title = title_of_line(old, names)
        if old_title != title:
            changed.insert(0, f"{old_title} → {title}")
        if changed:
            yield f"{title}: {'; '.join(changed)}."
    for old in before.solutions:
        if old.line not in kept:
            yield f"Left out: {title_of_line(old, names)}."


def _other_differences(
    noun: str,
    before: Sequence[ConsumableLine | ApparatusLine],
    after: Sequence[ConsumableLine | ApparatusLine],
) -> Iterator[str]:
    new = [one for one in after if one not in before]
    gone = [one for one in before if one not in after]
    if new:
        yield f"New or changed {noun}: {', '.join(_named(one) for one in new)}."
    if gone:
        yield f"No longer so, {noun}: {', '.join(_named(one) for one in gone)}."


def _named(one: ConsumableLine | ApparatusLine) -> str:
    return one.what if isinstance(one, ConsumableLine) else f"{one.type} {one.size}".strip()


def _said(value: object) -> str:
    if isinstance(value, TypedNumber):
        return value.text
    return str(value) if value not in (None, "", 0) else "none"
