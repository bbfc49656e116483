"""From what is wanted to a frozen sheet: a draft becomes a question to the calculation service, and
its answer becomes a row that is never changed."""

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from django.utils import timezone

from inventory.amounts import to_base_upwards
from inventory.models import Lot
from inventory.selectors import Window, calc_catalogue, calc_shelf
from inventory.states import AVAILABLE
from prepdesk.accounts.models import User
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview
from requests_app.cards import card_of
from requests_app.drafts import DraftComponent, OrderDraft, Wanted, plain, wanted_for
from requests_app.models import Batch, Sheet

Plan = dict[str, Any]

# Apparatus that is there and can't be had then: booked, out of service, past its calibration.
APPARATUS_PROBLEMS: Final = frozenset({"apparatus_booked", "apparatus_out"})
# Problems that stock would solve, or such apparatus: the order waits. Every other stop is chemistry, or
# apparatus that nobody has, and waiting would not help.
SHELF_PROBLEMS: Final = APPARATUS_PROBLEMS | {"out_of_stock", "not_on_shelf", "chosen_gone"}


@dataclass(frozen=True, slots=True)
class Draw:
    """What a plan takes from one bottle.

    Attributes:
        lot_id: the inventory's key.
        amount: base units of the lot, rounded up.
        component: position of the (first) component it is for.
    """

    lot_id: int
    amount: int
    component: int


def request_for(draft: OrderDraft | Wanted) -> dict[str, Any]:
    """The question in the form of the public contract, asked of the department's own shelf."""
    draft = wanted_for(draft) if isinstance(draft, OrderDraft) else draft
    volume = draft.volume
    request: dict[str, Any] = {
        "components": [
            {
                "substance": component.substance_key,
                "target": {"value": component.target.text, "unit": component.unit},
                **({"equivalents": component.equivalents} if component.equivalents else {}),
                **({"source": {"kind": "lot", "id": str(component.from_lot)}} if component.from_lot else {}),
            }
            for component in draft.components
        ],
        "volume": {"value": volume.text, "unit": volume.unit},
        "equipment": "shelf",
    }
    if draft.tolerance_percent is not None:
        request["tolerance_percent"] = plain(draft.tolerance_percent.value)
    if draft.temperature_c is not None:
        request["temperature_c"] = plain(draft.temperature_c.value)
    return request


def plan_for(
    draft: OrderDraft | Wanted,
    *,
    as_if_released: Iterable[int] = (),
    window: Window | None = None,
    as_if_released_bookings: Iterable[int] = (),
    without: Container[int] = (),
    whatever_its_state: bool = False,
) -> tuple[dict[str, Any], Plan]:
    """Ask the calculation service, with what the shelf has free now and will still be good when due.

    Whether its apparatus is free at some time is asked by :func:`requests_app.bench_time.plan_in_time`.

    Args:
        draft: what is wanted.
        as_if_released: keys of holds that the new plan would replace, so their stock counts as free.
        window, as_if_released_bookings, without, whatever_its_state: which apparatus may be used, as in
            :func:`inventory.selectors.calc_shelf`.

    Returns:
        The request and the plan.

    Raises:
        RequestRefused: when the request can't be read, by field of the contract.
    """
    draft = wanted_for(draft) if isinstance(draft, OrderDraft) else draft
    request = request_for(draft)
    shelf = calc_shelf(
        on=timezone.localdate(),
        needed_until=local_date(draft.last_due_at),
        as_if_released=as_if_released,
        window=window,
        as_if_released_bookings=as_if_released_bookings,
        without=without,
        whatever_its_state=whatever_its_state,
    )
    return request, plan_on(shelf, calc_catalogue(), draft)


def plan_on(shelf: Shelf, catalogue: Catalogue, draft: OrderDraft | Wanted) -> Plan:
    """Plan a draft on a shelf that was read before.

    A bottle that was chosen and can't be drawn from any more stops the plan in words; what would serve
    in its place is worked out as if nothing had been chosen.

    Raises:
        RequestRefused: as :func:`plan_for`.
    """
    request = request_for(draft)
    there = {lot.id for lot in shelf.lots}
    gone = [
        position
        for position, component in enumerate(draft.components)
        if component.from_lot is not None and str(component.from_lot) not in there
    ]
    if not gone:
        return preview(request, catalogue=catalogue, shelf=shelf)
    asked = {**request, "components": [dict(component) for component in request["components"]]}
    for position in gone:
        del asked["components"][position]["source"]
    plan = preview(asked, catalogue=catalogue, shelf=shelf)
    stops = [
        {
            "code": "chosen_gone",
            "text": _gone_words(draft.components[position], draft.due_at, plan["components"][position]),
            "severity": "stop",
            "component": position,
        }
        for position in gone
    ]
    return {**plan, "feasible": False, "problems": [*stops, *plan["problems"]]}


def shelf_until(shelf: Shelf, day: date) -> Shelf:
    """The same shelf without the bottles that expire before a day."""
    lots = tuple(lot for lot in shelf.lots if not lot.expires or lot.expires >= day.isoformat())
    return replace(shelf, lots=lots)


def _gone_words(component: DraftComponent, due_at: datetime, planned: Mapping[str, Any]) -> str:
    lot = Lot.objects.get(pk=component.from_lot or 0)
    day = max(timezone.localdate(), local_date(due_at))
    if lot.state != AVAILABLE:
        why = f"it is {lot.get_state_display().lower()}"
    elif lot.expires_on is not None and lot.expires_on < day:
        why = f"it expires on {lot.expires_on:%-d %B %Y}, before the day of use"
    else:
        why = "nothing of it is free any more"
    return (
        f"{lot.code}, chosen for {planned['substance']}, can't be drawn from: {why}."
        " Choose again or take the choice back; the amounts below are as if nothing had been chosen."
    )


def local_date(moment: datetime) -> date:
    """The department's calendar day of a moment."""
    return timezone.localtime(moment).date()


def stops(plan: Plan) -> list[dict[str, str]]:
    """The problems that stop a plan."""
    return [problem for problem in plan["problems"] if problem["severity"] == "stop"]


def only_the_shelf_is_short(plan: Plan) -> bool:
    """True when stock, or apparatus that is there but can't be used now, would make the plan feasible."""
    found = stops(plan)
    return bool(found) and all(problem["code"] in SHELF_PROBLEMS for problem in found)


def waiting_reasons(plan: Plan) -> list[dict[str, Any]]:
    """What a waiting order waits for, frozen: what is missing, how much, and what could serve.

    Each entry has ``text``; one about a substance also ``substance``, ``needed``, ``free``,
    ``missing`` and ``alternatives``.
    """
    short = [{**shortage, "text": _shortage_sentence(shortage)} for shortage in plan["shortages"]]
    said = [
        {"text": problem["text"], "alternatives": [], "apparatus": problem["code"] in APPARATUS_PROBLEMS}
        for problem in stops(plan)
        # The problems of a short shelf say the same as the shortages; these say more.
        if not short or problem["code"] in {"chosen_gone", *APPARATUS_PROBLEMS}
    ]
    return [*said, *short]


def missing_components(plan: Plan) -> set[int]:
    """Positions of the components that the shelf can't serve, or whose chosen bottle is gone."""
    problems: list[dict[str, Any]] = plan["problems"]
    gone = {int(one["component"]) for one in problems if one["code"] == "chosen_gone"}
    return gone | {int(shortage["component"]) for shortage in plan["shortages"]}


def offers_in(plan: Plan) -> list[dict[str, Any]]:
    """The bottles that would serve instead, as the plan worked it out: for what is short, then leftovers.

    A part of the volume is no bottle to choose; it stands with the shortage.
    """
    short = [offer for shortage in plan["shortages"] for offer in shortage.get("instead", ())]
    return [offer for offer in (*short, *plan.get("offers", ())) if offer["lot"]]


def _shortage_sentence(shortage: Mapping[str, Any]) -> str:
    needed, free, missing = (shortage[name] for name in ("needed", "free", "missing"))
    return (
        f"{shortage['substance']}: needs {needed['value']} {needed['unit']}, "
        f"{free['value']} {free['unit']} free, {missing['value']} {missing['unit']} missing."
    )


def draws_of(plan: Plan) -> list[Draw]:
    """What a plan takes from the shelf, one entry for each lot, in key order."""
    amounts: dict[int, int] = {}
    first_component: dict[int, int] = {}
    for draw in plan["draws"]:
        if draw["lot"] is None:
            continue
        lot_id = int(draw["lot"]["id"])
        amount = draw["amount"]
        amounts[lot_id] = amounts.get(lot_id, 0) + to_base_upwards(Decimal(amount["value"]), amount["unit"])
        first_component.setdefault(lot_id, draw["component"])
    return [Draw(lot_id, amounts[lot_id], first_component[lot_id]) for lot_id in sorted(amounts)]


def freeze_sheet(
    *,
    actor: User,
    batch: Batch,
    request: Mapping[str, Any],
    plan: Plan,
    reason: str = "",
    kept: Mapping[str, int] | None = None,
) -> Sheet:
    """Keep a plan as the next revision of a batch's sheet. The caller holds the batch's lock.

    Args:
        kept: up to which step the records of older sheets count for it, by the key of the sheet.
    """
    last = batch.sheets.order_by("-revision").values_list("revision", flat=True).first()
    return Sheet.objects.create(
        batch=batch,
        revision=(last or 0) + 1,
        request=dict(request),
        plan=plan,
        card=card_of(plan),
        kept=dict(kept or {}),
        data_version=plan["data_version"],
        reason=reason,
        created_by=actor,
    )


def current_sheet(batch: Batch) -> Sheet:
    """The newest revision."""
    return batch.sheets.order_by("-revision")[0]


def step_of(plan: Plan, number: int) -> dict[str, Any] | None:
    """The step of that number, or None."""
    steps: Iterable[dict[str, Any]] = plan["steps"]
    return next((step for step in steps if step["number"] == number), None)


def lot_of(step: Mapping[str, Any]) -> int | None:
    """The key of the bottle a step takes from, or None."""
    lot = step.get("lot")
    return int(lot["id"]) if lot else None
