"""The plan of the day: what stands in it, with how many questions, and what it keeps to itself."""

import re
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.sessions.models import Session
from django.utils.html import strip_tags

from inventory.services import change_lot_state
from requests_app import selectors, states
from requests_app.concealing import card_for_list
from requests_app.models import Batch, DepartmentRules, OrderRevision, SecondCheck
from requests_app.services.claiming import claim_batch
from tests.requests_app.many import copies_of, waiting_like

QUEUE, WALL = "/queue/", "/wall/"
# A Monday morning at eight; all times of these tests are on its clock.
NOW = datetime(2026, 11, 30, 8, tzinfo=UTC)


@pytest.fixture
def morning():
    with time_machine.travel(NOW, tick=False):
        yield NOW


@pytest.fixture
def look(client, prep):
    """Open an address as prep staff; gives the words of the page."""
    client.force_login(prep)

    def open_(address=QUEUE, **headers):
        answer = client.get(address, headers=headers)
        assert answer.status_code == 200, address
        return words_of(answer)

    return open_


def words_of(answer) -> str:
    return " ".join(strip_tags(answer.content.decode().replace("<", " <")).split())


def rows_of(answer) -> list[str]:
    return re.findall(r'class="queue-row" id="([^"]+)"', answer.content.decode())


def at(hour: int, minute: int = 0, days: int = 0) -> datetime:
    return NOW.replace(hour=hour, minute=minute) + timedelta(days=days)


# --- how often it asks -----------------------------------------------------------------------------
@pytest.mark.parametrize("count", [30, 400])
def test_the_page_takes_six_questions_however_many_batches_there_are(
    count, morning, salt, send, prep, client, django_assert_max_num_queries
):
    """Session, person, notices; the figures, the rows, their orders."""
    order = send(volume="1", due_at=at(9))
    copies_of(order, count - 1, lambda number: at(7, 30) + timedelta(minutes=number))
    waiting_like(order, count, lambda number: at(10))
    client.force_login(prep)
    for asked in (
        *(f"?show={name}" for name in selectors.QUEUE_FILTERS),
        "?by=due",
        "?page=2",
        "?on=2020-01-01",
    ):
        with django_assert_max_num_queries(6):
            assert client.get(QUEUE + asked).status_code == 200
    with django_assert_max_num_queries(4):
        assert client.get(WALL).status_code == 200


def test_looking_writes_nothing(morning, salt, send, prep, client):
    send(volume="1", due_at=at(9))
    client.force_login(prep)
    before = list(Session.objects.values("session_key", "session_data", "expire_date"))
    client.get(QUEUE)
    client.get(QUEUE)
    assert list(Session.objects.values("session_key", "session_data", "expire_date")) == before


# --- which day, which rows ---------------------------------------------------------------------------
def test_the_day_shows_what_is_due_and_what_is_late_and_the_next_day_its_own(
    morning, salt, send, prep, client
):
    late = send(volume="1", due_at=at(9), made_alone=True).batch
    Batch.objects.filter(pk=late.pk).update(due_at=at(15, days=-3))
    today = send(volume="1", due_at=at(14), made_alone=True).batch
    tomorrow = send(volume="1", due_at=at(9, 30, days=1), made_alone=True).batch
    client.force_login(prep)
    page = client.get(QUEUE)
    assert set(rows_of(page)) == {late.reference, today.reference}
    assert "Mon 30 Nov, today" in words_of(page)
    assert "1 batch is late" in words_of(page)
    assert "1 batch is due before 10:00 on Tue 1 Dec, tomorrow" in words_of(page)
    html = page.content.decode()
    for step in ("2026-11-29", "2026-12-01"):
        assert f'href="?show=day&amp;on={step}"' in html
    assert rows_of(client.get(f"{QUEUE}?on=2026-12-01")) == [tomorrow.reference]
    assert rows_of(client.get(f"{QUEUE}?show=open&by=due")) == [
        late.reference,
        today.reference,
        tomorrow.reference,
    ]


def test_a_day_that_has_passed_shows_what_was_handed_over(morning, salt, send, look):
    batch = send(volume="1", due_at=at(9)).batch
    Batch.objects.filter(pk=batch.pk).update(due_at=at(9, days=-1), state=states.HANDED_OVER)
    assert batch.reference not in look()
    assert "Handed over" in look(f"{QUEUE}?on=2026-11-29").split(batch.reference)[1]
    assert "Nothing is due on this day." in look(f"{QUEUE}?on=2026-11-28")


@pytest.mark.parametrize(
    "asked", ["on=yesterday", "on=2026-02-30", "on=9999-12-31", "page=-1", "page=x", "page=999999", "by=name"]
)
def test_an_address_that_makes_no_sense_shows_the_day(asked, morning, salt, send, look):
    reference = send(volume="1", due_at=at(9)).batch.reference
    assert reference in look(f"{QUEUE}?{asked}")


def test_every_batch_stands_on_one_page(morning, salt, send, prep, client):
    order = send(volume="1", due_at=at(9))
    copies_of(order, 119, lambda number: at(10) + timedelta(minutes=number))
    client.force_login(prep)
    for asked in ("?show=day", "?by=due", "?show=open"):
        pages = [client.get(f"{QUEUE}{asked}&page={page}") for page in (1, 2, 3)]
        found = [reference for page in pages for reference in rows_of(page)]
        assert len(found) == len(set(found)) == 120
        assert [len(rows_of(page)) for page in pages] == [50, 50, 20]
        assert "51 to 100 of 120 Page 1 Page 3" in words_of(pages[1])


def test_what_is_drawn_once_and_kept_is_escaped_at_every_look(morning, salt, send, instructor, prep, client):
    instructor.first_name = "<i>Ines</i>"
    instructor.save()
    batch = send(volume="1", due_at=at(9)).batch
    Batch.objects.filter(pk=batch.pk).update(title="<b>salt</b> & water", room="<u>12</u>")
    client.force_login(prep)
    for _ in range(3):
        html = client.get(QUEUE).content.decode()
        assert "&lt;b&gt;salt&lt;/b&gt; &amp; water" in html
        assert "&lt;i&gt;Ines&lt;/i&gt;" in html
        assert not {"<b>", "<i>", "<u>"} & set(re.findall(r"<\w>", html))


# --- the suggestion ------------------------------------------------------------------------------------
def test_the_rows_stand_in_the_suggested_sequence_or_by_due_time(morning, salt, send, prep, client):
    """What is under way goes first, also before what is due earlier (common practice)."""
    first = send(volume="1", due_at=at(11), made_alone=True).batch
    begun = send(volume="1", due_at=at(15), made_alone=True).batch
    claim_batch(actor=prep, batch=begun)
    Batch.objects.filter(pk=begun.pk).update(state=states.IN_WORK)
    client.force_login(prep)
    page = client.get(QUEUE)
    assert rows_of(page) == [begun.reference, first.reference]
    assert "2 batches, in the suggested sequence" in words_of(page)
    row = words_of(page).split(begun.reference)[1]
    assert "08:00 Pia Brook" in row
    assert "minutes at it" in row
    page = client.get(f"{QUEUE}?by=due")
    assert rows_of(page) == [first.reference, begun.reference]
    assert "2 batches, earliest due first" in words_of(page)


def test_two_people_begin_at_once(morning, salt, send, look):
    """On two balances: nobody waits for the other."""
    for target, volume in (("2.00", "1"), ("1.00", "20")):
        send(target=target, volume=volume, due_at=at(9), made_alone=True)
    assert look().count("08:00 person") == 1
    DepartmentRules.objects.update_or_create(pk=1, defaults={"hands": 2})
    said = look()
    assert "08:00 person 1" in said
    assert "08:00 person 2" in said
    assert "A suggestion for 2 people" in said


def test_what_cant_be_ready_in_time_stands_at_the_top_with_why_and_what_helps(morning, salt, send, look):
    assert "Can’t be ready in time" not in look()
    too_short = send(volume="1", due_at=at(8, 5), made_alone=True).batch
    said = look()
    assert said.index("Can’t be ready in time") < said.index("in the suggested sequence")
    told = said.split("Can’t be ready in time")[1]
    assert f"{too_short.reference} , due 08:05 , ready 08:" in told
    assert "It needs" in told
    assert "5 minutes are left. Tell whoever ordered it, and agree on another time." in told
    assert "Too late by" in told


def test_what_only_other_work_keeps_from_its_time_says_by_when_it_would_have_to_begin(
    morning, salt, send, look
):
    for _ in range(2):
        send(volume="1", due_at=at(8, 35), made_alone=True)
    told = look().split("Can’t be ready in time")[1]
    assert re.search(r"Begun by 08:\d\d it would be in time: one more person", told)


# --- what is to be looked at -----------------------------------------------------------------------------
def test_each_flag_is_a_word_with_a_shape_in_the_row(morning, salt, send, prep, manager, instructor, client):
    def flagged(word):
        client.force_login(prep)
        html = client.get(QUEUE).content.decode()
        return re.search(rf"<svg[^>]*><path[^>]*/></svg>{word}", html) is not None

    order = send(volume="1", due_at=at(9))
    batch = order.batch
    assert not any(map(flagged, ("Changed, not seen yet", "Paused", "Stands still", "Waits for a second")))
    OrderRevision.objects.create(
        order=order, number=2, actor=instructor, needs_seeing=True, batch=batch, idempotency_key="r"
    )
    assert flagged("Changed, not seen yet")
    claim_batch(actor=prep, batch=batch)
    record = batch.step_records.create(
        sheet=batch.sheets.get(), step_number=1, verdict="done", actor=prep, idempotency_key="s"
    )
    Batch.objects.filter(pk=batch.pk).update(state=states.IN_WORK, paused_at=NOW)
    assert flagged("Paused since 08:00")
    SecondCheck.objects.create(
        batch=batch, sheet=batch.sheets.get(), up_to=record, asked_by=prep, idempotency_key="c"
    )
    assert flagged("Waits for a second person")
    change_lot_state(actor=manager, lot=salt, event="quarantine", reason="clumped")
    assert flagged("Stands still")
    assert "A bottle it holds is recalled or quarantined." in words_of(client.get(QUEUE))


def test_what_was_changed_since_one_looked_is_remembered_for_that_person_alone(
    morning, salt, send, prep, second_prep, instructor, client
):
    order = send(volume="1", due_at=at(14))
    client.force_login(prep)
    client.get(QUEUE)
    with time_machine.travel(at(9), tick=False):
        OrderRevision.objects.create(
            order=order, number=2, actor=instructor, batch=order.batch, idempotency_key="r"
        )
        client.force_login(second_prep)
        assert "since you looked last" not in words_of(client.get(QUEUE))
    client.force_login(prep)
    client.cookies["queue-looked-at"] = f"{prep.pk} {NOW.isoformat()}"
    with time_machine.travel(at(10), tick=False):
        said = words_of(client.get(QUEUE))
        assert "1 batch has changed since you looked last" in said
        assert "Changed since you looked" in said
        assert "since you looked last" not in words_of(client.get(QUEUE))
    for nonsense in ("", "x", f"{prep.pk} yesterday", f"{prep.pk} 2026-13-01T00:00:00Z"):
        client.cookies["queue-looked-at"] = nonsense
        assert client.get(QUEUE).status_code == 200


def test_of_an_unknown_a_row_knows_no_more_than_how_much_of_it_there_is(morning, salt, send):
    """Also how long it takes, and on what, would say how it is diluted."""
    card = send(volume="1", due_at=at(9)).batch.sheets.get().card
    assert card_for_list(card) == {"makes": card["makes"], "concealed": True}


# --- what can't be made yet --------------------------------------------------------------------------------
def test_the_first_of_the_waiting_orders_stand_under_the_day_with_their_reasons(morning, salt, send, look):
    order = send(volume="1", due_at=at(9))
    waiting_like(order, 25, lambda number: at(10) + timedelta(minutes=number))
    waiting_like(order, 3, lambda number: at(10, days=2), prefix="X")
    said = look()
    assert "The first 20 of 25 orders that wait for stock or apparatus" in said
    assert "R-W0" in said
    assert "R-W20" not in said
    assert "12.3 g missing" in said
    assert f"{order.batch.reference} makes a solution of sodium chloride" in said
    assert "The first 20 of 28" in look(f"{QUEUE}?show=open")


# --- the screen on the wall ----------------------------------------------------------------------------
def test_the_wall_says_by_hour_and_room_how_far_the_orders_are(morning, salt, send, prep, look):
    made, _, other = (
        send(volume="1", due_at=at(hour), room=room, made_alone=True)
        for hour, room in ((10, "210"), (10, "210"), (12, "305"))
    )
    claim_batch(actor=prep, batch=made.batch)
    said = look(WALL)
    assert "Mon 30 Nov as of 08:00" in said
    assert "10:00 210 1 2.00 mol/L sodium chloride 1 Pia Brook – –" in said
    assert "12:00 305 1" in said
    assert "to be made 2 , being made 1 , ready 0 , handed over 0 ." in said
    with time_machine.travel(at(12, 30), tick=False):
        assert "12:00 1 late 305 1" in look(WALL)
    assert other.batch is not None


def test_the_wall_is_left_alone_while_nothing_changes(morning, salt, send, prep, client):
    order = send(volume="1", due_at=at(10))
    client.force_login(prep)
    page = client.get(WALL).content.decode()
    again = re.search(r'hx-get="([^"]+)"', page)[1]
    with time_machine.travel(at(8, 1), tick=False):
        same = client.get(again, headers={"HX-Request": "true"})
    assert (same.status_code, same.content, same["X-Looked-At"]) == (204, b"", "08:01")
    claim_batch(actor=prep, batch=order.batch)
    other = client.get(again, headers={"HX-Request": "true"})
    assert other.status_code == 200
    assert "Pia Brook" in words_of(other)
    assert "<html" not in other.content.decode()


def test_the_wall_has_six_lines_and_says_how_many_have_no_place(morning, salt, send, look):
    order = send(volume="1", due_at=at(9))
    copies_of(order, 8, lambda number: at(10 + number))
    said = look(WALL)
    assert "14:00 210" in said
    assert "15:00 210" not in said
    assert "3 more lines have no place here." in said
