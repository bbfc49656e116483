"""Apparatus is out of service, fewer, or past its day: whoever relies on it is told, and nobody else."""

from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.models import ApparatusItem
from inventory.services import (
    book_apparatus,
    change_count,
    record_calibration,
    set_in_service,
)
from prepdesk.accounts.models import Notice
from requests_app.cards import items_of
from requests_app.services.claiming import claim_batch
from requests_app.services.orders import replan_order

pytestmark = pytest.mark.django_db


def told() -> list[tuple[str, str]]:
    return sorted(Notice.objects.values_list("person__username", "kind"))


@pytest.fixture
def batch(salt, send):
    return send().batch


@pytest.fixture
def flask(batch) -> ApparatusItem:
    """The flask the batch is planned in and has booked."""
    return ApparatusItem.objects.get(type="one-mark flask", bookings__purpose__startswith=batch.reference)


@pytest.fixture
def balance(batch) -> ApparatusItem:
    """The balance its sheet weighs on, which nobody books."""
    return ApparatusItem.objects.get(type="balance", pk__in=items_of(batch.sheets.get().plan))


def take_out(item, actor):
    return set_in_service(
        actor=actor, item=item, in_service=False, reason="a cracked neck", idempotency_key=f"out-{item.pk}"
    )


def test_an_unclaimed_batch_is_told_to_the_stockroom_and_not_to_who_ordered(
    batch, flask, prep, second_prep, manager
):
    take_out(flask, prep)
    take_out(flask, prep)
    assert told() == sorted(
        [(second_prep.username, "apparatus_lost"), (manager.username, "apparatus_lost")]
    ), "nobody is told of what they did themselves, or twice"
    notice = Notice.objects.first()
    assert notice.path == f"/batches/{batch.reference}/"
    for words in (batch.reference, flask.words, "a cracked neck", "Plan it again."):
        assert words in notice.text


def test_a_claimed_batch_is_told_to_its_claimer_alone(batch, balance, prep, second_prep, manager):
    claim_batch(actor=prep, batch=batch)
    take_out(balance, manager)
    assert told() == [(prep.username, "apparatus_lost")]
    assert "Put it back and plan it again." in Notice.objects.get().text


def test_what_no_batch_uses_is_told_to_nobody(batch, prep):
    unused = ApparatusItem.objects.exclude(pk__in=items_of(batch.sheets.get().plan)).first()
    take_out(unused, prep)
    assert told() == []


def test_fewer_than_are_booked_is_told_and_enough_is_not(batch, flask, prep, manager):
    """Four flasks, one of them booked: three still do, none do not."""
    claim_batch(actor=prep, batch=batch)
    change_count(actor=manager, item=flask, count=1, reason="three broke", idempotency_key="a")
    assert told() == []
    change_count(actor=manager, item=flask, count=0, reason="the last broke", idempotency_key="b")
    assert told() == [(prep.username, "apparatus_lost")]
    assert "is no longer there" in Notice.objects.get().text


def test_a_calibration_that_ends_before_the_work_is_told(batch, balance, prep, manager):
    claim_batch(actor=prep, batch=batch)
    today = timezone.localdate()
    for number, due in enumerate((today + timedelta(days=400), today)):
        record_calibration(
            actor=manager,
            item=balance,
            done_on=today - timedelta(days=1),
            done_by="the calibration service",
            as_found="within",
            next_due_on=due,
            idempotency_key=f"calibration-{number}",
        )
    assert told() == [(prep.username, "apparatus_lost")]
    assert "past its calibration" in Notice.objects.get().text


def test_whoever_booked_by_hand_is_told_of_the_bookings_that_can_not_be_kept(bench, instructor, prep):
    item = ApparatusItem.objects.filter(type="beaker").first()
    soon = timezone.now() + timedelta(days=2)
    for number, count in enumerate((1, 2)):
        start = soon + timedelta(days=number)
        book_apparatus(
            actor=instructor,
            wanted=[(item.pk, count, start, start + timedelta(hours=2))],
            purpose=f"lesson {number}",
            idempotency_key=f"hand-{number}",
            by_hand=True,
        )
    change_count(actor=prep, item=item, count=1, reason="three broke", idempotency_key="fewer")
    notice = Notice.objects.get()
    assert (notice.person, notice.kind) == (instructor, "apparatus_lost")
    assert "lesson 1" in notice.text
    assert "lesson 0" not in notice.text, "one is still there, so that booking stands"
    assert notice.path == f"/stock/apparatus/{item.code}/"


def test_who_ordered_is_told_when_the_order_has_to_wait_for_it(batch, prep, instructor):
    """Without any vessel the order falls back to waiting, and that is what its owner hears."""
    order = batch.orders.get()
    for item in ApparatusItem.objects.filter(type__in=["one-mark flask", "graduated cylinder"]):
        take_out(item, prep)
    assert instructor.username not in {name for name, _ in told()}
    replan_order(actor=prep, order=order, reason="no flask")
    order.refresh_from_db()
    assert order.state == "waiting"
    assert (instructor.username, "order_waits") in told()
