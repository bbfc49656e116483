"""Two people at one cart: each bottle is poured once and leaves once. On PostgreSQL, a connection each."""

from datetime import timedelta

import pytest
from django.db.models import Sum
from django.utils import timezone

from inventory.models import Movement
from inventory.selectors import stock_differences
from inventory.services import receive_lot
from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from requests_app import states
from requests_app.drafts import DraftComponent, OrderDraft
from requests_app.models import Batch, Course, DepartmentRules, Order, Portion, Section
from requests_app.services.changes import withdraw_order
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_order
from requests_app.services.orders import submit_order
from requests_app.services.portions import deliver_portions, pour_portions
from tests.requests_app.conftest import outfit_bench, substance_row
from tests.requests_app.test_batches import do_steps

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def crew(transactional_db) -> list[User]:
    return [User.objects.create(username=f"prep{number}", role="prep", password="!") for number in range(4)]


@pytest.fixture
def made(crew) -> Batch:
    """A finished batch of one order for three sections."""
    outfit_bench()
    DepartmentRules.objects.update_or_create(pk=1, defaults={"large_draw_percent": 100})
    course = Course.objects.create(code="CH 101", title="General chemistry")
    teacher = User.objects.create(username="teacher", role="instructor", password="!")
    sections = [Section.objects.create(course=course, name=name, instructor=teacher) for name in "ABC"]
    receive_lot(
        actor=crew[0],
        substance=substance_row("sodium-chloride"),
        kind="solid",
        amount="500",
        unit="g",
        assay_percent="100.0",
        assay_tolerance_percent="0.1",
        lot_number="1",
        idempotency_key="salt",
    )
    order = submit_order(
        actor=teacher,
        draft=OrderDraft(
            course_id=course.pk,
            section_ids=tuple(section.pk for section in sections),
            components=(DraftComponent("sodium-chloride", parse_number("2.00"), "mol/L"),),
            groups_per_section=12,
            volume_per_group=parse_number("25"),
            volume_unit="mL",
            due_at=timezone.now() + timedelta(days=1),
            room="210",
        ),
        idempotency_key="order",
    )
    batch = claim_batch(actor=crew[0], batch=order.batch)
    do_steps(batch, crew[0])
    return finish_batch(actor=crew[0], batch=batch)


def drawn_from(batch: Batch) -> int:
    rows = Movement.objects.filter(lot=batch.prepared_lot, kind=Movement.Kind.DRAWN)
    return -(rows.aggregate(total=Sum("amount"))["total"] or 0)


def test_four_who_pour_at_once_pour_each_bottle_once(made, crew, race):
    lot = made.prepared_lot
    found = race([lambda who=who: pour_portions(actor=who, batch=made) for who in crew])
    assert [sorted(one.code for one in bottles) for bottles in found] == [
        sorted(Portion.objects.values_list("code", flat=True))
    ] * len(crew)
    assert Portion.objects.count() == 3
    lot.refresh_from_db()
    assert lot.held == sum(Portion.objects.values_list("amount", flat=True))
    assert stock_differences() == []


def test_what_several_deliver_and_hand_over_at_once_leaves_once(made, crew, race):
    portions = pour_portions(actor=crew[0], batch=made)
    order = Order.objects.get()
    race(
        [
            lambda: deliver_portions(actor=crew[0], portions=portions, left_in_room=True),
            lambda: deliver_portions(actor=crew[1], portions=portions[::-1], received_name="A. Porter"),
            lambda: deliver_portions(actor=crew[2], portions=portions[1:], left_in_room=True),
            lambda: hand_over_order(actor=crew[3], order=order),
        ]
    )
    assert set(Portion.objects.values_list("state", flat=True)) == {states.DELIVERED}
    assert drawn_from(made) == sum(one.amount for one in portions)
    assert Order.objects.get().state == states.HANDED_OVER
    assert stock_differences() == []


def test_withdrawn_and_delivered_at_once_each_bottle_is_either(made, crew, race):
    portions = pour_portions(actor=crew[0], batch=made)
    order = Order.objects.get()
    race(
        [
            lambda: deliver_portions(actor=crew[0], portions=portions[:1], left_in_room=True),
            lambda: withdraw_order(actor=order.ordered_by, order=order, reason="away", idempotency_key="w"),
            lambda: deliver_portions(actor=crew[1], portions=portions[1:], left_in_room=True),
        ]
    )
    out = Portion.objects.filter(state=states.DELIVERED)
    assert drawn_from(made) == sum(one.amount for one in out)
    assert not Portion.objects.exclude(state__in=(states.DELIVERED, states.CANCELLED)).exists()
    assert stock_differences() == []
