"""What a bench list says, as typed values: given by a form to the service, or read back from a version."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar
from uuid import UUID

from prepdesk.calc.exercise import Line
from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app.drafts import DraftComponent
from requests_app.models import BenchListVersion, ListSolution

MAX_SOLUTIONS: Final = 20
MAX_CONSUMABLES: Final = 30
MAX_APPARATUS: Final = 30
_NONE: Final = "none"
_One = TypeVar("_One")


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
# What is told of a line beside what it is, and the sign behind the number.
_SOLUTION_WORDS: Final = {
    "label": ("name", ""),
    "volume_per_group": ("for each group", ""),
    "volume_unit": ("unit of the volume", ""),
    "spare_groups": ("spare groups", ""),
    "per_section": ("for each section on top", ""),
    "overage_percent": ("extra", " %"),
    "tolerance_percent": ("tolerance", " %"),
    "temperature_c": ("temperature", " °C"),
    "container": ("container", ""),
    "notes": ("note", ""),
}
_CONSUMABLE_WORDS: Final = {
    "per_group": ("for each group", ""),
    "per_section": ("for each section", ""),
    "unit": ("counted in", ""),
    "notes": ("note", ""),
}
_APPARATUS_WORDS: Final = {
    "per_group": ("for each group", ""),
    "measures": ("measures", ""),
    "wanted_percent": ("wanted within", " %"),
    "result": ("gives", ""),
    "reason": ("reason", ""),
}


def differences(before: ListContent, after: ListContent, names: dict[str, str]) -> list[str]:
    """What a version changed, a sentence for each line. Two contents that differ never give an empty list.

    Args:
        before, after: the two versions.
        names: of the substances, by their keys.
    """
    return [
        *_solution_differences(before, after, names),
        *_consumable_differences(before.consumables, after.consumables),
        *_apparatus_differences(before.apparatus, after.apparatus),
        *(["Other notes for whoever prepares it."] if before.notes_to_prep != after.notes_to_prep else []),
    ]


def title_of_line(line: SolutionLine, names: dict[str, str]) -> str:
    """A solution as a list names it: "2.00 mol/L sodium chloride"."""
    return " and ".join(
        f"{one.target.text} {one.unit} {names.get(one.substance_key, one.substance_key)}"
        for one in line.components
    )


def _solution_differences(before: ListContent, after: ListContent, names: dict[str, str]) -> Iterator[str]:
    at = {one.line: position for position, one in enumerate(before.solutions)}
    stay = []
    for now in after.solutions:
        title = title_of_line(now, names)
        if now.line not in at:
            yield f"New: {title}, {now.volume_per_group.text} {now.volume_unit} for each group."
            continue
        stay.append(at[now.line])
        old = before.solutions[at[now.line]]
        old_title = title_of_line(old, names)
        changed = [
            *([f"{old_title} → {title}"] if old_title != title else []),
            *_equivalents_changed(old, now, names),
            *_fields_changed(old, now, _SOLUTION_WORDS),
        ]
        if changed:
            yield f"{title}: {'; '.join(changed)}."
    for position, old in enumerate(before.solutions):
        if position not in stay:
            yield f"Left out: {title_of_line(old, names)}."
    if stay != sorted(stay):
        yield "Other order of the solutions."


def _equivalents_changed(old: SolutionLine, now: SolutionLine, names: dict[str, str]) -> list[str]:
    was = {one.substance_key: one.equivalents for one in old.components}
    return [
        f"equivalents of {names.get(one.substance_key, one.substance_key)} "
        f"{_said(was[one.substance_key])} → {_said(one.equivalents)}"
        for one in now.components
        if one.substance_key in was and was[one.substance_key] != one.equivalents
    ]


def _consumable_differences(
    before: Sequence[ConsumableLine], after: Sequence[ConsumableLine]
) -> Iterator[str]:
    pairs = _paired(before, after, (_same, lambda one: one.what.casefold()))
    for was, one in zip(pairs, after, strict=True):
        if was is None:
            amounts = [
                f"{amount} {one.unit}".strip() + f" for each {whom}"
                for amount, whom in ((one.per_group, "group"), (one.per_section, "section"))
                if amount
            ]
            yield f"New: {', '.join([one.what, *amounts])}."
            continue
        old = before[was]
        renamed = [f"{old.what} → {one.what}"] if old.what != one.what else []
        changed = [*renamed, *_fields_changed(old, one, _CONSUMABLE_WORDS)]
        if changed:
            yield f"{one.what}: {'; '.join(changed)}."
    yield from _gone([one.what for one in before], pairs, "the other things")


def _apparatus_differences(before: Sequence[ApparatusLine], after: Sequence[ApparatusLine]) -> Iterator[str]:
    # One of another size may have taken the place of one of its type.
    pairs = _paired(before, after, (_same, lambda one: (one.type, one.size), lambda one: one.type))
    for was, one in zip(pairs, after, strict=True):
        name = f"{one.type} {one.size}".strip()
        if was is None:
            does = f", measures {one.measures}" if one.measures else ""
            within = f", wanted within {one.wanted_percent} %" if one.wanted_percent else ""
            yield f"New: {name}, {one.per_group} for each group{does}{within}."
            continue
        old = before[was]
        resized = [f"size {_said(old.size)} → {_said(one.size)}"] if old.size != one.size else []
        changed = [*resized, *_fields_changed(old, one, _APPARATUS_WORDS)]
        if changed:
            yield f"{name}: {'; '.join(changed)}."
    yield from _gone([f"{one.type} {one.size}".strip() for one in before], pairs, "the apparatus")


def _gone(named: Sequence[str], pairs: Sequence[int | None], noun: str) -> Iterator[str]:
    """What has no counterpart any more, and whether what stays stands in another order."""
    stay = [was for was in pairs if was is not None]
    yield from (f"Left out: {name}." for position, name in enumerate(named) if position not in stay)
    if stay != sorted(stay):
        yield f"Other order of {noun}."


def _same(one: _One) -> _One:
    return one


def _paired(
    before: Sequence[_One], after: Sequence[_One], alike: Sequence[Callable[[_One], object]]
) -> list[int | None]:
    """For each line after, the position of its counterpart before: by the first likeness that finds one."""
    pairs: list[int | None] = [None] * len(after)
    for likeness in alike:
        for position, one in enumerate(after):
            if pairs[position] is None:
                pairs[position] = next(
                    (
                        was
                        for was, old in enumerate(before)
                        if was not in pairs and likeness(old) == likeness(one)
                    ),
                    None,
                )
    return pairs


def _fields_changed(old: object, now: object, words: Mapping[str, tuple[str, str]]) -> list[str]:
    changed = []
    for name, (label, sign) in words.items():
        was, is_now = _said(getattr(old, name)), _said(getattr(now, name))
        if was != is_now:
            # "1 → 0.5 %", but "1 % → none".
            first, last = (sign if is_now == _NONE else "", sign if is_now != _NONE else "")
            changed.append(f"{label} {was}{first} → {is_now}{last}")
    return changed


def _said(value: object) -> str:
    if isinstance(value, TypedNumber):
        return value.text
    return str(value) if value not in (None, "", 0) else _NONE
