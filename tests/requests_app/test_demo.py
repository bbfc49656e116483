"""The invented department: complete, true in its ledger, and only for a first look."""

import os
import re
import socket
import subprocess
import sys
import time
from datetime import datetime, timedelta
from io import StringIO
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from django.contrib.auth import authenticate
from django.core.management import CommandError, call_command
from django.db import transaction
from django.utils import timezone

from inventory import states as stock_states
from inventory.models import ApparatusItem, Booking, ImportRun, Lot, Movement
from inventory.selectors import stock_differences, use_per_week
from prepdesk.accounts.models import Notice, User
from requests_app import states
from requests_app.cards import items_of
from requests_app.demo.build import as_of, build, is_loaded, working_time
from requests_app.demo.scenario import DEMO_LOGINS, DEMO_PASSWORD
from requests_app.models import (
    Batch,
    MeetingEvent,
    Order,
    OrderRevision,
    Portion,
    Recall,
    Sheet,
    StepRecord,
)

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def department(django_db_setup, django_db_blocker):
    """The demo loaded once for all tests that only look at it."""
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("load_catalogue", stdout=StringIO())
        assert build()
        yield
        transaction.set_rollback(True)


def test_the_ledger_of_the_demo_has_no_difference(department):
    assert stock_differences() == []
    assert Movement.objects.filter(kind="drawn").count() > 20


def test_loading_it_again_changes_nothing(department):
    tables = (User, Lot, Movement, Order, Batch, Sheet, StepRecord, ApparatusItem)
    before = [table.objects.count() for table in tables]
    assert not build()
    assert [table.objects.count() for table in tables] == before


def test_three_people_can_sign_in_and_the_others_can_not(department):
    for username, _ in DEMO_LOGINS:
        user = authenticate(username=username, password=DEMO_PASSWORD)
        assert user is not None
        assert user.role == username
    others = User.objects.exclude(username__in=[username for username, _ in DEMO_LOGINS])
    assert others.exists()
    assert not any(other.has_usable_password() for other in others)


def test_the_day_has_orders_in_every_state(department):
    assert set(Order.objects.values_list("state", flat=True)) == set(states.ORDER_STATES)
    batches = set(Batch.objects.values_list("state", flat=True))
    assert batches == set(states.BATCH_STATES) - {states.SHELVED}


def test_the_day_has_changes_in_words_one_of_them_not_seen_at_the_bench(department):
    words = [" ".join(change.words) for change in OrderRevision.objects.all()]
    assert any("9 groups → 12" in said for said in words)
    assert any("does not meet on" in said for said in words)
    waiting = OrderRevision.objects.get(needs_seeing=True, seen_at=None)
    assert waiting.order.comments.count() == 2
    assert set(MeetingEvent.objects.values_list("event", flat=True)) >= {"move", "cancel"}


def test_what_is_open_is_due_around_today_and_one_batch_is_late(department):
    now = timezone.now()
    open_orders = Order.objects.filter(state__in=states.OPEN_ORDER_STATES)
    by_hand = open_orders.filter(meeting=None)
    assert all(abs(order.due_at - now) < timedelta(days=8) for order in by_hand)
    # What was ordered from the plan of the term is for the next two weeks.
    assert all(abs(order.due_at - now) < timedelta(days=20) for order in open_orders)
    assert Batch.objects.filter(state=states.QUEUED, due_at__lt=now).count() == 1


def test_the_waiting_orders_say_what_is_missing_and_what_would_serve(department):
    silver = Order.objects.get(state=states.WAITING, title__contains="silver nitrate")
    copper = Order.objects.get(state=states.WAITING, title__contains="copper(II) sulfate, anhydrous")
    assert "silver nitrate" in silver.waiting_for[0]["text"]
    assert silver.waiting_for[0]["missing"]["unit"] == "g"
    offers = copper.waiting_for[0]["instead"]
    assert [offer["substance"] for offer in offers if offer["kind"] == "form"] == [
        "copper(II) sulfate pentahydrate"
    ]


def test_one_order_was_made_from_a_bottle_that_was_chosen(department):
    order = Order.objects.get(components__from_lot__composition=[])
    lot = order.components.get().from_lot
    assert order.state == states.HANDED_OVER
    assert lot.substance.key == "cobalt-chloride-hexahydrate"
    assert lot.code in order.events.get(event="choose").note
    assert order.batch.prepared_lot.parent_links.get().parent == lot


def test_a_leftover_is_on_the_shelf_and_free(department):
    left = [lot for lot in Lot.objects.exclude(composition=[]) if lot.free and lot.state == "available"]
    assert "sodium-hydrogen-carbonate" in {lot.substance.key for lot in left}


def test_a_bottle_is_recalled_with_what_was_made_of_it_and_people_are_told(department):
    recall = Recall.objects.get()
    assert {lot.substance.key for lot in recall.lots.all()} == {"potassium-thiocyanate"}
    assert recall.lots.count() == 2
    assert set(recall.orders.values_list("state", flat=True)) == {states.READY, states.HANDED_OVER}
    unread = Notice.objects.filter(kind="recall", read_at=None).values_list("person__username", flat=True)
    assert {"instructor", "fell", "prep", "thorne"} <= set(unread)


def test_the_salt_has_weeks_of_use_to_draw(department):
    salt = Lot.objects.filter(substance__key="sodium-chloride").first().substance
    solid = next(use for use in use_per_week([salt.pk])[salt.pk] if use.kind == "solid")
    assert sum(1 for week in solid.weeks if week.amount) >= 5


def test_a_delivery_was_brought_in_as_a_file_and_its_loose_name_refused(department):
    run = ImportRun.objects.get()
    assert (run.state, run.creates, run.refused) == ("done", 3, 1)
    codes = run.rows.exclude(result="").values_list("result", flat=True)
    assert Lot.objects.filter(code__in=codes, on_hand__gt=0).count() == 3
    assert "decahydrate" in run.rows.get(outcome="refuse").reasons["Substance"]


def test_the_review_has_weeks_to_look_back_on(department):
    days = {timezone.localtime(at).date() for at in _times_of_draws()}
    assert min(days) < timezone.localdate() - timedelta(days=20)
    assert len(days) >= 8


def _times_of_draws() -> list[datetime]:
    return list(Movement.objects.filter(kind="drawn").values_list("at", flat=True))


def test_nothing_happens_in_the_future_and_draws_come_after_receipts(department):
    assert max(Movement.objects.values_list("at", flat=True)) <= timezone.now()
    for lot in Lot.objects.prefetch_related("movements"):
        times = [movement.at for movement in lot.movements.all()]
        assert times == sorted(times), lot


def test_nobody_teaches_at_the_weekend(department):
    assert all(timezone.localtime(order.due_at).weekday() < 5 for order in Order.objects.all())


def test_the_shelf_shows_what_a_stockroom_meets(department):
    today = timezone.localdate()
    lots = Lot.objects.select_related("substance")
    assert lots.exclude(prepared_by=None).count() >= 10, "solutions made here"
    assert lots.filter(expires_on__lt=today, on_hand__gt=0).exists()
    assert lots.filter(state=stock_states.QUARANTINED).exists()
    assert lots.filter(kind="solution", prepared_by=None).exists()
    assert lots.filter(substance__family="copper-sulfate").values("substance").distinct().count() == 2
    assert lots.filter(substance__key="sodium-chloride", assay_percent="100.0").exists()
    assert lots.filter(prepared_by=None).count() >= 45


def test_one_batch_was_made_outside_its_window_with_a_reason(department):
    # A bottle that ran out falls short of its window too.
    record = StepRecord.objects.exclude(reason="the bottle ran out").get(verdict="outside")
    assert record.reason
    others = StepRecord.objects.exclude(reason="the bottle ran out").exclude(pk=record.pk)
    assert all(record.verdict in ("done", "inside") for record in others)


def test_it_carries_no_word_of_where_it_was_made(department):
    texts = " ".join(str(user) for user in User.objects.all())
    assert not re.search(r"/(?:work|root|tmp|home)\b", texts)


def test_it_is_never_loaded_outside_debug(db, settings):
    settings.DEBUG = False
    with pytest.raises(CommandError, match="DEBUG"):
        call_command("load_demo")
    assert not User.objects.exists()
    assert not is_loaded()


# --- time ------------------------------------------------------------------------------------------
def test_the_clock_is_put_right_again_whatever_happens():
    real = timezone.now
    with as_of(real() - timedelta(days=3)):
        assert timezone.localdate() == (real() - timedelta(days=3)).date()
    assert timezone.now is real
    with pytest.raises(ZeroDivisionError), as_of(real()):
        1 / 0  # noqa: B018 (whatever goes wrong)
    assert timezone.now is real


@pytest.mark.parametrize(
    ("now", "hours", "expected"),
    [
        ("2026-11-25 09:10", 2.0, "2026-11-25 11:00"),  # a Wednesday
        ("2026-11-25 17:40", 1.0, "2026-11-26 08:00"),
        ("2026-11-25 08:00", -1.0, "2026-11-24 17:30"),
        ("2026-11-27 17:30", 1.0, "2026-11-30 08:00"),  # from Friday to Monday
        ("2026-11-28 12:00", 0.5, "2026-11-30 08:00"),  # a Saturday
    ],
)
def test_working_hours_end_in_the_evening_and_skip_the_weekend(now, hours, expected):
    moment = timezone.make_aware(datetime.fromisoformat(now))
    assert working_time(moment, hours) == timezone.make_aware(datetime.fromisoformat(expected))


# --- the start command -------------------------------------------------------------------------------
def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_a_taken_port_is_said_plainly(db, settings):
    settings.DEBUG = True
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(CommandError, match=f"Port {port} is taken"):
            call_command("start", port=port)
    assert not User.objects.exists()


def test_it_does_not_serve_with_debug_off(db, settings):
    settings.DEBUG = False
    with pytest.raises(CommandError, match="gunicorn"):
        call_command("start", port=_free_port())


def _started(folder: Path, port: int) -> tuple[str, float]:
    """Start the site on its own database, ask it once, stop it; what it printed and how long it took."""
    environment = {**os.environ, "DATABASE_URL": f"sqlite:///{folder}/first.sqlite3", "DEBUG": "1"}
    log = (folder / "log").open("w+")
    began = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "manage.py", "start", "--port", str(port)],
        cwd=ROOT,
        env=environment,
        stdout=log,
        stderr=subprocess.STDOUT,
    )
    try:
        while time.monotonic() - began < 120 and process.poll() is None:
            try:
                with urlopen(f"http://127.0.0.1:{port}/accounts/sign-in/", timeout=5) as page:
                    assert page.status == 200
                    break
            except HTTPError:
                raise
            except OSError:
                time.sleep(0.1)
        took = time.monotonic() - began
    finally:
        process.terminate()
        process.wait(timeout=20)
    log.seek(0)
    return log.read(), took


def test_the_first_start_sets_everything_up_and_the_second_only_serves(tmp_path):
    port = _free_port()
    first, _ = _started(tmp_path, port)
    second, _ = _started(tmp_path, port)
    assert "Loading the catalogue and the demo scenario" in first
    assert "Loading" not in second
    for printed in (first, second):
        assert f"http://localhost:{port}/" in printed
        assert DEMO_PASSWORD in printed
        assert all(username in printed for username, _ in DEMO_LOGINS)
        assert "Traceback" not in printed
        assert "WARNING" not in printed


def test_the_shelves_show_what_a_bottle_goes_through(department):
    """Smaller bottles, leftovers, waste by stream, pieces, papers; each PDF opens in another reader."""
    from pypdf import PdfReader

    from inventory.models import Attachment, WasteStream
    from inventory.services import opened_file

    # What came back from a room is kept apart too, until somebody has looked at it.
    came_back = Portion.objects.exclude(returned_to=None).values("returned_to")
    small = Lot.objects.exclude(split_from=None).exclude(pk__in=came_back)
    assert sorted(lot.state for lot in small) == ["available", "available", "empty"]
    assert Movement.objects.filter(kind="disposed", waste_stream__isnull=False).exists()
    assert WasteStream.objects.filter(in_use=True).count() == 4
    assert Lot.objects.get(kind="item").on_hand == 48
    papers = list(Attachment.objects.all())
    assert sorted(paper.withdrawn_at is None for paper in papers) == [False, True, True]
    for paper in papers:
        with opened_file(paper) as file:
            assert "nvented for a demonstration" in PdfReader(file).pages[0].extract_text()


def test_the_demo_shows_a_balance_past_its_day_a_booked_flask_and_hot_plates_of_a_class(department):
    today = timezone.localdate()
    past = ApparatusItem.objects.get(calibration_due_on__lt=today)
    assert past.words == "0.001 g balance"
    booked = Booking.objects.filter(state="booked", ends_at__gt=timezone.now())
    assert booked.filter(item__type="hot plate", by_hand=True, count=5).count() == 1
    assert booked.filter(by_hand=False, item__type__in=("one-mark flask", "graduated cylinder")).exists()
    open_plans = [
        batch.sheets.latest("revision").plan
        for batch in Batch.objects.filter(state__in=(states.QUEUED, states.CLAIMED, states.IN_WORK))
    ]
    assert open_plans
    assert not any(past.pk in items_of(plan) for plan in open_plans)
    assert all("at_bench" in plan for plan in open_plans)
    assert ApparatusItem.objects.filter(code=None).count() == 0


def test_one_order_is_being_made_from_two_bottles_of_different_assay(department):
    batch = Batch.objects.get(title__contains="sodium nitrate")
    links = batch.batch_holds.select_related("hold__lot").order_by("hold__lot__expires_on")
    assert [link.hold.lot.assay_percent for link in links] == ["98.5", "99.5"]
    assert all(link.hold.amount > 0 for link in links)
    assert batch.state == states.IN_WORK
    first, second = [step for step in batch.sheets.get().plan["steps"] if step["action"] == "weigh"]
    assert first["lot"]["id"] == str(links[0].hold.lot_id)
    # Half a mole of sodium nitrate, 84.994 g/mol by the IUPAC 2021 atomic weights.
    pure = 0.985 * float(first["quantity"]["value"]) + 0.995 * float(second["quantity"]["value"])
    assert pure == pytest.approx(0.5 * 84.994, rel=0.003)
