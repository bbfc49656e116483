"""The cart of a day: by room and hour what stands ready, what is missing, and what must not ride together."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from decimal import Decimal

from django.db.models import Prefetch, Q
from django.utils import timezone

from inventory.models import Lot
from inventory.selectors import calc_catalogue
from inventory.selectors.storage import kept_lot
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from prepdesk.calc.storage import Kept, verdict
from prepdesk.calc.typed import parse_number
from requests_app import states
from requests_app.concealing import is_unknown
from requests_app.drafts import plain
from requests_app.models import BenchListVersion, Order
from requests_app.selectors.portions import PortionRow, as_rooms_are_counted, portions_visible_to, row_of
from requests_app.selectors.recalls import stopped_lots
from requests_app.selectors.work import orders_visible_to


@dataclass(frozen=True, slots=True)
class Missing:
    """An order of which nothing can be loaded yet: what it is called, and where it stands."""

    order: Order
    what: str
    words: str


@dataclass(slots=True)
class Stop:
    """One hour in one room.

    Attributes:
        due_at: by when it must be there.
        waiting: bottles that have not left.
        delivered: bottles that are there.
        unwanted: bottles that were filled before nobody wanted them any more, and still stand somewhere.
        missing: orders of which nothing can be loaded yet, each with where it stands.
        goods: consumables and apparatus of the bench lists, in words: for each section a line for each.
    """

    due_at: datetime
    waiting: list[PortionRow] = field(default_factory=list)
    delivered: list[PortionRow] = field(default_factory=list)
    unwanted: list[PortionRow] = field(default_factory=list)
    missing: list[Missing] = field(default_factory=list)
    goods: dict[tuple[str, int], list[str]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Stops:
    """A room of the day with its hours."""

    room: str
    stops: tuple[Stop, ...]

    @property
    def waiting(self) -> list[PortionRow]:
        """Every bottle for the room that has not left."""
        return [row for stop in self.stops for row in stop.waiting]


@dataclass(frozen=True, slots=True)
class Tray:
    """Bottles that may ride together.

    Attributes:
        rows: the bottles.
        because: why they don't stand with those of the trays before, a sentence each.
    """

    rows: tuple[PortionRow, ...]
    because: tuple[str, ...]


def cart_of(actor: User, day: date) -> list[Stops]:
    """Everything that goes out on a day, the rooms in order, in each the hours; on the day itself also what
    should have gone before it. The number of queries doesn't grow.
    """
    begins = timezone.make_aware(datetime.combine(day, time()))
    ends = begins + timedelta(days=1)
    due = Q(due_at__gte=begins, due_at__lt=ends)
    if day == timezone.localdate():
        due |= Q(due_at__lt=begins, state__in=states.WAITING_PORTIONS)
    found: dict[tuple[str, datetime], Stop] = {}

    def stop(room: str, due_at: datetime) -> Stop:
        return found.setdefault((room, due_at), Stop(due_at))

    poured = set()
    for row in map(row_of, portions_visible_to(actor).filter(due)):
        one = row.portion
        if one.state != states.CANCELLED:
            poured.add((one.order_id, one.batch_id))
        if row.is_waiting:
            stop(one.room, one.due_at).waiting.append(row)
        elif one.state == states.DELIVERED:
            stop(one.room, one.due_at).delivered.append(row)
        elif one.state == states.CANCELLED:
            stop(one.room, one.due_at).unwanted.append(row)
    orders = list(_orders_of(actor, begins, ends))
    stopped = stopped_lots({order.batch_id for order in orders if order.batch_id})
    for order in orders:
        if (order.pk, order.batch_id) not in poured and order.is_open:
            stop(order.room, order.due_at).missing.append(
                Missing(order, name_of(order), _standing(order, stopped))
            )
        if order.list_solution is not None and order.meeting is not None:
            # Several solutions of one list want it set out once.
            list_of_section = (str(order.meeting.section), order.list_solution.version_id)
            goods = stop(order.room, order.due_at).goods
            if list_of_section not in goods:
                goods[list_of_section] = _goods(order.list_solution.version, order.meeting.group_count)
    rooms = sorted({room for room, _ in found}, key=as_rooms_are_counted)
    return [
        Stops(room, tuple(found[key] for key in sorted(found) if key[0] == room and _anything(found[key])))
        for room in rooms
        if any(_anything(found[key]) for key in found if key[0] == room)
    ]


def _anything(stop: Stop) -> bool:
    return bool(stop.waiting or stop.delivered or stop.missing or stop.unwanted)


def _orders_of(actor: User, begins: datetime, ends: datetime) -> Iterable[Order]:
    versions = BenchListVersion.objects.prefetch_related("consumables", "apparatus")
    return (
        orders_visible_to(actor)
        .filter(due_at__gte=begins, due_at__lt=ends)
        .exclude(state=states.CANCELLED)
        .select_related(
            "course", "batch__claimed_by", "unknown_sample", "meeting__section__course", "list_solution"
        )
        .prefetch_related("sections", Prefetch("list_solution__version", versions))
        .order_by("due_at", "pk")
    )


def name_of(order: Order) -> str:
    """What the cart calls an order: of a coded sample its code alone."""
    return order.unknown_sample.code if is_unknown(order) else order.title


def _standing(order: Order, stopped: Mapping[int, object]) -> str:
    if order.batch_id in stopped:
        return "stands still: a bottle of it is quarantined or recalled"
    if order.state == states.READY:
        return "ready, not poured into bottles yet"
    said = order.get_state_display().lower()
    batch = order.batch
    if batch is not None and batch.claimed_by is not None:
        return f"not ready: {said}, with {batch.claimed_by}"
    return f"not ready: {said}"


def _goods(version: BenchListVersion, groups: int) -> list[str]:
    """What else a bench list wants set out for so many groups."""
    words = []
    for one in version.consumables.all():
        count = _number(one.per_group) * groups + _number(one.per_section)
        amount = f"{plain(count)} {one.unit}".strip() if count else ""
        words.append(f"{amount} {one.what}".strip() + (f" ({one.notes})" if one.notes else ""))
    for ware in version.apparatus.all():
        words.append(f"{ware.per_group * groups} × {ware.size} {ware.type}".replace("  ", " "))
    return words


def _number(text: str) -> Decimal:
    try:
        return parse_number(text).value if text else Decimal(0)
    except InputError:
        return Decimal(0)


# --- trays ------------------------------------------------------------------------------------------
def trays_of(rows: Sequence[PortionRow]) -> tuple[list[Tray], list[PortionRow]]:
    """Bottles of one cart on trays, so that no tray holds what a storage rule keeps apart.

    A cart is pushed over door sills: what must not stand on one shelf does not ride on one tray.

    Returns:
        The trays, and the bottles that no rule judges.
    """
    catalogue = calc_catalogue()
    lots: dict[int, Lot] = {row.portion.lot_id: row.portion.lot for row in rows}
    kept = {pk: kept_lot(lot, catalogue) for pk, lot in lots.items()}
    named = {row.portion.lot_id: row.what for row in rows}
    trays: list[list[int]] = []
    because: list[list[str]] = []
    for pk in lots:
        reasons: list[str] = []
        for at, tray in enumerate(trays):
            against = _against(pk, tray, kept, named)
            if not against:
                tray.append(pk)
                # It may be barred from an earlier tray, which its own tray then says.
                because[at] += [text for text in reasons if text not in because[at]]
                break
            reasons += against
        else:
            trays.append([pk])
            because.append(reasons)
    found = [
        Tray(tuple(row for row in rows if row.portion.lot_id in tray), tuple(texts))
        for tray, texts in zip(trays, because, strict=True)
    ]
    return found, [row for row in rows if _is_unjudged(kept[row.portion.lot_id])]


def _against(pk: int, tray: list[int], kept: dict[int, Kept], named: dict[int, str]) -> list[str]:
    found = []
    for other in tray:
        one = verdict(kept[pk], kept[other])
        if one.forbids:
            found.append(f"{named[pk]} apart from {named[other]}: {one.reason}")
    return found


def _is_unjudged(kept: Kept) -> bool:
    return kept.dilute or not kept.known
