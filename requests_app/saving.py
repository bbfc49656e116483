"""What making orders together saves: batches, minutes of work, and reagent.

Batches are counted. Minutes and reagent compare the sheet of the batch with a plan for each order by itself,
worked out with today's apparatus and today's bottles as if each held enough; where one of these can't be
made, the figure is left out.
"""

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Any, Final

from django.core.cache import cache
from django.utils import timezone

from inventory.selectors import calc_catalogue, calc_shelf
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.model import Shelf
from requests_app import sheets, states
from requests_app.drafts import draft_of, plain
from requests_app.models import Batch, Order

_ENOUGH: Final = 1e7
_KEPT_FOR: Final = 24 * 3600
_DIGITS: Final = 3


@dataclass(frozen=True, slots=True)
class Saving:
    """What one batch, or several, save against every order by itself.

    Attributes:
        batches, orders: how many batches serve how many orders.
        minutes, minutes_apart: of work by the sheets; None where it can't be said.
        reagent: what is drawn less (or more) of each substance, in words.
    """

    batches: int
    orders: int
    minutes: int | None = None
    minutes_apart: int | None = None
    reagent: tuple[str, ...] = ()

    @property
    def fewer(self) -> int:
        """Batches that need not be made."""
        return self.orders - self.batches

    @property
    def minutes_saved(self) -> int | None:
        """Minutes of work less; None where it can't be said."""
        if self.minutes is None or self.minutes_apart is None:
            return None
        return self.minutes_apart - self.minutes


@dataclass(frozen=True, slots=True)
class Planner:
    """Plans single orders with what is there today; each question is asked once a day."""

    shelf: Shelf
    catalogue: Catalogue

    @classmethod
    def of_today(cls) -> "Planner":
        """The apparatus of today, and its bottles as if each held enough."""
        shelf = calc_shelf()
        lots = tuple(replace(lot, free=_ENOUGH) for lot in shelf.lots if not lot.is_prepared)
        return cls(replace(shelf, lots=lots), calc_catalogue())

    def figures(self, order: Order) -> Mapping[str, Any] | None:
        """Minutes and draws of an order by itself; None where that can't be made."""
        draft = draft_of(order)
        draft = replace(draft, components=tuple(replace(one, from_lot=None) for one in draft.components))
        asked = json.dumps(sheets.request_for(draft), sort_keys=True)
        there = (str(timezone.localdate()), asked, self.shelf.apparatus, [lot.id for lot in self.shelf.lots])
        key = f"apart-{hashlib.sha256(repr(there).encode()).hexdigest()}"
        found: Mapping[str, Any] | None = cache.get(key)
        if found is None:
            found = self._planned(draft)
            cache.set(key, found, _KEPT_FOR)
        return found or None

    def _planned(self, draft: Any) -> dict[str, Any]:
        try:
            plan = sheets.plan_on(self.shelf, self.catalogue, draft)
        except RequestRefused:
            return {}
        return {"minutes": plan["minutes"], "draws": plan["draws"]} if plan["feasible"] else {}


def saving_of(plan: Mapping[str, Any], orders: Sequence[Order], planner: Planner | None = None) -> Saving:
    """What one batch saves.

    Args:
        plan: of its newest sheet.
        orders: it is made for, loaded with components and sections.
        planner: for many batches at once, so that the shelf is read once.
    """
    served = [order for order in orders if order.state != states.CANCELLED]
    if len(served) < 2 or plan.get("concealed"):
        return Saving(1, max(len(served), 1))
    planner = planner or Planner.of_today()
    apart = [planner.figures(order) for order in served]
    known = [one for one in apart if one is not None]
    if len(known) < len(served):
        return Saving(1, len(served))
    return Saving(
        1,
        len(served),
        minutes=round(plan["minutes"]),
        minutes_apart=round(sum(one["minutes"] for one in known)),
        reagent=_reagent(plan["draws"], [draw for one in known for draw in one["draws"]]),
    )


def together(savings: Iterable[Saving]) -> Saving:
    """Several batches as one figure; minutes are those of the batches where they can be said."""
    listed = list(savings)
    known = [one for one in listed if one.minutes_saved is not None]
    return Saving(
        sum(one.batches for one in listed),
        sum(one.orders for one in listed),
        sum(one.minutes or 0 for one in known) if known else None,
        sum(one.minutes_apart or 0 for one in known) if known else None,
    )


def savings_of(batches: Iterable[Batch]) -> dict[int, Saving]:
    """The saving of each batch, by key; with orders, components, sections and sheets prefetched."""
    planner: Planner | None = None
    found = {}
    for batch in batches:
        orders = list(batch.orders.all())
        if planner is None and len(orders) > 1:
            planner = Planner.of_today()
        # Sheets come newest first.
        found[batch.pk] = saving_of(batch.sheets.all()[0].plan, orders, planner)
    return found


def _reagent(batch: Sequence[Mapping[str, Any]], apart: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    made, alone = _summed(batch), _summed(apart)
    words = []
    for (name, unit), amount in alone.items():
        less = amount - made.get((name, unit), Decimal(0))
        # Where the batch takes another form of it, the two can't be compared.
        if (name, unit) in made and abs(less) >= amount / 1000:
            rounded = plain(Decimal(f"{abs(less):.{_DIGITS}g}"))
            words.append(f"{rounded} {unit} {'less' if less > 0 else 'more'} of {name}")
    return tuple(words)


def _summed(draws: Iterable[Mapping[str, Any]]) -> dict[tuple[str, str], Decimal]:
    total: dict[tuple[str, str], Decimal] = defaultdict(Decimal)
    for draw in draws:
        total[draw["substance"], draw["amount"]["unit"]] += Decimal(draw["amount"]["value"])
    return total
