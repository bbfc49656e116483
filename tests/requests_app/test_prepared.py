"""Questions whose SQL is kept bring the same rows as the ORM brings, whatever is asked."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.db import connections
from django.utils import timezone

from prepdesk.accounts.models import User
from prepdesk.core import prepared
from prepdesk.core.prepared import rows_of
from requests_app import selectors, states
from requests_app.models import Batch, Order, OrderRevision
from requests_app.selectors import glance, queue, queue_orders
from tests.requests_app.many import copies_of, waiting_like

# A Monday morning at eight.
NOW = datetime(2026, 11, 30, 8, tzinfo=UTC)


def kept() -> dict:
    """What this connection has kept."""
    return vars(connections["default"]).setdefault("prepared_questions", {})


@pytest.fixture(autouse=True)
def _nothing_kept():
    kept().clear()
    yield
    kept().clear()


# --- the questions of the queue --------------------------------------------------------------------
@pytest.fixture
def busy(salt, send, prep, manager, instructor):
    """Batches of yesterday, today and the days after, some claimed, ready, handed over, and changed."""
    with time_machine.travel(NOW, tick=False):
        order = send(volume="1", due_at=NOW + timedelta(hours=3))
        copies_of(order, 119, lambda number: NOW + timedelta(hours=number - 20))
        waiting_like(order, 30, lambda number: NOW + timedelta(hours=2 * number))
        batches = list(Batch.objects.order_by("pk"))
        for batch, state, person in (
            (batches[3], states.IN_WORK, prep),
            (batches[4], states.CLAIMED, manager),
            (batches[5], states.READY, prep),
            (batches[6], states.HANDED_OVER, None),
            (batches[90], states.CLAIMED, prep),
        ):
            batch.state, batch.claimed_by, batch.claimed_at = state, person, NOW if person else None
            batch.save()
        OrderRevision.objects.create(
            order=order, batch=order.batch, actor=instructor, number=2, at=NOW, needs_seeing=True
        )
        yield


def test_every_list_of_the_queue_brings_the_rows_that_the_orm_brings(busy, prep, manager, monkeypatch):
    """Each is asked three times with other people, times and days: by the ORM, and twice as it was kept."""
    asked = {"prepared": 0}

    def compared(question, shape, values):
        found = rows_of(question, shape, values)
        expected = list(question(*shape, values))
        assert sorted(map(repr, found)) == sorted(map(repr, expected)), (question.__name__, shape)
        if question is not queue_orders._orders_of:
            assert found == expected, (question.__name__, shape)
        asked["prepared"] += any(isinstance(one, prepared._Prepared) for one in kept().values())
        return found

    for module in (queue, glance, queue_orders):
        monkeypatch.setattr(module, "rows_of", compared)
    # Another person of the same role, whose own batches are others.
    twin = User.objects.create(username="twin", role=prep.role)
    Batch.objects.filter(claimed_by=prep, state=states.CLAIMED).update(claimed_by=twin)
    seen = set()
    for turn, actor in enumerate((prep, twin, prep, manager, manager)):
        now = NOW + timedelta(hours=7 * turn)
        for day in (timezone.localdate(now), (now + timedelta(days=2 + turn)).date()):
            end = queue.bounds_of(day)[1]
            figures = selectors.queue_glance(actor, now, day=day, until=end if turn % 2 else None)
            for chosen in selectors.QUEUE_FILTERS:
                for page in (None, 1, 2):
                    rows = selectors.queue_rows(actor, chosen, now, day=day, page=page, out=figures.out)
                    if page is None:
                        assert figures.counts[chosen] == len(rows)
                    seen.add((actor, day, chosen, page, tuple(row.pk for row in rows)))
                keys = [row.pk for row in rows][: 7 * turn]
                selectors.orders_in_view(actor, keys, waiting=turn > 1, until=end)
    assert asked["prepared"]
    assert len({rows for *_, rows in seen}) > 12
    # All of them could be kept: none has fallen back.
    assert not [key for key, one in kept().items() if one is None]


def test_what_is_prepared_is_asked_with_one_question(busy, prep, django_assert_num_queries):
    for _ in range(3):
        with django_assert_num_queries(3):
            selectors.queue_glance(prep, NOW)
            selectors.orders_in_view(
                prep, [row.pk for row in selectors.queue_rows(prep, "open", NOW, page=1)]
            )


def test_an_instructor_gets_their_own_orders_and_no_batches(busy, instructor):
    other = User.objects.create(username="other", role="instructor")
    keys = [Order.objects.filter(state=states.QUEUED).latest("pk").batch_id]
    for _ in range(3):
        assert selectors.queue_rows(instructor, "open", NOW) == []
        assert list(selectors.orders_in_view(instructor, keys)[0]) == keys
        assert selectors.orders_in_view(other, keys) == ({}, [])


# --- what can't be kept -------------------------------------------------------------------------------
def _due_between(values):
    return Batch.objects.filter(due_at__gte=values["start"], due_at__lt=values["end"]).values_list("pk")


def _due_within_a_day(values):
    """What it is asked for is reckoned from a value."""
    end = values["start"] + timedelta(days=1)
    return Batch.objects.filter(due_at__gte=values["start"], due_at__lt=end).values_list("pk")


def _due_some_day(values):
    """It leaves a value out."""
    return Batch.objects.order_by("pk").values_list("pk")


def _none_at_all(values):
    return Batch.objects.none().values_list("pk")


def _other_text(values):
    """Its text depends on a value."""
    rows = Batch.objects.filter(pk__in=values["keys"]).values_list("pk")
    return rows.order_by("pk") if values["keys"][0] % 2 else rows.order_by("due_at", "pk")


def _first_of(values):
    """The value stands in the text, not among its parameters."""
    return Batch.objects.order_by("pk").values_list("pk")[: values["count"]]


@pytest.mark.parametrize(
    ("question", "values", "is_kept"),
    [
        (_due_between, lambda day: {"start": day, "end": day + timedelta(days=1)}, True),
        (_due_within_a_day, lambda day: {"start": day}, False),
        (_due_some_day, lambda day: {"start": day}, False),
        (_none_at_all, lambda day: {"start": day}, False),
        (_first_of, lambda day: {"count": day.day}, False),
        (_other_text, lambda day: {"keys": tuple(range(day.day, day.day + 40))}, False),
    ],
)
def test_what_cant_be_told_apart_is_asked_by_the_orm_and_right_all_the_same(busy, question, values, is_kept):
    for days in range(4):
        given = values(NOW + timedelta(days=days - 1))
        assert rows_of(question, (), given) == list(question(given))
    (found,) = kept().values()
    assert isinstance(found, prepared._Prepared) == is_kept


def test_a_value_never_stands_in_the_text(busy):
    for days in range(3):
        rows_of(_due_between, (), {"start": NOW, "end": NOW + timedelta(days=days)})
    (found,) = kept().values()
    assert "2026" not in found.sql
    assert "1621" not in found.sql
