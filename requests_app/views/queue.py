"""The queue of the stockroom: the plan of a day, and what else is open."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final
from urllib.parse import urlencode

from django.http import HttpResponse
from django.shortcuts import render
from django.utils import timezone
from django.utils.dateparse import parse_date, parse_datetime
from django.views.decorators.http import require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from requests_app.day_plan import DayPlan
from requests_app.queue_lines import ToldLate, queue_lines, told_late, waiting_lines
from requests_app.selectors import (
    DAY,
    PAGE_SIZE,
    QUEUE_FILTERS,
    Glance,
    QueueRow,
    bounds_of,
    orders_in_view,
    queue_glance,
    queue_rows,
    suggestion_for,
)
from requests_app.selectors.day import makers_of, next_working_day

SUGGESTED: Final = "suggested"
_BY_DUE: Final = "due"
_WITH_WAITING: Final = (DAY, "open")
_LOOKED: Final = "queue-looked-at"
_LOOKED_FOR: Final = timedelta(days=14)
# So many of those that can't be ready in time are told at the top; the others are marked in their rows.
_MOST_TOLD: Final = 8


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address asks for.

    Attributes:
        chosen: one of the filters.
        day: of the day's list.
        today: of the clock.
        by: suggested or due.
        page: counted from 1, as it was typed.
    """

    chosen: str
    day: date
    today: date
    by: str
    page: int

    def address(self, **changes: Any) -> str:
        """The address of the same list with something else chosen; what is usual is left out."""
        now = {"show": self.chosen, "on": self.day, "by": self.by, "page": 1, **changes}
        asked = {"show": now["show"]}
        if now["show"] == DAY and now["on"] != self.today:
            asked["on"] = now["on"].isoformat()
        if now["show"] == DAY and now["by"] != SUGGESTED:
            asked["by"] = now["by"]
        if now["page"] > 1:
            asked["page"] = now["page"]
        return f"?{urlencode(asked)}"


@require_safe
def queue(request: SignedInRequest) -> HttpResponse:
    """Show a list of batches; filter, day, order and page stand in the address, so that it can be kept."""
    policy.require(request.user, "see_queue")
    now = timezone.now()
    asked = _asked(request, timezone.localdate(now))
    until = bounds_of(asked.day)[1] if asked.chosen == DAY else None
    glance = queue_glance(request.user, now, day=asked.day, until=until)
    total = glance.counts[asked.chosen]
    pages = max(1, -(-total // PAGE_SIZE))
    page = min(asked.page, pages)
    is_day = asked.chosen == DAY
    rows = queue_rows(
        request.user, asked.chosen, now, day=asked.day, out=glance.out, page=None if is_day else page
    )
    plan = _plan(rows, glance, asked, now)
    in_view = _in_view(rows, plan, asked, page) if is_day else rows
    with_waiting = asked.chosen in _WITH_WAITING
    orders, waiting = orders_in_view(
        request.user, [row.pk for row in in_view], waiting=with_waiting, until=until
    )
    made_by = makers_of(waiting, [row for row in rows if row.is_unfinished])
    lines = queue_lines(
        in_view,
        now=now,
        orders=orders,
        slots=plan.by_key,
        people={row.claimed_by_id: row.holder for row in rows if row.is_unfinished and row.holder},
        names=glance.bench.names,
        looked_at=_looked_at(request),
    )
    told: list[ToldLate] = []
    told_more = 0
    if is_day and asked.day == asked.today:
        told, told_more = told_late(rows, plan, now, _MOST_TOLD)
    context = {
        "asked": asked,
        "lines": lines,
        "total": total,
        "caption": _caption(asked, total),
        "with_work": asked.chosen not in ("ready", "done") and (not is_day or asked.day >= asked.today),
        "hands": glance.hands,
        "is_planned": bool(plan.slots),
        "by_suggestion": is_day and asked.by == SUGGESTED and bool(plan.slots),
        "late_count": sum(row.late for row in rows),
        "told": told,
        "told_more": told_more,
        "new_count": sum(line["is_new"] for line in lines),
        "order_count": sum(line["order_count"] for line in lines),
        "fewer": sum(max(0, line["order_count"] - 1) for line in lines),
        "filters": [
            (asked.address(show=name), label, glance.counts[name], name == asked.chosen)
            for name, label in QUEUE_FILTERS.items()
        ],
        "days": _days(asked) if is_day else None,
        "orders_by": _orders_by(asked) if is_day else None,
        "pages": _pages(asked, page, pages, total),
        "early": _early(asked, glance) if is_day else None,
        "waiting": waiting_lines(waiting, made_by),
        "waiting_count": glance.waiting if with_waiting else 0,
    }
    answer = render(request, "requests_app/queue.html", context)
    _remember(request, answer, now)
    return answer


# --- what is asked for ------------------------------------------------------------------------------
def _asked(request: SignedInRequest, today: date) -> Asked:
    chosen = request.GET.get("show", DAY)
    page = request.GET.get("page", "")
    return Asked(
        chosen=chosen if chosen in QUEUE_FILTERS else DAY,
        day=_day(request.GET.get("on", "")) or today,
        today=today,
        by=_BY_DUE if request.GET.get("by") == _BY_DUE else SUGGESTED,
        page=max(1, int(page)) if page.isascii() and page.isdecimal() and len(page) <= 6 else 1,
    )


def _day(text: str) -> date | None:
    """A day of a year that people mean, so that the days beside it exist too."""
    try:
        day = parse_date(text)
    except ValueError:
        return None
    return day if day is not None and 1970 <= day.year < 9999 else None


# --- the day ----------------------------------------------------------------------------------------
def _plan(rows: list[QueueRow], glance: Glance, asked: Asked, now: datetime) -> DayPlan:
    """The suggestion for the day; a day that has passed is not planned any more."""
    if asked.chosen != DAY or asked.day < asked.today:
        return DayPlan()
    return suggestion_for(rows, glance, asked.day, now)


def _in_view(rows: list[QueueRow], plan: DayPlan, asked: Asked, page: int) -> list[QueueRow]:
    """The rows of one page of the day; what has no place in the suggestion stands after what has."""
    if asked.by == SUGGESTED and plan.slots:
        place = {key: number for number, key in enumerate(plan.sequence)}
        rows = sorted(rows, key=lambda row: place.get(row.pk, len(place)))
    return rows[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]


def _early(asked: Asked, glance: Glance) -> dict[str, Any] | None:
    """What is due so early on the next working day that somebody may want to begin it on this one."""
    if not glance.early or asked.day < asked.today:
        return None
    day = next_working_day(asked.day)
    return {"count": glance.early, "words": day_words(day, asked.today), "address": asked.address(on=day)}


def _days(asked: Asked) -> dict[str, Any]:
    before, after = (asked.day + timedelta(days=step) for step in (-1, 1))
    return {
        "words": day_words(asked.day, asked.today),
        "is_today": asked.day == asked.today,
        "today": asked.address(on=asked.today),
        "before": (asked.address(on=before), day_words(before, asked.today)),
        "after": (asked.address(on=after), day_words(after, asked.today)),
    }


def day_words(day: date, today: date) -> str:
    """A day as a heading says it: ``Mon 30 Nov, today``."""
    near = {0: ", today", 1: ", tomorrow", -1: ", yesterday"}.get((day - today).days, "")
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day:%a} {day.day} {day:%b}{year}{near}"


def _orders_by(asked: Asked) -> list[tuple[str, str, bool]]:
    labels = ((SUGGESTED, "In the suggested sequence"), (_BY_DUE, "By due time"))
    return [(asked.address(by=by), label, asked.by == by) for by, label in labels]


def _caption(asked: Asked, total: int) -> str:
    count = f"{total} batch{'' if total == 1 else 'es'}"
    if asked.chosen == DAY and asked.by == SUGGESTED and asked.day >= asked.today:
        return f"{count}, in the suggested sequence"
    return f"{count}, {'latest' if asked.chosen == 'done' else 'earliest due'} first"


def _pages(asked: Asked, page: int, pages: int, total: int) -> dict[str, Any] | None:
    if pages == 1:
        return None
    return {
        "first": (page - 1) * PAGE_SIZE + 1,
        "last": min(page * PAGE_SIZE, total),
        "total": total,
        "page": page,
        "pages": pages,
        "before": asked.address(page=page - 1) if page > 1 else "",
        "after": asked.address(page=page + 1) if page < pages else "",
    }


# --- when this person looked last -------------------------------------------------------------------
def _looked_at(request: SignedInRequest) -> datetime | None:
    """When this person looked at the queue last with this browser.

    It stands in a cookie, so that looking writes nothing into the database.
    """
    person, _, text = request.COOKIES.get(_LOOKED, "").partition(" ")
    if person != str(request.user.pk):
        return None
    try:
        moment = parse_datetime(text)
    except ValueError:
        return None
    return moment if moment is not None and timezone.is_aware(moment) else None


def _remember(request: SignedInRequest, answer: HttpResponse, now: datetime) -> None:
    answer.set_cookie(
        _LOOKED,
        f"{request.user.pk} {now.isoformat()}",
        max_age=_LOOKED_FOR,
        path=request.path,
        secure=request.is_secure(),
        httponly=True,
        samesite="Lax",
    )
