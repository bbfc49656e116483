"""The review of use: what may be added up and what may not, and which periods it answers for."""

from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.models import Lot
from prepdesk.reports.selectors import Period, use_by_course, use_by_substance
from requests_app.models import Batch
from requests_app.selectors import bench_steps
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.recording import record_step
from tests.requests_app.conftest import bench, bottle, course, draft, sections, send

__all__ = ["bench", "bottle", "course", "draft", "sections", "send"]

pytestmark = pytest.mark.django_db


def make(batch: Batch, actor) -> Batch:
    """Claim, record every step as asked for, finish and hand over."""
    claim_batch(actor=actor, batch=batch)
    for one in bench_steps(batch.sheets.latest("revision"), batch.step_records.all()):
        record_step(
            actor=actor,
            batch=batch,
            step_number=one.step["number"],
            reading_text=one.step["quantity"]["value"] if one.step.get("window") else "",
            idempotency_key=f"{batch.reference}-{one.step['number']}",
        )
    finish_batch(actor=actor, batch=Batch.objects.get(pk=batch.pk))
    return hand_over_batch(actor=actor, batch=Batch.objects.get(pk=batch.pk))


@pytest.fixture
def today() -> Period:
    return Period(timezone.localdate(), timezone.localdate())


def test_a_reagent_and_the_solution_made_from_it_are_never_added_up(
    send, bottle, prep, manager, bench, today
):
    bottle("hydrochloric-acid", "1000", kind="liquid", mass_percent="37.0", density_g_per_ml="1.1837")
    make(send(substance="hydrochloric-acid", target="1.0").batch, prep)
    rows = {
        row.kind: row
        for row in use_by_substance(actor=manager, period=today)
        if row.key == "hydrochloric-acid"
    }
    assert set(rows) == {"Liquid reagent", "Solution"}
    assert rows["Solution"].drawn == rows["Solution"].received == 990
    # 990 mL of 1.0 mol/L take 990 × 36.46 / (0.370 × 1183.7) = 82.4 mL of the reagent (CRC Handbook: the
    # acid of 37 % has 1.1837 g/mL); the plan may round the volume made up.
    liquid = Lot.objects.get(kind="liquid")
    assert rows["Liquid reagent"].received == 1000
    assert rows["Liquid reagent"].drawn == pytest.approx(Decimal("83"), abs=Decimal("4"))
    assert rows["Liquid reagent"].drawn < rows["Solution"].drawn
    (of_course,) = use_by_course(actor=manager, period=today)
    assert (of_course.kind, of_course.drawn) == ("Liquid reagent", rows["Liquid reagent"].drawn)
    assert liquid.unit == of_course.unit == "mL"


def test_substances_stand_in_the_order_of_the_alphabet_whatever_their_capitals(bottle, manager, today):
    for key in ("disodium-edta-dihydrate", "sodium-chloride", "copper-sulfate-pentahydrate"):
        bottle(key, "100", assay_percent="99.5")
    names = [row.name for row in use_by_substance(actor=manager, period=today)]
    assert len(names) == 3
    assert names == sorted(names, key=str.lower)


def test_the_period_that_is_shown_stands_in_its_fields(client, manager):
    client.force_login(manager)
    page = client.get(reverse("reports:use")).content.decode()
    assert f'value="{timezone.localdate().isoformat()}"' in page


@pytest.mark.parametrize("last", ["9999-12-31", "0001-01-01", "3000-01-01"])
@pytest.mark.parametrize("route", ["reports:use", "reports:use_csv"])
def test_a_period_beyond_all_records_is_refused_in_words(client, manager, last, route):
    client.force_login(manager)
    answer = client.get(reverse(route), {"first": last, "last": last})
    assert answer.status_code == 422
    assert "Choose a day from 2000 to 2999" in answer.content.decode()
