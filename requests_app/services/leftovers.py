"""Solutions that are left over on the shelf, and still are what somebody wants as they are."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from django.utils import timezone

from inventory.models import Lot
from inventory.states import AVAILABLE
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.units import UNITS, factor
from requests_app.bench_time import plan_in_time
from requests_app.drafts import draft_of, volume_of, wanted_together
from requests_app.models import Order, OrderComponent
from requests_app.selectors.together import volume_ml
from requests_app.services.batching import Planned

# A leftover further off than this is no use as it is, whatever the tolerance [1].
_NEAR: Final = 0.1


def leftovers_of(orders: Sequence[Order]) -> list[Lot]:
    """Prepared solutions on the shelf that may be what these orders of one solution want, oldest first.

    Only of one solute whose amount goes by volume, and where nobody chose a bottle; the plan has the say.
    """
    if not orders:
        return []
    components = orders[0].components.all()
    if len(components) != 1 or components[0].from_lot_id is not None:
        return []
    lots = Lot.objects.filter(
        substance=components[0].substance,
        kind=Lot.Kind.SOLUTION,
        state=AVAILABLE,
        on_hand__gt=0,
        expires_on__gte=timezone.localdate(),
    )
    return [lot for lot in lots.order_by("expires_on", "pk") if len(lot.composition) == 1 and lot.free > 0]


def as_many_as(lot: Lot, orders: Sequence[Order]) -> list[Order]:
    """The first due of the orders that the lot holds enough for and lives long enough for."""
    found: list[Order] = []
    free = lot.free / 1000
    for order in orders:
        free -= float(volume_ml(volume_of(draft_of(order))))
        if free < 0 or (lot.expires_on and timezone.localtime(order.due_at).date() > lot.expires_on):
            break
        found.append(order)
    return found


def poured_for(orders: Sequence[Order], lot: Lot) -> tuple[list[Order], Planned | None]:
    """Which of the orders, the first due first, are poured out of a lot, and the plan; None for none."""
    served = as_many_as(lot, orders)
    # The last drops may stay in the cylinder: then one order less.
    for count in (len(served), len(served) - 1):
        planned = poured(served[:count], lot) if count > 0 else None
        if planned is not None:
            return served[:count], planned
    return [], None


def poured(orders: Sequence[Order], lot: Lot) -> Planned | None:
    """The plan of pouring the lot out for these orders with nothing added, if it serves them so."""
    drafts = [
        replace(draft, components=tuple(replace(one, from_lot=lot.pk) for one in draft.components))
        for draft in map(draft_of, orders)
    ]
    try:
        request, plan = plan_in_time(wanted_together(drafts))
    except RequestRefused:
        return None
    as_it_is = all(step["action"] != "make_up" for step in plan["steps"])
    return Planned(request, plan) if plan["feasible"] and as_it_is else None


def _is_near(lot: Lot, component: OrderComponent) -> bool:
    """Whether the strength on the label is about the one asked for; where it can't be said, the plan says."""
    kind = UNITS[component.target_unit].kind
    if kind != "amount per volume" or not lot.concentration_mol_per_l:
        return True
    asked = float(component.target_value) * factor(component.target_unit)
    return abs(float(lot.concentration_mol_per_l) / asked - 1.0) <= _NEAR
