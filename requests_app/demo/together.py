"""One carboy for several sections, a leftover that is used first, and an order somebody pulled out."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from requests_app import states
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Batch, Order, Section
from requests_app.services.arranging import pull_out
from requests_app.services.handing_over import hand_over_batch, hand_over_order
from requests_app.services.orders import create_order, submit_order
from requests_app.services.together import put_together

_BASE: Final = ("sodium-hydroxide", "0.10")
_CHLORIDE: Final = ("sodium-chloride", "0.200")
Work = Callable[[Batch, datetime], None]
AsOf = Callable[[datetime], AbstractContextManager[None]]
Sections = dict[tuple[str, str], Section]

# (who orders, course, section, groups, room)
_HYDROXIDE: Final = (
    ("instructor", "CH 101", "A", 12, "210"),
    ("fell", "CH 101", "D", 12, "211"),
    ("quill", "CH 221", "B", 8, "214"),
)

_SATURDAY = 5
_A_DAY = timedelta(days=1)


def make_some_together(
    *, people: dict[str, User], sections: Sections, now: datetime, as_of: AsOf, work: Work, key: str
) -> None:
    """Orders of two courses in one batch, the first of them handed over; and what people do about it.

    Args:
        work: does a batch up to its place on the shelf, from a moment on.
    """
    tomorrow = _school_day(now + timedelta(days=1), _A_DAY)
    hydroxide = [
        (
            people[by],
            _draft(sections[course, name], ("sodium-hydroxide", "0.10"), groups, room=room, due=tomorrow),
        )
        for by, course, name, groups, room in _HYDROXIDE
    ]
    hydroxide = [(by, replace(draft, tolerance_percent=parse_number("5"))) for by, draft in hydroxide]
    with as_of(now - timedelta(days=1)):
        orders = [
            submit_order(
                actor=by,
                draft=replace(draft, tolerance_percent=parse_number("5")),
                idempotency_key=f"{key}together-{number}",
            )
            for number, (by, draft) in enumerate(hydroxide, start=1)
        ]
    batch = Order.objects.get(pk=orders[0].pk).batch
    if batch is not None:
        work(batch, now - timedelta(hours=6))
        with as_of(now - timedelta(hours=1)):
            hand_over_order(actor=people["prep"], order=orders[0], note="on the trolley")
    _pulled_out(people, sections, now=now, as_of=as_of, key=key)


def _school_day(moment: datetime, step: timedelta) -> datetime:
    """The moment, or the next one by whole steps that is on no weekend."""
    while timezone.localtime(moment).weekday() >= _SATURDAY:
        moment += step
    return moment


def use_a_leftover(
    *, people: dict[str, User], sections: Sections, now: datetime, as_of: AsOf, work: Work, key: str
) -> None:
    """Two sections' chloride was made up in the next larger flask; what was left serves a third."""
    earlier = _school_day(now - timedelta(days=3), -_A_DAY)
    with as_of(earlier - timedelta(days=2)):
        first, second = (
            submit_order(
                actor=people["instructor"],
                draft=_draft(sections["CH 101", name], _CHLORIDE, 12, room="210", due=earlier),
                idempotency_key=f"{key}leftover-{name}",
            )
            for name in "AB"
        )
    batch = Order.objects.get(pk=first.pk).batch
    if batch is None or second.batch != batch:
        return
    work(batch, earlier - timedelta(hours=8))
    with as_of(earlier - timedelta(hours=1)):
        hand_over_batch(actor=people["prep"], batch=batch)
    due = _school_day(now + timedelta(days=2), _A_DAY)
    draft = _draft(sections["CH 240", "A"], ("sodium-chloride", "0.20"), 9, room="305", due=due)
    with as_of(now - timedelta(minutes=50)):
        order, _ = create_order(
            actor=people["quill"],
            draft=replace(draft, tolerance_percent=parse_number("3")),
            idempotency_key=f"{key}leftover-third",
            title="0.20 mol/L sodium chloride",
            state=states.WAITING,
        )
        put_together(actor=people["quill"], orders=[order], reason="planned with the week")


def _pulled_out(people: dict[str, User], sections: Sections, *, now: datetime, as_of: AsOf, key: str) -> None:
    carbonate, due = ("sodium-carbonate-anhydrous", "0.10"), _school_day(now + timedelta(days=3), _A_DAY)
    with as_of(now - timedelta(minutes=40)):
        sent = [
            submit_order(
                actor=people["instructor"],
                draft=_draft(sections[course, name], carbonate, 8, room=room, due=due),
                idempotency_key=f"{key}pulled-{course}-{name}",
            )
            for course, name, room in (("CH 101", "A", "210"), ("CH 101", "B", "210"), ("CH 221", "A", "214"))
        ]
    with as_of(now - timedelta(minutes=30)):
        pull_out(actor=people["instructor"], order=sent[-1], reason="fetched by the students themselves")


def _draft(
    section: Section, solution: tuple[str, str], groups: int, *, room: str, due: datetime
) -> OrderDraft:
    substance, target = solution
    return OrderDraft(
        course_id=section.course_id,
        section_ids=(section.pk,),
        components=(DraftComponent(substance, parse_number(target), "mol/L"),),
        groups_per_section=groups,
        volume_per_group=parse_number("50"),
        volume_unit="mL",
        due_at=due,
        room=room,
        overage_percent=parse_number("10"),
    )
