"""What somebody wants, before there is an order: typed values, and the volume they add up to."""

from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_CEILING, Decimal
from typing import Final

from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app.models import Order

# Limits that the form, the service and the docs read.
MAX_SECTIONS: Final = 40
MAX_GROUPS_PER_SECTION: Final = 200
MAX_OVERAGE_PERCENT: Final = 100
MAX_COMPONENTS: Final = 4
VOLUME_UNITS: Final = ("mL", "L")
MAX_TOTAL_L: Final = 1000
MIN_TOTAL_ML: Final = Decimal("0.1")
# A total such as 1234.5625 mL says nothing that 1235 mL does not; rounding goes up, never short.
_VOLUME_DIGITS: Final = 4


@dataclass(frozen=True, slots=True)
class DraftComponent:
    """One solute wanted: which form of which substance, and how much of it.

    Attributes:
        substance_key: of the inventory's substance.
        target: as typed.
        unit: of the target, one of the contract's.
        equivalents: per formula unit, for ``eq/L`` alone.
        from_lot: key of the bottle a person chose; None leaves it to the shelf.
    """

    substance_key: str
    target: TypedNumber
    unit: str
    equivalents: int | None = None
    from_lot: int | None = None


@dataclass(frozen=True, slots=True)
class OrderDraft:
    """An order as an instructor thinks of it: so much for each group of these sections, by then.

    Attributes:
        course_id: of the course.
        section_ids: sorted, each once.
        components: in the order typed.
        groups_per_section: how many groups work at once in each section.
        volume_per_group: as typed, in ``volume_unit``.
        volume_unit: ``mL`` or ``L``.
        overage_percent: added for spills and rinsing; None adds nothing.
        tolerance_percent: k = 2; None lets the digits of the target say it.
        temperature_c: None means 20 °C.
        due_at: aware.
        room: where it is wanted.
        notes: for the stockroom.
    """

    course_id: int
    section_ids: tuple[int, ...]
    components: tuple[DraftComponent, ...]
    groups_per_section: int
    volume_per_group: TypedNumber
    volume_unit: str
    due_at: datetime
    room: str
    overage_percent: TypedNumber | None = None
    tolerance_percent: TypedNumber | None = None
    temperature_c: TypedNumber | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class VolumeWanted:
    """The volume of finished solution.

    Attributes:
        exact: the sum, in ``unit``.
        text: what the plan is asked for, at most four significant digits, rounded up.
        unit: ``mL`` or ``L``, as typed.
        working: the sum as a person would write it.
    """

    exact: Decimal
    text: str
    unit: str
    working: str


def volume_wanted(
    *,
    sections: int,
    groups_per_section: int,
    volume_per_group: TypedNumber,
    volume_unit: str,
    overage_percent: TypedNumber | None = None,
) -> VolumeWanted:
    """Add up what the sections need: sections × groups × volume, plus the overage.

    >>> from prepdesk.calc.typed import parse_number
    >>> volume_wanted(sections=3, groups_per_section=12, volume_per_group=parse_number("25"),
    ...               volume_unit="mL", overage_percent=parse_number("10")).working
    '3 sections × 12 groups × 25 mL + 10 % = 990 mL'
    """
    overage = overage_percent.value if overage_percent else Decimal(0)
    exact = sections * groups_per_section * volume_per_group.value * (100 + overage) / 100
    asked = _round_up(exact)
    working = (
        f"{_counted(sections, 'section')} × {_counted(groups_per_section, 'group')} × "
        f"{plain(volume_per_group.value)} {volume_unit}"
    )
    if overage:
        working += f" + {plain(overage)} %"
    working += f" = {plain(exact)} {volume_unit}"
    if asked != exact:
        working += f", rounded up to {plain(asked)} {volume_unit}"
    return VolumeWanted(exact=exact, text=plain(asked), unit=volume_unit, working=working)


def volume_of(draft: OrderDraft) -> VolumeWanted:
    """The volume a draft adds up to."""
    return volume_wanted(
        sections=len(draft.section_ids),
        groups_per_section=draft.groups_per_section,
        volume_per_group=draft.volume_per_group,
        volume_unit=draft.volume_unit,
        overage_percent=draft.overage_percent,
    )


def volume_problem(volume: VolumeWanted) -> str:
    """Why nobody can make this volume, empty when somebody can: a slip of unit or zeros."""
    millilitres = volume.exact * (1000 if volume.unit == "L" else 1)
    if millilitres > MAX_TOTAL_L * 1000:
        return f"{volume.working}, which is more than {MAX_TOTAL_L} L. Check the unit and the groups."
    if millilitres < MIN_TOTAL_ML:
        return f"{volume.working}, which is less than {MIN_TOTAL_ML} mL. Check the unit."
    return ""


def draft_of(order: Order) -> OrderDraft:
    """Read a stored order back as the draft it was sent as."""
    return OrderDraft(
        course_id=order.course_id,
        section_ids=tuple(sorted(section.pk for section in order.sections.all())),
        components=tuple(
            DraftComponent(
                substance_key=component.substance.key,
                target=parse_number(component.target_value),
                unit=component.target_unit,
                equivalents=component.equivalents,
                from_lot=component.from_lot_id,
            )
            for component in order.components.all()
        ),
        groups_per_section=order.groups_per_section,
        volume_per_group=parse_number(order.volume_per_group),
        volume_unit=order.volume_unit,
        due_at=order.due_at,
        room=order.room,
        overage_percent=_typed_or_none(order.overage_percent),
        tolerance_percent=_typed_or_none(order.tolerance_percent),
        temperature_c=_typed_or_none(order.temperature_c),
        notes=order.notes,
    )


def plain(value: Decimal) -> str:
    """A decimal without exponent and without zeros that nobody typed.

    >>> plain(Decimal("990.00"))
    '990'
    """
    return f"{value.normalize():f}"


def _round_up(exact: Decimal) -> Decimal:
    step = Decimal(1).scaleb(exact.adjusted() - _VOLUME_DIGITS + 1)
    return (exact / step).to_integral_value(rounding=ROUND_CEILING) * step


def _typed_or_none(text: str) -> TypedNumber | None:
    return parse_number(text) if text else None


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"
