"""Rules of the department with a past, an order that waits for approval, and one that was sent late."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Final

from inventory.models import Substance
from inventory.services import edit_substance
from prepdesk.accounts.models import User
from requests_app.demo.days import DemoOrder
from requests_app.drafts import OrderDraft
from requests_app.models import Section
from requests_app.selectors import department_rules
from requests_app.services.orders import submit_order
from requests_app.services.rules import set_rules

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
        _change(actor, f"{key}rules-first", {"notice_days": "0", "large_draw_percent": "80"})


def _change(actor: User, key: str, wanted: dict[str, str]) -> None:
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
    """Notice is asked for since a month; an order waits for a manager; one was sent shortly before it is due."""
    with as_of(now - timedelta(days=30)):
        _change(people["manager"], f"{key}rules-notice", {"notice_days": "2"})
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
    with as_of(now - timedelta(minutes=5)):
        wanted = draft(LATE, sections, moment(now, LATE.due))
        submit_order(actor=people[LATE.by], draft=wanted, idempotency_key=f"{key}late")
