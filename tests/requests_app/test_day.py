"""From the database to the day: which batches, what each waits for, for whom, and how many queries."""

from datetime import datetime, time, timedelta

import pytest
from django.utils import timezone

from inventory.models import ApparatusItem
from inventory.services import change_lot_state, set_in_service
from prepdesk.calc.typed import parse_number
from requests_app.models import Batch, DepartmentRules, Order, OrderRevision, Sheet
from requests_app.selectors.day import (
    batches_of_day,
    bench_on,
    day_jobs,
    day_plan_for,
    makers_of,
    readiness_of,
)
from requests_app.services.claiming import claim_batch
from requests_app.services.unknowns import UnknownsDraft, order_unknowns
from requests_app.sheets import local_date
from tests.requests_app.test_batches import do_steps

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]
MINUTE = timedelta(minutes=1)


@pytest.fixture
def now(time_machine):
    """A Tuesday at eight in the morning on the department's clock."""
    moment = timezone.make_aware(datetime(2027, 3, 2, 8))
    time_machine.move_to(moment, tick=False)
    return moment


@pytest.fixture
def made(now, salt, send):
    """An order of this morning's batch: ``made(hours=4)`` is due in four hours."""

    def make(hours: float = 4, **changes) -> Batch:
        due = now + timedelta(hours=hours)
        return send(**{"volume": "2", "due_at": due, "made_alone": True, **changes}).batch

    return make


def day(actor, now, on=None):
    return day_plan_for(actor, on or local_date(now), now)


# --- which batches ---------------------------------------------------------------------------------
def test_a_queued_batch_is_a_job_of_its_day_with_the_minutes_of_its_card(made, prep, now):
    batch = made()
    [job] = day_jobs(prep, local_date(now), now)
    card = batch.sheets.get().card
    assert (job.key, job.name, job.due_at) == (batch.pk, batch.reference, batch.due_at)
    assert (round(job.hands_on / MINUTE), round(job.waiting / MINUTE)) == (card["hands_on"], card["waiting"])
    assert job.balances == set(map(str, card["balances"]))
    assert timedelta() < job.at_balance < job.hands_on
    assert job.vessels == set(map(str, card["booked"])) != set()
    assert job.person is None


def test_the_day_takes_three_queries_however_many_batches(made, prep, now, django_assert_num_queries):
    for _ in range(4):
        made()
    with django_assert_num_queries(3):
        found = day(prep, now)
    assert len(found.slots) == Batch.objects.count() == 4
    assert all(one.is_ready for one in found.readiness.values())
    with django_assert_num_queries(1):
        assert len(day_jobs(prep, local_date(now), now)) == 4


def test_what_is_due_on_another_day_is_not_of_this_one_unless_somebody_has_it(made, prep, now):
    today, tomorrow, later = made(), made(hours=27), made(hours=51)
    assert set(day(prep, now).slots) == {today.pk}
    claim_batch(actor=prep, batch=later)
    assert set(day(prep, now).slots) == {today.pk, later.pk}
    assert set(day(prep, now, local_date(tomorrow.due_at)).slots) == {tomorrow.pk, later.pk}


def test_what_can_not_be_made_on_its_own_morning_is_made_the_day_before(made, prep, now):
    early, in_time = made(hours=23.1), made(hours=25)
    assert set(day(prep, now).slots) == {early.pk}
    assert in_time.pk not in day(prep, now).slots


def test_monday_morning_is_made_on_friday(made, prep, now):
    monday = made(hours=3 * 24 + 71.1)
    friday = local_date(now) + timedelta(days=3)
    assert (friday.weekday(), local_date(monday.due_at).weekday()) == (4, 0)
    assert set(day(prep, now, friday).slots) == {monday.pk}


def test_a_day_to_come_begins_when_it_opens(made, prep, now):
    batch = made(hours=27)
    slot = day(prep, now, local_date(batch.due_at)).slots[batch.pk]
    assert timezone.localtime(slot.starts_at).time() == time(7)


def test_an_instructor_has_no_day_of_the_stockroom(made, instructor, now):
    made()
    assert not list(batches_of_day(instructor, local_date(now)))
    assert not day(instructor, now).slots


# --- whose, and what is left --------------------------------------------------------------------------
def test_what_somebody_claimed_is_planned_for_them_and_the_rest_for_whoever_is_free(
    made, prep, second_prep, now
):
    DepartmentRules.objects.update_or_create(pk=1, defaults={"hands": 2})
    theirs, free = made(), made()
    claim_batch(actor=second_prep, batch=theirs)
    slots = day(prep, now).slots
    assert (slots[theirs.pk].person, slots[free.pk].person) == (second_prep.pk, None)
    assert slots[theirs.pk].starts_at == now < slots[free.pk].starts_at < slots[theirs.pk].hands_until, (
        "both weigh on the same balance"
    )


def test_one_pair_of_hands_makes_one_after_the_other_what_is_due_first_first(made, prep, now):
    second, first = made(hours=4), made(hours=3)
    plan = day(prep, now).plan
    assert plan.sequence == (first.pk, second.pk)
    assert plan.by_key[second.pk].starts_at >= plan.by_key[first.pk].hands_until


def test_of_begun_work_only_the_steps_that_are_left_are_planned(made, prep, now):
    batch = made()
    [before] = day_jobs(prep, local_date(now), now)
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep, until=2)
    [after] = day_jobs(prep, local_date(now), now)
    done = batch.sheets.get().card["step_minutes"][:2]
    assert after.begun
    assert (before.hands_on - after.hands_on) / MINUTE == pytest.approx(sum(hands for hands, _ in done))
    assert (before.waiting - after.waiting) / MINUTE == pytest.approx(sum(waits for _, waits in done))
    assert after.balances == frozenset(), "it is weighed already"


def test_work_that_rests_is_said_to_rest(made, prep, now):
    batch = made()
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep, until=1)
    Batch.objects.update(paused_at=now)
    [job] = day_jobs(prep, local_date(now), now)
    assert (job.begun, job.paused, job.person) == (True, True, prep.pk)


def test_what_was_begun_for_tomorrow_does_not_go_before_the_work_of_today(made, prep, now):
    tomorrow, today = made(hours=28), made(hours=4)
    claim_batch(actor=prep, batch=tomorrow)
    do_steps(tomorrow, prep, until=1)
    assert day(prep, now).plan.sequence == (today.pk, tomorrow.pk)
    also_today = made(hours=5)
    claim_batch(actor=prep, batch=also_today)
    do_steps(also_today, prep, until=1)
    assert day(prep, now).plan.sequence == (also_today.pk, today.pk, tomorrow.pk)


def test_a_sheet_from_before_the_time_of_each_step_is_planned_by_its_minutes(made, prep, now):
    batch = made()
    Sheet.objects.update(card={"steps": 4, "minutes": 40, "balances": [], "hood": False})
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep, until=1)
    [job] = day_jobs(prep, local_date(now), now)
    assert job.hands_on == 30 * MINUTE


def test_only_the_newest_sheet_counts(made, prep, now):
    batch = made()
    sheet = batch.sheets.get()
    card = {**sheet.card, "step_minutes": [[90, 0]], "weighed_by": 1}
    Sheet.objects.create(
        batch=batch, revision=2, request={}, plan=sheet.plan, card=card, data_version="x", created_by=prep
    )
    [job] = day_jobs(prep, local_date(now), now)
    assert job.hands_on == 90 * MINUTE


# --- what each waits for ---------------------------------------------------------------------------
def test_a_batch_whose_bottle_is_quarantined_stands_still_and_is_not_planned(made, prep, salt, now):
    batch = made()
    change_lot_state(actor=prep, lot=salt, event="quarantine", reason="Label is gone")
    found = day(prep, now)
    assert batch.pk not in found.slots
    assert found.readiness[batch.pk].waits_for == (
        "A bottle it holds is recalled or quarantined, so it stands still.",
    )


def test_apparatus_that_is_booked_and_can_not_be_used_is_said(made, prep, now):
    batch = made()
    flask = ApparatusItem.objects.get(type="one-mark flask", bookings__purpose__startswith=batch.reference)
    set_in_service(actor=prep, item=flask, in_service=False, reason="cracked", idempotency_key="out")
    assert day(prep, now).readiness[batch.pk].waits_for == (
        "Apparatus booked for it is out of service or past its calibration.",
    )


def test_a_balance_past_its_calibration_is_named_though_nobody_books_it(made, prep, manager, now):
    batch = made()
    [key] = batch.sheets.get().card["balances"]
    balance = ApparatusItem.objects.get(pk=key)
    ApparatusItem.objects.filter(pk=key).update(calibration_due_on=local_date(now))
    assert day(prep, now).readiness[batch.pk].is_ready, "the due day itself is covered"
    ApparatusItem.objects.filter(pk=key).update(calibration_due_on=local_date(now) - timedelta(days=1))
    assert day(prep, now).readiness[batch.pk].waits_for == (f"The {balance.words} is past its calibration.",)


def test_a_change_that_nobody_has_seen_is_said(made, prep, now):
    batch = made()
    order = batch.orders.get()
    OrderRevision.objects.create(
        order=order, number=2, actor=prep, batch=batch, needs_seeing=True, idempotency_key="seen"
    )
    waits_for = day(prep, now).readiness[batch.pk].waits_for
    assert waits_for == ("An order was changed and nobody at the bench has seen it yet.",)


def test_readiness_and_jobs_ask_the_database_nothing(made, prep, now, django_assert_num_queries):
    made()
    bench = bench_on(local_date(now))
    [row] = batches_of_day(prep, local_date(now))
    with django_assert_num_queries(0):
        assert readiness_of(row, bench).is_ready


def test_an_order_that_waits_for_what_a_batch_makes_is_told_which(made, send, prep, now):
    batch = made(hours=4)
    waiting = Order(pk=1, waiting_for=[{"text": "None is there.", "substance": "sodium chloride"}])
    other = Order(pk=2, waiting_for=[{"text": "None is there.", "substance": "silver nitrate"}])
    rows = list(batches_of_day(prep, local_date(now)))
    assert makers_of([waiting, other], rows) == {
        1: (f"{batch.reference} makes a solution of sodium chloride, due Tue 2 Mar, 12:00.",)
    }


# --- unknowns --------------------------------------------------------------------------------------
def test_an_unknown_is_planned_with_round_figures_that_say_nothing_of_how_it_is_diluted(
    salt, sections, instructor, prep, now
):
    wanted = UnknownsDraft(
        course_id=sections[0].course_id,
        section_ids=(sections[0].pk,),
        reader_ids=(),
        title="Chloride",
        substance_key="sodium-chloride",
        lowest=parse_number("0.0010"),
        highest=parse_number("0.2000"),
        unit="mol/L",
        count=3,
        spares=0,
        apart_percent=parse_number("10"),
        volume_per_sample=parse_number("250"),
        volume_unit="mL",
        due_at=now + timedelta(hours=5),
        room="210",
        tolerance_percent=parse_number("1"),
    )
    order_unknowns(actor=instructor, draft=wanted, idempotency_key="a")
    jobs = day_jobs(prep, local_date(now), now)
    assert len(jobs) == 3
    assert {(job.hands_on, job.waiting, job.balances, job.vessels, job.hood) for job in jobs} == {
        (30 * MINUTE, timedelta(), frozenset(), frozenset(), False)
    }
    rows = list(batches_of_day(prep, local_date(now)))
    assert makers_of([Order(pk=1, waiting_for=[{"substance": "sodium chloride"}])], rows) == {}
