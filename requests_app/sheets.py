"""From what is wanted to a frozen sheet: a draft becomes a question to the calculation service, and
its answer becomes a row that is never changed."""

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from django.utils import timezone

from inventory.amounts import to_base_upwards
from inventory.selectors import Window, calc_catalogue, calc_shelf
from prepdesk.accounts.models import User
from prepdesk.calc.preview import preview
from requests_app.drafts import OrderDraft, plain, volume_of
from requests_app.models import Batch, Sheet

Plan = dict[str, Any]

# Problems that stock would solve, or apparatus that is free, calibrated and in service again: the order
# waits. Every other stop is chemistry, or apparatus that nobody has, and waiting would not help.
SHELF_PROBLEMS: Final = frozenset({"out_of_stock", "not_on_shelf", "apparatus_booked", "apparatus_out"})


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


def request_for(draft: OrderDraft) -> dict[str, Any]:
    """The question in the form of the public contract, asked of the department's own shelf."""
    volume = volume_of(draft)
    request: dict[str, Any] = {
        "components": [
            {
                "substance": component.substance_key,
                "target": {"value": component.target.text, "unit": component.unit},
                **({"equivalents": component.equivalents} if component.equivalents else {}),
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
    draft: OrderDraft,
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
    request = request_for(draft)
    shelf = calc_shelf(
        on=timezone.localdate(),
        needed_until=local_date(draft.due_at),
        as_if_released=as_if_released,
        window=window,
        as_if_released_bookings=as_if_released_bookings,
        without=without,
        whatever_its_state=whatever_its_state,
    )
    return request, preview(request, catalogue=calc_catalogue(), shelf=shelf)


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
    # The problems of a short shelf say the same as the shortages; without those they stand for them.
    return short or [{"text": problem["text"], "alternatives": []} for problem in stops(plan)]


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
    *, actor: User, batch: Batch, request: Mapping[str, Any], plan: Plan, reason: str = ""
) -> Sheet:
    """Keep a plan as the next revision of a batch's sheet. The caller holds the batch's lock."""
    last = batch.sheets.order_by("-revision").values_list("revision", flat=True).first()
    return Sheet.objects.create(
        batch=batch,
        revision=(last or 0) + 1,
        request=dict(request),
        plan=plan,
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
