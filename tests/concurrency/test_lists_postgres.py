"""Bench lists that two people order at the same moment, on PostgreSQL with a connection each."""

import pytest

from inventory.models import Hold
from inventory.selectors import stock_differences
from inventory.services import receive_lot
from prepdesk.accounts.models import User
from requests_app.models import Batch, Course, Meeting, Order
from requests_app.services.from_lists import Changes, Sent, order_from_list
from tests.requests_app.conftest import outfit_bench, substance_row
from tests.requests_app.terms import POTASSIUM, SALT, make_list, make_section, make_term

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def shared(transactional_db):
    """Two teachers of three sections, a manager, and a list of two solutions with what they are made of."""
    outfit_bench()
    manager = User.objects.create(username="mara", role="manager", password="!")
    first, second = (User.objects.create(username=f"t{n}", role="instructor", password="!") for n in range(2))
    course, term = Course.objects.create(code="CH 101", title="General chemistry"), make_term(1)
    for name in "ABC":
        make_section(course, term, name, first).co_instructors.add(second)
    version = make_list(course, "Salts", first, [SALT, POTASSIUM])
    for key in ("sodium-chloride", "potassium-chloride"):
        receive_lot(
            actor=manager,
            substance=substance_row(key),
            kind="solid",
            amount="5000",
            unit="g",
            assay_percent="100.0",
            assay_tolerance_percent="0.1",
            idempotency_key=key,
        )
    return version, (first, second, manager)


def ordering(version, actor, key, backwards=False):
    meetings = list(Meeting.objects.order_by("-pk" if backwards else "pk"))
    return lambda: order_from_list(
        actor=actor, version=version, meetings=meetings, changes=Changes(), idempotency_key=key
    )


def one_set() -> bool:
    """Three meetings of two solutions: six orders in a batch for each solution, and held for once."""
    lines = set(Order.objects.values_list("meeting", "list_line"))
    return len(lines) == Order.objects.count() == 6 and Batch.objects.count() == Hold.objects.count() == 2


def test_of_several_people_who_order_a_list_at_once_one_orders_it_and_the_others_are_told(shared, race):
    version, people = shared
    jobs = [ordering(version, one, f"form of {one}", at == 1) for at, one in enumerate(people)]
    outcomes = race(jobs)
    assert all(isinstance(one, Sent) for one in outcomes), outcomes
    assert sorted(len(one.made) for one in outcomes) == [0, 0, 6]
    assert sorted(len(one.kept) for one in outcomes) == [0, 6, 6]
    assert all(line.ordered.reference.startswith("R-") for one in outcomes for line in one.kept)
    assert one_set()
    assert stock_differences() == []


def test_one_form_sent_from_several_tabs_at_once_is_one_set(shared, race):
    version, people = shared
    outcomes = race([ordering(version, people[0], "one form")] * 4)
    assert all(isinstance(one, Sent) for one in outcomes), outcomes
    assert len({tuple(order.pk for order in one.made) for one in outcomes}) == 1
    assert one_set()
    assert stock_differences() == []
