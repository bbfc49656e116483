"""The apparatus of an order is booked for its hours, moved, released and given back with it."""

from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.urls import reverse

from inventory.models import ApparatusItem, Booking
from inventory.selectors import Window
from inventory.services import book_apparatus, change_count, change_lot_state, correct_stock, set_in_service
from requests_app import bench_time, sheets, states
from requests_app.bench_time import MARGIN, ends_for, length_of, plan_in_time, vessels_of, window_for
from requests_app.models import Batch
from requests_app.selectors import active_bookings
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.orders import cancel_order, replan_order
from requests_app.services.recording import record_step
from tests.inventory.test_pages import words

# The bottles of these tests are small.
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]

NOW = datetime(2026, 12, 1, 8, tzinfo=UTC)
DUE = NOW + timedelta(hours=6)
TWO_LITRES = {"volume": "50"}  # 3 x 12 groups x 50 mL and 10 %: 1980 mL


@pytest.fixture(autouse=True)
def a_tuesday():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def few(salt):
    """One flask of 2 L and nothing else that measures as much, unless a test puts it back."""
    ApparatusItem.objects.filter(type="graduated cylinder").update(in_service=False)
    ApparatusItem.objects.filter(type="one-mark flask").update(in_service=False)
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="2000")
    flask.in_service, flask.count = True, 1
    flask.save()
    return flask


def litre_flasks(count: int) -> ApparatusItem:
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    flask.in_service, flask.count = True, count
    flask.save()
    return flask


def taken(item, actor, starts, ends, purpose="CH 240 B"):
    """Booked by a person, hours counted from midnight."""
    midnight = NOW - timedelta(hours=8)
    return book_apparatus(
        actor=actor,
        wanted=[(item.pk, 1, midnight + timedelta(hours=starts), midnight + timedelta(hours=ends))],
        purpose=purpose,
        idempotency_key=f"{item.pk} {starts} {purpose}",
        by_hand=True,
    )[0]


def make(batch: Batch, actor) -> None:
    for step in sheets.current_sheet(batch).plan["steps"]:
        record_step(
            actor=actor,
            batch=batch,
            step_number=step["number"],
            reading_text=step["quantity"]["value"] if step.get("window") else "",
            idempotency_key=f"{batch.pk}-{step['number']}",
        )


# --- windows ----------------------------------------------------------------------------------------
def test_the_work_ends_when_it_is_due_and_begins_on_a_quarter_hour():
    window = window_for(DUE, timedelta(minutes=52), NOW)
    assert window == Window(DUE - timedelta(minutes=60), DUE)


def test_what_is_late_is_made_now():
    late = window_for(NOW - timedelta(hours=3), timedelta(hours=1), NOW)
    soon = window_for(NOW + timedelta(minutes=10), timedelta(hours=1), NOW)
    assert late == soon == Window(NOW, NOW + timedelta(hours=1))


def test_earlier_windows_stay_on_the_same_day_after_opening_and_after_now():
    assert list(ends_for(DUE, NOW)) == [DUE - timedelta(hours=n) for n in range(6)]
    before_opening = NOW - timedelta(days=3)
    assert min(ends_for(DUE, before_opening)) == datetime(2026, 12, 1, 8, tzinfo=UTC)


def test_what_is_overdue_is_made_in_the_next_hours(few, send, colleague):
    assert list(ends_for(NOW, NOW))[:2] == [NOW + timedelta(hours=1), NOW + timedelta(hours=2)]
    taken(few, colleague, 7, 10)
    (booking,) = active_bookings(send(due_at=NOW - timedelta(hours=1), **TWO_LITRES).batch)
    assert booking.item == few
    assert booking.starts_at >= NOW + timedelta(hours=2)
    taken(few, colleague, 11, 24)
    order = send(due_at=NOW - timedelta(hours=1), **TWO_LITRES)
    assert order.waiting_for[0]["text"].endswith("No other apparatus fits, and none is free later today.")


# --- the life of an order ---------------------------------------------------------------------------
def test_an_order_books_the_flask_it_is_made_in_for_the_hours_before_it_is_due(few, send, instructor):
    batch = send(due_at=DUE, **TWO_LITRES).batch
    plan = sheets.current_sheet(batch).plan
    (booking,) = active_bookings(batch)
    assert booking.item == few
    assert (booking.count, booking.ends_at, booking.by_hand) == (1, DUE, False)
    length = booking.ends_at - booking.starts_at
    assert timedelta(0) <= length - (timedelta(minutes=plan["minutes"]) + MARGIN) < timedelta(minutes=15)
    assert booking.purpose == f"{batch.reference} {batch.title}"
    assert plan["at_bench"]["apparatus"] == [{"item": str(few.pk), "count": 1}]


def test_balances_beakers_and_pipettes_are_not_booked(salt, send):
    batch = send(due_at=DUE, target="0.1000", volume="20", tolerance="0.4").batch
    plan = sheets.current_sheet(batch).plan
    used = {step["equipment"]["type"] for step in plan["steps"] if step["equipment"]}
    assert {"balance", "one-mark flask"} <= used
    booked = {booking.item.type for booking in active_bookings(batch)}
    assert booked <= {"one-mark flask", "graduated cylinder", "carboy"}
    assert sum(vessels_of(plan).values()) == sum(booking.count for booking in active_bookings(batch))


def test_an_intermediate_waits_in_a_flask_of_its_own(salt, send):
    """0.00010 mol/L to 0.25 % can't be weighed for a litre: two stages, each with its vessel."""
    batch = send(due_at=DUE, target="0.00010", volume="20").batch
    plan = sheets.current_sheet(batch).plan
    assert len(plan["route"]) > 1, plan["explanation"]
    assert sum(booking.count for booking in active_bookings(batch)) == len(plan["route"])


def test_the_second_order_of_the_hour_takes_other_apparatus_that_fits(few, send):
    litre = litre_flasks(1)
    first, second = send(due_at=DUE, **TWO_LITRES), send(due_at=DUE, **TWO_LITRES)
    assert [booking.item for booking in active_bookings(first.batch)] == [few]
    (booking,) = active_bookings(second.batch)
    assert (booking.item, booking.ends_at) == (litre, DUE)
    assert sheets.current_sheet(second.batch).plan["route"][0]["vessel_count"] == 2


def test_without_other_apparatus_it_is_made_earlier_the_same_day(few, send):
    first, second = send(due_at=DUE, **TWO_LITRES), send(due_at=DUE, **TWO_LITRES)
    (one,), (other,) = active_bookings(first.batch), active_bookings(second.batch)
    assert other.item == few
    assert other.ends_at <= one.starts_at
    assert other.ends_at.date() == DUE.date()
    assert second.state == states.QUEUED


def test_when_it_is_booked_all_day_the_order_waits_and_says_by_whom_until_when(few, send, colleague, prep):
    booking = taken(few, colleague, 0, 24)
    order = send(due_at=DUE, **TWO_LITRES)
    assert (order.state, order.batch) == (states.WAITING, None)
    (reason,) = order.waiting_for
    assert reason["text"] == (
        "The 2000 mL one-mark flask (1 there): Otto Marsh has booked one for CH 240 B until Wed 2 Dec, "
        "00:00. No other apparatus fits, and none is free earlier that day."
    )
    Booking.objects.filter(pk=booking.pk).update(state="released")
    order = replan_order(actor=prep, order=order)
    assert order.state == states.QUEUED
    assert [one.item for one in active_bookings(order.batch)] == [few]


def test_a_shortage_of_stock_is_said_and_not_the_booking(few, send, colleague):
    taken(few, colleague, 0, 24)
    order = send(due_at=DUE, target="5.0", **TWO_LITRES)
    assert order.state == states.WAITING
    assert "missing" in order.waiting_for[0]["text"]
    assert "booked" not in order.waiting_for[0]["text"]


def test_planning_again_may_use_what_the_order_has_booked_itself(few, send, prep):
    order = send(due_at=DUE, **TWO_LITRES)
    (before,) = active_bookings(order.batch)
    order = replan_order(actor=prep, order=order, reason="another bottle")
    (after,) = active_bookings(order.batch)
    assert after.pk != before.pk
    assert (after.item, after.starts_at, after.ends_at) == (before.item, before.starts_at, before.ends_at)
    before.refresh_from_db()
    assert before.state == "released"


def test_a_flask_that_breaks_makes_planning_again_move_to_another(few, send, prep):
    order = send(due_at=DUE, **TWO_LITRES)
    litre = litre_flasks(3)
    change_count(actor=prep, item=few, count=0, reason="Broke", idempotency_key="broke")
    order = replan_order(actor=prep, order=order)
    assert {booking.item for booking in active_bookings(order.batch)} == {litre}


def test_cancelling_and_waiting_release_what_was_booked(few, send, instructor, prep, salt):
    cancelled, other = send(due_at=DUE, **TWO_LITRES), send(due_at=DUE, **TWO_LITRES)
    cancel_order(actor=instructor, order=cancelled)
    change_lot_state(actor=prep, lot=salt, event="quarantine", reason="Label is gone")
    assert replan_order(actor=prep, order=other).state == states.WAITING
    assert set(Booking.objects.values_list("state", flat=True)) == {"released"}


def test_a_claim_moves_nothing_and_the_finish_frees_the_flask_at_once(few, send, prep):
    order = send(due_at=DUE, **TWO_LITRES)
    batch = order.batch
    (booked,) = active_bookings(batch)
    claim_batch(actor=prep, batch=batch)
    put_back_batch(actor=prep, batch=batch)
    claim_batch(actor=prep, batch=batch)
    assert active_bookings(batch) == [booked]
    make(batch, prep)
    finish_batch(actor=prep, batch=batch)
    booked.refresh_from_db()
    assert (booked.state, booked.closed_at, booked.ends_at) == ("ended", NOW, DUE)
    (again,) = active_bookings(send(due_at=DUE, **TWO_LITRES).batch)
    assert (again.item, again.ends_at) == (few, DUE)


def test_somebody_who_books_between_plan_and_order_makes_it_plan_again(few, send, colleague, monkeypatch):
    real, first = sheets.plan_for, iter([True])

    def plan_for(draft, **more):
        answer = real(draft, **more)
        if next(first, False):
            taken(few, colleague, 13, 14, purpose="faster")
        return answer

    monkeypatch.setattr(sheets, "plan_for", plan_for)
    order = send(due_at=DUE, **TWO_LITRES)
    assert order.state == states.QUEUED
    (booking,) = active_bookings(order.batch)
    assert booking.ends_at <= DUE - timedelta(hours=1)


def test_a_long_plan_is_asked_for_again_with_its_own_length(few, draft, monkeypatch):
    monkeypatch.setattr(bench_time, "USUAL", timedelta(minutes=1))
    _, plan = plan_in_time(draft(due_at=DUE, **TWO_LITRES))
    starts = datetime.fromisoformat(plan["at_bench"]["starts_at"])
    assert DUE - starts >= length_of(plan) > timedelta(minutes=1)


def test_a_preview_says_the_same_and_books_nothing(few, draft, colleague):
    taken(few, colleague, 0, 24)
    _, plan = plan_in_time(draft(due_at=DUE, **TWO_LITRES))
    assert sheets.only_the_shelf_is_short(plan)
    assert "Otto Marsh has booked one" in sheets.waiting_reasons(plan)[0]["text"]
    assert Booking.objects.count() == 1


# --- the fume hood -----------------------------------------------------------------------------------
@pytest.fixture
def acid(bench, bottle):
    return bottle("hydrochloric-acid", "2500", kind="liquid", mass_percent="37.0", density_g_per_ml="1.18")


def test_work_that_belongs_in_the_hood_books_one_where_any_is_listed(acid, send):
    order = send(substance="hydrochloric-acid", target="0.5", due_at=DUE)
    assert {one.item.type for one in active_bookings(order.batch)} & {"fume hood"} == set()
    hood = ApparatusItem.objects.create(type="fume hood", count=1, code="H")
    order = send(substance="hydrochloric-acid", target="0.5", due_at=DUE)
    assert hood in {one.item for one in active_bookings(order.batch)}


def test_a_hood_out_of_service_is_said_on_the_queue(acid, send, client, prep):
    hood = ApparatusItem.objects.create(type="fume hood", count=1, code="H")
    send(substance="hydrochloric-acid", target="0.5", due_at=DUE)
    set_in_service(actor=prep, item=hood, in_service=False, reason="The fan stands still")
    client.force_login(prep)
    assert "Apparatus can’t be used as planned" in words(client.get(reverse("requests_app:queue")))
    batch = Batch.objects.get()
    said = words(client.get(reverse("requests_app:batch", args=[batch.reference])))
    assert "The fume hood is out of service since 1 Dec (The fan stands still)." in said
    assert "More of the fume hood" not in said


def test_a_class_in_the_only_hood_sends_the_work_to_an_earlier_hour_or_lets_it_wait(acid, send, colleague):
    hood = ApparatusItem.objects.create(type="fume hood", count=1, code="H")
    taken(hood, colleague, 12, 17)
    order = send(substance="hydrochloric-acid", target="0.5", due_at=DUE)
    booking = next(one for one in active_bookings(order.batch) if one.item == hood)
    assert booking.ends_at <= datetime(2026, 12, 1, 12, tzinfo=UTC)
    taken(hood, colleague, 7, 10, purpose="CH 221 A")
    order = send(substance="hydrochloric-acid", target="0.5", due_at=DUE, volume="20", made_alone=True)
    order = send(substance="hydrochloric-acid", target="0.5", due_at=DUE, volume="15", made_alone=True)
    assert order.state == states.WAITING
    assert "The fume hood (1 there): Otto Marsh has booked one for CH 240 B" in order.waiting_for[0]["text"]


# --- calibration and service --------------------------------------------------------------------------
@pytest.fixture
def analytical(salt):
    balance = ApparatusItem.objects.get(type="balance", readability_g="0.0001")
    balance.calibration_due_on = datetime(2026, 11, 3, tzinfo=UTC).date()
    balance.save()
    return balance


FINE = {"target": "0.1000", "volume": "1", "tolerance": "0.22"}


def test_a_balance_past_its_calibration_is_not_planned_with_and_the_plan_says_so(analytical, send, prep):
    order = send(due_at=DUE, **FINE)
    assert order.state == states.WAITING
    text = order.waiting_for[0]["text"]
    assert "The 0.0001 g balance would serve, but it is past its calibration since 3 Nov." in text
    ApparatusItem.objects.filter(pk=analytical.pk).update(calibration_due_on=DUE.date())
    order = replan_order(actor=prep, order=order)
    assert order.state == states.QUEUED, order.waiting_for


def test_it_is_the_day_of_use_that_counts(analytical, send):
    analytical.calibration_due_on = NOW.date() + timedelta(days=2)
    analytical.save()
    assert send(due_at=DUE, **FINE).state == states.QUEUED
    assert send(due_at=DUE + timedelta(days=3), made_alone=True, **FINE).state == states.WAITING


def test_out_of_service_is_said_with_its_reason(analytical, send, prep):
    analytical.calibration_due_on = None
    analytical.save()
    set_in_service(actor=prep, item=analytical, in_service=False, reason="The pan sticks")
    order = send(due_at=DUE, **FINE)
    said = "The 0.0001 g balance would serve, but it is out of service since 1 Dec (The pan sticks)."
    assert said in order.waiting_for[0]["text"]


def test_only_what_is_needed_is_named_of_all_that_is_left_out(analytical, send, prep):
    """The larger flasks are out of service too, but the order for 39.6 mL would not miss them."""
    for item in ApparatusItem.objects.filter(type__in=("beaker", "one-mark flask"), nominal_ml="50"):
        set_in_service(actor=prep, item=item, in_service=False, reason="Washed up")
    text = send(due_at=DUE, **FINE).waiting_for[0]["text"]
    assert "The 0.0001 g balance would serve" in text
    assert "Washed up" not in text


def test_what_would_not_have_served_is_not_named(analytical, draft, instructor):
    """No balance here weighs for a hundredth of a percent: the order is refused as before."""
    _, plan = plan_in_time(draft(due_at=DUE, **{**FINE, "tolerance": "0.01"}))
    assert not sheets.only_the_shelf_is_short(plan)
    assert "would serve, but it is" not in " ".join(problem["text"] for problem in plan["problems"])


# --- what the stockroom sees --------------------------------------------------------------------------
def test_the_queue_and_the_batch_show_what_is_booked_and_what_can_not_be_used_any_more(
    few, send, client, prep
):
    batch = send(due_at=DUE, **TWO_LITRES).batch
    (booking,) = active_bookings(batch)
    hours = f"Tue 1 Dec, {booking.starts_at:%H:%M} to 14:00"
    client.force_login(prep)
    queue, page = reverse("requests_app:queue"), reverse("requests_app:batch", args=[batch.reference])
    assert f"Booked for it 2000 mL one-mark flask , {hours}" in words(client.get(page))
    assert "Stock held, apparatus free" in words(client.get(queue))
    set_in_service(actor=prep, item=few, in_service=False, reason="Cracked")
    assert "Apparatus can’t be used as planned" in words(client.get(queue))
    assert "Missing: apparatus" in words(client.get(queue))
    said = words(client.get(page))
    assert "The 2000 mL one-mark flask is out of service since 1 Dec (Cracked)." in said
    assert "Plan it again." in said
    claim_batch(actor=prep, batch=batch)
    assert "Put it back and plan it again." in words(client.get(page))


def test_a_batch_whose_balance_is_past_its_day_or_whose_flask_is_gone_is_marked(few, send, client, prep):
    batch = send(due_at=DUE, **TWO_LITRES).batch
    client.force_login(prep)
    queue = reverse("requests_app:queue")
    ApparatusItem.objects.filter(type="balance").update(calibration_due_on="2026-11-30")
    assert words(client.get(queue)).count("Apparatus can’t be used as planned") == 1
    ApparatusItem.objects.filter(type="balance").update(calibration_due_on=None)
    assert "Apparatus can’t be used" not in words(client.get(queue))
    change_count(actor=prep, item=few, count=0, reason="Broke", idempotency_key="broke")
    assert words(client.get(queue)).count("Apparatus can’t be used as planned") == 1
    ApparatusItem.objects.filter(type="balance").update(calibration_due_on="2026-11-30")
    said = words(client.get(reverse("requests_app:batch", args=[batch.reference])))
    assert "The 2000 mL one-mark flask is no longer there." in said
    assert "balance is past its calibration since 30 Nov." in said


def test_fewer_left_than_booked_is_said_on_the_page_of_each_batch(few, send, client, prep):
    few.count = 2
    few.save()
    send(due_at=DUE, **TWO_LITRES)
    send(due_at=DUE, **TWO_LITRES)
    first, second = Batch.objects.order_by("pk")
    change_count(actor=prep, item=few, count=1, reason="Broke", idempotency_key="broke")
    client.force_login(prep)
    for batch in (first, second):
        said = words(client.get(reverse("requests_app:batch", args=[batch.reference])))
        assert "More of the 2000 mL one-mark flask are booked than there are. Plan it again." in said


def test_the_queue_takes_the_same_queries_however_many_batches_book(few, send, client, prep):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    litre_flasks(40)
    client.force_login(prep)
    counts = []
    for number in (2, 6):
        for _ in range(number):
            send(due_at=DUE, volume="1")
        ApparatusItem.objects.filter(type="one-mark flask").update(in_service=number == 2)
        with CaptureQueriesContext(connection) as seen:
            assert client.get(reverse("requests_app:queue")).status_code == 200
        counts.append(len(seen))
    # One more, whatever the number: why something is out of service.
    assert counts[1] - counts[0] <= 1


def test_what_a_person_has_booked_is_not_planned_with_in_those_hours(salt, send, colleague):
    balance = ApparatusItem.objects.get(type="balance", readability_g="0.01")
    order = send(due_at=DUE)
    assert balance.pk in bench_time.items_of(sheets.current_sheet(order.batch).plan)
    taken(balance, colleague, 12, 15)
    order = send(due_at=DUE)
    assert balance.pk not in bench_time.items_of(sheets.current_sheet(order.batch).plan)
    assert order.state == states.QUEUED


def test_the_pages_of_the_order_say_that_it_waits_for_apparatus(few, send, colleague, client, instructor):
    taken(few, colleague, 0, 24)
    order = send(due_at=DUE, **TWO_LITRES)
    client.force_login(instructor)
    said = words(client.get(reverse("requests_app:order", args=[order.reference]), {"sent": "1"}))
    assert "Otto Marsh has booked one for CH 240 B" in said
    assert "Waiting for stock or apparatus" in said


def test_stock_and_apparatus_that_are_both_missing_are_both_said(analytical, send, salt, prep):
    correct_stock(
        actor=prep, lot=salt, counted="0.02", unit="g", reason="Nearly empty", idempotency_key="count"
    )
    order = send(due_at=DUE, **FINE)
    said = " ".join(reason["text"] for reason in order.waiting_for)
    assert "missing" in said
    assert "would serve, but it is past its calibration" in said


@pytest.mark.parametrize(
    ("stages", "needed"),
    [
        # (item, whether it is made from an intermediate), in bench order
        ([(1, False), (2, True), (1, True)], {1: 1, 2: 1}),
        ([(1, False), (1, True), (2, True)], {1: 2, 2: 1}),
        ([(1, False), (1, False), (2, True)], {1: 2, 2: 1}),
        ([(1, False), (1, True)], {1: 2}),
    ],
)
def test_as_many_flasks_are_booked_as_are_in_use_at_one_moment(stages, needed):
    """An intermediate waits until the next stage is made of it; then its flask is free again."""
    route = [
        {
            "vessel": {"type": "one-mark flask", "item": str(item)},
            "inputs": [{"kind": "intermediate" if diluted else "solid"}],
        }
        for item, diluted in stages
    ]
    assert vessels_of({"route": route, "steps": []}) == needed
