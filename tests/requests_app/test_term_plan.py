"""The plan of a term, and all of it ordered at once: to its end, after a kill, and again."""

import math
from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.importers.runs import confirm_run
from inventory.importers.runs import start_run as bring_in
from inventory.importers.work import apply_run, check_run
from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app import states
from requests_app.models import Batch, Course, Order, PlannedExperiment, TermRun
from requests_app.services import term_work
from requests_app.services.term_plan import set_plan
from requests_app.services.term_runs import go_on_with_run, has_stopped, start_run, stop_run
from requests_app.services.term_work import work_on_run
from requests_app.term_plans import mark_of
from tests.requests_app.conftest import CLASS_A_FLASKS
from tests.requests_app.terms import POTASSIUM, SALT, make_list, make_section, make_term, plan

pytestmark = pytest.mark.django_db

WEEKS, SECTIONS = 5, 12


@pytest.fixture
def planned(bottle, bench, instructor, colleague, manager):
    """Twelve sections of two courses for five weeks, a list with two solutions in every week."""
    for key in ("sodium-chloride", "potassium-chloride"):
        bottle(key, "100000", assay_percent="100.0", assay_tolerance_percent="0.1")
    term = make_term(WEEKS)
    for number in range(2):
        course = Course.objects.create(code=f"CH {number}", title=f"Course {number}")
        teacher = (instructor, colleague)[number]
        for name in range(SECTIONS // 2):
            make_section(course, term, str(name), teacher, groups=5 + name, weekday=name % 5)
        version = make_list(course, "Salts", teacher, [SALT, POTASSIUM])
        for week in range(1, WEEKS + 1):
            plan(term, week, version)
    return term


def run_of(actor, term, *, key="run", courses=None, first=1, last=WEEKS) -> TermRun:
    return start_run(
        actor=actor,
        term=term,
        courses=courses or list(Course.objects.all()),
        first=first,
        last=last,
        idempotency_key=key,
    )


def work(run: TermRun) -> TermRun:
    work_on_run(run.pk, run.attempt)
    run.refresh_from_db()
    return run


def _fewest() -> int:
    """Salt solutions keep for 180 days, so nothing but the largest flask forces a second batch of either."""
    largest_ml = max(int(size) for size in CLASS_A_FLASKS)
    together: dict[str, Decimal] = {}
    for order in Order.objects.all():
        volume = Decimal(order.volume_per_group) * order.groups_per_section * Decimal("1.1")
        together[order.title] = together.get(order.title, Decimal(0)) + volume
    return sum(math.ceil(volume / largest_ml) for volume in together.values())


# --- the whole term -------------------------------------------------------------------------------
def test_a_term_is_ordered_once_and_put_into_as_few_batches_as_the_vessels_allow(planned, manager):
    run = work(run_of(manager, planned))
    wanted = 2 * SECTIONS * WEEKS
    assert (run.state, run.problems, run.orders_made) == (states.DONE, [], wanted)
    assert Order.objects.filter(state=states.QUEUED).count() == wanted
    assert run.batches_made == Batch.objects.count() == _fewest()
    assert not stock_differences()


def test_a_second_run_doubles_nothing(planned, manager):
    work(run_of(manager, planned))
    orders, batches = Order.objects.count(), Batch.objects.count()
    again = work(run_of(manager, planned, key="again"))
    assert (again.orders_made, again.orders_kept) == (0, orders)
    assert (Order.objects.count(), Batch.objects.count()) == (orders, batches)


@pytest.mark.parametrize("after", [1, 4, 9, 12])
def test_a_killed_run_is_gone_on_with_and_nothing_is_lost_or_doubled(planned, manager, monkeypatch, after):
    """KeyboardInterrupt ends the work wherever it is, as a killed process does: no handler runs on."""
    run = run_of(manager, planned)
    steps = 0

    def killed(self, done):
        nonlocal steps
        steps += 1
        if steps == after:
            raise KeyboardInterrupt
        self.done = done

    with monkeypatch.context() as patched:
        patched.setattr(term_work.Progress, "reach", killed)
        with pytest.raises(KeyboardInterrupt):
            work(run)
    run.refresh_from_db()
    assert run.state == states.RUNNING
    TermRun.objects.update(
        seen_alive_at=timezone.now() - timedelta(hours=1), at=timezone.now() - timedelta(hours=1)
    )
    run.refresh_from_db()
    assert has_stopped(run)
    done = work(go_on_with_run(actor=manager, run=run))
    wanted = 2 * SECTIONS * WEEKS
    assert (done.state, Order.objects.count()) == (states.DONE, wanted)
    assert Order.objects.filter(state=states.QUEUED).count() == wanted
    assert not stock_differences()


def test_the_work_of_an_older_try_ends_when_a_new_one_has_begun(planned, manager):
    run = run_of(manager, planned)
    TermRun.objects.filter(pk=run.pk).update(attempt=2)
    work_on_run(run.pk, 1)
    assert not Order.objects.exists()


def test_stopped_by_hand_it_keeps_what_it_ordered_and_can_go_on(planned, manager, instructor):
    run = run_of(manager, planned)
    with pytest.raises(NotAllowed):
        stop_run(actor=instructor, run=run)
    stop_run(actor=manager, run=run)
    stop_run(actor=manager, run=run)
    work(run)
    assert not Order.objects.exists()
    assert work(go_on_with_run(actor=manager, run=run)).state == states.DONE


def test_an_instructor_orders_the_courses_they_teach_and_no_others(planned, instructor):
    mine, theirs = Course.objects.order_by("code")
    with pytest.raises(NotAllowed):
        run_of(instructor, planned, courses=[theirs])
    run = work(run_of(instructor, planned, courses=[mine]))
    assert run.orders_made == WEEKS * SECTIONS
    assert set(Order.objects.values_list("ordered_by", flat=True)) == {instructor.pk}


def test_everybody_is_told_once_of_a_term_however_many_orders_it_is(planned, manager, instructor, colleague):
    work(run_of(manager, planned))
    each = WEEKS * SECTIONS
    told = {notice.person: notice.text for notice in Notice.objects.all()}
    assert Notice.objects.count() == len(told) == 3
    assert set(told) == {manager, instructor, colleague}
    assert f"{2 * each} orders made" in told[manager]
    assert told[instructor].startswith(
        f"{each} orders of yours were sent by {manager}, for weeks 1 to {WEEKS}"
    )


def test_two_runs_of_one_person_over_a_term_do_not_go_on_side_by_side(planned, manager):
    run_of(manager, planned)
    with pytest.raises(Conflict):
        run_of(manager, planned, key="other")
    assert run_of(manager, planned).pk == TermRun.objects.get().pk


def test_nothing_planned_is_nothing_to_run(planned, manager):
    PlannedExperiment.objects.all().delete()
    with pytest.raises(InvalidInput):
        run_of(manager, planned)


# --- the plan -----------------------------------------------------------------------------------
def test_a_plan_is_filled_in_and_of_two_the_second_is_told(planned, instructor):
    course = Course.objects.get(code="CH 0")
    key = course.bench_lists.get().pk
    now = dict.fromkeys(range(1, WEEKS + 1), (key,))
    set_plan(actor=instructor, term=planned, course=course, weeks={2: (key,)}, seen=mark_of(now))
    weeks = PlannedExperiment.objects.filter(bench_list=key).values_list("week", flat=True)
    assert list(weeks) == [2]
    with pytest.raises(Conflict):
        set_plan(actor=instructor, term=planned, course=course, weeks={3: (key,)}, seen=mark_of(now))


def test_a_plan_goes_out_as_a_file_and_comes_back_from_it(planned, client, manager):
    client.force_login(manager)
    address = reverse("requests_app:term_plan_csv", args=[planned.pk])
    text = b"".join(client.get(address).streaming_content)
    PlannedExperiment.objects.filter(week__gt=2).delete()
    text += b"T1,99,CH 0,Salts\r\nT1,1,CH 0,Nobody wrote it\r\nT1,1,CH 0,Salts\r\n"
    run = bring_in(actor=manager, kind="term-plan", name="plan.csv", data=text, idempotency_key="file")
    check_run(run.pk, run.attempt)
    run.refresh_from_db()
    assert (run.creates, run.same, run.refused) == (2 * (WEEKS - 2), 4, 3)
    confirm_run(actor=manager, run=run, digest=run.digest)
    run.refresh_from_db()
    apply_run(run.pk, run.attempt)
    run.refresh_from_db()
    assert (run.state, run.message) == ("done", "")
    assert PlannedExperiment.objects.count() == 2 * WEEKS


@pytest.mark.parametrize(
    ("query", "weeks"), [("from=2&by=1", [1, 3, 4, 5]), ("from=2&by=-1", [1, 2, 3]), ("copy={}", [2, 3])]
)
def test_a_plan_is_shifted_or_copied_on_its_page_and_saved_only_when_somebody_saves_it(
    planned, client, instructor, query, weeks
):
    course = Course.objects.get(code="CH 0")
    before = make_term(3, code="T0", starts_on=planned.starts_on - timedelta(weeks=9))
    other = course.bench_lists.get()
    PlannedExperiment.objects.bulk_create(
        PlannedExperiment(term=before, week=week, bench_list=other) for week in (2, 3)
    )
    PlannedExperiment.objects.filter(term=planned, week=WEEKS, bench_list=other).delete()
    client.force_login(instructor)
    address = reverse("requests_app:term_fill", args=[planned.pk, course.pk])
    page = client.get(f"{address}?{query.format(before.pk)}")
    form = page.context["form"]
    shown = [week.number for week, fields in form.rows() if any(field.value() for field in fields)]
    assert shown == weeks
    kept = PlannedExperiment.objects.filter(term=planned, bench_list=other)
    assert list(kept.values_list("week", flat=True)) == [1, 2, 3, 4]
    values = {name: form[name].value() for name in form.fields}
    assert client.post(address, values).status_code == 302
    assert client.post(address, values).status_code == 302, "pressed twice it is as it was"
    assert list(kept.values_list("week", flat=True)) == weeks


# --- the pages ----------------------------------------------------------------------------------
def test_the_pages_of_a_term_lead_from_its_plan_to_what_is_ordered(planned, client, manager):
    client.force_login(manager)
    page = client.get(reverse("requests_app:term_plan")).content.decode()
    assert "0 of 12 ordered" in page
    fill = reverse("requests_app:term_fill", args=[planned.pk, Course.objects.first().pk])
    assert client.get(fill).status_code == 200
    order = reverse("requests_app:order_term", args=[planned.pk])
    assert client.get(order).status_code == 200
    courses = [str(course.pk) for course in Course.objects.all()]
    values = {"key": "page", "courses": courses, "first": "1", "last": "1"}
    for _ in range(2):
        answer = client.post(order, values)
        assert answer.status_code == 302
    assert TermRun.objects.count() == 1
    run = TermRun.objects.get()
    if run.state != states.DONE:
        work(run)
    page = client.get(answer["Location"]).content.decode()
    assert "24 orders made" in page
    assert "12 of 12 ordered" in client.get(reverse("requests_app:term_plan")).content.decode()


def test_a_list_is_ordered_by_its_page_and_pressed_twice_it_is_one_set(planned, client, instructor):
    client.force_login(instructor)
    listed = Course.objects.get(code="CH 0").bench_lists.get()
    address = f"{reverse('requests_app:list_order')}?list={listed.pk}&term={planned.pk}&week=1"
    page = client.get(address)
    form = page.context["form"]
    values = {
        name: "on" if isinstance(form.fields[name].initial, bool) else str(form[name].initial)
        for name in form.fields
    }
    meeting = next(name for name in values if name.startswith("groups-"))
    wrong = client.post(address, {**values, meeting: "1.5", "step": "check"})
    assert wrong.status_code == 422
    assert 'value="1.5"' in wrong.content.decode()
    check = client.post(address, {**values, "step": "check"})
    assert check.status_code == 200
    assert not Order.objects.exists()
    for _ in range(2):
        sent = client.post(address, {**values, "step": "send"})
        assert sent.status_code == 302
    assert Order.objects.count() == SECTIONS
    assert client.get(sent["Location"]).status_code == 200
    back = client.post(address, {**values, "step": "check"}).content.decode()
    assert "sent already" in back
    live = client.post(address, {**values, meeting: "x"}, headers={"HX-Request": "true"})
    assert (live.status_code, b"<html" in live.content) == (200, False)


def test_no_address_of_a_list_makes_the_server_fail(planned, client, instructor):
    client.force_login(instructor)
    for query in ("", "list=x", "list=99999999999999999999", "list=1&week=0", "list=1&term=x&week=999999999"):
        assert client.get(f"{reverse('requests_app:list_order')}?{query}").status_code == 200
