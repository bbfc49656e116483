"""What a device sends from its outbox: booked once, in order, at its real time, and never over somebody else.

The facts behind it are common practice at a bench: a reading is written down with the time at which it was
taken, a record is never written over, and two people do not write into one line.
"""

import json
from datetime import UTC, datetime, timedelta
from decimal import Decimal

import pytest
import time_machine
from django.test import Client
from django.urls import reverse

from requests_app import sheets
from requests_app.models import Batch, BottleScan, DepartmentRules, StepRecord
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.orders import replan_order
from requests_app.services.recalls import recall_lot
from requests_app.services.recording import record_step
from requests_app.services.scanning import scan_bottle
from requests_app.services.unknowns import order_unknowns
from tests.requests_app.test_unknowns import wanted  # noqa: F401 (a fixture)

pytestmark = pytest.mark.django_db

MORNING = datetime(2026, 12, 1, 9, 0, tzinfo=UTC)


@pytest.fixture
def clock():
    with time_machine.travel(MORNING, tick=False) as traveller:
        yield traveller


@pytest.fixture
def mine(clock, send, salt, prep, client) -> Batch:
    """Claimed at nine by the person who is signed in."""
    batch = claim_batch(actor=prep, batch=send().batch)
    client.force_login(prep)
    return batch


def steps_of(batch) -> list[dict]:
    return sheets.current_sheet(batch).plan["steps"]


def reading_of(step) -> str:
    return step["quantity"]["value"] if step.get("window") else ""


def send_record(client, batch, number, *, at=MORNING, sent=None, **more):
    """Post as the device does; ``at`` is when it was taken, ``sent`` when it goes out, by its clock."""
    batch.refresh_from_db()
    body = {
        "key": f"key-{number}",
        "person": client.session["_auth_user_id"],
        "version": batch.version,
        "revision": sheets.current_sheet(batch).revision,
        "reading": reading_of(steps_of(batch)[number - 1]),
        "after": "",
        "taken_at": at.isoformat(),
        "sent_at": (sent or datetime.now(UTC)).isoformat(),
    }
    address = reverse("requests_app:record", args=[batch.reference, number])
    return client.post(address, json.dumps({**body, **more}), content_type="application/json")


def words_of(answer) -> str:
    return answer.json()["refused"]["text"]


# --- as if there were no outbox ------------------------------------------------------------------
def test_a_reading_is_recorded_and_the_answer_leads_on(client, mine, prep):
    answer = send_record(client, mine, 1)
    assert answer.status_code == 200
    mine.refresh_from_db()
    assert answer.json() == {
        "step": 1,
        "version": mine.version,
        "next": reverse("requests_app:step", args=[mine.reference, 2]),
    }
    taken = StepRecord.objects.get()
    assert (taken.actor, taken.reading_text, taken.version_after) == (
        prep,
        reading_of(steps_of(mine)[0]),
        mine.version,
    )
    assert not taken.was_sent_later


def test_the_last_step_leads_to_closing(client, mine):
    for step in steps_of(mine):
        answer = send_record(client, mine, step["number"])
    assert answer.json()["next"] == reverse("requests_app:finish", args=[mine.reference])


def test_it_is_booked_once_however_often_it_arrives(client, mine):
    seen = mine.version
    first = send_record(client, mine, 1, version=seen)
    second = send_record(client, mine, 1, version=seen)
    assert (first.status_code, second.status_code) == (200, 200)
    assert first.json() == second.json()
    assert StepRecord.objects.count() == 1


def test_a_reading_that_is_no_number_or_outside_is_not_booked(client, mine):
    step = steps_of(mine)[0]
    high = Decimal(step["window"]["high"])
    for text, said in (("L00017X", "is not a number"), (str(high + Decimal("0.30")), "Outside by 0.30 g")):
        answer = send_record(client, mine, 1, reading=text)
        assert answer.status_code == 422
        assert said in words_of(answer)
    assert not StepRecord.objects.exists()
    kept = send_record(client, mine, 1, reading=str(high + 1), reason="the bottle ran out")
    assert kept.status_code == 200
    assert StepRecord.objects.get().reason == "the bottle ran out"


@pytest.mark.parametrize(
    "body", ["", "[]", "null", '"x"', "{", '{"key": "a"}', "[" * 200_000, '{"a":' * 100_000, '{"key": {}}']
)
def test_what_is_not_a_reading_is_refused_in_words(client, mine, body):
    address = reverse("requests_app:record", args=[mine.reference, 1])
    answer = client.post(address, body, content_type="application/json")
    assert answer.status_code == 422
    assert words_of(answer)
    assert not StepRecord.objects.exists()


@pytest.mark.parametrize("taken", [None, 7, [], {"at": "nine"}, "9" * 5000, "0001-01-01T00:00:00+14:00"])
def test_a_time_that_is_no_time_is_refused_in_words(client, mine, taken):
    answer = send_record(client, mine, 1, taken_at=taken)
    assert answer.status_code in (200, 422), "a moment ages ago is a clock that is wrong"
    assert StepRecord.objects.exists() == (answer.status_code == 200)


def test_without_the_token_of_the_page_nothing_is_taken(mine, prep):
    strict = Client(enforce_csrf_checks=True)
    strict.force_login(prep)
    assert send_record(strict, mine, 1).status_code == 403
    assert not StepRecord.objects.exists()


# --- sent later ------------------------------------------------------------------------------------
def test_two_readings_are_booked_in_order_with_their_real_times(client, mine, clock):
    seen = mine.version
    clock.move_to(MORNING + timedelta(minutes=10))
    first = send_record(client, mine, 1, version=seen, at=MORNING + timedelta(minutes=3))
    second = send_record(
        client, mine, 2, version=seen, after="key-1", at=MORNING + timedelta(minutes=5, seconds=30)
    )
    assert (first.status_code, second.status_code) == (200, 200)
    records = StepRecord.objects.order_by("pk")
    assert [record.step_number for record in records] == [1, 2]
    assert [record.read_at - MORNING for record in records] == [
        timedelta(minutes=3),
        timedelta(minutes=5, seconds=30),
    ]
    assert all(record.was_sent_later for record in records)
    page = client.get(reverse("requests_app:batch", args=[mine.reference])).content.decode()
    assert "Tue 1 Dec, 09:03" in page
    assert "sent later" in page


def test_a_queue_that_was_cut_off_is_sent_again_from_its_start(client, mine):
    """The answers of the first round were lost on their way back."""
    seen = mine.version
    for _ in range(2):
        assert send_record(client, mine, 1, version=seen).status_code == 200
        assert send_record(client, mine, 2, version=seen, after="key-1").status_code == 200
    assert StepRecord.objects.count() == 2


def test_a_clock_that_is_wrong_changes_nothing(client, mine, clock):
    clock.move_to(MORNING + timedelta(minutes=10))
    wrong = timedelta(hours=-3)
    answer = send_record(
        client,
        mine,
        1,
        at=MORNING + timedelta(minutes=4) + wrong,
        sent=MORNING + timedelta(minutes=10) + wrong,
    )
    assert answer.status_code == 200
    assert StepRecord.objects.get().read_at == MORNING + timedelta(minutes=4)


@pytest.mark.parametrize(
    "taken",
    [
        MORNING - timedelta(minutes=1),
        MORNING + timedelta(hours=8),
        datetime(1970, 1, 1, tzinfo=UTC),
    ],
    ids=["before the claim", "in the future", "long ago"],
)
def test_a_time_that_can_not_be_is_not_believed_and_the_record_says_so(client, mine, clock, taken):
    now = MORNING + timedelta(hours=7)
    clock.move_to(now)
    client.force_login(mine.claimed_by)  # The shift is long; the session began anew.
    assert send_record(client, mine, 1, at=taken).status_code == 200
    record = StepRecord.objects.get()
    assert (record.taken_at, record.read_at) == (None, now)
    assert "can't be; the time is that of arrival" in record.reason


def test_a_reading_that_was_on_its_way_for_more_than_a_few_hours_has_the_time_of_arrival(client, mine, clock):
    clock.move_to(MORNING + timedelta(hours=6, minutes=1))
    send_record(client, mine, 1, at=MORNING)
    assert StepRecord.objects.get().taken_at is None


# --- bottles that were scanned without a connection ---------------------------------------------
def send_scan(client, batch, code, *, key="scan", at=MORNING, sent=None, number=1, **more):
    """Post a scan as the device does that kept it; the times are by its clock."""
    body = {
        "key": key,
        "scan": code,
        "person": client.session["_auth_user_id"],
        "revision": sheets.current_sheet(batch).revision,
        "taken_at": at.isoformat(),
        "sent_at": (sent or datetime.now(UTC)).isoformat(),
    }
    address = reverse("requests_app:scan", args=[batch.reference, number])
    return client.post(address, {**body, **more}, headers={"Accept": "application/json"})


@pytest.fixture
def asked(db):
    """The department asks that every bottle is scanned."""
    DepartmentRules.objects.update_or_create(pk=1, defaults={"scan_bottles": True})


def test_a_kept_scan_is_one_scan_at_its_real_time_however_often_it_arrives(client, mine, salt, asked, clock):
    seen = mine.version
    clock.move_to(MORNING + timedelta(minutes=10))
    for _ in range(2):
        answer = send_scan(client, mine, salt.code, at=MORNING + timedelta(minutes=3))
        assert answer.status_code == 200
        assert answer.json()["right"] is True
        assert 'data-scan-state="done"' in answer.json()["part"]
    made = BottleScan.objects.get()
    assert (made.verdict, made.taken_at) == ("right", MORNING + timedelta(minutes=3))
    assert made.at == MORNING + timedelta(minutes=10)
    # The reading that was kept after it goes on from the page that knew nothing of the scan.
    assert send_record(client, mine, 1, version=seen).status_code == 200


def test_a_wrong_bottle_that_arrives_before_the_right_one_is_kept_and_stops_nothing(
    client, mine, salt, bottle, asked
):
    wrong = bottle("sodium-carbonate-anhydrous", "100", assay_percent="99")
    answer = send_scan(client, mine, wrong.code, key="wrong")
    assert answer.status_code == 200
    assert answer.json()["right"] is False
    assert send_record(client, mine, 1).status_code == 409
    assert send_scan(client, mine, salt.code, key="right").json()["right"] is True
    assert send_record(client, mine, 1).status_code == 200
    assert [one.verdict for one in BottleScan.objects.order_by("pk")] == ["other_form", "right"]


def test_the_bottle_that_was_scanned_last_counts_and_not_the_one_that_arrived_last(
    client, mine, salt, bottle, asked, clock, prep
):
    wrong = bottle("sodium-carbonate-anhydrous", "100", assay_percent="99")
    clock.move_to(MORNING + timedelta(minutes=5))
    scan_bottle(actor=prep, batch=mine, step_number=1, scanned=wrong.code, idempotency_key="other device")
    clock.move_to(MORNING + timedelta(minutes=10))
    # The right one was scanned before that, on a device whose connection was lost.
    send_scan(client, mine, salt.code, at=MORNING + timedelta(minutes=3))
    answer = send_record(client, mine, 1)
    assert answer.status_code == 409
    assert wrong.code in words_of(answer)


def test_scans_keep_the_order_in_which_one_device_sends_them_however_long_each_is_on_its_way(
    client, mine, salt, bottle, asked, clock
):
    wrong = bottle("sodium-carbonate-anhydrous", "100", assay_percent="99")
    made, sent = MORNING + timedelta(minutes=3), MORNING + timedelta(minutes=10)
    # By the difference of its clock the first one, which was slow to arrive, would be the later one.
    clock.move_to(sent + timedelta(seconds=3))
    send_scan(client, mine, wrong.code, key="wrong", at=made, sent=sent)
    send_scan(client, mine, salt.code, key="right", at=made, sent=sent + timedelta(seconds=3))
    assert send_record(client, mine, 1).status_code == 200


def test_a_bottle_that_was_good_on_the_day_it_was_scanned_is_right_after_midnight(
    client, mine, salt, asked, clock, prep
):
    salt.expires_on = MORNING.date()
    salt.save()
    before_midnight = MORNING.replace(hour=23, minute=50)
    clock.move_to(before_midnight + timedelta(minutes=20))
    client.force_login(prep)
    assert send_scan(client, mine, salt.code, at=before_midnight).json()["right"] is True
    clock.move_to(before_midnight + timedelta(minutes=30))
    assert send_scan(client, mine, salt.code, key="later", at=datetime.now(UTC)).json()["right"] is False


def test_a_bottle_recalled_since_it_was_scanned_is_kept_as_stopped_and_the_reading_is_refused(
    client, mine, manager, salt, asked
):
    recall_lot(actor=manager, lot=salt, reason="a letter of the maker", idempotency_key="recall")
    answer = send_scan(client, mine, salt.code)
    assert answer.status_code == 200
    assert answer.json()["right"] is False
    assert BottleScan.objects.get().verdict == "stopped"
    answer = send_record(client, mine, 1)
    assert answer.status_code == 409
    assert "recalled" in words_of(answer)


@pytest.mark.parametrize(
    ("more", "status", "words"),
    [
        ({"person": "0"}, 403, "Somebody else scanned this"),
        ({"revision": "7"}, 409, "planned anew"),
        ({"scan": "  "}, 422, "Scan the label"),
        ({"key": ""}, 422, "did not arrive whole"),
    ],
)
def test_a_kept_scan_that_can_not_be_written_down_is_refused_in_words(
    client, mine, salt, more, status, words
):
    answer = send_scan(client, mine, salt.code, **more)
    assert answer.status_code == status
    assert words in words_of(answer)
    assert not BottleScan.objects.exists()


def test_a_kept_scan_for_a_batch_that_was_put_back_is_refused_and_told_once(client, mine, salt, prep):
    put_back_batch(actor=prep, batch=mine, reason="")
    answer = send_scan(client, mine, salt.code)
    assert answer.status_code == 409
    assert "claim it before working on it" in words_of(answer)
    page = client.get(reverse("requests_app:batch", args=[mine.reference])).content.decode()
    assert "claim it before working on it" not in page


# --- somebody else meanwhile --------------------------------------------------------------------
def test_what_another_device_recorded_meanwhile_is_told_and_nothing_is_booked(client, mine, prep):
    step = steps_of(mine)[0]
    seen = mine.version
    record_step(
        actor=prep,
        batch=mine,
        step_number=1,
        reading_text=step["window"]["low"],
        idempotency_key="the other device",
    )
    answer = send_record(client, mine, 1, version=seen)
    assert answer.status_code == 409
    assert f"Step 1 was recorded as {step['window']['low']} g by Pia Brook" in words_of(answer)
    assert StepRecord.objects.count() == 1


def test_the_second_reading_goes_on_only_from_the_first_of_its_own_device(client, mine, prep, manager):
    seen = mine.version
    send_record(client, mine, 1, version=seen)
    low = steps_of(mine)[0]["window"]["low"]
    record_step(actor=manager, batch=mine, step_number=1, reading_text=low, idempotency_key="again")
    answer = send_record(client, mine, 2, version=seen, after="key-1")
    assert answer.status_code == 409
    assert f"Step 1 was recorded as {low} g by Mara Stone" in words_of(answer)
    # Nor from a record of somebody else, however new it is.
    answer = send_record(client, mine, 2, after="again", key="other")
    assert answer.status_code == 409
    assert StepRecord.objects.count() == 2


def test_what_comes_after_a_refused_reading_is_refused_too(client, mine):
    answer = send_record(client, mine, 1, after="never-arrived")
    assert answer.status_code == 409
    assert "The reading before this one was not recorded" in words_of(answer)
    assert not StepRecord.objects.exists()


def test_another_person_on_that_device_can_not_send_it(client, mine, manager, prep):
    client.force_login(manager)
    answer = send_record(client, mine, 1, person=prep.pk)
    assert answer.status_code == 403
    assert "Somebody else took this reading" in words_of(answer)
    assert not StepRecord.objects.exists()


def test_a_key_of_somebody_else_answers_nothing(client, mine, manager):
    send_record(client, mine, 1)
    client.force_login(manager)
    assert send_record(client, mine, 1).status_code == 409
    assert StepRecord.objects.count() == 1


def test_a_sheet_that_was_planned_anew_is_told(client, mine, prep, manager):
    seen = mine.version
    put_back_batch(actor=prep, batch=mine, reason="")
    mine.refresh_from_db()
    replan_order(actor=manager, order=mine.orders.get(), reason="another bottle")
    claim_batch(actor=prep, batch=Batch.objects.get())
    answer = send_record(client, mine, 1, version=seen, revision=1)
    assert answer.status_code == 409
    assert "planned anew" in words_of(answer)
    assert "revision 2 is the one to work from" in words_of(answer)


def test_a_batch_that_was_put_back_takes_nothing_more(client, mine, prep):
    seen = mine.version
    put_back_batch(actor=prep, batch=mine, reason="")
    answer = send_record(client, mine, 1, version=seen)
    assert answer.status_code == 409
    assert "claim it before working on it" in words_of(answer)


def test_a_bottle_that_was_recalled_meanwhile_takes_nothing_more(client, mine, manager, salt):
    seen = mine.version
    recall_lot(actor=manager, lot=salt, reason="a letter of the maker", idempotency_key="recall")
    answer = send_record(client, mine, 1, version=seen)
    assert answer.status_code == 409
    assert not StepRecord.objects.exists()


def test_a_session_that_ended_is_sent_to_sign_in_and_books_nothing(client, mine, prep):
    person = prep.pk
    client.session.flush()
    anonymous = Client()
    address = reverse("requests_app:record", args=[mine.reference, 1])
    answer = anonymous.post(address, json.dumps({"person": person}), content_type="application/json")
    assert answer.status_code == 302
    assert "sign-in" in answer["Location"]


def test_an_unknown_takes_readings_from_its_maker_alone_and_tells_nobody_else_a_figure(
    client,
    wanted,  # noqa: F811
    instructor,
    prep,
    manager,
):
    batch = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a").samples.first().order.batch
    claim_batch(actor=prep, batch=batch)
    client.force_login(manager)
    answer = send_record(client, batch, 1)
    assert answer.status_code == 403
    figure = steps_of(batch)[0]["quantity"]["value"]
    assert figure not in answer.content.decode()
    page = client.get(reverse("requests_app:step", args=[batch.reference, 1])).content.decode()
    assert figure not in page
    assert "<template" not in page
    client.force_login(prep)
    assert send_record(client, batch, 1).status_code == 200
