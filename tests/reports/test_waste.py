"""What went to waste: every disposal that stands, with the stream it went into."""

import csv
import io

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.services import add_waste_stream, dispose, reverse_movement
from prepdesk.core.errors import NotAllowed
from prepdesk.reports.selectors import Period
from prepdesk.reports.waste import wasted
from tests.inventory.conftest import bottle, salt

__all__ = ["bottle", "salt"]
pytestmark = pytest.mark.django_db


@pytest.fixture
def today() -> Period:
    return Period(timezone.localdate(), timezone.localdate())


def test_disposals_stand_by_stream_and_reversed_ones_are_gone(client, bottle, prep, manager, today):
    lot = bottle("100")

    def waste(amount: str, key: str, stream=None, reason: str = "Caked"):
        return dispose(
            actor=prep,
            lot=lot,
            amount=amount,
            unit="g",
            reason=reason,
            idempotency_key=key,
            waste_stream=stream,
        )

    waste("1", "before there were streams")
    solids = add_waste_stream(actor=prep, name="solids")
    acids = add_waste_stream(actor=prep, name="Acids")
    waste("2", "a", solids)
    waste("4", "b", acids, reason="=1+1")
    mistake = waste("8", "c", acids)
    reverse_movement(actor=prep, movement=mistake, reason="Wrong lot", idempotency_key="undo")
    assert [(row.stream, row.amount) for row in wasted(actor=manager, period=today)] == [
        ("", 1),
        ("Acids", 4),
        ("solids", 2),
    ]
    client.force_login(manager)
    text = b"".join(client.get(reverse("reports:waste_csv")).streaming_content).decode("utf-8-sig")
    header, *rows = csv.reader(io.StringIO(text))
    assert header[1] == "waste stream"
    day = timezone.localdate().isoformat()
    # A spreadsheet would run the reason of the second row, so it gets an apostrophe.
    assert rows[1] == [day, "Acids", "sodium chloride", "NaCl", lot.code, "4", "g", "'=1+1", "Pia Brook"]
    assert len(rows) == 3
    page = client.get(reverse("reports:use")).content.decode()
    assert "Disposals by waste stream" in page


def test_waste_is_for_the_review(prep, today):
    with pytest.raises(NotAllowed):
        wasted(actor=prep, period=today)
