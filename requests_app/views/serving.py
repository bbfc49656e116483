"""What would serve for orders that wait, planned on today's shelf, with what a button to choose needs."""

import uuid
from typing import Any

from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.errors import RequestRefused
from requests_app import sheets, states
from requests_app.bench_time import plan_in_time
from requests_app.concealing import may_read_order
from requests_app.drafts import draft_of
from requests_app.models import Order
from requests_app.selectors import active_holds


def choices_for(actor: User, order: Order) -> dict[str, Any]:
    """What the page of an order needs to let somebody choose what it is made from.

    Returns:
        ``offers`` with ``seen`` and ``choice_key`` for their buttons, ``may_choose``, ``chosen``: the
        components with a chosen bottle, and ``can_be_made``: whether a waiting order could be made now.
        For an order in the queue the offers are what is left over and would serve, its own stock counted
        as free.
    """
    may_choose = (
        policy.may(actor, "choose_source")
        and may_read_order(actor, order)
        and (order.ordered_by_id == actor.pk or policy.may(actor, "see_every_order"))
        and order.state in (states.WAITING, states.QUEUED)
    )
    events = list(order.events.all())
    found: dict[str, Any] = {
        "chosen": [component for component in order.components.all() if component.from_lot is not None],
        "may_choose": may_choose,
        "seen": events[-1].pk if events else "",
        "choice_key": uuid.uuid4().hex,
        "offers": [],
        "can_be_made": False,
    }
    if not may_choose:
        return found
    try:
        plan = _planned(order)
    except RequestRefused:
        # What can't be read any more is among the reasons the order waits for.
        return found
    found["offers"] = sheets.offers_in(plan)
    if order.state == states.WAITING:
        found["can_be_made"] = plan["feasible"]
        found["waits_now"] = [] if plan["feasible"] else sheets.waiting_reasons(plan)
    return found


def _planned(order: Order) -> sheets.Plan:
    draft = draft_of(order)
    if order.batch is not None:
        return sheets.plan_for(draft, as_if_released=[hold.pk for hold in active_holds(order.batch)])[1]
    return plan_in_time(draft)[1]
