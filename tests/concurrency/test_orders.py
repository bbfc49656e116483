"""Two people at the same moment, on PostgreSQL with a connection each: last grams, one form, one batch."""

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise

import pytest
from django.utils import timezone

from inventory.models import ApparatusItem, Booking, Hold, Lot
from inventory.selectors import stock_differences
from inventory.services import receive_lot
from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, NotInThisState
from requests_app import sheets, states
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Batch, BatchEvent, Course, Order, Section, StepRecord
from requests_app.selectors import active_holds
from requests_app.services.arranging import pull_out
from requests_app.services.choices import choose_source
from requests_app.services.claiming import claim_batch
from requests_app.services.deciding import approve_order, decline_order
from requests_app.services.orders import cancel_order, replan_order, submit_order
from requests_app.services.recording import record_step
from tests.requests_app.conftest import outfit_bench, substance_row

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]

PEOPLE = 6


@pytest.fixture
def people(transactional_db):
    """Several instructors with a section each, prep staff, and a bench."""
    outfit_bench()
    course = Course.objects.create(code="CH 101", title="General chemistry")
    made = []
    for number in range(PEOPLE):
        person = User.objects.create(username=f"teacher{number}", role="instructor", password="!")
        Section.objects.create(course=course, name=str(number), instructor=person)
        made.append(person)
    return made


@pytest.fixture
def prep_staff(people):
    return [User.objects.create(username=f"prep{number}", role="prep", password="!") for number in range(4)]


@pytest.fixture
def salt_bottle(prep_staff):
    def receive(grams: str) -> Lot:
        return receive_lot(
            actor=prep_staff[0],
            substance=substance_row("sodium-chloride"),
            kind="solid",
            amount=grams,
            unit="g",
            assay_percent="100.0",
            assay_tolerance_percent="0.1",
            idempotency_key=f"salt {grams}",
        )

    return receive


def wanted(person: User) -> OrderDraft:
    """250 mL of 2.00 mol/L: 29.2 g of sodium chloride (58.4 g in 500 mL is 2 mol/L, common practice)."""
    section = Section.objects.get(instructor=person)
    return OrderDraft(
        course_id=section.course_id,
        section_ids=(section.pk,),
        components=(DraftComponent("sodium-chloride", parse_number("2.00"), "mol/L"),),
        groups_per_section=10,
        volume_per_group=parse_number("25"),
        volume_unit="mL",
        due_at=timezone.now() + timedelta(days=1),
        room="210",
    )


def sent(person: User, key: str = "form", *, made_alone: bool = True) -> Order:
    return submit_order(actor=person, draft=wanted(person), idempotency_key=key, made_alone=made_alone)


def test_the_last_grams_go_to_as_many_orders_as_they_serve_and_the_rest_wait(people, salt_bottle, race):
    lot = salt_bottle("100")  # three times 29.2 g, not four times
    outcomes = race([lambda person=person: sent(person) for person in people])
    assert all(isinstance(outcome, Order) for outcome in outcomes), outcomes
    assert sorted(order.state for order in outcomes) == [states.QUEUED] * 3 + [states.WAITING] * 3
    assert Batch.objects.count() == Hold.objects.count() == 3
    lot.refresh_from_db()
    assert lot.held == sum(Hold.objects.values_list("amount", flat=True)) <= lot.on_hand
    assert len({order.reference for order in outcomes}) == PEOPLE
    assert stock_differences() == []


def test_one_form_sent_from_two_tabs_at_once_is_one_order(people, salt_bottle, race):
    salt_bottle("500")
    draft = wanted(people[0])
    outcomes = race([lambda: submit_order(actor=people[0], draft=draft, idempotency_key="one")] * PEOPLE)
    assert len({order.pk for order in outcomes}) == 1, outcomes
    assert Order.objects.count() == Batch.objects.count() == Hold.objects.count() == 1


def test_a_batch_is_claimed_by_exactly_one_and_the_others_read_the_name(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    batch = sent(people[0]).batch
    outcomes = race([lambda person=person: claim_batch(actor=person, batch=batch) for person in prep_staff])
    winners = [outcome for outcome in outcomes if isinstance(outcome, Batch)]
    losers = [outcome for outcome in outcomes if isinstance(outcome, Conflict)]
    assert (len(winners), len(losers)) == (1, len(prep_staff) - 1), outcomes
    assert all(str(winners[0].claimed_by) in loser.text for loser in losers)
    assert BatchEvent.objects.filter(event="claim").count() == 1


def test_the_race_for_a_batch_is_real_without_the_lock(people, prep_staff, salt_bottle, race, monkeypatch):
    """Without the lock on the batch several people win: the test above can fail."""
    salt_bottle("500")
    batch = sent(people[0]).batch
    monkeypatch.setattr(
        "requests_app.services.claiming.locked_batch",
        lambda batch: Batch.objects.get(pk=batch.pk),
    )
    monkeypatch.setattr("requests_app.services.claiming.move_with_orders", _slow_save)
    outcomes = race([lambda person=person: claim_batch(actor=person, batch=batch) for person in prep_staff])
    assert sum(isinstance(outcome, Batch) for outcome in outcomes) > 1


def _slow_save(*, batch: Batch, **_: object) -> None:
    from time import sleep

    sleep(0.2)
    batch.state = states.CLAIMED
    batch.save()


def test_a_reading_sent_twice_at_once_is_recorded_once(people, prep_staff, salt_bottle, race):
    salt_bottle("500")
    batch = claim_batch(actor=prep_staff[0], batch=sent(people[0]).batch)
    step = batch.sheets.get().plan["steps"][0]
    assert step["window"], "the first step of this sheet is the weighing"
    outcomes = race(
        [
            lambda: record_step(
                actor=prep_staff[0],
                batch=batch,
                step_number=1,
                reading_text=step["quantity"]["value"],
                idempotency_key="reading",
            )
        ]
        * 4
    )
    assert len({record.pk for record in outcomes}) == 1, outcomes
    assert StepRecord.objects.count() == 1


def test_cancelling_while_somebody_claims_leaves_one_truth(people, prep_staff, salt_bottle, race):
    lot = salt_bottle("500")
    for number in range(4):
        order = sent(people[0], f"form {number}")
        race(
            [
                lambda order=order: cancel_order(actor=people[0], order=order),
                lambda order=order: claim_batch(actor=prep_staff[0], batch=order.batch),
            ]
        )
        order.refresh_from_db()
        order.batch.refresh_from_db()
        assert (order.state, order.batch.state) in (
            (states.CANCELLED, states.CANCELLED),
            (states.IN_WORK, states.CLAIMED),
        )
        active = order.batch.batch_holds.filter(hold__state="active").exists()
        assert active == (order.state == states.IN_WORK)
    lot.refresh_from_db()
    assert stock_differences() == []


def test_planning_again_by_two_people_at_once_holds_the_stock_once(people, prep_staff, salt_bottle, race):
    lot = salt_bottle("500")
    order = sent(people[0])
    outcomes = race([lambda person=person: replan_order(actor=person, order=order) for person in prep_staff])
    assert all(isinstance(outcome, Order) for outcome in outcomes), outcomes
    lot.refresh_from_db()
    active = Hold.objects.filter(state="active")
    assert active.count() == 1
    assert lot.held == active.get().amount
    assert order.batch.sheets.count() == 1 + len(prep_staff)
    assert stock_differences() == []


def test_one_flask_goes_to_one_order_an_hour_however_many_ask_at_once(people, salt_bottle, race):
    """Six orders for the same hour and one vessel that fits: each gets an hour of its own, or waits."""
    salt_bottle("500")
    ApparatusItem.objects.exclude(type__in=("balance", "beaker")).update(in_service=False)
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="250")
    flask.in_service, flask.count = True, 1
    flask.save()
    outcomes = race([lambda person=person: sent(person) for person in people])
    assert all(isinstance(outcome, Order) for outcome in outcomes), outcomes
    bookings = list(Booking.objects.filter(state="booked").order_by("starts_at"))
    queued = [order for order in outcomes if order.state == states.QUEUED]
    assert len(bookings) == len(queued) >= 1
    assert {booking.item_id for booking in bookings} == {flask.pk}
    for earlier, later in pairwise(bookings):
        assert earlier.ends_at <= later.starts_at
    for order in outcomes:
        if order.state == states.WAITING:
            assert "250 mL one-mark flask" in order.waiting_for[0]["text"]
    assert Hold.objects.filter(state="active").count() == len(queued)


# --- what it is made from --------------------------------------------------------------------------
def test_of_two_who_choose_for_one_order_at_once_one_is_served_and_the_other_told(people, prep_staff, race):
    teacher = people[0]
    bottles = [
        receive_lot(
            actor=prep_staff[0],
            substance=substance_row("copper-sulfate-pentahydrate"),
            kind="solid",
            amount="500",
            unit="g",
            assay_percent="99.5",
            assay_tolerance_percent="0.2",
            idempotency_key=f"blue {number}",
        )
        for number in range(2)
    ]
    substance_row("copper-sulfate-anhydrous")
    draft = replace(
        wanted(teacher),
        components=(DraftComponent("copper-sulfate-anhydrous", parse_number("0.10"), "mol/L"),),
    )
    order = submit_order(actor=teacher, draft=draft, idempotency_key="blue")
    seen = order.events.latest("pk").pk

    def choosing(actor: User, lot: Lot, key: str):
        return lambda: choose_source(
            actor=actor, order=order, component=0, lot=lot, seen_event=seen, idempotency_key=key
        )

    # Each presses twice, as impatient people do.
    outcomes = race(
        [choosing(teacher, bottles[0], "a"), choosing(prep_staff[1], bottles[1], "b")] * 2,
    )
    assert sum(isinstance(outcome, Order) for outcome in outcomes) == 2, outcomes
    assert sum(isinstance(outcome, Conflict) for outcome in outcomes) == 2, outcomes
    order.refresh_from_db()
    chosen = order.components.get().from_lot
    assert order.state == states.QUEUED
    assert order.events.filter(event="choose").count() == 1
    assert [hold.lot for hold in Hold.objects.filter(state="active")] == [chosen]
    assert Batch.objects.count() == 1
    assert stock_differences() == []


# --- made together ------------------------------------------------------------------------------------
def test_two_who_send_the_same_solution_at_one_moment_share_one_batch(people, salt_bottle, race):
    lot = salt_bottle("500")
    outcomes = race([lambda person=person: sent(person, made_alone=False) for person in people[:2]])
    assert all(isinstance(outcome, Order) for outcome in outcomes), outcomes
    [batch] = Batch.objects.all()
    assert set(batch.orders.all()) == set(outcomes)
    assert sheets.current_sheet(batch).plan["volume"]["value"] == "500"
    lot.refresh_from_db()
    assert lot.held == active_holds(batch)[0].amount
    assert stock_differences() == []


def test_an_order_pulled_out_while_its_batch_is_claimed_is_out_or_refused_and_never_both(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    first, second = (sent(person, made_alone=False) for person in people[:2])
    batch = Batch.objects.get()
    claimed, pulled = race(
        [
            lambda: claim_batch(actor=prep_staff[0], batch=batch),
            lambda: pull_out(actor=people[1], order=second, reason="by itself"),
        ]
    )
    assert isinstance(claimed, Batch), claimed
    second.refresh_from_db()
    if isinstance(pulled, Order):
        assert second.batch_id != batch.pk
        assert sheets.current_sheet(batch).plan["volume"]["value"] == "250"
    else:
        assert isinstance(pulled, NotInThisState)
        assert (second.batch_id, second.made_alone) == (batch.pk, False)
        assert sheets.current_sheet(batch).plan["volume"]["value"] == "500"
    first.refresh_from_db()
    assert first.batch_id == batch.pk
    assert stock_differences() == []


def test_a_claimed_batch_lets_nobody_out(people, prep_staff, salt_bottle):
    salt_bottle("500")
    first, second = (sent(person, made_alone=False) for person in people[:2])
    claim_batch(actor=prep_staff[0], batch=Batch.objects.get())
    with pytest.raises(NotInThisState):
        pull_out(actor=people[1], order=second, reason="by itself")
    first.refresh_from_db()
    second.refresh_from_db()
    assert first.batch_id == second.batch_id


def test_two_managers_who_approve_at_the_same_moment_approve_once(people, salt_bottle, race):
    salt_bottle("50")
    order = submit_order(actor=people[0], draft=wanted(people[0]), idempotency_key="large")
    assert order.state == states.APPROVAL
    seen = order.events.latest("pk").pk
    managers = [
        User.objects.create(username=f"manager{number}", role="manager", password="!") for number in range(2)
    ]
    answers = race(
        [lambda one=one: approve_order(actor=one, order=order, seen_event=seen) for one in managers]
    )
    assert [answer.state for answer in answers] == [states.QUEUED] * 2
    assert order.events.filter(event="approve").count() == 1
    assert Batch.objects.count() == Hold.objects.filter(state="active").count() == 1


def test_approved_and_declined_at_the_same_moment_only_one_of_both_happens(people, salt_bottle, race):
    salt_bottle("50")
    order = submit_order(actor=people[0], draft=wanted(people[0]), idempotency_key="large")
    seen = order.events.latest("pk").pk
    managers = [
        User.objects.create(username=f"manager{number}", role="manager", password="!") for number in range(2)
    ]
    answers = race(
        [
            lambda: approve_order(actor=managers[0], order=order, seen_event=seen),
            lambda: decline_order(actor=managers[1], order=order, seen_event=seen, reason="too much"),
        ]
    )
    assert sum(isinstance(answer, NotInThisState) for answer in answers) == 1
    order.refresh_from_db()
    assert (order.state == states.QUEUED) == Hold.objects.filter(state="active").exists()
