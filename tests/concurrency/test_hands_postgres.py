"""Two people want one batch at the same moment, on PostgreSQL with a connection each.

Whatever they press, claim, give, take over, pause or record, it is in exactly one person's hands afterwards,
the history says whose, and who lost reads the winner's name.
"""

from collections.abc import Callable
from typing import Any

import pytest

from inventory.selectors import stock_differences
from prepdesk.core.errors import Conflict, DomainError
from requests_app.models import Batch, BatchEvent, StepRecord
from requests_app.services.claiming import (
    claim_batch,
    give_batch,
    pause_batch,
    put_back_batch,
    resume_batch,
    take_over_batch,
)
from requests_app.services.recording import record_step
from tests.concurrency.test_orders import people, prep_staff, salt_bottle, sent

__all__ = ["people", "prep_staff", "salt_bottle"]

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True), pytest.mark.timeout(300)]

ROUNDS = 100


@pytest.fixture
def batch(people, salt_bottle) -> Batch:
    salt_bottle("500")
    return sent(people[0]).batch


def fresh(batch: Batch) -> Batch:
    return Batch.objects.get(pk=batch.pk)


def holder_by_history(batch: Batch) -> str:
    """Who has it, if the lines of its history are true."""
    holder = ""
    for event in BatchEvent.objects.filter(batch=batch).select_related("actor"):
        if event.event in ("claim", "take_over"):
            holder = str(event.actor)
        elif event.event == "give":
            holder = event.note.partition(": ")[0].removeprefix("to ")
        elif event.event == "put_back":
            holder = ""
    return holder


def test_a_hundred_times_one_of_two_claims_it_and_the_other_reads_the_name(batch, prep_staff, race):
    for _ in range(ROUNDS):
        outcomes = race([lambda one=one: claim_batch(actor=one, batch=batch) for one in prep_staff[:2]])
        [winner] = [one for one in outcomes if isinstance(one, Batch)]
        [loser] = [one for one in outcomes if isinstance(one, Conflict)]
        assert winner.claimed_by == fresh(batch).claimed_by
        assert loser.text.startswith(f"{winner.claimed_by} has {batch.reference} since ")
        put_back_batch(actor=winner.claimed_by, batch=batch)
    assert BatchEvent.objects.filter(event="claim").count() == ROUNDS
    assert stock_differences() == []


@pytest.fixture
def begun(batch, prep_staff) -> Batch:
    claim_batch(actor=prep_staff[0], batch=batch)
    weigh = batch.sheets.get().plan["steps"][0]
    record_step(
        actor=prep_staff[0],
        batch=batch,
        step_number=1,
        reading_text=weigh["quantity"]["value"],
        idempotency_key="first",
    )
    return fresh(batch)


@pytest.fixture
def at_once(begun, prep_staff, race) -> Callable[..., list[Any]]:
    """Let deeds happen at one moment to a batch that the first of them has and that rests."""

    def run(*deeds: Callable[[], Any]) -> list[Any]:
        now = fresh(begun)
        if now.claimed_by != prep_staff[0]:
            give_batch(actor=now.claimed_by, batch=begun, to=prep_staff[0])
        pause_batch(actor=prep_staff[0], batch=begun, note="covered")
        outcomes = race(list(deeds))
        assert all(isinstance(one, Batch | DomainError | StepRecord) for one in outcomes), outcomes
        assert str(fresh(begun).claimed_by) == holder_by_history(begun)
        return outcomes

    return run


def test_given_and_taken_over_at_one_moment_it_has_one_holder(begun, prep_staff, at_once):
    maker, other, third = prep_staff[:3]
    for _ in range(20):
        given, taken = at_once(
            lambda: give_batch(actor=maker, batch=begun, to=other),
            lambda: take_over_batch(actor=third, batch=begun),
        )
        # Given first, it rests with the other and is taken from there; taken first, it is not theirs to give.
        assert isinstance(taken, Batch)
        assert fresh(begun).claimed_by == third
        if not isinstance(given, Batch):
            assert str(third) in given.text
    assert stock_differences() == []


def test_of_two_who_take_it_over_one_gets_it_and_the_other_reads_the_name(begun, prep_staff, at_once):
    for _ in range(20):
        outcomes = at_once(
            *(lambda one=one: take_over_batch(actor=one, batch=begun) for one in prep_staff[1:3])
        )
        [winner] = [one for one in outcomes if isinstance(one, Batch)]
        [loser] = [one for one in outcomes if isinstance(one, Conflict)]
        assert str(winner.claimed_by) in loser.text


def test_gone_on_with_and_taken_over_at_one_moment_only_one_of_both_happens(begun, prep_staff, at_once):
    maker, other = prep_staff[:2]
    for _ in range(20):
        gone_on, taken = at_once(
            lambda: resume_batch(actor=maker, batch=begun), lambda: take_over_batch(actor=other, batch=begun)
        )
        assert isinstance(gone_on, Batch) != isinstance(taken, Batch)


def test_a_step_recorded_while_it_is_taken_over_is_the_makers_or_refused(begun, prep_staff, at_once):
    maker, other = prep_staff[:2]
    for number in range(20):
        recorded, taken = at_once(
            lambda number=number: record_step(
                actor=maker, batch=begun, step_number=2, reading_text="", idempotency_key=f"step {number}"
            ),
            lambda: take_over_batch(actor=other, batch=begun),
        )
        # Recording ends the rest, so then there is nothing to take; taken first, it is not theirs to work.
        assert isinstance(recorded, StepRecord) != isinstance(taken, Batch)
    assert set(StepRecord.objects.values_list("actor", flat=True)) == {maker.pk}
