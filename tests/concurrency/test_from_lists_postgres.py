"""One bench list ordered by several people at the same instant, and a term whose worker is killed."""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit, urlunsplit

import pytest
from django.db import connection
from django.utils import timezone

from inventory.selectors import stock_differences
from inventory.services import receive_lot
from prepdesk.accounts.models import Notice, User
from requests_app import states
from requests_app.models import BenchListVersion, Course, Meeting, Order, TermRun
from requests_app.services import from_lists
from requests_app.services.from_lists import Changes, Sent, order_from_list
from requests_app.services.term_runs import go_on_with_run, start_run
from requests_app.services.term_work import work_on_run
from tests.requests_app.conftest import outfit_bench, substance_row
from tests.requests_app.terms import POTASSIUM, SALT, make_list, make_section, make_term, plan

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True), pytest.mark.timeout(300)]

ROOT = Path(__file__).resolve().parents[2]
PEOPLE, SECTIONS, WEEKS = 5, 4, 6
ONE_SET = 2 * SECTIONS


@pytest.fixture
def teachers(transactional_db) -> list[User]:
    """People who all teach all sections of a course, with the bottles and the bench for its list."""
    outfit_bench()
    manager = User.objects.create(username="mara", role="manager", password="!")
    for key in ("sodium-chloride", "potassium-chloride"):
        receive_lot(
            actor=manager,
            substance=substance_row(key),
            kind="solid",
            amount="20000",
            unit="g",
            assay_percent="100.0",
            assay_tolerance_percent="0.1",
            idempotency_key=key,
        )
    return [User.objects.create(username=f"t{n}", role="instructor", password="!") for n in range(PEOPLE)]


@pytest.fixture
def salts(teachers) -> BenchListVersion:
    course = Course.objects.create(code="CH 101", title="General chemistry")
    term = make_term(WEEKS)
    for number in range(SECTIONS):
        section = make_section(course, term, str(number), teachers[0], weekday=number)
        section.co_instructors.set(teachers[1:])
    version = make_list(course, "Salts", teachers[0], [SALT, POTASSIUM])
    for week in range(1, WEEKS + 1):
        plan(term, week, version)
    return version


def sending(person: User, version: BenchListVersion, key: str) -> Callable[[], Sent]:
    meetings = list(Meeting.objects.filter(week=1))
    return lambda: order_from_list(
        actor=person, version=version, meetings=meetings, changes=Changes(), idempotency_key=key
    )


def require_one_set(outcomes: list[Sent]) -> None:
    assert all(isinstance(one, Sent) for one in outcomes), outcomes
    assert Order.objects.count() == ONE_SET
    assert Order.objects.values("meeting", "list_line").distinct().count() == ONE_SET
    assert set(Order.objects.values_list("state", flat=True)) == {states.QUEUED}
    assert stock_differences() == []


def test_of_several_people_who_order_a_list_at_once_one_orders_it_and_the_others_are_told(
    teachers, salts, race
):
    outcomes = race([sending(person, salts, f"form of {person}") for person in teachers])
    require_one_set(outcomes)
    assert sorted((len(one.made), len(one.kept)) for one in outcomes) == [(0, ONE_SET)] * (PEOPLE - 1) + [
        (ONE_SET, 0)
    ]


def test_one_form_sent_from_several_tabs_at_once_is_one_set_and_every_tab_sees_it(teachers, salts, race):
    outcomes = race([sending(teachers[0], salts, "form")] * PEOPLE)
    require_one_set(outcomes)
    assert {len(one.made) for one in outcomes} == {ONE_SET}


def test_without_the_lock_they_meet_and_the_constraint_of_the_database_keeps_them_apart(
    teachers, salts, race, monkeypatch
):
    """The race is real: without the lock on the meetings somebody's rows are refused by the database."""
    refused = []
    create = from_lists.create_orders

    def slowly(**wanted):
        time.sleep(0.3)  # Long enough for all to have looked and found nothing.
        try:
            return create(**wanted)
        except Exception as error:
            refused.append(error)
            raise

    monkeypatch.setattr(from_lists, "create_orders", slowly)
    monkeypatch.setattr(Meeting.objects, "select_for_update", Meeting.objects.all)
    outcomes = race([sending(person, salts, f"form of {person}") for person in teachers])
    assert any("line_ordered_once_for_a_meeting" in str(error) for error in refused), refused
    require_one_set(outcomes)


def worker_of(run: TermRun) -> subprocess.Popen:
    name = connection.settings_dict["NAME"]
    address = urlunsplit(urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{name}"))
    environment = {
        **os.environ,
        "DATABASE_URL": address,
        "REDIS_URL": "",
        "DJANGO_SETTINGS_MODULE": "prepdesk.settings",
    }
    command = [sys.executable, "-m", "tests.concurrency.term_process", str(run.pk), str(run.attempt)]
    return subprocess.Popen(command, cwd=ROOT, env=environment)


def wait_for(what: Callable[[], bool]) -> None:
    for _ in range(1200):
        if what():
            return
        time.sleep(0.05)
    raise AssertionError("it never came to that")


@pytest.mark.parametrize("in_batches", [False, True])
def test_a_killed_worker_loses_no_order_and_whoever_goes_on_doubles_none(teachers, salts, in_batches):
    term = Meeting.objects.first().section.term
    run = start_run(
        actor=teachers[0],
        term=term,
        courses=list(Course.objects.all()),
        first=1,
        last=WEEKS,
        idempotency_key="run",
    )
    worker = worker_of(run)
    try:
        if in_batches:
            wait_for(lambda: Order.objects.exclude(batch=None).exists() or worker.poll() is not None)
        else:
            wait_for(lambda: Order.objects.exists() or worker.poll() is not None)
    finally:
        worker.kill()
        worker.wait()
    run.refresh_from_db()
    assert run.state == states.RUNNING, "it was killed before it was done"
    long_ago = timezone.now() - timedelta(hours=1)
    TermRun.objects.update(at=long_ago, seen_alive_at=long_ago)
    run.refresh_from_db()
    go_on_with_run(actor=teachers[0], run=run)
    work_on_run(run.pk, 2)
    run.refresh_from_db()
    assert (run.state, run.attempt, run.problems) == (states.DONE, 2, [])
    assert run.orders_made == Order.objects.filter(state=states.QUEUED).count() == ONE_SET * WEEKS
    assert Order.objects.values("meeting", "list_line").distinct().count() == ONE_SET * WEEKS
    assert stock_differences() == []
    assert Notice.objects.filter(person=teachers[0], kind="term_ordered").count() == 1
