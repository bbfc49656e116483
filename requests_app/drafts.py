"""What somebody wants, before there is an order: typed values, and the volume they add up to."""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import ROUND_CEILING, Decimal
from typing import Final
from uuid import UUID

from prepdesk.calc.model import TypedQuantity
from prepdesk.calc.planner.wanted import implied_tolerance_percent
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.calc.units import UNITS, factor
from requests_app.models import Order

# Limits that the form, the service and the docs read.
MAX_SECTIONS: Final = 40
MAX_GROUPS_PER_SECTION: Final = 200
MAX_OVERAGE_PERCENT: Final = 100
MAX_SPARE_GROUPS: Final = 50
MAX_COMPONENTS: Final = 4
VOLUME_UNITS: Final = ("mL", "L")
MAX_TOTAL_L: Final = 1000
MIN_TOTAL_ML: Final = Decimal("0.1")
# A total such as 1234.5625 mL says nothing that 1235 mL does not; rounding goes up, never short.
_VOLUME_DIGITS: Final = 4
_USUAL_TEMPERATURE_C: Final = Decimal(20)


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
        spare_groups: so many more in each section than work there.
        per_section: on top for each section, in ``volume_unit``: the dead volume of a dispenser, a bottle
            at the back of the room.
        container: what it is wanted in.
        meeting_id, list_solution_id, list_line: the meeting and the line of the bench list it is for.
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
    spare_groups: int = 0
    per_section: TypedNumber | None = None
    container: str = ""
    meeting_id: int | None = None
    list_solution_id: int | None = None
    list_line: UUID | None = None


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

    @property
    def millilitres(self) -> Decimal:
        """The exact volume [mL]."""
        return self.exact * 1000 if self.unit == "L" else self.exact


@dataclass(frozen=True, slots=True)
class Wanted:
    """What one batch is asked for, by one order or by several together.

    Attributes:
        components: as the most exact of the orders typed them.
        volume: of all together.
        due_at: of the first that is due; aware.
        last_due_at: of the last one, until when it has to keep.
        tolerance_percent: the tightest; None lets the digits of the targets say it.
        temperature_c: None means 20 °C.
    """

    components: tuple[DraftComponent, ...]
    volume: VolumeWanted
    due_at: datetime
    last_due_at: datetime
    tolerance_percent: TypedNumber | None = None
    temperature_c: TypedNumber | None = None


def volume_wanted(
    *,
    sections: int,
    groups_per_section: int,
    volume_per_group: TypedNumber,
    volume_unit: str,
    overage_percent: TypedNumber | None = None,
    spare_groups: int = 0,
    per_section: TypedNumber | None = None,
) -> VolumeWanted:
    """Add up what the sections need: sections × (groups + spare) × volume, plus the overage, plus what each
    section needs once.

    >>> from prepdesk.calc.typed import parse_number
    >>> volume_wanted(sections=3, groups_per_section=12, volume_per_group=parse_number("25"),
    ...               volume_unit="mL", overage_percent=parse_number("10")).working
    '3 sections × 12 groups × 25 mL + 10 % = 990 mL'
    """
    overage = overage_percent.value if overage_percent else Decimal(0)
    once = per_section.value if per_section else Decimal(0)
    groups = groups_per_section + spare_groups
    exact = sections * (groups * volume_per_group.value * (100 + overage) / 100 + once)
    asked = _round_up(exact)
    of_groups = _counted(groups_per_section, "group")
    if spare_groups:
        of_groups = f"({of_groups} + {spare_groups} spare)"
    working = f"{_counted(sections, 'section')} × {of_groups} × {plain(volume_per_group.value)} {volume_unit}"
    if overage:
        working += f" + {plain(overage)} %"
    if once:
        working += f" + {_counted(sections, 'section')} × {plain(once)} {volume_unit}"
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
        spare_groups=draft.spare_groups,
        per_section=draft.per_section,
    )


# --- several drafts in one batch ------------------------------------------------------------------
def solution_of(draft: OrderDraft) -> Hashable:
    """What is wanted, apart from how much, how exactly, when and where.

    Drafts of one value are the same solution and can share a batch:
    0.1 mol/L, 100 mmol/L and 0.100 mol/L are the same solution; another hydrate is not, because it was
    asked for by somebody who may have had a reason, and neither is one whose bottle was chosen.
    """
    temperature = draft.temperature_c.value if draft.temperature_c else _USUAL_TEMPERATURE_C
    components = sorted(
        (
            one.substance_key,
            UNITS[one.unit].kind,
            f"{float(one.target.value) * factor(one.unit):.10g}",
            one.equivalents or 0,
            one.from_lot or 0,
        )
        for one in draft.components
    )
    return (*components, temperature.normalize())


def tolerance_of(draft: OrderDraft) -> Decimal:
    """How far the concentration may be off [%], as stated, else as the digits of the targets say it."""
    if draft.tolerance_percent is not None:
        return draft.tolerance_percent.value
    return min(
        Decimal(f"{implied_tolerance_percent(TypedQuantity(one.target, one.unit)):.6g}")
        for one in draft.components
    )


def wanted_for(draft: OrderDraft) -> Wanted:
    """What a batch for one draft is asked for."""
    return wanted_together([draft])


def wanted_together(drafts: Sequence[OrderDraft]) -> Wanted:
    """What one batch for several drafts of the same solution is asked for: their volumes together, and the
    tightest tolerance.

    Args:
        drafts: at least one, all with the same :func:`solution_of`.
    """
    # One alone is asked as it is, also where it is still to be refused.
    tightest = min(drafts, key=lambda one: (tolerance_of(one), one.due_at)) if len(drafts) > 1 else drafts[0]
    said = {tuple(one.target.text for one in draft.components) for draft in drafts}
    stated = {draft.tolerance_percent.value if draft.tolerance_percent else None for draft in drafts}
    tolerance = tightest.tolerance_percent
    if tolerance is None and (len(said) > 1 or len(stated) > 1):
        # The digits of one order say it for all; those of its targets need not be the finest typed.
        tolerance = parse_number(plain(tolerance_of(tightest)))
    return Wanted(
        components=tightest.components,
        volume=_volume_together(drafts),
        due_at=min(draft.due_at for draft in drafts),
        last_due_at=max(draft.due_at for draft in drafts),
        tolerance_percent=tolerance,
        temperature_c=tightest.temperature_c,
    )


def _volume_together(drafts: Iterable[OrderDraft]) -> VolumeWanted:
    volumes = [volume_of(draft) for draft in drafts]
    if len(volumes) == 1:
        return volumes[0]
    unit = volumes[0].unit if len({one.unit for one in volumes}) == 1 else "mL"
    parts = (one.exact if one.unit == unit else one.millilitres for one in volumes)
    exact = sum(parts, Decimal(0))
    asked = _round_up(exact)
    working = f"{len(volumes)} orders together = {plain(exact)} {unit}"
    if asked != exact:
        working += f", rounded up to {plain(asked)} {unit}"
    return VolumeWanted(exact=exact, text=plain(asked), unit=unit, working=working)


def volume_problem(volume: VolumeWanted) -> str:
    """Why nobody can make this volume, empty when somebody can: a slip of unit or zeros."""
    millilitres = volume.millilitres
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
        spare_groups=order.spare_groups,
        per_section=_typed_or_none(order.per_section),
        container=order.container,
        meeting_id=order.meeting_id,
        list_solution_id=order.list_solution_id,
        list_line=order.list_line,
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
