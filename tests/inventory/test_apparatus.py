"""Apparatus over its life: added, changed, broken, calibrated, out of service, each with its history."""

from datetime import date, timedelta
from importlib import import_module
from pathlib import Path

import pytest
from django.apps import apps
from django.urls import reverse
from django.utils import timezone

from inventory import codes
from inventory.models import ApparatusEvent, ApparatusItem
from inventory.selectors import calc_shelf, reasons_not_to_use
from inventory.services import (
    add_apparatus,
    book_apparatus,
    change_apparatus,
    change_count,
    record_calibration,
    set_in_service,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from tests.inventory.test_pages import field_errors, words

pytestmark = pytest.mark.django_db
MIGRATIONS = Path(__file__).resolve().parents[2] / "inventory" / "migrations"


@pytest.fixture
def balance(prep):
    return add_apparatus(actor=prep, type="balance", readability_g="0.0001", capacity_g="220", name="window")


@pytest.fixture
def at_bench(client, prep):
    client.force_login(prep)
    return client


def page(name: str, item: ApparatusItem, *more: object) -> str:
    return reverse(f"inventory:{name}", args=[item.code, *more])


def facts_of(item: ApparatusItem, **changes):
    """What the service takes, with the item's own facts where nothing changes."""
    sizes = ("nominal_ml", "division_ml", "tolerance_ml", "readability_g", "capacity_g")
    typed = {
        "sizes": {name: changes.pop(name, getattr(item, name)) for name in sizes},
        "apparatus_class": item.apparatus_class,
        "words": {name: changes.pop(name, getattr(item, name)) for name in ("standard", "note", "name")},
        "last_calibrated_on": item.last_calibrated_on,
        "calibration_due_on": item.calibration_due_on,
        "place": item.place,
    }
    return {**typed, **changes}


def test_what_is_added_gets_a_label_and_a_line_of_history(balance, prep):
    assert codes.is_sound(balance.code)
    assert balance.code.startswith("A")
    assert balance.words == "0.0001 g balance “window”"
    event = balance.events.get()
    assert (event.event, event.actor, event.reason) == ("add", prep, "1 × Balance, 0.0001 g")


def test_what_was_listed_before_labels_were_printed_gets_its_code_by_migration():
    item = ApparatusItem.objects.create(type="beaker", nominal_ml="400")
    kept = ApparatusItem.objects.create(type="beaker", nominal_ml="250", code="A000011")
    names = [path.stem for path in MIGRATIONS.glob("*_apparatus_history_and_bookings.py")]
    migration = import_module(f"inventory.migrations.{names[0]}")
    migration.give_codes(apps, None)
    item.refresh_from_db()
    kept.refresh_from_db()
    assert (item.code, kept.code) == (codes.code_of(item.pk, codes.APPARATUS), "A000011")


def test_what_is_only_counted_needs_no_size_and_takes_none(prep):
    plate = add_apparatus(actor=prep, type="hot plate", count=4)
    assert (str(plate), plate.words, plate.count) == ("Hot plate", "hot plate", 4)
    assert calc_shelf().apparatus == ()
    with pytest.raises(InvalidInput) as refused:
        add_apparatus(actor=prep, type="hot plate", nominal_ml="20")
    assert list(refused.value.errors) == ["nominal_ml"]


def test_changed_facts_stand_in_the_history_old_and_new(balance, prep):
    changed = change_apparatus(
        actor=prep,
        item=balance,
        **facts_of(balance, capacity_g="210", name="door"),
        reason="Read off its plate",
    )
    assert (changed.capacity_g, changed.name) == ("210", "door")
    assert changed.events.last().changes == [
        {"fact": "Capacity", "old": "220 g", "new": "210 g"},
        {"fact": "Name", "old": "window", "new": "door"},
    ]


def test_what_plans_count_with_changes_only_with_a_reason_and_no_change_leaves_no_line(
    balance, prep, instructor
):
    with pytest.raises(InvalidInput) as refused:
        change_apparatus(actor=prep, item=balance, **facts_of(balance, capacity_g="210"))
    assert list(refused.value.errors) == ["reason"]
    change_apparatus(actor=prep, item=balance, **facts_of(balance))
    change_apparatus(actor=prep, item=balance, **facts_of(balance, note="by the door"))
    assert list(balance.events.values_list("event", flat=True)) == ["add", "change"]
    with pytest.raises(NotAllowed):
        change_apparatus(actor=instructor, item=balance, **facts_of(balance))


def test_one_broke(prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400", count=12)
    for _ in range(2):
        change_count(
            actor=prep, item=item, count=11, reason="One broke", idempotency_key="b", expected_count=12
        )
    item.refresh_from_db()
    assert item.count == 11
    assert item.events.last().changes == [{"fact": "How many", "old": "12", "new": "11"}]
    with pytest.raises(Conflict, match="there were 12; now there are 11"):
        change_count(
            actor=prep, item=item, count=10, reason="Another", idempotency_key="c", expected_count=12
        )
    with pytest.raises(InvalidInput):
        change_count(actor=prep, item=item, count=11, reason="No change", idempotency_key="d")


def test_a_calibration_is_written_down_once_and_moves_the_due_day(balance, prep):
    today = timezone.localdate()
    typed = {
        "done_on": today - timedelta(days=2),
        "done_by": "Metrology, certificate 114",
        "as_found": "within",
        "next_due_on": today + timedelta(days=363),
    }
    for _ in range(2):
        record_calibration(actor=prep, item=balance, **typed, idempotency_key="c")
    balance.refresh_from_db()
    assert (balance.last_calibrated_on, balance.calibration_due_on) == (
        typed["done_on"],
        typed["next_due_on"],
    )
    assert balance.events.filter(event="calibrate").count() == 1
    # One of last year, written down late, leaves the newer one in force.
    older = {**typed, "done_on": today - timedelta(days=400), "next_due_on": today - timedelta(days=35)}
    record_calibration(actor=prep, item=balance, **older, idempotency_key="late")
    balance.refresh_from_db()
    assert balance.calibration_due_on == typed["next_due_on"]


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"done_on": None}, "done_on"),
        ({"done_on": date(2999, 1, 1)}, "done_on"),
        ({"next_due_on": date(2026, 1, 1)}, "next_due_on"),
        ({"next_due_on": date(2999, 1, 1)}, "next_due_on"),
        ({"done_by": " "}, "done_by"),
        ({"as_found": ""}, "as_found"),
        ({"as_found": "outside"}, "note"),
    ],
)
def test_a_calibration_that_says_too_little_is_refused_beside_its_field(balance, prep, change, field):
    typed = {
        "done_on": date(2026, 1, 5),
        "done_by": "Pia",
        "as_found": "within",
        "next_due_on": date(2027, 1, 5),
    }
    with pytest.raises(InvalidInput) as refused:
        record_calibration(actor=prep, item=balance, **{**typed, **change}, idempotency_key="c")
    assert list(refused.value.errors) == [field]
    assert balance.events.count() == 1


def test_the_due_day_is_the_last_one_on_which_plans_use_it(balance):
    balance.calibration_due_on = date(2026, 11, 3)
    balance.save()
    assert len(calc_shelf(on=date(2026, 11, 3)).apparatus) == 1
    assert calc_shelf(on=date(2026, 11, 4)).apparatus == ()
    assert len(calc_shelf(on=date(2026, 11, 4), whatever_its_state=True).apparatus) == 1
    assert reasons_not_to_use([balance], date(2026, 11, 3)) == {}
    said = reasons_not_to_use([balance], date(2026, 11, 4))[balance.pk]
    assert said.startswith("is past its calibration since 3 Nov")


def test_a_plan_is_told_which_item_it_uses(balance):
    (told,) = calc_shelf().apparatus
    assert told.id == str(balance.pk)


# --- pages ------------------------------------------------------------------------------------------
def test_the_page_of_an_item_says_all_there_is_to_know(at_bench, balance, prep):
    set_in_service(actor=prep, item=balance, in_service=False, reason="The pan sticks")
    said = words(at_bench.get(page("apparatus_item", balance)))
    assert "0.0001 g balance “window”" in said
    assert f"Label {balance.code} Out of service" in said
    assert "It is out of service since" in said
    assert "(The pan sticks). Plans do without it" in said
    assert "Repeatability 0.0001 g usual figure" in said
    assert "Put back in service" in said
    assert "Taken out of service The pan sticks Pia Brook" in said


def test_an_instructor_sees_facts_and_bookings_but_no_history_and_no_buttons(client, instructor, balance):
    client.force_login(instructor)
    said = words(client.get(page("apparatus_item", balance)))
    assert "Reads to 0.0001 g" in said
    assert "Book it" in said
    for hidden in ("History", "Write down a calibration", "Take out of service"):
        assert hidden not in said


def test_a_code_is_found_however_it_is_typed_and_an_unknown_one_is_not(at_bench, balance):
    typed = reverse("inventory:apparatus_item", args=[balance.code.lower()])
    assert at_bench.get(typed)["Location"] == page("apparatus_item", balance)
    assert at_bench.get(reverse("inventory:apparatus_item", args=["A999999"])).status_code == 404


def test_the_list_is_narrowed_to_what_is_due_or_out(at_bench, balance, prep):
    today = timezone.localdate()
    for days, name in ((-1, "past"), (30, "soon"), (31, "later")):
        add_apparatus(
            actor=prep,
            type="balance",
            readability_g="0.01",
            name=name,
            calibration_due_on=today + timedelta(days=days),
        )
    set_in_service(actor=prep, item=balance, in_service=False, reason="The pan sticks")
    address = reverse("inventory:apparatus")
    due = words(at_bench.get(address, {"show": "due"}))
    assert "Calibration due within 30 days 2" in due
    assert ("past" in due, "soon" in due, "later" in due, "window" in due) == (True, True, False, False)
    assert "Past its day" in due
    out = words(at_bench.get(address, {"show": "out"}))
    assert "window" in out
    assert "later" not in out
    assert "later" in words(at_bench.get(address, {"show": "nonsense"}))


def test_facts_are_changed_on_their_page_and_a_mistake_keeps_what_was_typed(at_bench, prep):
    item = add_apparatus(
        actor=prep, type="one-mark flask", nominal_ml="250", apparatus_class="A", standard="ISO 1042:1998"
    )
    address = page("apparatus_facts", item)
    assert 'value="ISO 1042:1998|A" selected' in at_bench.get(address).content.decode()
    typed = {"nominal_ml": "250", "mark": "ISO 1042:1998|B", "idempotency_key": "k"}
    response = at_bench.post(address, typed)
    assert response.status_code == 422
    assert "Say why it changes" in field_errors(response)["reason"]
    response = at_bench.post(address, {**typed, "reason": "The mark says B"}, follow=True)
    assert "Class: A → B" in words(response)
    # ISO 1042:1998: 0.30 mL for a class B flask of 250 mL.
    assert "Class B, ISO 1042:1998 Limit of error ± 0.3 mL by the standard" in words(response)


def test_a_mark_that_no_table_knows_survives_a_change_of_the_note(at_bench, prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400", standard="works standard 7")
    typed = {
        "nominal_ml": "400",
        "mark": "works standard 7|",
        "note": "chipped",
        "idempotency_key": "k",
    }
    assert at_bench.post(page("apparatus_facts", item), typed).status_code == 302
    item.refresh_from_db()
    assert (item.standard, item.note) == ("works standard 7", "chipped")


def test_breaking_a_booked_flask_says_that_the_bookings_can_not_be_kept(at_bench, prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="2000")
    soon = timezone.now() + timedelta(hours=1)
    book_apparatus(
        actor=prep,
        wanted=[(item.pk, 1, soon, soon + timedelta(hours=2))],
        purpose="CH 240 B",
        idempotency_key="b",
        by_hand=True,
    )
    typed = {"count": "0", "expected_count": "1", "reason": "Fell down", "idempotency_key": "k"}
    said = words(at_bench.post(page("apparatus_count", item), typed, follow=True))
    assert "More are booked than there are: see the bookings below." in said
    assert "It is no longer there" in said
    assert "How many: 1 → 0 Fell down" in said


def test_a_class_books_the_hot_plates_and_the_next_one_reads_who_has_them(
    client, prep, instructor, colleague
):
    plates = add_apparatus(actor=prep, type="hot plate", count=4)
    day = (timezone.localdate() + timedelta(days=3)).isoformat()
    typed = {"count": "3", "day": day, "starts": "09:00", "ends": "12:00", "purpose": "CH 240 B, room 305"}
    client.force_login(instructor)
    response = client.post(page("apparatus_book", plates), {**typed, "idempotency_key": "a"}, follow=True)
    assert "CH 240 B, room 305 Ines Vale Cancel the booking" in words(response)
    client.force_login(colleague)
    other = {**typed, "count": "2", "starts": "11:00", "ends": "13:00", "purpose": "CH 101 D"}
    response = client.post(page("apparatus_book", plates), {**other, "idempotency_key": "b"})
    assert response.status_code == 409
    assert "1 of 2 wanted free. Ines Vale has booked 3 of them for CH 240 B, room 305 until" in words(
        response
    )
    assert 'value="CH 101 D"' in response.content.decode(), "what was typed is kept"
    assert client.post(page("apparatus_book", plates), {**other, "count": "1", "idempotency_key": "c"})[
        "Location"
    ]
    said = words(client.get(reverse("inventory:apparatus_day"), {"on": day}))
    assert "Hot plate 4 there" in said
    assert said.index("CH 240 B") < said.index("CH 101 D")
    booking = plates.bookings.get(purpose="CH 101 D")
    client.post(page("apparatus_booking_cancel", plates, booking.pk))
    booking.refresh_from_db()
    assert booking.state == "released"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"day": ""}, "day"),
        ({"starts": "25:00"}, "starts"),
        ({"ends": "08:00"}, "ends"),
        ({"count": "two"}, "count"),
        ({"count": "5"}, "count"),
        ({"purpose": ""}, "purpose"),
        ({"day": "2020-01-01"}, "ends"),
    ],
)
def test_a_booking_that_says_too_little_is_refused_beside_its_field(at_bench, prep, change, field):
    plates = add_apparatus(actor=prep, type="hot plate", count=4)
    day = (timezone.localdate() + timedelta(days=3)).isoformat()
    typed = {"count": "3", "day": day, "starts": "09:00", "ends": "12:00", "purpose": "CH 240 B"}
    response = at_bench.post(page("apparatus_book", plates), {**typed, **change, "idempotency_key": "a"})
    assert response.status_code == 422
    assert list(field_errors(response)) == [field]
    assert not plates.bookings.exists()


def test_the_day_page_takes_any_day_and_nonsense_is_today(at_bench):
    for asked in ("", "nonsense", "0001-01-01", "9999-12-31", "2026-02-30"):
        assert at_bench.get(reverse("inventory:apparatus_day"), {"on": asked}).status_code == 200
    assert "Nothing is booked on this day" in words(at_bench.get(reverse("inventory:apparatus_day")))


def test_a_calibration_page_refuses_and_then_writes_down(at_bench, balance):
    address = page("apparatus_calibration", balance)
    typed = {"done_on": "2026-01-05", "as_found": "outside", "idempotency_key": "k"}
    response = at_bench.post(address, typed)
    assert response.status_code == 422
    assert set(field_errors(response)) == {"done_by", "note"}
    full = {**typed, "done_by": "Pia", "note": "0.8 mg out, adjusted", "next_due_on": "2027-01-05"}
    said = words(at_bench.post(address, full, follow=True))
    assert "judge what it measured since the last time" in said
    assert "Done on 5 Jan 2026 by Pia. As found: outside its limits. Next due: 5 Jan 2027." in said
    assert "Last time the next one was set 365 days ahead." in words(at_bench.get(address))
    assert ApparatusEvent.objects.filter(event="calibrate").count() == 1


def test_the_pages_take_the_same_queries_however_much_is_booked(
    at_bench, prep, django_assert_max_num_queries
):
    item = add_apparatus(actor=prep, type="hot plate", count=90)
    start = timezone.now() + timedelta(minutes=1)
    counts = []
    for number in (2, 30):
        for n in range(number):
            book_apparatus(
                actor=prep,
                wanted=[(item.pk, 1, start, start + timedelta(hours=1))],
                purpose="CH 101",
                idempotency_key=f"{number}-{n}",
                by_hand=True,
            )
        for address in (page("apparatus_item", item), reverse("inventory:apparatus_day")):
            with django_assert_max_num_queries(20) as seen:
                assert at_bench.get(address).status_code == 200
            counts.append(len(seen))
    assert counts[:2] == counts[2:]
