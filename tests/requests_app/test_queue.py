"""The plan of the day: what stands in it, with how many questions, and what it keeps to itself."""

from datetime import timedelta

import pytest
from django.utils import timezone

from requests_app import selectors
from tests.requests_app.many import copies_of, waiting_like

QUEUE = "/queue/"


@pytest.mark.parametrize("count", [30, 400])
def test_the_page_takes_six_questions_however_many_batches_there_are(
    count, salt, send, prep, client, django_assert_max_num_queries
):
    """Session, person, notices; the figures, the rows, their orders."""
    now = timezone.now()
    order = send(volume="1", due_at=now)
    copies_of(order, count - 1, lambda number: now + timedelta(minutes=number - 30))
    waiting_like(order, count, lambda number: now)
    client.force_login(prep)
    for address in (
        *(f"?show={name}" for name in selectors.QUEUE_FILTERS),
        "?by=due",
        "?page=2",
        "?on=2020-01-01",
    ):
        with django_assert_max_num_queries(6):
            answer = client.get(QUEUE + address)
        assert answer.status_code == 200
