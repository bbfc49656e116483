"""A recall from the letter to the last section: found, stopped, told, decided, and taken back."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from inventory.models import ApparatusItem, Hold, Lot
from inventory.selectors import stock_differences
from inventory.services import change_lot_state
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Order, Recall, Section
from requests_app.selectors import active_bookings
from requests_app.services import recalls as recall_services
from requests_app.services import stopping
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.recalls import recall_lot
from requests_app.services.recording import record_step
from requests_app.services.stopping import stop_batch
from tests.requests_app.test_batches import do_steps, steps_of

# The bottles of these tests are small.
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]
LETTER = "The maker's letter of 3 March: the assay is wrong"


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    yield
    assert stock_differences() == []


def made(order, actor):
    batch = claim_batch(actor=actor, batch=order.batch)
    do_steps(batch, actor)
    return finish_batch(actor=actor, batch=batch)


def recalled(lot, actor, **more):
    return recall_lot(actor=actor, lot=lot, **{"reason": LETTER, "idempotency_key": "form", **more})


def told(person) -> dict[str, str]:
    return dict(Notice.objects.filter(person=person).order_by("pk").values_list("kind", "text"))


def state_of(row) -> str:
    row.refresh_from_db()
    return row.state


@pytest.fixture
def department(salt, send, prep, second_prep, manager):
    """One order in each state: handed over, ready, at the bench, in the queue; all from one bottle.

    990 mL of 0.5 mol/L take some 29 g each, and the bottle holds 500 g.
    """
    states_named = ("handed_over", "ready", "in_work", "queued")
    orders = {name: send(target="0.50", made_alone=True) for name in states_named}
    hand_over_batch(actor=prep, batch=made(orders["handed_over"], prep))
    made(orders["ready"], prep)
    batch = claim_batch(actor=second_prep, batch=orders["in_work"].batch)
    do_steps(batch, second_prep, until=1)
    for order in orders.values():
        order.refresh_from_db()
    Notice.objects.all().delete()
    return orders


# --- locks ------------------------------------------------------------------------------------------
def test_a_recall_locks_the_apparatus_of_all_it_takes_from_the_queue_once_and_in_order(
    salt, send, prep, monkeypatch
):
    """Item locks taken batch by batch would not be in the order of their keys, and wait in a ring."""
    batches = [send(target="0.50").batch for _ in range(2)]
    assert all(active_bookings(batch) for batch in batches)
    monkeypatch.setattr(recall_services, "plan_again", lambda **words: None)
    with CaptureQueriesContext(connection) as queries:
        recalled(salt, prep)
    items = ApparatusItem._meta.db_table
    # PostgreSQL says there for what it locks, SQLite nothing.
    asked = [one["sql"] for one in queries]
    (locks,) = [sql for sql in asked if sql.split(" FOR ")[0].endswith(f'ORDER BY "{items}"."id" ASC')]
    assert locks.startswith("SELECT")
    assert not any(active_bookings(batch) for batch in batches)


def test_what_somebody_did_since_an_order_was_planned_again_is_not_written_over(
    salt, send, prep, monkeypatch
):
    """Between planning it again and saying why it waits, a colleague finds another reason."""
    order = send(target="0.50")
    found = [{"text": "A colleague asks the department.", "alternatives": []}]
    plan = stopping.replan_order

    def planned_then_changed(**words):
        planned = plan(**words)
        Order.objects.filter(pk=planned.pk).update(waiting_for=found)
        return planned

    monkeypatch.setattr(stopping, "replan_order", planned_then_changed)
    recalled(salt, prep)
    assert state_of(order) == states.WAITING
    assert order.waiting_for == found


# --- what it reaches and does ---------------------------------------------------------------------
def test_a_recall_marks_the_bottle_and_what_was_made_of_it_and_still_stands_there(department, salt, prep):
    done = recalled(salt, prep)
    ready = department["ready"].batch.prepared_lot
    gone = department["handed_over"].batch.prepared_lot
    assert {lot.pk for lot in done.lots.all()} == {salt.pk, ready.pk}
    assert state_of(salt) == state_of(ready) == "recalled"
    assert state_of(gone) != "recalled", "nothing of it is left here"
    assert salt.events.last().reason == LETTER
    assert set(done.orders.all()) == set(department.values())


def test_queued_orders_are_planned_again_from_another_bottle_at_once(department, salt, prep, bottle):
    other = bottle("sodium-chloride", "500", assay_percent="99.5", assay_tolerance_percent="0.2")
    order = department["queued"]
    old = order.batch
    recalled(salt, prep)
    assert (state_of(order), state_of(old)) == (states.QUEUED, states.CANCELLED)
    assert {link.hold.lot for link in order.batch.batch_holds.all()} == {other}
    assert not Hold.objects.filter(lot=salt, state="active", purpose__startswith=old.reference).exists()


def test_without_another_bottle_they_wait_and_say_why_and_hold_nothing(department, salt, prep):
    order = department["queued"]
    recalled(salt, prep)
    order.refresh_from_db()
    assert (order.state, order.batch) == (states.WAITING, None)
    said = " ".join(reason["text"] for reason in order.waiting_for)
    assert LETTER in said
    assert "missing" in said, "and what would serve"
    held = Hold.objects.filter(lot=salt, state="active").get()
    assert held.purpose.startswith(department["in_work"].batch.reference)


def test_the_bench_stands_still_until_somebody_decides(department, salt, prep, second_prep, client):
    recalled(salt, prep)
    batch = department["in_work"].batch
    with pytest.raises(NotInThisState, match="is recalled"):
        do_step(batch, second_prep, 2)
    with pytest.raises(NotInThisState, match="is recalled"):
        finish_batch(actor=second_prep, batch=batch)
    assert batch.step_records.count() == 1
    client.force_login(second_prep)
    page = client.get(f"/batches/{batch.reference}/steps/2/")
    html = page.content.decode()
    assert page.status_code == 409
    assert "Stop." in html
    assert "assay is wrong" in html
    assert f"/batches/{batch.reference}/stop/" in html


def do_step(batch, actor, number):
    step = steps_of(batch)[number - 1]
    record_step(
        actor=actor,
        batch=batch,
        step_number=number,
        reading_text=step["quantity"]["value"] if step.get("window") else "",
        idempotency_key=f"again {batch.pk} {number}",
    )


def test_what_is_ready_is_not_handed_over_and_is_flagged_where_people_look(
    department, salt, prep, instructor, client
):
    recalled(salt, prep)
    order = department["ready"]
    with pytest.raises(NotInThisState, match="stands still"):
        hand_over_batch(actor=prep, batch=order.batch)
    assert state_of(order) == states.READY
    client.force_login(prep)
    assert "Stands still" in client.get("/queue/?show=open").content.decode()
    assert "is not handed over" in client.get(f"/batches/{order.batch.reference}/").content.decode()
    # A button that can only be refused is not offered.
    assert "/hand-over/" not in client.get(f"/batches/{order.batch.reference}/").content.decode()
    assert client.post(f"/batches/{order.batch.reference}/hand-over/").status_code == 409
    client.force_login(instructor)
    html = client.get(f"/orders/{order.reference}/").content.decode()
    assert "assay is wrong" in html
    assert "/stop/" not in html


def test_everybody_concerned_is_told_once_and_in_words_that_fit(
    department, salt, prep, second_prep, instructor, manager, colleague, course
):
    # Otto teaches a section of what was handed over, and did not order it.
    section = Section.objects.create(course=course, name="E", instructor=colleague)
    department["handed_over"].sections.add(section)
    recalled(salt, prep)
    recalled(salt, prep)
    by_order = {
        notice.path: notice.text for notice in Notice.objects.filter(person=instructor, kind="recall")
    }
    assert set(by_order) == {f"/orders/{order.reference}/" for order in department.values()}
    handed = by_order[f"/orders/{department['handed_over'].reference}/"]
    assert LETTER in handed
    assert "do not use what is left" in handed
    assert "not handed over until" in by_order[f"/orders/{department['ready'].reference}/"]
    assert "do not use what is left" in told(colleague)["recall"]
    assert Notice.objects.get(person=colleague).path == f"/stock/lots/{salt.code}/"
    assert "Stop work on" in told(second_prep)["batch_flagged"]
    assert "It reaches 1 more lot" in told(manager)["recall"]
    assert not Notice.objects.filter(person=prep, kind="recall").exists(), "who recalls knows"


# --- deciding -------------------------------------------------------------------------------------
def test_giving_up_a_begun_batch_books_what_the_steps_took_and_plans_again(
    department, salt, prep, second_prep, bottle
):
    other = bottle("sodium-chloride", "500", assay_percent="99.5", assay_tolerance_percent="0.2")
    recalled(salt, prep)
    order = department["in_work"]
    old = order.batch
    salt.refresh_from_db()
    before = salt.on_hand
    weighed = steps_of(old)[0]
    stop_batch(actor=second_prep, batch=old, reason="the salt is recalled")
    stop_batch(actor=second_prep, batch=old, reason="the salt is recalled")
    salt.refresh_from_db()
    assert weighed["action"] == "weigh"
    # The recorded reading of the weighing is what left the bottle [µg].
    assert before - salt.on_hand == round(float(weighed["quantity"]["value"]) * 1e6)
    assert salt.held == 0
    assert (state_of(order), state_of(old)) == (states.QUEUED, states.CANCELLED)
    assert {link.hold.lot for link in order.batch.batch_holds.all()} == {other}
    assert [event.event for event in order.events.all()][-2:] == ["stop", "queue"]


def test_giving_up_what_is_ready_leaves_the_bottle_recalled_and_its_order_waits(department, salt, prep):
    recalled(salt, prep)
    order = department["ready"]
    lot = order.batch.prepared_lot
    stop_batch(actor=prep, batch=order.batch, reason="made from recalled salt")
    lot.refresh_from_db()
    order.refresh_from_db()
    assert (lot.state, lot.held, order.state) == ("recalled", 0, states.WAITING)
    assert lot.on_hand > 0
    assert "made from recalled salt" in order.waiting_for[0]["text"]


def test_only_whoever_has_it_or_a_manager_gives_a_batch_up_and_says_why(
    department, salt, prep, second_prep, manager, instructor
):
    batch = department["in_work"].batch
    with pytest.raises(Conflict, match="Paul Reed"):
        stop_batch(actor=prep, batch=batch, reason="because")
    with pytest.raises(InvalidInput):
        stop_batch(actor=second_prep, batch=batch, reason=" ")
    with pytest.raises(NotAllowed):
        stop_batch(actor=instructor, batch=batch, reason="because")
    with pytest.raises(NotInThisState):
        stop_batch(actor=manager, batch=department["handed_over"].batch, reason="because")
    stop_batch(actor=manager, batch=batch, reason="a flask broke")
    assert state_of(batch) == states.CANCELLED


def test_a_recall_made_in_error_is_taken_back_in_two_steps_and_the_work_goes_on(
    department, salt, prep, second_prep
):
    recalled(salt, prep)
    ready = department["ready"].batch
    for lot in (salt, ready.prepared_lot):
        with pytest.raises(NotInThisState):
            change_lot_state(actor=prep, lot=lot, event="release", reason="wrong bottle")
        change_lot_state(actor=prep, lot=lot, event="quarantine", reason="wrong bottle")
    with pytest.raises(NotInThisState, match="quarantined: wrong bottle"):
        hand_over_batch(actor=prep, batch=ready)
    for lot in (salt, ready.prepared_lot):
        change_lot_state(actor=prep, lot=lot, event="release", reason="label compared")
    hand_over_batch(actor=prep, batch=ready)
    do_step(department["in_work"].batch, second_prep, 2)
    assert state_of(ready) == states.HANDED_OVER


def test_a_bottle_left_out_on_purpose_goes_on(department, salt, prep):
    ready = department["ready"].batch
    done = recalled(salt, prep, left_out=[ready.prepared_lot.pk])
    assert state_of(ready.prepared_lot) == "available"
    assert list(done.left_out.all()) == [ready.prepared_lot]
    hand_over_batch(actor=prep, batch=ready)
    assert not Notice.objects.filter(path=f"/orders/{department['ready'].reference}/", kind="recall").exists()


def test_an_empty_bottle_can_be_recalled_for_what_was_made_of_it(bench, bottle, send, prep):
    lot = bottle("sodium-chloride", "35", assay_percent="100.0")
    batch = made(send(target="0.50"), prep)
    Lot.objects.filter(pk=lot.pk).update(state="empty")
    recalled(lot, prep)
    assert state_of(lot) == state_of(batch.prepared_lot) == "recalled"


# --- the form -------------------------------------------------------------------------------------
def test_one_form_recalls_once_and_never_another_bottle(salt, bottle, prep):
    other = bottle("potassium-chloride", "100", assay_percent="99.8")
    first = recalled(salt, prep)
    assert recalled(salt, prep) == first
    assert salt.events.count() == 1
    with pytest.raises(Conflict, match=salt.code):
        recalled(other, prep)
    assert state_of(other) == "available"


def test_a_recall_needs_a_reason_and_the_stockroom(salt, prep, instructor):
    with pytest.raises(InvalidInput):
        recalled(salt, prep, reason=" ")
    with pytest.raises(NotAllowed):
        recalled(salt, instructor)
    assert not Recall.objects.exists()


def test_the_page_shows_the_reach_then_recalls_and_leads_to_the_record(
    client, department, salt, prep, instructor
):
    client.force_login(prep)
    address = f"/stock/lots/{salt.code}/state/recall/"
    page = client.get(address)
    html = page.content.decode()
    for heading in (
        "At the bench now (1)",
        "In the queue (1)",
        "Ready, not handed over (1)",
        "Handed over (1)",
    ):
        assert heading in html
    assert "Ines Vale" in html
    assert html.count("checked") == 1
    form = page.context["form"]
    typed = {
        "idempotency_key": form["idempotency_key"].value(),
        "shown": form["shown"].value(),
        "lots": form["lots"].value(),
    }
    refused = client.post(address, typed)
    assert refused.status_code == 422
    assert refused.content.decode().count("“Reason” is empty") == 2
    answer = client.post(address, {**typed, "reason": LETTER}, follow=True)
    html = answer.content.decode()
    assert "To be decided (2)" in html
    assert "Bottles recalled (2)" in html
    assert "Ines Vale" in html
    assert Order.objects.get(pk=department["queued"].pk).state == states.WAITING
    assert "not be done now" not in html
    assert "can't be done now" in client.get(address).content.decode().replace("&#x27;", "'")


def test_a_bottle_unticked_on_the_page_stays(client, department, salt, prep):
    client.force_login(prep)
    lot = department["ready"].batch.prepared_lot
    client.post(
        f"/stock/lots/{salt.code}/state/recall/",
        {"idempotency_key": "one", "shown": str(lot.pk), "reason": LETTER},
    )
    assert (state_of(salt), state_of(lot)) == ("recalled", "available")


def test_what_was_made_after_the_page_was_shown_is_recalled_as_well(client, salt, send, prep):
    client.force_login(prep)
    address = f"/stock/lots/{salt.code}/state/recall/"
    form = client.get(address).context["form"]
    typed = {"idempotency_key": "one", "shown": form["shown"].value(), "reason": LETTER}
    batch = made(send(), prep)
    client.post(address, typed)
    assert state_of(batch.prepared_lot) == "recalled"


def test_the_page_takes_the_same_queries_for_one_batch_and_for_six(client, salt, send, prep):
    client.force_login(prep)

    def queries() -> int:
        with CaptureQueriesContext(connection) as counted:
            assert client.get(f"/stock/lots/{salt.code}/state/recall/").status_code == 200
        return len(counted)

    made(send(target="0.20"), prep)
    few = queries()
    for _ in range(5):
        made(send(target="0.20"), prep)
    assert queries() == few


def test_a_spoilt_batch_is_given_up_from_its_page_by_whoever_may(
    client, department, prep, second_prep, manager
):
    begun, ready = department["in_work"].batch, department["ready"].batch

    def offered(person, batch) -> bool:
        client.force_login(person)
        return (
            f"/batches/{batch.reference}/stop/" in client.get(f"/batches/{batch.reference}/").content.decode()
        )

    assert [offered(person, begun) for person in (second_prep, prep, manager)] == [True, False, True]
    assert offered(prep, ready)


def test_the_page_of_giving_up_says_what_it_does(client, department, salt, prep, second_prep):
    recalled(salt, prep)
    client.force_login(second_prep)
    address = f"/batches/{department['in_work'].batch.reference}/stop/"
    html = client.get(address).content.decode()
    assert "booked out" in html
    assert client.post(address, {"reason": ""}).status_code == 422
    assert client.post(address, {"reason": "recalled salt"}).status_code == 302
    assert state_of(department["in_work"]) == states.WAITING
