"""When a solution is made, and which apparatus it needs for how long.

A plan is asked for the hours in which it would be worked, so that it only uses what is free then. The
rule, and why:

* The work ends when the solution is due. Its window is ``[due - length, due)``; what is late already is
  made now, so its window begins now.
* Its length is the plan's own minutes of work and :data:`MARGIN`. How long is known only once there is a
  plan, so it is planned with :data:`USUAL` first and again when it takes longer.
* When the apparatus is promised to others then, the planner takes other apparatus that fits; failing
  that, windows an hour earlier on the same day are tried, back to :data:`OPENS` (for what is overdue,
  the hours to come); failing that, the plan says what is booked by whom and until when.

Booked is what holds the solution for that time and is there in small number: the flask or cylinder each
stage is made up in, carboys, and the fume hood where a step says that the work belongs in it. A balance,
a pipette or a burette serves for minutes, and beakers there are many of, so they are not booked. No step
of any sheet heats or dries, so hot plates, ovens and desiccators are booked by people only.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from typing import Any, Final

from django.utils import timezone

from inventory.models import ApparatusItem, Booking
from inventory.selectors import Window, booked_between, booked_words, free_in, reasons_not_to_use
from requests_app import sheets
from requests_app.cards import items_of
from requests_app.drafts import OrderDraft, Wanted

Request = dict[str, Any]

# For getting things out, cooling to the temperature of the mark, filling into the bottle and washing up
# (common practice).
MARGIN: Final = timedelta(minutes=30)
# Most sheets are done in this time, the margin included.
USUAL: Final = timedelta(hours=1)
# People agree on quarter hours.
GRID: Final = timedelta(minutes=15)
EARLIER: Final = timedelta(hours=1)
OPENS: Final = time(7)
_HOURS_LATE: Final = 8
# A plan whose own apparatus turns out to be booked is asked for again without it, so many times.
_ROUNDS: Final = 4

_VESSELS: Final = frozenset({"one-mark flask", "graduated cylinder", "carboy"})
# Cautions that say where the work belongs, and what of the inventory that is.
_ROOMS: Final = {"fume_hood": ApparatusItem.Type.FUME_HOOD.value}
# Stops that other apparatus would take away.
_OF_APPARATUS: Final = frozenset({"tolerance_not_reachable", "no_apparatus", "no_vessel"})


@dataclass(frozen=True, slots=True)
class GivenBack:
    """What the new plan would replace, so that it counts as free: keys of holds and of bookings."""

    holds: tuple[int, ...] = ()
    bookings: tuple[int, ...] = ()


# --- windows ----------------------------------------------------------------------------------
def length_of(plan: sheets.Plan) -> timedelta:
    """How long the apparatus of a plan is needed."""
    return timedelta(minutes=plan["minutes"]) + MARGIN


def window_for(end: datetime, length: timedelta, now: datetime) -> Window:
    """The window of at least this length that ends at ``end``, or begins now where that is too late.

    It begins on a quarter hour.
    """
    start = max(end.astimezone(UTC) - length, now.astimezone(UTC))
    start -= (start - datetime.min.replace(tzinfo=UTC)) % GRID
    return Window(start, max(end.astimezone(UTC), start + length))


def ends_for(due: datetime, now: datetime) -> Iterator[datetime]:
    """When the work may end: when it is due, then earlier the same day, while there is time for it.

    What is overdue is made now, else in the next hours.
    """
    due, now = due.astimezone(UTC), now.astimezone(UTC)
    if due <= now:
        yield from (now + USUAL + hours * EARLIER for hours in range(_HOURS_LATE))
        return
    opening = timezone.make_aware(datetime.combine(sheets.local_date(due), OPENS)).astimezone(UTC)
    yield due
    end = due - EARLIER
    while end - USUAL >= max(opening, now):
        yield end
        end -= EARLIER


# --- what a plan needs ----------------------------------------------------------------------------
def vessels_of(plan: sheets.Plan) -> Counter[int]:
    """How many of each item hold the solution or an intermediate of it at one moment, by key.

    Several fillings are made in one vessel and poured together; an intermediate waits in its own until the
    next stage is made of it, and the sheet says so where its flask is emptied and used again.
    """
    needed: Counter[int] = Counter()
    waiting: list[int] = []
    for stage in plan["route"]:
        vessel = stage["vessel"]
        # Nothing that isn't booked is counted, but it keeps its place in the row.
        item = int(vessel.get("item") or 0) if vessel["type"] in _VESSELS else 0
        needed |= Counter([*waiting, item])
        if waiting and any(one["kind"] == "intermediate" for one in stage["inputs"]):
            waiting.pop()
        waiting.append(item)
    del needed[0]
    for step in plan["steps"]:
        pool = step["equipment"] or {}
        if pool.get("type") == "carboy" and pool.get("item"):
            needed[int(pool["item"])] = max(needed[int(pool["item"])], 1)
    return needed


def rooms_of(plan: sheets.Plan) -> list[str]:
    """The types of places at the bench that the steps ask for."""
    said = {caution["code"] for step in plan["steps"] for caution in step["cautions"]}
    return [kind for code, kind in _ROOMS.items() if code in said]


# --- planning in a window -------------------------------------------------------------------------
def plan_in_time(
    draft: OrderDraft | Wanted, given_back: GivenBack = GivenBack()
) -> tuple[Request, sheets.Plan]:
    """Plan a draft with what is free in the hours before it is due.

    A plan that can be made says under ``at_bench`` from when to when, and what is to be booked. One that
    fails only because apparatus is promised, out of service or past its calibration stops with
    ``apparatus_booked`` or ``apparatus_out``, which time or the stockroom can put right.

    Raises:
        RequestRefused: as :func:`requests_app.sheets.plan_for`.
    """
    now = timezone.now()
    ends = ends_for(draft.due_at, now)
    end = next(ends)
    request, plan, is_free = _plan_at(draft, end, now, given_back)
    if is_free:
        return request, plan
    request, whole = sheets.plan_for(draft, as_if_released=given_back.holds)
    if not whole["feasible"]:
        return request, _hinting(draft, whole, given_back)
    for earlier in ends:
        request, plan, is_free = _plan_at(draft, earlier, now, given_back)
        if is_free:
            return request, plan
    other = "later today" if draft.due_at <= now else "earlier that day"
    return request, _booked_up(whole, window_for(end, length_of(whole), now), given_back, other)


def _plan_at(
    draft: OrderDraft | Wanted, end: datetime, now: datetime, given_back: GivenBack
) -> tuple[Request, sheets.Plan, bool]:
    """The plan for the work that ends then, and whether all it needs is free."""
    length, without = USUAL, frozenset[int]()
    for _ in range(_ROUNDS):
        request, plan = sheets.plan_for(
            draft,
            as_if_released=given_back.holds,
            window=window_for(end, length, now),
            as_if_released_bookings=given_back.bookings,
            without=without,
        )
        if not plan["feasible"]:
            break
        if length_of(plan) > length:
            length = length_of(plan)
            continue
        window = window_for(end, length_of(plan), now)
        needed, missing = _needed_in(plan, window, given_back)
        if missing is None:
            plan["at_bench"] = {
                "starts_at": window.start.isoformat(),
                "ends_at": window.end.isoformat(),
                "apparatus": [{"item": str(pk), "count": count} for pk, count in sorted(needed.items())],
            }
            return request, plan, True
        if not missing:
            break
        without |= missing
    return request, plan, False


def _needed_in(
    plan: sheets.Plan, window: Window, given_back: GivenBack
) -> tuple[Counter[int], frozenset[int] | None]:
    """What is to be booked, and which items can't give it; none can replace a missing fume hood.

    The second is ``None`` where all is free.
    """
    needed = vessels_of(plan)
    kinds = rooms_of(plan)
    items = {
        item.pk: item
        for item in ApparatusItem.objects.filter(count__gt=0).order_by("pk")
        if item.pk in needed or item.type in kinds
    }
    free = free_in(items.values(), window, as_if_released=given_back.bookings)
    for pk in needed:
        # A stage may ask for one more than there are of a size: then it is washed in between.
        needed[pk] = min(needed[pk], items[pk].there)
    short = frozenset(pk for pk, count in needed.items() if count > free[pk])
    day = sheets.local_date(window.end)
    for kind in kinds:
        listed = [item for item in items.values() if item.type == kind and item.may_be_used_on(day)]
        chosen = next((item for item in listed if free[item.pk] > needed[item.pk]), None)
        if chosen is not None:
            needed[chosen.pk] += 1
        elif listed:
            return needed, short
    return needed, short or None


# --- why not ----------------------------------------------------------------------------------
def _booked_up(plan: sheets.Plan, window: Window, given_back: GivenBack, other: str) -> sheets.Plan:
    """The plan that would be made, stopped, with what is booked by whom until when."""
    kinds = rooms_of(plan)
    needed = vessels_of(plan)
    used = items_of(plan)
    items = [item for item in ApparatusItem.objects.order_by("pk") if item.pk in used or item.type in kinds]
    free = free_in(items, window, as_if_released=given_back.bookings)
    short = [item.pk for item in items if free[item.pk] < max(needed[item.pk], 1)]
    booked = booked_between(window.start, window.end).filter(item__in=short)
    named = booked.exclude(pk__in=given_back.bookings).select_related("item", "actor")
    text = " ".join(_said_of(one) for one in named.order_by("ends_at", "pk"))
    text = text or "The apparatus for it is booked when it would be made."
    text += f" No other apparatus fits, and none is free {other}."
    return _stopped(plan, "apparatus_booked", text)


def _said_of(booking: Booking) -> str:
    item = booking.item
    return f"The {item.words} ({item.there} there): {booked_words(booking)}."


def _hinting(draft: OrderDraft | Wanted, plan: sheets.Plan, given_back: GivenBack) -> sheets.Plan:
    """A plan stopped by its apparatus, with what would have served if it were calibrated or in service."""
    stopped = {problem["code"] for problem in sheets.stops(plan)}
    if not stopped & _OF_APPARATUS or stopped - _OF_APPARATUS - sheets.SHELF_PROBLEMS:
        return plan

    def with_all_but(*items: int) -> sheets.Plan | None:
        """What could be made with what is out of service or past its day too."""
        _, other = sheets.plan_for(
            draft, as_if_released=given_back.holds, whatever_its_state=True, without=items
        )
        return None if {problem["code"] for problem in sheets.stops(other)} & _OF_APPARATUS else other

    other = with_all_but()
    if other is None:
        return plan
    items = ApparatusItem.objects.in_bulk(sorted(items_of(other)))
    reasons = reasons_not_to_use(items.values(), sheets.local_date(draft.due_at))
    # Of several only those without which it can't be made; where any one would do, all of them.
    needed = [pk for pk in sorted(reasons) if with_all_but(pk) is None] or sorted(reasons)
    left_out = [f"The {items[pk].words} would serve, but it {reasons[pk]}." for pk in needed]
    if not left_out:
        return plan
    for problem in plan["problems"]:
        if problem["code"] in _OF_APPARATUS and problem["severity"] == "stop":
            problem["code"] = "apparatus_out"
            problem["text"] = f"{problem['text']} {' '.join(left_out)}"
    return plan


def _stopped(plan: sheets.Plan, code: str, text: str) -> sheets.Plan:
    problems: Iterable[dict[str, str]] = plan["problems"]
    return {
        **plan,
        "feasible": False,
        "problems": [*problems, {"code": code, "text": text, "severity": "stop"}],
    }
