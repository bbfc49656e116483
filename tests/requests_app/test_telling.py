"""What the person who ordered is told, and what nobody needs to be told."""

import pytest

from inventory.services import change_lot_state
from prepdesk.accounts.models import Notice
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.orders import cancel_order, replan_order
from tests.requests_app.test_batches import do_steps, weighing_of

pytestmark = pytest.mark.django_db


def told() -> list[tuple[str, str]]:
    return list(Notice.objects.order_by("pk").values_list("person__username", "kind"))


def made(order, prep):
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(batch, prep)
    return finish_batch(actor=prep, batch=batch)


def test_ready_and_handed_over_are_told_once_each_with_the_way_to_the_order(salt, send, prep, instructor):
    order = send()
    assert told() == [], "an order that was queued needs no telling: its page says so"
    batch = made(order, prep)
    finish_batch(actor=prep, batch=batch)
    hand_over_batch(actor=prep, batch=batch)
    hand_over_batch(actor=prep, batch=batch)
    assert told() == [("ines", "order_ready"), ("ines", "order_handed_over")]
    notice = Notice.objects.earliest("pk")
    assert notice.path == f"/orders/{order.reference}/"
    assert order.reference in notice.text
    assert "sodium chloride" in notice.text


def test_a_result_outside_the_tolerance_is_told_with_the_reason_it_was_kept(salt, send, prep):
    order = send()
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(
        batch,
        prep,
        readings={weighing_of(batch)["number"]: "130"},
        reason="the spoon slipped",
    )
    finish_batch(actor=prep, batch=batch, reason="enough for a demonstration")
    assert told() == [("ines", "order_ready"), ("ines", "batch_flagged")]
    assert "enough for a demonstration" in Notice.objects.latest("pk").text


def test_waiting_after_a_new_plan_and_the_way_back_are_told(salt, bottle, send, prep):
    order = send()
    change_lot_state(actor=prep, lot=salt, event="quarantine", reason="a cracked cap")
    order = replan_order(actor=prep, order=order)
    assert told() == [("ines", "order_waits")]
    replan_order(actor=prep, order=order)
    assert told() == [("ines", "order_waits")], "it still waits, which is no news"
    bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")
    replan_order(actor=prep, order=order)
    assert [kind for _, kind in told()] == ["order_waits", "order_waits"]
    assert "no longer waits" in Notice.objects.latest("pk").text


def test_only_somebody_else_cancelling_is_news(salt, send, instructor, manager):
    cancel_order(actor=instructor, order=send())
    assert told() == []
    cancel_order(actor=manager, order=send(), reason="the course moved to June")
    assert told() == [("ines", "order_cancelled")]
    assert "Mara Stone" in Notice.objects.get().text
    assert "the course moved to June" in Notice.objects.get().text
