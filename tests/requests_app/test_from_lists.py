"""A bench list ordered for many sections at once: one order for each solution and meeting, once."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError

from inventory.models import Hold, Substance
from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app import states
from requests_app.models import Batch, DepartmentRules, Meeting, Order, OrderEvent
from requests_app.services import from_lists
from requests_app.services.bench_lists import retire_list
from requests_app.services.from_lists import Changes, order_from_list
from requests_app.services.orders import cancel_order
from tests.requests_app.terms import POTASSIUM, SALT, make_list, make_section, make_term, make_version

pytestmark = pytest.mark.django_db


@pytest.fixture
def term():
    return make_term()


@pytest.fixture
def taught(course, term, instructor, colleague, salt, bottle):
    """Two sections of the instructor and one of a colleague; the bottles a list is made of."""
    bottle("potassium-chloride", "500", assay_percent="99.8")
    return [
        make_section(course, term, "A", instructor),
        make_section(course, term, "B", instructor, groups=12, weekday=2),
        make_section(course, term, "C", colleague, weekday=3),
    ]


@pytest.fixture
def salts(course, instructor, taught):
    return make_list(course, "Conductivity of salts", instructor, [SALT, POTASSIUM])


def meetings_of(sections, week: int = 1) -> list[Meeting]:
    return list(Meeting.objects.filter(section__in=sections, week=week).order_by("pk"))


@pytest.fixture
def send_list(salts, taught, instructor):
    def send(actor=instructor, sections=taught[:2], key="form", changes=Changes(), version=salts, week=1):  # noqa: B008 (never changed)
        return order_from_list(
            actor=actor,
            version=version,
            meetings=meetings_of(sections, week),
            changes=changes,
            idempotency_key=key,
        )

    return send


def test_a_list_becomes_one_order_for_each_solution_and_meeting_and_one_batch_for_each_solution(
    send_list, salts, instructor
):
    sent = send_list()
    assert len(sent.made) == Order.objects.count() == 4
    assert sent.kept == []
    assert {order.state for order in Order.objects.all()} == {states.QUEUED}
    assert Batch.objects.count() == 2
    for order in Order.objects.select_related("meeting__section", "list_solution"):
        assert order.reference == f"R-{2600 + order.pk}"
        assert order.groups_per_section == order.meeting.group_count
        assert order.sections.get() == order.meeting.section
        assert order.due_at == order.meeting.starts_at - timedelta(minutes=30)
        assert (order.room, order.ordered_by) == ("210", instructor)
        assert order.list_line == order.list_solution.line
        assert order.events.get(event="submit").note.endswith("Conductivity of salts, version 1")
    # 10 and 12 groups x 25 mL + 10 % are 605 mL of the salt together: 22 x 27.5 (arithmetic).
    salt_batch = Batch.objects.get(title="0.100 mol/L sodium chloride")
    assert salt_batch.sheets.get().request["volume"] == {"value": "605", "unit": "mL"}
    assert Hold.objects.count() == 2
    assert stock_differences() == []
    assert Notice.objects.count() == 0, "nobody is told of what they just did"


def test_sending_the_same_form_again_makes_nothing_twice(send_list):
    first = send_list()
    events = OrderEvent.objects.count()
    again = send_list()
    assert [order.pk for order in again.made] == [order.pk for order in first.made]
    assert (again.kept, OrderEvent.objects.count(), Batch.objects.count()) == ([], events, 2)


def test_a_list_taken_out_of_use_meanwhile_is_not_ordered_and_what_was_ordered_stands(
    send_list, salts, instructor
):
    first = send_list()
    retire_list(actor=instructor, bench_list=salts.bench_list)
    with pytest.raises(Conflict, match="taken out of use meanwhile"):
        send_list(week=2, key="other")
    assert [order.pk for order in send_list().made] == [order.pk for order in first.made]
    assert Order.objects.count() == 4


def test_whoever_orders_a_line_that_is_ordered_is_told_where_it_stands(send_list, manager, taught):
    first = send_list(sections=taught[:1])
    second = send_list(actor=manager, sections=taught, key="other")
    assert {line.ordered.pk for line in second.kept} == {order.pk for order in first.made}
    assert len(second.made) == 4
    assert Order.objects.count() == 6


def test_a_manager_orders_for_the_instructor_of_the_section_whose_order_it_is(
    send_list, manager, instructor, colleague, taught
):
    send_list(actor=manager, sections=taught)
    owners = {order.meeting.section.name: order.ordered_by for order in Order.objects.all()}
    assert owners == {"A": instructor, "B": instructor, "C": colleague}
    assert set(OrderEvent.objects.values_list("actor", flat=True)) == {manager.pk}


def test_groups_may_be_changed_and_a_solution_left_out(send_list, salts, taught):
    meeting = meetings_of(taught[:1])[0]
    without = salts.solutions.get(position=1).line
    send_list(changes=Changes({meeting.pk: 7}, frozenset({without})))
    assert {order.meeting.section.name: order.groups_per_section for order in Order.objects.all()} == {
        "A": 7,
        "B": 12,
    }
    assert set(Order.objects.values_list("list_line", flat=True)) == {salts.solutions.get(position=0).line}


def test_everything_of_the_line_stands_in_the_order(course, instructor, taught, send_list):
    version = make_list(
        course,
        "Exact",
        instructor,
        [SALT],
        per_section="50",
        tolerance_percent="0.5",
        temperature_c="25",
        container="amber bottle",
        notes="keep cold",
        label="titrant",
    )
    solution = version.solutions.get()
    solution.spare_groups = 2
    solution.save()
    order = send_list(version=version, sections=taught[:1]).made[0]
    order.refresh_from_db()
    assert (order.spare_groups, order.per_section, order.overage_percent) == (2, "50", "10")
    assert (order.tolerance_percent, order.temperature_c) == ("0.5", "25")
    assert (order.container, order.notes) == ("amber bottle", "titrant. keep cold")
    # (10 + 2) groups x 25 mL + 10 % + 50 mL = 380 mL (arithmetic).
    assert Decimal(order.batch.sheets.get().request["volume"]["value"]) == 380


def test_the_solutions_are_due_the_departments_minutes_before_a_meeting(send_list):
    DepartmentRules.objects.create(pk=1, minutes_before=45)
    order = send_list().made[0]
    assert order.meeting.starts_at - order.due_at == timedelta(minutes=45)


def test_only_own_meetings_that_take_place_can_be_ordered_for(send_list, taught, colleague, prep):
    with pytest.raises(InvalidInput) as refused:
        send_list(sections=taught)
    assert "whose section is yours" in refused.value.errors["meetings"]
    Meeting.objects.filter(section=taught[0]).update(state=states.CANCELLED)
    with pytest.raises(InvalidInput):
        send_list(sections=taught[:1])
    with pytest.raises(InvalidInput):
        send_list(sections=[])
    with pytest.raises(NotAllowed):
        send_list(actor=prep)
    assert Order.objects.count() == 0


def test_a_co_instructor_orders_as_the_instructor_does(send_list, taught, colleague):
    taught[0].co_instructors.add(colleague)
    made = send_list(actor=colleague, sections=[taught[0]]).made
    assert {order.ordered_by for order in made} == {colleague}


def test_a_list_that_was_corrected_meanwhile_is_not_ordered_from(send_list, salts, instructor):
    lines = [one.line for one in salts.solutions.all()]
    newer = make_version(salts.bench_list, instructor, [SALT, POTASSIUM], lines)
    with pytest.raises(Conflict, match="newer version, 2"):
        send_list()
    assert Order.objects.count() == 0
    assert len(send_list(version=newer).made) == 4


def test_a_line_that_was_ordered_in_an_older_version_is_not_ordered_again(send_list, salts, instructor):
    send_list()
    lines = [one.line for one in salts.solutions.all()]
    newer = make_version(
        salts.bench_list, instructor, [SALT, ("potassium-chloride", "1.0", "mol/L", "40")], lines
    )
    again = send_list(version=newer, key="after the correction")
    assert (again.made, len(again.kept)) == ([], 4)


def test_what_chemistry_forbids_is_refused_beside_its_line_and_nothing_is_ordered(
    course, instructor, send_list, taught
):
    """About 360 g of sodium chloride dissolve in a litre of water at 20 °C (handbooks), 6.1 mol: not 9."""
    version = make_list(course, "Too much", instructor, [SALT, ("sodium-chloride", "9.0", "mol/L", "25")])
    with pytest.raises(InvalidInput) as refused:
        send_list(version=version)
    assert list(refused.value.errors) == [f"line-{version.solutions.get(position=1).line}"]
    assert Order.objects.count() == 0
    left_out = Changes(left_out=frozenset({version.solutions.get(position=1).line}))
    assert len(send_list(version=version, changes=left_out).made) == 2


def test_a_short_shelf_lets_the_orders_wait_with_what_is_missing(course, instructor, send_list, taught):
    version = make_list(course, "Silver", instructor, [("silver-nitrate", "0.10", "mol/L", "20")])
    made = send_list(version=version).made
    for order in Order.objects.filter(pk__in=[one.pk for one in made]):
        assert order.state == states.WAITING
        assert "silver nitrate" in order.waiting_for[0]["text"]


def test_what_was_interrupted_before_its_batches_is_gone_on_with_by_the_same_form(send_list, monkeypatch):
    def killed(**_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(from_lists, "put_together", killed)
        with pytest.raises(KeyboardInterrupt):
            send_list()
    assert Order.objects.filter(batch=None).count() == 4
    send_list()
    assert Order.objects.filter(state=states.QUEUED).count() == 4
    assert Batch.objects.count() == 2


def test_after_it_was_cancelled_a_line_can_be_ordered_by_a_new_form_but_not_by_the_old_one(
    send_list, instructor
):
    order = send_list().made[0]
    cancel_order(actor=instructor, order=order)
    assert len(send_list().made) == 4
    assert Order.objects.count() == 4
    assert len(send_list(key="new").made) == 1
    assert Order.objects.count() == 5


def test_the_database_refuses_a_line_that_is_ordered_for_a_meeting(send_list):
    order = send_list().made[0]
    with pytest.raises(IntegrityError):
        Order.objects.create(
            reference="R-X",
            course_id=order.course_id,
            ordered_by=order.ordered_by,
            title="twice",
            groups_per_section=1,
            volume_per_group="1",
            due_at=order.due_at,
            room="210",
            meeting_id=order.meeting_id,
            list_line=order.list_line,
            idempotency_key="twice",
        )


def test_the_number_of_statements_does_not_grow_with_the_orders(
    send_list, course, term, instructor, taught, django_assert_max_num_queries, monkeypatch
):
    monkeypatch.setattr(from_lists, "put_together", lambda **_: None)
    many = [make_section(course, term, f"M{number}", instructor, weekday=4) for number in range(12)]
    with django_assert_max_num_queries(40):
        made = send_list(sections=many).made
    assert len(made) == 24


def test_orders_of_one_solution_share_a_batch_as_long_as_it_keeps(send_list):
    """Salt solutions keep for months, so what is ordered for the next week joins the batch in the queue."""
    send_list(week=1)
    send_list(week=2, key="second week")
    assert Batch.objects.exclude(state=states.CANCELLED).count() == 2
    assert Order.objects.filter(state=states.QUEUED).count() == 8


def test_a_restricted_substance_of_a_list_waits_for_a_manager_with_nothing_held(send_list):
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    send_list()
    asked = Order.objects.filter(list_solution__position=0)
    assert {order.state for order in asked} == {states.APPROVAL}
    assert {order.state for order in Order.objects.exclude(pk__in=asked)} == {states.QUEUED}
    assert [hold.lot.substance.key for hold in Hold.objects.all()] == ["potassium-chloride"]


def test_of_a_manager_who_sends_a_list_nobody_asks_and_the_history_says_who_approved(
    send_list, manager, taught
):
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    send_list(actor=manager, sections=taught[:1])
    order = Order.objects.get(list_solution__position=0)
    assert order.state == states.QUEUED
    approved = order.events.get(event="approve")
    assert (approved.actor, approved.note[:16]) == (manager, "by sending it. S")
