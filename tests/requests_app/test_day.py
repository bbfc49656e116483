"""From the database to the day: which batches, what each waits for, how many queries."""

from datetime import timedelta

import pytest
from django.utils import timezone

from requests_app.models import Batch
from requests_app.selectors.day import day_jobs, day_plan_for
from requests_app.services.claiming import claim_batch
from requests_app.sheets import local_date

pytestmark = pytest.mark.django_db


@pytest.fixture
def soon(send, salt):
    """A batch that is due in four hours."""
    return send(volume="5", due_at=timezone.now() + timedelta(hours=4)).batch


def today():
    now = timezone.now()
    return local_date(now + timedelta(hours=4)), now


def test_a_queued_batch_is_a_job_of_its_day_with_the_minutes_of_its_card(soon, prep):
    on, now = today()
    [job] = day_jobs(prep, on, now)
    card = soon.sheets.get().card
    assert (job.key, job.name, job.due_at) == (soon.pk, soon.reference, soon.due_at)
    assert round(job.hands_on / timedelta(minutes=1)) == card["hands_on"] > 0
    assert job.balances == set(map(str, card["balances"]))
    assert job.person is None


def test_the_day_takes_three_queries_however_many_batches(soon, send, prep, django_assert_num_queries):
    for _ in range(3):
        send(volume="5", due_at=timezone.now() + timedelta(hours=4), made_alone=True)
    on, now = today()
    with django_assert_num_queries(3):
        day = day_plan_for(prep, on, now)
    assert len(day.slots) == Batch.objects.count() == 4
    assert all(one.is_ready for one in day.readiness.values())


def test_what_somebody_claimed_is_planned_for_them(soon, prep, second_prep):
    claim_batch(actor=second_prep, batch=soon)
    day = day_plan_for(prep, *today())
    assert day.slots[soon.pk].person == second_prep.pk
