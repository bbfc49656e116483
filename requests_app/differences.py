"""What is different between an order as it was and as it is wanted now: by field, and in plain words."""

from collections.abc import Iterator, Mapping
from decimal import Decimal
from typing import Final

from prepdesk.calc.typed import TypedNumber
from prepdesk.core.times import absolute_words
from requests_app.drafts import OrderDraft, plain, volume_of

Changes = dict[str, list[str]]

# What decides how much is made; the sentence about the volume names these.
AMOUNTS: Final = ("groups_per_section", "spare_groups", "volume_per_group", "per_section", "overage_percent")
# What decides how it is made: fixed from the moment somebody begins.
MAKING: Final = ("components", "tolerance_percent", "temperature_c")
_QUOTED: Final = 80


def differences(before: OrderDraft, after: OrderDraft, names: Mapping[str, str]) -> Changes:
    """Each field that differs, as ``[before, after]`` in words; empty when nothing does.

    Args:
        names: of substances by key, for what the solution is made of.
    """
    was, will = _texts(before, names), _texts(after, names)
    return {field: [was[field], will[field]] for field in was if was[field] != will[field]}


def amount_words(changes: Changes) -> str:
    """What changed of the amounts: ``12 groups → 15, 2 spare groups → 3``."""
    return ", ".join(_shortly(*changes[field]) for field in AMOUNTS if field in changes)


def other_sentences(changes: Changes) -> list[str]:
    """A sentence for everything that changed and is no amount."""
    return [
        f"{label}: {changes[field][0] or 'none'} → {changes[field][1] or 'none'}."
        for field, label in _LABELS.items()
        if field in changes
    ]


def volume_words(value: Decimal, unit: str) -> str:
    """A volume in the unit a person would say it in.

    >>> volume_words(Decimal("1200.0"), "mL"), volume_words(Decimal("412.5"), "mL")
    ('1.2 L', '412.5 mL')
    """
    millilitres = value * 1000 if unit == "L" else value
    return f"{plain(millilitres / 1000)} L" if millilitres >= 1000 else f"{plain(millilitres)} mL"


def wanted_words(draft: OrderDraft) -> str:
    """How much a draft adds up to: ``412.5 mL``."""
    volume = volume_of(draft)
    return volume_words(Decimal(volume.text), volume.unit)


def millilitres(draft: OrderDraft) -> Decimal:
    """How much a draft adds up to [mL], exactly."""
    return volume_of(draft).millilitres


_LABELS: Final = {
    "components": "Solution",
    "tolerance_percent": "Tolerance",
    "temperature_c": "Temperature",
    "due_at": "Needed",
    "room": "Room",
    "container": "Container",
    "notes": "Notes",
}


def _texts(draft: OrderDraft, names: Mapping[str, str]) -> dict[str, str]:
    return dict(_fields(draft, names))


def _fields(draft: OrderDraft, names: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    yield "groups_per_section", _counted(draft.groups_per_section, "group")
    yield "spare_groups", _counted(draft.spare_groups, "spare group")
    yield "volume_per_group", f"{draft.volume_per_group.text} {draft.volume_unit} for each group"
    yield "per_section", f"{_number(draft.per_section) or 'nothing'} more for each section"
    yield "overage_percent", f"{_number(draft.overage_percent) or 0} % extra"
    yield (
        "components",
        " and ".join(
            f"{one.target.text} {one.unit} {names.get(one.substance_key, one.substance_key)}"
            for one in draft.components
        ),
    )
    tolerance = _number(draft.tolerance_percent)
    yield "tolerance_percent", f"{tolerance} %" if tolerance else "by the digits of the concentration"
    yield "temperature_c", f"{_number(draft.temperature_c) or 20} °C"
    yield "due_at", absolute_words(draft.due_at)
    yield "room", draft.room
    yield "container", draft.container
    notes = " ".join(draft.notes.split())
    yield "notes", f"“{notes[:_QUOTED]}{'…' if len(notes) > _QUOTED else ''}”" if notes else ""


def _shortly(before: str, after: str) -> str:
    """What both say at the end is said once.

    >>> _shortly("12 groups", "15 groups"), _shortly("1 group", "2 groups")
    ('12 groups → 15', '1 group → 2 groups')
    """
    number, _, rest = after.partition(" ")
    return f"{before} → {number}" if before.partition(" ")[2] == rest else f"{before} → {after}"


def _number(number: TypedNumber | None) -> str:
    return number.text if number else ""


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
