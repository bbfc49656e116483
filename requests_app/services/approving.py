"""Approval where it is needed: restricted substances, and draws that leave the others too little.

A manager is asked before anything is held. What is asked stands on the order as points, one for each
substance and reason; what was approved is kept too, so that nobody is asked twice for the same, and is asked
again when a change makes a draw larger than that. An order that a manager sends is approved by sending it,
and its history says so.

The rule for a large draw, and why: what an order takes of a substance is compared with what is free of it
before, over all bottles that could be drawn from today. Solutions that were prepared here don't count: using
up a leftover is what it is kept for.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any, Final

from django.db.models import Q
from django.utils import timezone

from inventory.amounts import as_text
from inventory.models import Hold, Lot, Substance
from inventory.states import AVAILABLE
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import sheets, states
from requests_app.concealing import is_unknown
from requests_app.drafts import OrderDraft, draft_of, volume_of
from requests_app.models import Order
from requests_app.selectors import department_rules
from requests_app.services.moves import move, note_event
from requests_app.services.telling import tell_asked

RESTRICTED: Final = "restricted"
LARGE_DRAW: Final = "large_draw"
# Another bottle has another assay: so much more of what was approved is still the same draw.
_STILL_THE_SAME: Final = Decimal("1.1")


@dataclass(frozen=True, slots=True)
class Point:
    """One thing a manager is asked about.

    Attributes:
        code: :data:`RESTRICTED` or :data:`LARGE_DRAW`.
        substance: its key.
        amount: base units an order takes of it, for a large draw.
        text: a sentence for whoever decides.
    """

    code: str
    substance: str
    amount: int
    text: str

    def is_covered_by(self, approved: Iterable[dict[str, Any]]) -> bool:
        """Whether this was approved before, and was no smaller then."""
        return any(
            one["code"] == self.code
            and one["substance"] == self.substance
            and self.amount <= one["amount"] * _STILL_THE_SAME
            for one in approved
        )


def approval_reasons_for(draft: OrderDraft, plan: sheets.Plan | None = None) -> list[str]:
    """Why a manager has to approve a draft, a sentence each; empty when nobody is asked.

    Args:
        plan: of this draft alone; without one that can be made only what it is made of counts.
    """
    return [point.text for point in look_at(draft, plan).points]


@dataclass(frozen=True, slots=True)
class Look:
    """What was found about one order.

    Attributes:
        points: what a manager is asked about.
        taken: what it takes of each substance without being asked about, which need not be looked at again
            as long as it doesn't grow.
    """

    points: list[Point]
    taken: list[Point]


def look_at(draft: OrderDraft, plan: sheets.Plan | None = None) -> Look:
    """What a manager is asked about one draft; see :func:`approval_reasons_for`."""
    draws = _Draws.of(plan, _wanted([draft]))
    points = draws.points(Decimal(1))
    return Look(points, draws.taken_quietly(Decimal(1), points))


def is_approved_by_sending(sender: User) -> bool:
    """Whether an order needs nobody's approval because of who sends it."""
    return policy.may(sender, "approve_order")


def keep_taken(*, actor: User, order: Order, look: Look) -> None:
    """Note on a new order what it takes without anybody being asked, and of a manager's what was approved by
    sending it.
    """
    order.approved = [asdict(point) for point in (*look.points, *look.taken)]
    order.save(update_fields=["approved"])
    if look.points:
        note_event(actor=actor, row=order, event="approve", note=_by_sending(look.points))


def ask_new(*, actor: User, order: Order, points: Collection[Point]) -> None:
    """Tell the managers of a new order in the state :data:`requests_app.states.APPROVAL`."""
    order.approval_reasons = [asdict(point) for point in points]
    order.save(update_fields=["approval_reasons"])
    note_event(actor=actor, row=order, event="ask", note=" ".join(point.text for point in points))
    tell_asked(actor=actor, order=order)


def ask_where_needed(
    *, actor: User, orders: Sequence[Order], plan: sheets.Plan, held: Collection[Hold] = ()
) -> list[Order]:
    """Set aside those of a batch's locked orders that a manager has to approve before anything is held.

    They have no batch afterwards and wait for approval; whoever calls plans again for the rest. An order
    counts with its share of what the batch draws.

    Args:
        orders: waiting, or in the queue with what is ``held`` for their batch.
        plan: a feasible plan for all of them together.
        held: what their batch holds; a draw that doesn't grow is not asked about again.

    Returns:
        The orders that were set aside.
    """
    drafts = {order.pk: draft_of(order) for order in orders}
    draws = _Draws.of(plan, _wanted(drafts.values()), held)
    volumes = {key: volume_of(draft).millilitres for key, draft in drafts.items()}
    total = sum(volumes.values())
    asked = []
    for order in orders:
        share = volumes[order.pk] / total
        points = draws.points(share, tells=not is_unknown(order))
        open_points = [point for point in points if not point.is_covered_by(order.approved)]
        if not open_points:
            _keep(order, draws.taken_quietly(share, points))
            continue
        sender = _sender_of(order)
        if is_approved_by_sending(sender):
            if not order.approved:
                # From a bench list, so this is the first look at it.
                note_event(actor=sender, row=order, event="approve", note=_by_sending(open_points))
            _keep(order, open_points)
            continue
        _set_aside(actor, order, open_points)
        asked.append(order)
    return asked


def _sender_of(order: Order) -> User:
    """Who sent an order: a manager orders a bench list or a term for the sections' instructors."""
    sent = order.events.filter(event="submit").select_related("actor").first()
    return sent.actor if sent is not None else order.ordered_by


def _by_sending(points: Iterable[Point]) -> str:
    return f"by sending it. {' '.join(point.text for point in points)}"


def _keep(order: Order, points: Iterable[Point]) -> None:
    fresh = [asdict(point) for point in points if not point.is_covered_by(order.approved)]
    if fresh:
        order.approved = [*order.approved, *fresh]
        order.save(update_fields=["approved"])


def _set_aside(actor: User, order: Order, points: Collection[Point]) -> None:
    said = " ".join(point.text for point in points)
    order.batch = None
    order.waiting_for = []
    order.approval_reasons = [asdict(point) for point in points]
    if order.state == states.QUEUED:
        move(actor=actor, row=order, event="wait", note="what was held for it is free again")
    move(actor=actor, row=order, event="ask", note=said)
    tell_asked(actor=actor, order=order)


def _wanted(drafts: Iterable[OrderDraft]) -> set[str]:
    return {component.substance_key for draft in drafts for component in draft.components}


# What of a substance is counted together: grams of the solid, millilitres of a solution.
_Sort = tuple[str, str]


@dataclass(frozen=True, slots=True)
class _Draws:
    """What a plan takes and what was free of it before.

    Attributes:
        taken: base units by sort, of bottles that were not prepared here.
        free, before, bottles, unit: of the same sorts: base units free, base units held for it already,
            how many bottles, what they are counted in.
        substances: all that is asked for or drawn, by key.
        share: of what is free that nobody need be asked for [%].
    """

    taken: dict[_Sort, int]
    free: Counter[_Sort]
    before: Counter[_Sort]
    bottles: Counter[_Sort]
    unit: dict[_Sort, str]
    substances: dict[str, Substance]
    share: int

    @classmethod
    def of(cls, plan: sheets.Plan | None, wanted: Iterable[str], held: Collection[Hold] = ()) -> "_Draws":
        """Look at what a plan draws for what is wanted; of one that can't be made nothing is drawn."""
        draws = sheets.draws_of(plan) if plan is not None and plan["feasible"] else []
        lots = Lot.objects.select_related("substance").in_bulk([draw.lot_id for draw in draws])
        taken: Counter[_Sort] = Counter()
        for draw in draws:
            lot = lots[draw.lot_id]
            if lot.prepared_by_id is None:
                taken[lot.substance.key, lot.kind] += draw.amount
        given_back: Counter[int] = Counter()
        for hold in held:
            given_back[hold.lot_id] += hold.amount
        free: Counter[_Sort] = Counter()
        before: Counter[_Sort] = Counter()
        bottles: Counter[_Sort] = Counter()
        unit: dict[_Sort, str] = {}
        for lot in _to_draw_from({key for key, _ in taken}):
            sort = lot.substance.key, lot.kind
            free[sort] += lot.free + given_back[lot.pk]
            before[sort] += given_back[lot.pk]
            bottles[sort] += 1
            unit[sort] = lot.unit
        keys = {*wanted, *(lot.substance.key for lot in lots.values())}
        return cls(
            taken=dict(taken),
            free=free,
            before=before,
            bottles=bottles,
            unit=unit,
            substances=Substance.objects.in_bulk(keys, field_name="key"),
            share=department_rules().large_draw_percent,
        )

    def points(self, share: Decimal, *, tells: bool = True) -> list[Point]:
        """What is asked about one order that has this share of what is drawn; without amounts unless it
        ``tells`` them.
        """
        found = [
            Point(RESTRICTED, key, 0, f"{_capital(row.name)} is restricted: a manager approves each order.")
            for key, row in sorted(self.substances.items())
            if row.restricted
        ]
        for sort, batch_takes in sorted(self.taken.items()):
            takes = int(batch_takes * share)
            grows = batch_takes > self.before[sort] * _STILL_THE_SAME
            # What somebody else took since it was planned can't be held, so nobody is asked about it.
            if grows and takes <= self.free[sort] < takes * 100 / self.share:
                found.append(Point(LARGE_DRAW, sort[0], takes, self._large(sort, takes, tells)))
        return found

    def taken_quietly(self, share: Decimal, asked: Collection[Point]) -> list[Point]:
        """What one order takes of each substance that nobody is asked about."""
        loud = {point.substance for point in asked if point.code == LARGE_DRAW}
        return [
            Point(LARGE_DRAW, key, int(takes * share), "")
            for (key, _), takes in sorted(self.taken.items())
            if key not in loud
        ]

    def _large(self, sort: _Sort, takes: int, tells: bool) -> str:
        if not tells:
            return (
                f"It takes more than {self.share} % of the {self.substances[sort[0]].name} that is free, "
                "which needs a manager’s approval, by the department’s rule."
            )
        free, unit = self.free[sort], self.unit[sort]
        percent = (Decimal(takes) * 100 / free).quantize(Decimal(1))
        only = " in the only bottle" if self.bottles[sort] == 1 else ""
        return (
            f"It takes {as_text(takes, unit)} of {self.substances[sort[0]].name}, {percent} % of the "
            f"{as_text(free, unit)} that are free{only}; more than {self.share} % needs a manager’s approval,"
            " by the department’s rule."
        )


def _to_draw_from(keys: Collection[str]) -> Iterable[Lot]:
    """The bottles of these substances that could be drawn from today, those prepared here left out."""
    today = timezone.localdate()
    return (
        Lot.objects.filter(
            Q(expires_on=None) | Q(expires_on__gte=today),
            substance__key__in=keys,
            state=AVAILABLE,
            on_hand__gt=0,
            prepared_by=None,
        )
        .select_related("substance")
        .order_by("pk")
    )


def _capital(name: str) -> str:
    return f"{name[:1].upper()}{name[1:]}"
