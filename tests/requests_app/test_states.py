"""The two tables of states, walked whole, on real rows."""

from datetime import timedelta
from itertools import product

import pytest
from django.utils import timezone

from prepdesk.core.errors import NotInThisState
from requests_app import states
from requests_app.models import Batch, Course, Order
from requests_app.services.moves import give_reference, move, unborn_reference

ORDER_EVENTS = sorted({event for _, event in states.ORDER_NEXT})
BATCH_EVENTS = sorted({event for _, event in states.BATCH_NEXT})


@pytest.fixture
def order(instructor):
    course = Course.objects.create(code="CH 101", title="General chemistry")
    return Order.objects.create(
        reference="R-1",
        course=course,
        ordered_by=instructor,
        groups_per_section=12,
        volume_per_group="25",
        due_at=timezone.now() + timedelta(days=2),
        room="210",
        idempotency_key="k",
    )


@pytest.fixture
def batch(db):
    return Batch.objects.create(reference="B-1", title="brine", due_at=timezone.now())


@pytest.mark.parametrize(("state", "event"), list(product(states.ORDER_STATES, ORDER_EVENTS)))
def test_an_order_moves_exactly_as_the_table_says(order, instructor, state, event):
    order.state = state
    order.save()
    allowed = states.ORDER_NEXT.get((state, event))
    if allowed is None:
        with pytest.raises(NotInThisState) as refusal:
            move(actor=instructor, row=order, event=event)
        assert states.ORDER_STATES[state] in refusal.value.text
    else:
        move(actor=instructor, row=order, event=event, note="because")
    order.refresh_from_db()
    written = [(e.event, e.from_state, e.to_state, e.actor, e.note) for e in order.events.all()]
    assert order.state == (allowed or state)
    assert written == ([(event, state, allowed, instructor, "because")] if allowed else [])


@pytest.mark.parametrize(("state", "event"), list(product(states.BATCH_STATES, BATCH_EVENTS)))
def test_a_batch_moves_exactly_as_the_table_says(batch, prep, state, event):
    batch.state = state
    batch.save()
    allowed = states.BATCH_NEXT.get((state, event))
    if allowed is None:
        with pytest.raises(NotInThisState) as refusal:
            move(actor=prep, row=batch, event=event)
        assert states.BATCH_STATES[state] in refusal.value.text
    else:
        move(actor=prep, row=batch, event=event)
    batch.refresh_from_db()
    written = [(e.event, e.from_state, e.to_state, e.actor) for e in batch.events.all()]
    assert batch.state == (allowed or state)
    assert written == ([(event, state, allowed, prep)] if allowed else [])
    assert batch.version == (2 if allowed else 1)


def test_every_state_of_an_order_can_be_reached():
    reached = {states.WAITING, states.QUEUED} | set(states.ORDER_NEXT.values())
    assert reached == set(states.ORDER_STATES)


def test_what_happens_to_a_batch_is_possible_for_its_orders():
    """While a batch goes its way, each of its orders can go along."""
    order, batch = states.QUEUED, states.QUEUED
    for event in ("claim", "put_back", "claim", "start", "finish", "hand_over"):
        batch = states.BATCH_NEXT[batch, event]
        if event in states.ORDER_EVENT_OF:
            order = states.ORDER_NEXT[order, states.ORDER_EVENT_OF[event]]
    assert (order, batch) == (states.HANDED_OVER, states.HANDED_OVER)


def test_every_event_has_a_word_for_its_refusal():
    assert {*ORDER_EVENTS, *BATCH_EVENTS} <= set(states.EVENT_WORDS)


def test_references_follow_the_number_of_the_row_so_that_none_comes_twice(db):
    rows = [
        Batch.objects.create(reference=unborn_reference(), title="brine", due_at=timezone.now())
        for _ in range(3)
    ]
    for row in rows:
        give_reference(row, "B")
    assert len({row.reference for row in rows}) == 3
    assert all(row.reference == f"B-{2600 + row.pk}" for row in rows)
