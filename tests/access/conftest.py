"""One order with its batch, a lot and a key, for asking every address about."""

from typing import Any

import pytest

from inventory.models import ApparatusItem
from prepdesk.accounts import kinds
from prepdesk.accounts.notices import tell
from prepdesk.accounts.tokens import issue_token
from tests.requests_app.conftest import bench, bottle, course, draft, salt, sections, send

__all__ = ["bench", "bottle", "course", "draft", "salt", "sections", "send", "world"]


@pytest.fixture
def world(salt, send, instructor) -> dict[str, Any]:
    """The arguments of every address, by the name of what they point to."""
    order = send()
    tell(people=[instructor], kind=kinds.ORDER_READY, text="It is ready.", path="/orders/", key="ready")
    token, _ = issue_token(actor=instructor, name="course site")
    return {
        "order": order.reference,
        "batch": order.batch.reference,
        "step": 1,
        "lot": salt.code,
        "substance": "sodium-chloride",
        "token": token.pk,
        "notice": instructor.notices.get().pk,
        "entry": salt.movements.get().pk,
        "event": "quarantine",
        "item": ApparatusItem.objects.earliest("pk").pk,
    }
