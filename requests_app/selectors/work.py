"""Reading orders and batches: who sees which, and what the pages show."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, Final, TypeVar

from django.db.models import Count, Prefetch, Q, QuerySet
from django.http import Http404

from inventory.models import Booking, Hold, Lot, Substance
from inventory.selectors import calc_catalogue
from inventory.states import ACTIVE as HOLD_ACTIVE
from inventory.states import BOOKED
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.planner.instead import counts_the_same
from prepdesk.calc.rest import steps_with_rest
from prepdesk.calc.typed import TypedNumber, parse_number
from requests_app import states
from requests_app.concealing import conceal_batch, conceal_order, conceal_orders
from requests_app.models import (
    Batch,
    BatchBooking,
    BatchEvent,
    BatchHold,
    Course,
    Mishap,
    Order,
    OrderComponent,
    OrderEvent,
    OrderHold,
    Section,
    Sheet,
    StepRecord,
)

Row = TypeVar("Row", Order, Batch)

ORDER_FILTERS: Final = {
    "open": "Open",
    "approval": "For approval",
    "ready": "Ready",
    "done": "Done",
    "all": "All",
}


# --- courses and sections ---------------------------------------------------------------------
def sections_for(actor: User) -> QuerySet[Section]:
    """The sections a person may order for: those they teach, alone or with others; a manager, any."""
    sections = Section.objects.select_related("course", "instructor", "term")
    if actor.role == policy.MANAGER:
        return sections
    return sections.filter(taught_by(actor))


def taught_by(person: User) -> Q:
    """Sections that a person teaches, as their instructor or together with them."""
    # A subquery and no join: each section comes once, and can be locked.
    shared = Section.co_instructors.through.objects.filter(user=person)
    return Q(instructor=person) | Q(pk__in=shared.values("section_id"))


def sections_to_order_for(actor: User, today: date) -> QuerySet[Section]:
    """Those of them that an order of today may be for: of a term that is not over, or outside any term."""
    return sections_for(actor).filter(Q(term=None) | Q(term__ends_on__gte=today))


def taught_courses(actor: User) -> QuerySet[Course]:
    """The courses a person plans, orders for and writes bench lists of: those they teach; a manager, any."""
    if actor.role == policy.MANAGER:
        return Course.objects.all()
    return Course.objects.filter(pk__in=sections_for(actor).values("course_id"))


# --- orders -----------------------------------------------------------------------------------
def orders_visible_to(actor: User) -> QuerySet[Order]:
    """An instructor sees what they ordered and what is for a section they teach; the stockroom sees all."""
    if policy.may(actor, "see_every_order"):
        return Order.objects.all()
    if policy.may(actor, "see_own_orders"):
        taught = Section.objects.filter(taught_by(actor))
        for_them = Order.sections.through.objects.filter(section__in=taught.values("pk"))
        return Order.objects.filter(Q(ordered_by=actor) | Q(pk__in=for_them.values("order_id")))
    return Order.objects.none()


def order_rows(actor: User, chosen: str, now: datetime) -> QuerySet[Order]:
    """The order list under one of :data:`ORDER_FILTERS`; an unknown filter is the first one.

    What is open comes by due time, the rest newest first. The number of queries doesn't grow.
    """
    orders = orders_visible_to(actor).select_related("course", "ordered_by", "batch__claimed_by")
    orders = orders.prefetch_related("sections")
    if chosen == "approval":
        return orders.filter(state=states.APPROVAL).order_by("due_at", "id")
    if chosen == "ready":
        return orders.filter(state=states.READY).order_by("due_at", "id")
    if chosen == "done":
        return orders.exclude(state__in=states.OPEN_ORDER_STATES).order_by("-due_at", "-id")
    if chosen == "all":
        return orders.order_by("-due_at", "-id")
    return orders.filter(state__in=states.OPEN_ORDER_STATES).order_by("due_at", "id")


def order_counts(actor: User) -> dict[str, int]:
    """How many orders each filter shows."""
    return orders_visible_to(actor).aggregate(
        open=Count("pk", filter=Q(state__in=states.OPEN_ORDER_STATES)),
        approval=Count("pk", filter=Q(state=states.APPROVAL)),
        ready=Count("pk", filter=Q(state=states.READY)),
        done=Count("pk", filter=~Q(state__in=states.OPEN_ORDER_STATES)),
        all=Count("pk"),
    )


def order_with_everything(actor: User, reference: str) -> Order:
    """One order with all that its page shows, or a 404 when the actor may not see it."""
    orders = orders_visible_to(actor).select_related(
        "course",
        "ordered_by",
        "unknown_sample__unknown_set",
        "batch__claimed_by",
        "batch__prepared_lot__place",
    )
    found = _or_404(
        orders.prefetch_related(
            Prefetch("sections", Section.objects.select_related("course")),
            _components_with_sources(),
            Prefetch("events", OrderEvent.objects.select_related("actor")),
            Prefetch("batch__sheets", Sheet.objects.select_related("created_by")),
        ),
        reference,
        "order",
    )
    return conceal_order(actor, found)


def _components_with_sources() -> "Prefetch[str, QuerySet[OrderComponent], str]":
    return Prefetch(
        "components", OrderComponent.objects.select_related("substance", "from_lot__substance", "chosen_by")
    )


def waiting_orders(actor: User) -> list[Order]:
    """Orders that can't be made until stock arrives, most urgent first."""
    orders = orders_visible_to(actor).filter(state=states.WAITING)
    found = (
        orders.select_related("course", "ordered_by", "unknown_sample", "batch")
        .prefetch_related(
            "sections",
            _components_with_sources(),
            "events",
        )
        .order_by("due_at", "id")
    )
    return conceal_orders(actor, found)


def source_words(component: OrderComponent) -> str:
    """What a component is made from: the bottle that was chosen, else what was asked for."""
    lot = component.from_lot
    if lot is None:
        return f"{component.substance.name} as ordered"
    strength = f"{lot.strength_shown} mol/L " if lot.concentration_mol_per_l else ""
    return f"{strength}{lot.substance.name}, {lot.code}"


def choice_words(component: OrderComponent, before: str = "") -> str:
    """A choice as the history tells it: made from what, instead of what."""
    instead_of = before or f"{component.substance.name} as ordered"
    return f"Made from {source_words(component)}, instead of {instead_of}"


def lot_to_choose(code: str) -> Lot | None:
    """The bottle with that code, with its substance; whether it still serves is for the plan to say."""
    return Lot.objects.select_related("substance").filter(code=code.strip().upper()[:16]).first()


def may_stand_in(lot: Lot, substance: Substance) -> bool:
    """Whether a mole of what a bottle holds gives the same thing in solution as a mole of the substance."""
    catalogue = calc_catalogue()
    try:
        return counts_the_same(catalogue.by_key(substance.key), catalogue.by_key(lot.substance.key))
    except InputError:
        # A substance that the calculation does not know is never taken for another one.
        return False


def last_order_of(actor: User) -> Order | None:
    """The person's newest order, so that a form can offer its course and room again."""
    return Order.objects.filter(ordered_by=actor).prefetch_related("sections").order_by("-id").first()


def rooms_used() -> list[str]:
    """Rooms that orders were for, the most used first, to be offered again."""
    used = Order.objects.order_by().values_list("room").annotate(times=Count("pk")).order_by("-times", "room")
    return [room for room, _ in used[:20]]


def substance_name(key: str) -> str:
    """The full name of a substance, empty for an unknown key."""
    return Substance.objects.filter(key=key).values_list("name", flat=True).first() or ""


# --- batches ----------------------------------------------------------------------------------
def batches_visible_to(actor: User) -> QuerySet[Batch]:
    """The stockroom sees all batches; an instructor reads about theirs on the order's page."""
    return Batch.objects.all() if policy.may(actor, "see_queue") else Batch.objects.none()


def batch_with_everything(actor: User, reference: str) -> Batch:
    """One batch with all that its pages show, or a 404 when the actor may not see it."""
    batches = batches_visible_to(actor).select_related("claimed_by", "prepared_lot__place")
    found = _or_404(
        batches.prefetch_related(
            Prefetch(
                "orders",
                Order.objects.select_related("course", "ordered_by", "unknown_sample").prefetch_related(
                    "sections", _components_with_sources()
                ),
            ),
            Prefetch("events", BatchEvent.objects.select_related("actor")),
            Prefetch("sheets", Sheet.objects.select_related("created_by")),
            Prefetch("step_records", StepRecord.objects.select_related("actor", "sheet")),
            Prefetch("mishaps", Mishap.objects.select_related("actor", "waste_stream")),
            Prefetch(
                "batch_holds", BatchHold.objects.select_related("hold__lot__place", "hold__lot__substance")
            ),
        ),
        reference,
        "batch",
    )
    return conceal_batch(actor, found)


def active_holds(batch: Batch) -> list[Hold]:
    """The holds of a batch that are neither drawn nor released yet."""
    links = batch.batch_holds.filter(hold__state=HOLD_ACTIVE).select_related("hold__lot").order_by("hold_id")
    return [link.hold for link in links]


def active_bookings(batch: Batch) -> list[Booking]:
    """The apparatus booked for a batch and neither released nor given back."""
    links = BatchBooking.objects.filter(batch=batch, booking__state=BOOKED)
    return [link.booking for link in links.select_related("booking__item").order_by("booking_id")]


def prepared_holds(batch: Batch) -> list[Hold]:
    """What of the finished solution is held for the batch's own orders that have not got theirs."""
    links = OrderHold.objects.filter(batch=batch, hold__state=HOLD_ACTIVE).select_related("hold__lot")
    return [link.hold for link in links.order_by("hold_id")]


# --- steps ------------------------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class BenchStep:
    """One step of a sheet with what was recorded for it.

    Attributes:
        step: as the plan says it.
        records: all of them, oldest first; the last one counts.
        is_current: the first step without a record.
    """

    step: dict[str, Any]
    records: tuple[StepRecord, ...]
    is_current: bool

    @property
    def latest(self) -> StepRecord | None:
        """The record that counts."""
        return self.records[-1] if self.records else None

    @property
    def is_done(self) -> bool:
        """Whether it was done, and what was taken at it is not lost since."""
        return bool(self.records) and self.records[-1].verdict != StepRecord.Verdict.SPOILT


def bench_steps(sheet: Sheet, records: Iterable[StepRecord]) -> list[BenchStep]:
    """The steps of a sheet in order, each with its records.

    Where several bottles give one amount, the last one's figure follows what the others really gave.
    """
    by_step: dict[int, list[StepRecord]] = {}
    for record in sorted(records, key=lambda record: record.pk):
        # A sheet that goes on where another stopped counts what was done by that one up to there.
        counts = record.sheet_id == sheet.pk or record.step_number <= sheet.kept.get(str(record.sheet_id), 0)
        if counts:
            by_step.setdefault(record.step_number, []).append(record)
    read = {
        number: parse_number(found[-1].reading_text)
        for number, found in by_step.items()
        if found[-1].reading_text
    }
    steps = steps_with_rest(sheet.plan, read)
    paired = [BenchStep(step, tuple(by_step.get(step["number"], ())), is_current=False) for step in steps]
    current = next((one for one in paired if not one.is_done), None)
    return [replace(one, is_current=True) if one is current else one for one in paired]


def readings_of(steps: Iterable[BenchStep]) -> dict[int, TypedNumber]:
    """The readings that count, by step number."""
    return {
        one.step["number"]: parse_number(one.latest.reading_text)
        for one in steps
        if one.latest is not None and one.latest.reading_text
    }


def _or_404(rows: QuerySet[Row], reference: str, noun: str) -> Row:
    row = rows.filter(reference=reference.upper()).first()
    if row is None:
        raise Http404(f"There is no {noun} {reference} that you may see.")
    return row
