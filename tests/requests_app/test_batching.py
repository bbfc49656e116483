"""Several orders in one batch: added up, held once, planned again for who is left."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest

from inventory.models import Hold, Lot
from inventory.selectors import stock_differences
from prepdesk.calc.typed import parse_number
from requests_app import sheets, states
from requests_app.drafts import draft_of, solution_of, volume_of, wanted_for, wanted_together
from requests_app.models import Order
from requests_app.services.batching import make_batch
from requests_app.services.orders import cancel_order, replan_order

pytestmark = pytest.mark.django_db


@pytest.fixture
def waiting(bench, send) -> list[Order]:
    """Two orders that wait for a salt that nobody has yet."""
    orders = [send(volume="12"), send(volume="20")]
    assert {order.state for order in orders} == {states.WAITING}
    return orders


@pytest.fixture
def bottle_of_salt(waiting, bottle) -> Lot:
    """It comes after the orders."""
    return bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")


def together(actor, orders):
    return make_batch(actor=actor, orders=orders, reason="put together")


def test_the_same_solution_is_known_whatever_unit_or_digits_it_is_typed_in(draft):
    wanted = draft()
    one = wanted.components[0]
    for text, unit in (("2", "mol/L"), ("2.000", "mol/L"), ("2000", "mmol/L")):
        other = replace(wanted, components=(replace(one, target=parse_number(text), unit=unit),))
        assert solution_of(other) == solution_of(wanted)
    for change in (
        {"target": parse_number("2.01")},
        {"unit": "g/L"},
        {"substance_key": "potassium-chloride"},
        {"from_lot": 7},
    ):
        other = replace(wanted, components=(replace(one, **change),))
        assert solution_of(other) != solution_of(wanted), change


def test_the_tightest_tolerance_wins_whether_it_is_stated_or_said_by_the_digits(draft):
    """Common practice: one batch must serve the most exact of its users."""
    wanted = draft()
    one = wanted.components[0]
    exact = replace(wanted, components=(replace(one, target=parse_number("2.000")),))
    stated = replace(wanted, tolerance_percent=parse_number("1"))
    assert wanted_for(wanted).tolerance_percent is None
    assert wanted_together([wanted, stated]).tolerance_percent.value == Decimal("0.25")
    found = wanted_together([stated, exact])
    assert (found.components[0].target.text, found.tolerance_percent.value) == ("2.000", Decimal("0.025"))
    assert wanted_together([stated, stated]).tolerance_percent.text == "1"


def test_volumes_of_different_units_are_added_exactly_and_times_span_all(draft):
    wanted = draft()
    litres = replace(
        wanted,
        volume_per_group=parse_number("0.0255"),
        volume_unit="L",
        due_at=wanted.due_at + timedelta(days=3),
    )
    found = wanted_together([wanted, litres])
    exact = volume_of(wanted).exact + volume_of(litres).exact * 1000
    assert (found.volume.exact, found.volume.unit) == (exact, "mL")
    assert (found.due_at, found.last_due_at) == (wanted.due_at, litres.due_at)


def test_spare_groups_and_what_a_section_needs_once_are_added_up(draft):
    wanted = replace(draft(), spare_groups=1, per_section=parse_number("50"))
    count = len(wanted.section_ids)
    per_group = wanted.volume_per_group.value
    overage = 1 + (wanted.overage_percent.value if wanted.overage_percent else 0) / 100
    assert volume_of(wanted).exact == count * ((wanted.groups_per_section + 1) * per_group * overage + 50)
    assert "spare" in volume_of(wanted).working


def test_two_orders_become_one_batch_that_holds_the_sum_once(waiting, bottle_of_salt, instructor):
    batch = together(instructor, waiting)
    assert {order.state for order in batch.orders.all()} == {states.QUEUED}
    sheet = sheets.current_sheet(batch)
    assert sheet.plan["volume"]["value"] == wanted_together([draft_of(one) for one in waiting]).volume.text
    assert Hold.objects.filter(state="active").count() == 1
    assert not stock_differences()


def test_a_cancelled_order_leaves_the_batch_to_the_others_and_frees_its_share(
    waiting, bottle_of_salt, instructor
):
    lot = bottle_of_salt
    batch = together(instructor, waiting)
    lot.refresh_from_db()
    before = lot.held
    cancel_order(actor=instructor, order=waiting[1])
    lot.refresh_from_db()
    batch.refresh_from_db()
    assert (batch.state, batch.sheets.count()) == (states.QUEUED, 2)
    assert 0 < lot.held < before
    cancel_order(actor=instructor, order=waiting[0])
    lot.refresh_from_db()
    batch.refresh_from_db()
    assert (batch.state, lot.held) == (states.CANCELLED, 0)
    assert not stock_differences()


def test_planning_one_of_them_again_plans_all_of_them(waiting, bottle_of_salt, instructor, prep):
    batch = together(instructor, waiting)
    replan_order(actor=prep, order=waiting[0], reason="looked again")
    batch.refresh_from_db()
    assert batch.sheets.count() == 2
    assert set(batch.orders.values_list("pk", flat=True)) == {order.pk for order in waiting}
    first, second = (sheet.plan["volume"] for sheet in batch.sheets.order_by("revision"))
    assert first == second


def test_what_can_not_be_made_waits_with_the_reason_and_leaves_no_batch(waiting, instructor):
    assert together(instructor, waiting) is None
    for order in waiting:
        order.refresh_from_db()
        assert (order.state, order.batch_id) == (states.WAITING, None)
        assert order.waiting_for[0]["text"]
