"""Files that are brought in, with real connections: a thread of the server, and two workers at once."""

import time

import pytest
from django.db import connection

from inventory import import_states as states
from inventory.importers import lots, progress
from inventory.importers.runs import confirm_run, start_run
from inventory.importers.work import AT_ONCE, apply_run, begin, check_run
from inventory.models import ImportRun, Lot, Movement
from inventory.selectors import stock_differences
from inventory.tasks import work_on_import


def brought(worker, rows: int, key: str = "file") -> ImportRun:
    data = "substance,kind,amount,unit,lot number\n" + "".join(
        f"sodium chloride,solid,5,g,{key}-{number}\n" for number in range(rows)
    )
    return start_run(actor=worker, kind="lots", name=f"{key}.csv", data=data.encode(), idempotency_key=key)


def checked(worker, rows: int, key: str = "file") -> ImportRun:
    run = brought(worker, rows, key)
    check_run(run.pk, run.attempt)
    run.refresh_from_db()
    assert confirm_run(actor=worker, run=run, digest=run.digest)
    run.refresh_from_db()
    return run


def settled(run: ImportRun, *working: str) -> str:
    """The state once the work is over, as a page that asks again and again sees it."""
    for _ in range(600):
        run.refresh_from_db()
        if run.state not in working:
            break
        time.sleep(0.1)
    return run.state


def test_a_long_file_is_worked_on_beside_the_page_that_started_it(worker, salt, settings):
    settings.REDIS_URL = ""
    run = brought(worker, AT_ONCE + 100)
    begin(run)
    assert settled(run, states.READING) == states.CHECKED
    confirm_run(actor=worker, run=run, digest=run.digest)
    run.refresh_from_db()
    begin(run)
    assert settled(run, states.IMPORTING) == states.DONE
    assert Lot.objects.count() == AT_ONCE + 100
    assert stock_differences() == []


def test_a_worker_does_what_a_page_would_have_done_and_a_second_delivery_does_nothing(worker, salt):
    run = checked(worker, 3)
    for _ in range(2):
        work_on_import.apply(args=[run.pk, run.attempt])
    assert Movement.objects.count() == 3


@pytest.mark.postgres
def test_two_workers_on_one_file_bring_it_in_once(worker, salt, race):
    run = checked(worker, 50)
    done = race([lambda: apply_run(run.pk, run.attempt)] * 4)
    assert done == [None] * 4
    run.refresh_from_db()
    assert (run.state, Lot.objects.count()) == (states.DONE, 50)
    assert stock_differences() == []


@pytest.mark.postgres
def test_two_people_with_two_files_do_not_wait_for_each_other_to_lose(worker, salt, race):
    runs = [checked(worker, 40, key) for key in ("one", "two", "three")]
    jobs = [lambda run=run: apply_run(run.pk, run.attempt) for run in runs]
    assert race(jobs) == [None] * 3
    assert set(ImportRun.objects.values_list("state", flat=True)) == {states.DONE}
    assert Lot.objects.count() == 120
    assert len(set(Lot.objects.values_list("code", flat=True))) == 120
    assert stock_differences() == []


@pytest.mark.postgres
def test_two_clicks_at_the_same_moment_confirm_once(worker, salt, race):
    run = brought(worker, 5)
    check_run(run.pk, run.attempt)
    run.refresh_from_db()
    won = race([lambda: confirm_run(actor=worker, run=run, digest=run.digest)] * 5)
    assert sorted(won) == [False] * 4 + [True]
    assert connection.vendor == "postgresql"


@pytest.mark.postgres
@pytest.mark.redis
def test_how_far_it_is_can_be_read_from_redis_while_nobody_sees_the_rows(worker, salt, monkeypatch, race):
    """Another connection sees the count in the cache, and not one bottle, before the transaction ends."""
    run = checked(worker, 3)
    monkeypatch.setattr(progress, "_EVERY_S", 0)
    receive, seen = lots.receive_lots_in_bulk, []

    def look() -> None:
        seen.append((progress.progress_of(ImportRun.objects.get(pk=run.pk)), Lot.objects.count()))

    def watched(**more):
        made = receive(**more)
        race([look])
        return made

    monkeypatch.setattr(lots, "receive_lots_in_bulk", watched)
    apply_run(run.pk, run.attempt)
    # Three rows checked again and three done, of as many.
    assert seen == [((6, 6), 0)]
    run.refresh_from_db()
    assert (run.state, progress.progress_of(run)) == (states.DONE, None)


def test_a_cache_that_refuses_is_asked_seldom_and_stops_nothing(worker, salt, monkeypatch, caplog):
    run = checked(worker, 30)
    monkeypatch.setattr(progress, "_EVERY_S", 0)
    asked = []

    def refuse(*args, **more):
        asked.append(args)
        raise ConnectionError("nobody answers")

    monkeypatch.setattr(progress.cache, "set", refuse)
    apply_run(run.pk, run.attempt)
    run.refresh_from_db()
    assert run.state == states.DONE
    # Once while they are checked again, once while they are done.
    assert len(asked) == 2
    assert "nobody answers" in caplog.text
