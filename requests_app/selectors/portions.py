"""The bottles that leave: what stands where, what goes into which room, what their labels say."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final

from django.db.models import Prefetch, QuerySet

from inventory.amounts import from_base
from inventory.codes import tidied
from inventory.models import Lot
from inventory.selectors import calc_catalogue
from inventory.states import STOPPED
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.cautions import UNREVIEWED, caution, cautions_for
from prepdesk.calc.errors import InputError
from requests_app import states
from requests_app.concealing import is_unknown
from requests_app.drafts import plain
from requests_app.models import Batch, Order, Portion, PortionEvent, Section
from requests_app.selectors.work import orders_visible_to

# A cylinder shows no more; the ledger keeps every microlitre.
_DIGITS: Final = 4
# What is said to whoever makes a solution, and not to whoever uses it.
_FOR_THE_MAKER: Final = frozenset(
    {
        "acid_into_water",
        "heat_of_solution",
        "cool_before_mark",
        "grind_coarse",
        "takes_up_water",
        "never_return_excess",
        "local_rules",
    }
)


def portions_visible_to(actor: User) -> QuerySet[Portion]:
    """The stockroom sees every bottle; an instructor those of the orders they see."""
    portions = Portion.objects.select_related(
        "order__course",
        "order__ordered_by",
        "order__unknown_sample",
        "section__course",
        "batch",
        "lot__place",
        "lot__substance",
        "received_by",
        "returned_to",
        "waste_stream",
    ).prefetch_related(
        Prefetch("events", PortionEvent.objects.select_related("actor")),
    )
    if policy.may(actor, "see_every_order"):
        return portions
    return portions.filter(order__in=orders_visible_to(actor))


def portion_by_code(actor: User, typed: str) -> Portion | None:
    """The bottle whose label says that code, scanned or typed; ``None`` where there is none."""
    return portions_visible_to(actor).filter(code=tidied(typed)[:16]).first()


def as_rooms_are_counted(room: str) -> tuple[tuple[str, int, str], ...]:
    """To sort rooms by, as a person would: 2 before 10, and 9a before 9b.

    >>> sorted(["10", "9b", "2", "Hall", "9a"], key=as_rooms_are_counted)
    ['2', '9a', '9b', '10', 'Hall']
    """
    parts = re.findall(r"([0-9]+)|([^0-9]+)", room)
    return tuple(("", int(number), "") if number else (word.casefold(), 0, word) for number, word in parts)


# --- one bottle in words --------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class PortionRow:
    """A bottle as a list shows it.

    Attributes:
        portion: with all that its row needs loaded.
        what: what is in it; of a coded sample its code and nothing else.
        volume: as it is measured out.
        last: the last line of its history.
    """

    portion: Portion
    what: str
    volume: str
    last: PortionEvent | None

    @property
    def is_waiting(self) -> bool:
        """Whether it has not left."""
        return self.portion.state in (states.POURED, states.LOADED)

    @property
    def is_stopped(self) -> bool:
        """Whether its solution is quarantined or recalled, so that it does not leave."""
        return self.portion.lot.state in STOPPED

    @property
    def is_out_and_stopped(self) -> bool:
        """Whether somebody has it who should not use what is left."""
        return self.is_stopped and self.portion.state == states.DELIVERED

    @property
    def where(self) -> str:
        """Where it is now, and who has it."""
        one = self.portion
        if one.state == states.POURED:
            return f"in the stockroom{f', {one.lot.place}' if one.lot.place else ''}"
        if one.state == states.LOADED:
            return "on the cart"
        if one.state == states.DELIVERED:
            return f"in {one.room}, {taken_words(one, self.last)}"
        if one.state == states.RETURNED:
            return came_back_words(one)
        return f"poured back into {one.lot.code}" if one.state == states.CANCELLED else "used up"


def taken_words(portion: Portion, last: PortionEvent | None = None) -> str:
    """Who took a delivered bottle."""
    if portion.received_by is not None:
        return f"taken by {portion.received_by}"
    if portion.received_name:
        return f"taken by {portion.received_name}"
    return last.note if last is not None and last.event == "deliver" and last.note else "left in the room"


def came_back_words(portion: Portion) -> str:
    """What came back of a bottle, in which condition, and where it is now."""
    back = volume_words(portion.returned_amount or 0)
    said = f"{back} came back, {states.CONDITIONS.get(portion.condition, '').lower()}"
    if portion.waste_stream is not None:
        return f"{said}: into “{portion.waste_stream}”"
    if portion.returned_to is None:
        return said
    how = "back in" if portion.returned_to_id == portion.lot_id else "kept apart as"
    stopped = "" if portion.returned_to.state == "available" else f", {portion.returned_to.state}"
    return f"{said}: {how} {portion.returned_to.code}{stopped}"


def volume_words(base: int) -> str:
    """A volume as a person measures it out, at most four digits of it.

    >>> volume_words(333_333), volume_words(1_250_000)
    ('333.3 mL', '1250 mL')
    """
    exact = from_base(base, "mL")
    if exact:
        step = Decimal(1).scaleb(min(exact.adjusted() - _DIGITS + 1, 0))
        exact = exact.quantize(step, ROUND_HALF_EVEN)
    return f"{plain(exact)} mL"


def what_is_in(order: Order, lot: Lot) -> str:
    """What a list or a label may call it: of a coded sample its code alone."""
    return order.unknown_sample.code if is_unknown(order) else lot.title or lot.substance.name


def row_of(portion: Portion) -> PortionRow:
    """A bottle loaded by :func:`portions_visible_to` as a list shows it."""
    events = list(portion.events.all())
    return PortionRow(
        portion=portion,
        what=what_is_in(portion.order, portion.lot),
        volume=volume_words(portion.amount),
        last=events[-1] if events else None,
    )


def rows_of_batch(actor: User, batch: Batch) -> list[PortionRow]:
    """The bottles of a batch, the first due first."""
    return [row_of(one) for one in portions_visible_to(actor).filter(batch=batch)]


def left_before(actor: User, batch: Batch, orders: Iterable[Order]) -> list[PortionRow]:
    """What these orders got out of an earlier batch that was given up since."""
    found = portions_visible_to(actor).filter(
        order__in=[order.pk for order in orders], state__in=states.LEFT_PORTIONS
    )
    return [row_of(one) for one in found.exclude(batch=batch)]


def rows_of_order(actor: User, order: Order) -> list[PortionRow]:
    """The bottles of an order: is it ready, where is it, who has it."""
    return [row_of(one) for one in portions_visible_to(actor).filter(order=order)]


def receivers_of(portions: Iterable[Portion]) -> list[User]:
    """Who may be expected to take bottles: those who teach their sections, else who ordered them."""
    sections = {one.section_id for one in portions if one.section_id}
    people: dict[int, User] = {}
    for section in (
        Section.objects.filter(pk__in=sections)
        .select_related("instructor")
        .prefetch_related("co_instructors")
        .order_by("course__code", "name")
    ):
        for person in (section.instructor, *section.co_instructors.all()):
            people.setdefault(person.pk, person)
    for one in portions:
        if one.section_id is None:
            people.setdefault(one.order.ordered_by_id, one.order.ordered_by)
    return [person for person in people.values() if person.is_active]


# --- labels ---------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Content:
    """One solute as a label names it: what was found in it, not what was planned."""

    name: str
    formula: str
    value: str
    unit: str
    uncertainty: str


@dataclass(frozen=True, slots=True)
class Label:
    """What stands on the label of one bottle.

    Attributes:
        row: the bottle.
        contents: one for each solute; none for a coded sample.
        solvent: as the sheet names it, empty for a coded sample.
        hazards: sentences of the catalogue about the substances themselves.
        is_unknown: of a coded sample only its code is said.
    """

    row: PortionRow
    contents: tuple[Content, ...]
    hazards: tuple[str, ...]
    is_unknown: bool


def labels_of(rows: Iterable[PortionRow]) -> list[Label]:
    """The labels of these bottles."""
    rows = list(rows)
    batches = Batch.objects.filter(pk__in={row.portion.batch_id for row in rows}).prefetch_related("sheets")
    said = {batch.pk: (_contents(batch), _hazards(batch)) for batch in batches}
    found = []
    for row in rows:
        secret = is_unknown(row.portion.order)
        contents, hazards = said[row.portion.batch_id]
        found.append(Label(row, () if secret else contents, hazards, secret))
    return found


def _plan_of(batch: Batch) -> dict[str, object]:
    newest = max(batch.sheets.all(), key=lambda sheet: sheet.revision)
    return dict(newest.plan)


def _contents(batch: Batch) -> tuple[Content, ...]:
    components: list[dict[str, str]] = list(_plan_of(batch)["components"])  # type: ignore[call-overload]
    found = (batch.settlement or {}).get("concentrations", [])
    return tuple(
        Content(
            name=component["substance"],
            formula=component.get("formula", ""),
            value=str(one["value"]),
            unit=str(one["unit"]),
            uncertainty=f"{one['expanded_uncertainty_percent']:g}",
        )
        for component, one in zip(components, found, strict=False)
    )


def _hazards(batch: Batch) -> tuple[str, ...]:
    """What the catalogue says of each substance; one that nobody reviewed says so, and none is guessed."""
    catalogue = calc_catalogue()
    texts: dict[str, None] = {}
    components: list[dict[str, str]] = list(_plan_of(batch)["components"])  # type: ignore[call-overload]
    for component in components:
        try:
            cautions = cautions_for(catalogue.by_key(component["key"]))
        except InputError:
            cautions = (caution(UNREVIEWED),)
        for one in cautions:
            if one.code not in _FOR_THE_MAKER:
                texts.setdefault(one.text)
    return tuple(texts)
