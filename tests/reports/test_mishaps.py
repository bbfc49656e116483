"""What went wrong at the bench, for the review: by kind, batch and cost; of an unknown no figure."""

import csv
import io

import pytest
from django.urls import reverse
from django.utils import timezone

from prepdesk.core.errors import NotAllowed
from prepdesk.reports.mishaps import by_kind, went_wrong
from prepdesk.reports.selectors import Period
from requests_app.services.claiming import claim_batch
from requests_app.services.spilling import note_spill
from requests_app.services.unknowns import order_unknowns
from tests.requests_app.conftest import bench, bottle, course, draft, sections, send
from tests.requests_app.test_mishaps import salt
from tests.requests_app.test_unknowns import wanted

__all__ = ["bench", "bottle", "course", "draft", "salt", "sections", "send", "wanted"]
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]


@pytest.fixture
def today() -> Period:
    return Period(timezone.localdate(), timezone.localdate())


def spill(batch, actor, lot, amount: str) -> None:
    note_spill(
        actor=actor,
        batch=batch,
        step_number=1,
        lot=lot,
        amount_text=amount,
        idempotency_key=f"{batch.pk}-{amount}",
    )


def test_what_was_spilled_stands_with_its_batch_and_cost(client, salt, send, prep, manager, today):
    batch = claim_batch(actor=prep, batch=send().batch)
    spill(batch, prep, salt, "2.5")
    spill(batch, prep, salt, "5")
    rows = went_wrong(actor=manager, period=today)
    # 500 g cost 20.00.
    assert [(row.batch, row.lost, row.cost) for row in rows] == [
        (batch.reference, f"2.5 g sodium chloride, {salt.code}", "0.10"),
        (batch.reference, f"5 g sodium chloride, {salt.code}", "0.20"),
    ]
    [kind] = by_kind(rows)
    assert (kind.label, kind.count, kind.cost, kind.unknown) == ("Spilled", 2, "0.30", 0)
    client.force_login(manager)
    page = client.get(reverse("reports:use")).content.decode()
    assert "Wasted and spilled" in page
    text = b"".join(client.get(reverse("reports:mishaps_csv")).streaming_content).decode("utf-8-sig")
    header, *lines = csv.reader(io.StringIO(text))
    assert (header[2], lines[0][2], lines[0][6]) == ("batch", batch.reference, "0.10")


def test_of_an_unknown_the_review_has_no_figure(wanted, salt, instructor, prep, manager, today):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="set")
    batch = claim_batch(actor=prep, batch=made.samples.first().order.batch)
    spill(batch, prep, salt, "2.5")
    [row] = went_wrong(actor=manager, period=today)
    assert (row.lost, row.cost, row.text) == ("an unknown", "not known", "")
    assert by_kind([row])[0].unknown == 1


def test_what_went_wrong_is_for_the_review(prep, today):
    with pytest.raises(NotAllowed):
        went_wrong(actor=prep, period=today)
