"""Approval where it is needed: restricted substances and large draws wait for a manager, nothing held."""

import re

import pytest
from django.urls import reverse

from inventory.models import Hold, Lot, Substance
from prepdesk.accounts import kinds
from prepdesk.accounts.models import Notice
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.drafts import DraftComponent
from requests_app.models import DepartmentRules, Order
from requests_app.services.approving import approval_reasons_for
from requests_app.services.deciding import approve_order, decline_order
from requests_app.services.orders import cancel_order, plan_order, replan_order, submit_order

pytestmark = pytest.mark.django_db


def newest(order):
    return order.events.order_by("-pk").values_list("pk", flat=True).first()


@pytest.fixture
def small(bench, bottle):
    """A bottle of which the usual order (116.88 g for a litre: 2.00 mol of NaCl, 58.44 g/mol) takes most."""
    return bottle("sodium-chloride", "150", assay_percent="100.0")


@pytest.fixture
def restricted(salt):
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    return salt


def test_an_ordinary_draw_asks_nobody(salt, send):
    order = send()
    assert order.state == states.QUEUED
    assert order.approval_reasons == []
    assert not order.events.filter(event__in=("ask", "approve")).exists()


def test_a_large_draw_of_the_only_bottle_waits_with_nothing_held(small, send, manager, instructor):
    order = send()
    assert order.state == states.APPROVAL
    assert order.batch is None
    assert not Hold.objects.exists()
    (point,) = order.approval_reasons
    assert re.search(
        r"116\.88 g of sodium chloride, 78 % of the 150 g that are free in the only", point["text"]
    )
    notice = Notice.objects.get(person=manager, kind=kinds.ORDER_APPROVAL)
    assert order.reference in notice.text
    assert not Notice.objects.filter(person=instructor).exists(), "nobody is told of what they did themselves"


def test_the_share_that_nobody_is_asked_for_is_the_departments_rule(small, draft, instructor):
    plan = plan_order(actor=instructor, draft=draft())
    assert len(approval_reasons_for(draft(), plan)) == 1
    DepartmentRules.objects.create(pk=1, large_draw_percent=80)
    assert approval_reasons_for(draft(), plan) == []


def test_a_restricted_substance_is_asked_about_even_where_the_shelf_is_short(bench, bottle, send):
    bottle("sodium-chloride", "5", assay_percent="100.0")
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    order = send()
    assert order.state == states.APPROVAL
    assert [point["code"] for point in order.approval_reasons] == ["restricted"]


def test_approved_it_is_planned_and_held_and_its_orderer_is_told(restricted, send, manager, instructor):
    order = send()
    done = approve_order(actor=manager, order=order, seen_event=newest(order))
    assert done.state == states.QUEUED
    assert Hold.objects.filter(state="active").count() == 1
    assert [event.event for event in done.events.all()] == ["submit", "ask", "approve", "queue"]
    assert Notice.objects.filter(
        person=instructor, kind=kinds.ORDER_APPROVAL, text__contains="approved"
    ).exists()
    again = replan_order(actor=manager, order=done)
    assert again.state == states.QUEUED, "nobody is asked twice for the same"


def test_approved_and_short_of_stock_it_waits_for_stock(bench, bottle, send, manager):
    bottle("sodium-chloride", "5", assay_percent="100.0")
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    order = send()
    done = approve_order(actor=manager, order=order, seen_event=newest(order))
    assert done.state == states.WAITING
    assert "missing" in done.waiting_for[0]["text"]
    bottle("sodium-chloride", "500", assay_percent="100.0")
    assert replan_order(actor=manager, order=done).state == states.QUEUED


def test_declined_it_is_cancelled_with_the_reason(small, send, manager, instructor):
    order = send()
    with pytest.raises(InvalidInput):
        decline_order(actor=manager, order=order, seen_event=newest(order), reason=" ")
    seen = newest(order)
    done = decline_order(actor=manager, order=order, seen_event=seen, reason="order half of it")
    assert done.state == states.CANCELLED
    assert "order half of it" in Notice.objects.get(person=instructor).text
    assert decline_order(actor=manager, order=order, seen_event=seen, reason="again").events.count() == 3
    with pytest.raises(NotInThisState):
        approve_order(actor=manager, order=order, seen_event=newest(done))


def test_a_manager_who_presses_twice_approves_once(restricted, send, manager):
    order = send()
    seen = newest(order)
    approve_order(actor=manager, order=order, seen_event=seen)
    done = approve_order(actor=manager, order=order, seen_event=seen)
    assert done.events.filter(event="approve").count() == 1
    assert Hold.objects.count() == 1


def test_nobody_approves_what_they_have_not_seen(small, send, manager):
    order = send()
    with pytest.raises(Conflict):
        approve_order(actor=manager, order=order, seen_event=newest(order) - 1)
    assert Order.objects.get().state == states.APPROVAL


@pytest.mark.parametrize("who", ["instructor", "prep"])
def test_only_a_manager_decides(small, send, request, who):
    order = send()
    with pytest.raises(NotAllowed):
        approve_order(actor=request.getfixturevalue(who), order=order, seen_event=newest(order))


def test_its_orderer_may_cancel_it(small, send, instructor):
    assert cancel_order(actor=instructor, order=send()).state == states.CANCELLED


def test_an_order_of_a_manager_is_approved_by_sending_it_and_says_so(small, draft, manager):
    order = submit_order(actor=manager, draft=draft(), idempotency_key="mine")
    assert order.state == states.QUEUED
    assert order.approved[0]["code"] == "large_draw"
    assert order.events.get(event="approve").note.startswith("by sending it. It takes 116.88")


def test_stock_that_came_makes_a_waiting_order_ask_first(bench, bottle, send, prep):
    order = send()
    assert order.state == states.WAITING
    bottle("sodium-chloride", "150", assay_percent="100.0")
    again = replan_order(actor=prep, order=order)
    assert again.state == states.APPROVAL
    assert not Hold.objects.exists()


def test_a_leftover_may_be_used_up(bench, bottle, draft, instructor, prep):
    """What was prepared here is kept to be used: that is no draw on the stock."""
    stock = bottle(
        "sodium-chloride",
        "600",
        "solution",
        concentration_mol_per_l="4.00",
        relative_uncertainty_percent="0.2",
    )
    wanted = draft(
        components=(DraftComponent("sodium-chloride", parse_number("2.0"), "mol/L", from_lot=stock.pk),),
        tolerance="5",
    )
    plan = plan_order(actor=instructor, draft=wanted)
    assert plan["feasible"]
    assert len(approval_reasons_for(wanted, plan)) == 1
    Lot.objects.update(prepared_by=prep)
    assert approval_reasons_for(wanted, plan) == []


def test_the_check_page_says_it_before_and_the_managers_page_has_the_buttons(
    client, small, send, manager, prep
):
    order = send()
    address = reverse("requests_app:order", args=[order.reference])
    client.force_login(prep)
    assert "Approve R-" not in client.get(address).content.decode()
    client.force_login(manager)
    page = client.get(address).content.decode()
    seen = re.search(r'name="seen" value="(\d+)"', page).group(1)
    assert f"Approve {order.reference}" in page
    assert order.reference in client.get("/orders/?show=approval").content.decode()
    answer = client.post(
        reverse("requests_app:order_decline", args=[order.reference]), {"seen": seen, "reason": ""}
    )
    assert answer.status_code == 422
    answer = client.post(reverse("requests_app:order_approve", args=[order.reference]), {"seen": seen})
    assert answer.status_code == 302
    assert Order.objects.get().state == states.QUEUED
