"""A recall beside people who go on working: on PostgreSQL, with a connection each."""

from datetime import timedelta

import pytest
from django.core import mail as outbox
from django.utils import timezone

from inventory.models import Hold, Lot
from inventory.selectors import stock_differences
from inventory.services import receive_lot
from prepdesk.accounts import kinds
from prepdesk.accounts.mail import send_due
from prepdesk.accounts.models import Notice, User
from prepdesk.accounts.notices import tell
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import DomainError
from requests_app import states
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Batch, Course, Order, Recall, Section
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.orders import submit_order
from requests_app.services.recalls import recall_lot
from tests.requests_app.conftest import outfit_bench, substance_row
from tests.requests_app.test_batches import do_steps

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def teacher(transactional_db):
    outfit_bench()
    course = Course.objects.create(code="CH 101", title="General chemistry")
    person = User.objects.create(username="teacher", role="instructor", password="!")
    Section.objects.create(course=course, name="A", instructor=person)
    return person


@pytest.fixture
def prep_staff(teacher):
    return [User.objects.create(username=f"prep{number}", role="prep", password="!") for number in range(3)]


def received(actor, grams, number=1) -> Lot:
    return receive_lot(
        actor=actor,
        substance=substance_row("sodium-chloride"),
        kind="solid",
        amount=grams,
        unit="g",
        assay_percent="100.0",
        assay_tolerance_percent="0.1",
        lot_number=str(number),
        idempotency_key=f"salt {number}",
    )


def sent(person, key) -> Order:
    """250 mL of 0.50 mol/L sodium chloride: 7.3 g (common practice)."""
    section = Section.objects.get(instructor=person)
    draft = OrderDraft(
        course_id=section.course_id,
        section_ids=(section.pk,),
        components=(DraftComponent("sodium-chloride", parse_number("0.50"), "mol/L"),),
        groups_per_section=10,
        volume_per_group=parse_number("25"),
        volume_unit="mL",
        due_at=timezone.now() + timedelta(days=1),
        room="210",
    )
    return submit_order(actor=person, draft=draft, idempotency_key=key, made_alone=True)


def nothing_of_it_is_promised(lot: Lot) -> None:
    """Whatever came first: of a recalled bottle only what stands still at the bench is held."""
    held = Hold.objects.filter(lot=lot, state="active")
    batches = Batch.objects.filter(batch_holds__hold__in=held)
    assert {batch.state for batch in batches} <= {states.CLAIMED, states.IN_WORK}
    assert stock_differences() == []


@pytest.mark.parametrize("round_", range(4))
def test_orders_that_come_in_during_a_recall_hold_nothing_of_the_bottle(teacher, prep_staff, race, round_):
    lot = received(prep_staff[0], "500")
    other = received(prep_staff[0], "500", 2)
    for number in range(2):
        sent(teacher, f"before {number}")
    outcomes = race(
        [
            lambda: recall_lot(actor=prep_staff[0], lot=lot, reason="a letter", idempotency_key="recall"),
            *(lambda number=number: sent(teacher, f"during {number}") for number in range(2)),
        ]
    )
    assert [type(outcome) for outcome in outcomes] == [Recall, Order, Order], outcomes
    lot.refresh_from_db()
    assert (lot.state, lot.held) == ("recalled", 0)
    nothing_of_it_is_promised(lot)
    waiting = Order.objects.filter(state=states.WAITING).values_list("waiting_for", flat=True)
    assert list(waiting) == []
    assert {hold.lot for hold in Hold.objects.filter(state="active")} == {other}


@pytest.mark.parametrize("round_", range(4))
def test_a_recall_beside_finishing_catches_what_was_just_made(teacher, prep_staff, race, round_):
    lot = received(prep_staff[0], "500")
    batch = claim_batch(actor=prep_staff[1], batch=sent(teacher, "one").batch)
    do_steps(batch, prep_staff[1])
    recall, finished = race(
        [
            lambda: recall_lot(actor=prep_staff[0], lot=lot, reason="a letter", idempotency_key="recall"),
            lambda: finish_batch(actor=prep_staff[1], batch=batch),
        ]
    )
    assert isinstance(recall, Recall), recall
    batch.refresh_from_db()
    if isinstance(finished, Batch):
        assert batch.prepared_lot.state == "recalled", "made just before, so it is recalled with its salt"
    else:
        assert isinstance(finished, DomainError), finished
        assert (batch.state, batch.prepared_lot) == (states.IN_WORK, None)
    assert stock_differences() == []


@pytest.mark.parametrize("round_", range(4))
def test_a_recall_beside_handing_over_is_either_in_time_or_knows_who_has_it(
    teacher, prep_staff, race, round_
):
    lot = received(prep_staff[0], "500")
    order = sent(teacher, "one")
    batch = claim_batch(actor=prep_staff[1], batch=order.batch)
    do_steps(batch, prep_staff[1])
    finish_batch(actor=prep_staff[1], batch=batch)
    recall, over = race(
        [
            lambda: recall_lot(actor=prep_staff[0], lot=lot, reason="a letter", idempotency_key="recall"),
            lambda: hand_over_batch(actor=prep_staff[1], batch=batch),
        ]
    )
    assert isinstance(recall, Recall), recall
    said = Notice.objects.get(person=teacher, kind=kinds.RECALL).text
    batch.refresh_from_db()
    if isinstance(over, Batch):
        assert "It was handed over" in said
    else:
        assert batch.state == states.READY
        assert "not handed over until" in said
    assert stock_differences() == []


def test_one_form_of_a_recall_from_two_tabs_recalls_and_tells_once(teacher, prep_staff, race):
    lot = received(prep_staff[0], "500")
    sent(teacher, "one")
    outcomes = race(
        [lambda: recall_lot(actor=prep_staff[0], lot=lot, reason="a letter", idempotency_key="recall")] * 4
    )
    assert {type(outcome) for outcome in outcomes} == {Recall}, outcomes
    assert Recall.objects.count() == lot.events.count() == 1
    assert Notice.objects.filter(person=teacher, kind=kinds.RECALL).count() == 1


def test_two_recalls_that_meet_in_one_solution_end_without_a_deadlock(teacher, prep_staff, race):
    first, second = received(prep_staff[0], "500"), received(prep_staff[0], "500", 2)
    orders = [sent(teacher, f"order {number}") for number in range(4)]
    outcomes = race(
        [
            lambda lot=lot: recall_lot(
                actor=prep_staff[0], lot=lot, reason="a letter", idempotency_key=lot.code
            )
            for lot in (first, second)
        ]
    )
    assert {type(outcome) for outcome in outcomes} == {Recall}, outcomes
    assert {lot.state for lot in Lot.objects.all()} == {"recalled"}
    for order in orders:
        order.refresh_from_db()
        assert order.state == states.WAITING
    assert stock_differences() == []


def test_two_senders_at_once_send_each_mail_once(teacher, race):
    User.objects.filter(pk=teacher.pk).update(email="teacher@mail.example")
    teacher.refresh_from_db()
    rows = [
        Notice(person=teacher, kind=kinds.RECALL, text=f"{n}", path="/", key=f"{n}", by_mail=True)
        for n in range(20)
    ]
    Notice.objects.bulk_create(rows)
    sent_by = race([send_due] * 4)
    assert sum(sent_by) == 20, sent_by
    assert sum(letter.body.count("Recall:") for letter in outbox.outbox) == 20


def test_the_same_event_told_from_two_places_at_once_is_one_notice(teacher, race):
    from django.db import transaction

    def both() -> None:
        with transaction.atomic():
            tell(people=[teacher], kind=kinds.RECALL, text="it", path="/", key="event")

    assert race([both] * 4) == [None] * 4
    assert Notice.objects.count() == 1
