"""Rules of the department with a past, an order that waits for approval, and one that was sent late."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from inventory.models import Substance
from inventory.services import edit_substance
from prepdesk.accounts.models import User
from requests_app.demo.days import DemoOrder
from requests_app.drafts import OrderDraft
from requests_app.models import Section
from requests_app.selectors import department_rules
from requests_app.selectors.lateness import Work, just_in_time, open_work
from requests_app.services.orders import plan_order, submit_order
from requests_app.services.rules import set_rules

_SOON: Final = timedelta(minutes=70)
_TO_SPARE: Final = timedelta(minutes=2)
AsOf = Callable[[datetime], AbstractContextManager[None]]
Sections = dict[tuple[str, str], Section]

RESTRICTED: Final = "potassium-dichromate"
FOR_APPROVAL: Final = DemoOrder(
    "quill",
    "CH 221",
    "B",
    ((RESTRICTED, "0.0200", "mol/L"),),
    "40",
    8,
    "214",
    26.0,
    notes="For the titration of iron; the rest is collected for the chromium waste.",
)
PROMISED: Final = DemoOrder(
    "quill", "CH 240", "A", (("potassium-chloride", "0.50", "mol/L"),), "20", 9, "305", 1.5
)
LATE: Final = DemoOrder(
    "fell",
    "CH 101",
    "D",
    (("sodium-chloride", "1.00", "mol/L"),),
    "20",
    12,
    "210",
    1.5,
    notes="The bottle of this morning was knocked over.",
)


def set_the_rules(*, actor: User, now: datetime, key: str, as_of: AsOf) -> None:
    """What held when the department began: it asked for no notice yet."""
    with as_of(now - timedelta(days=95)):
        change_rules(actor, f"{key}rules-first", {"notice_days": "0", "large_draw_percent": "80"})


def change_rules(actor: User, key: str, wanted: dict[str, str]) -> None:
    """Change rules as they stand now."""
    version = department_rules().version
    set_rules(actor=actor, wanted=wanted, expected_version=version, idempotency_key=key)


def ask_and_hurry(
    *,
    people: dict[str, User],
    sections: Sections,
    now: datetime,
    key: str,
    as_of: AsOf,
    draft: Callable[[DemoOrder, Sections, datetime], OrderDraft],
    moment: Callable[[datetime, tuple[int, int] | float], datetime],
) -> None:
    """Notice is asked for since a month; an order waits for a manager; one was sent far too late."""
    with as_of(now - timedelta(days=30)):
        change_rules(people["manager"], f"{key}rules-notice", {"notice_days": "2"})
    row = Substance.objects.get(key=RESTRICTED)
    with as_of(now - timedelta(days=20)):
        edit_substance(
            actor=people["manager"],
            substance=row,
            grade=row.grade,
            shelf_life_closed_days="",
            shelf_life_opened_days="",
            reorder_below="",
            reorder_unit="g",
            restricted="yes",
            reason="carcinogenic; the department's own rule",
        )
    with as_of(now - timedelta(days=3)):
        wanted = draft(FOR_APPROVAL, sections, moment(now, FOR_APPROVAL.due))
        submit_order(actor=people[FOR_APPROVAL.by], draft=wanted, idempotency_key=f"{key}for-approval")
    promised = replace(draft(PROMISED, sections, now), due_at=moment(now, PROMISED.due))
    minutes = plan_order(actor=people[PROMISED.by], draft=promised)["minutes"]
    # As tight as a day can be: ready just in time, after what is due before it.
    first = [work for work in open_work() if work.due_at < now + _SOON]
    due = just_in_time([*first, Work("", now, minutes)], now) + _TO_SPARE
    with as_of(now - timedelta(days=4)):
        submit_order(
            actor=people[PROMISED.by], draft=replace(promised, due_at=due), idempotency_key=f"{key}promised"
        )
    late = replace(draft(LATE, sections, now), due_at=due - timedelta(minutes=1))
    submit_order(actor=people[LATE.by], draft=late, idempotency_key=f"{key}late")
