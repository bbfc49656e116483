"""The same solution for several sections: one batch, split again at hand-over, and undone by people."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from django.utils.html import strip_tags

from inventory.models import ApparatusItem
from inventory.selectors.verify import stock_differences
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.models import Batch, DepartmentRules, Order
from requests_app.selectors import active_holds
from requests_app.selectors.together import division_of, most_ml
from requests_app.services.arranging import merge_batches, pull_out
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch, hand_over_order
from requests_app.services.orders import cancel_order
from requests_app.services.stopping import stop_batch
from requests_app.services.together import put_together
from tests.requests_app.test_batches import do_steps
from tests.requests_app.test_choices import leftover

__all__ = ["do_steps", "leftover"]

# The bottles of these tests are small.
pytestmark = pytest.mark.usefixtures("any_draw")

DAY = timedelta(days=1)


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    yield
    assert stock_differences() == []


@pytest.fixture
def carboy(salt) -> ApparatusItem:
    """A bench with a 20 L carboy, and salt to go with it."""
    return ApparatusItem.objects.create(type="carboy", nominal_ml="20000", count=1, code="CARBOY")


@pytest.fixture
def waiting(send, monkeypatch):
    """Orders that were sent and wait, as those of a term do before they are put together."""

    def make(**changes) -> Order:
        order = send(made_alone=True, **changes)
        batch = order.batch
        if batch is not None:
            from requests_app.services.batching import dissolve

            dissolve(actor=order.ordered_by, batch=batch, reason="to be put together")
        Order.objects.filter(pk=order.pk).update(batch=None, state=states.WAITING, made_alone=False)
        return Order.objects.get(pk=order.pk)

    return make


def plan_of(batch: Batch) -> sheets.Plan:
    return sheets.current_sheet(batch).plan


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def held(batch: Batch) -> int:
    return sum(hold.amount for hold in active_holds(batch))


# --- sent one after the other -----------------------------------------------------------------------
def test_the_same_solution_sent_twice_is_one_batch_of_both(carboy, send):
    first, second = send(room="210"), send(room="211", due_at=timezone.now() + 2 * DAY)
    batch = fresh(first).batch
    assert batch == second.batch
    assert Batch.objects.count() == 1
    assert plan_of(batch)["volume"] == {"value": "1980", "unit": "mL"}
    assert batch.room == "210, 211"
    assert batch.due_at == first.due_at
    # 1980 mL of 2.00 mol/L: 231.4 g of the pure salt (58.44 g/mol), and it is held once.
    assert held(batch) / 1e6 == pytest.approx(231.4, abs=0.5 + 20 * 231.4 / 1980)


def test_the_tightest_tolerance_wins(carboy, send):
    send(tolerance="5", volume="20")
    batch = send(tolerance="1", volume="20").batch
    assert plan_of(batch)["tolerance_percent"] == 1
    assert Batch.objects.count() == 1


def test_a_tolerance_that_only_the_small_one_can_have_keeps_them_apart(carboy, send):
    # Ten litres to 0.25 % are five fillings of the largest flask; to 5 % they are marked off in the carboy.
    loose = send(target="0.200", tolerance="5", volume="250")
    tight = send(target="0.200", tolerance="0.25", volume="20")
    assert fresh(loose).batch != tight.batch
    assert {loose.state, tight.state} == {states.QUEUED}


def test_what_is_claimed_is_never_touched(carboy, send, prep):
    first = send()
    claim_batch(actor=prep, batch=first.batch)
    second = send()
    assert second.batch != first.batch
    assert plan_of(first.batch)["volume"]["value"] == "990"


def test_the_departments_rule_keeps_weeks_apart(carboy, send):
    DepartmentRules.objects.update_or_create(pk=1, defaults={"together_days": 5})
    first, second = send(), send(due_at=timezone.now() + 8 * DAY)
    assert first.batch != second.batch


def test_a_label_that_is_over_by_then_keeps_them_apart(bench, bottle, send):
    # Ascorbic acid in water keeps for the day (common practice): two days later it is made again.
    bottle("ascorbic-acid", "500", assay_percent="99.5", assay_tolerance_percent="0.2")
    first = send(substance="ascorbic-acid", target="0.10", volume="5")
    same = send(substance="ascorbic-acid", target="0.10", volume="5")
    later = send(substance="ascorbic-acid", target="0.10", volume="5", due_at=timezone.now() + 3 * DAY)
    assert fresh(first).batch == same.batch != later.batch


def test_more_than_the_vessels_hold_is_another_batch(salt, send):
    most = most_ml()
    assert most == Decimal(2000), "the largest flask, and the beaker that fillings are poured together in"
    first, second, third = send(), send(), send()
    assert fresh(first).batch == second.batch != third.batch


def test_a_cancelled_order_leaves_the_others_their_batch(carboy, send, instructor):
    first, second = send(), send()
    cancel_order(actor=instructor, order=first)
    batch = fresh(second).batch
    assert plan_of(batch)["volume"]["value"] == "990"


# --- many at once ---------------------------------------------------------------------------------------
def test_waiting_orders_become_one_batch_and_pressing_twice_makes_no_second(carboy, waiting, instructor):
    orders = [waiting(volume="20") for _ in range(4)]
    seen: list[tuple[int, int]] = []
    outcome = put_together(
        actor=instructor, orders=orders, reason="term", told=lambda done, of: seen.append((done, of))
    )
    assert [batch.orders.count() for batch in outcome.batches] == [4]
    assert seen == [(4, 4)]
    again = put_together(actor=instructor, orders=orders, reason="term")
    assert (again.batches, again.waiting) == ([], [])
    assert Batch.objects.filter(state=states.QUEUED).count() == 1


def test_what_the_stock_suffices_for_is_made_and_the_rest_waits_with_reasons(carboy, waiting, instructor):
    # 500 g of salt make 4.3 L of 2.00 mol/L: four of these, and not the fifth and sixth.
    orders = [waiting(due_at=timezone.now() + (number + 1) * DAY / 4) for number in range(6)]
    outcome = put_together(actor=instructor, orders=orders, reason="term")
    [batch] = outcome.batches
    assert sorted(one.pk for one in batch.orders.all()) == [one.pk for one in orders[:4]]
    assert [one.pk for one in outcome.waiting] == [one.pk for one in orders[4:]]
    for order in outcome.waiting:
        assert "sodium chloride" in fresh(order).waiting_for[0]["text"]


def test_they_join_a_batch_of_the_queue_first(carboy, send, waiting, instructor):
    orders = [waiting(volume="10"), waiting(volume="10")]
    first = send(volume="10")
    put_together(actor=instructor, orders=orders, reason="term")
    assert {fresh(order).batch for order in orders} == {fresh(first).batch}
    assert fresh(first).batch.sheets.count() == 2


def test_what_waits_for_approval_is_left_alone(carboy, waiting, instructor):
    orders = [waiting(), waiting()]
    Order.objects.filter(pk=orders[0].pk).update(approval_reasons=[{"text": "a large draw"}])
    put_together(actor=instructor, orders=orders, reason="term")
    assert fresh(orders[0]).state == states.WAITING
    assert fresh(orders[1]).state == states.QUEUED


def test_a_prep_may_and_another_instructor_may_not(carboy, waiting, prep, colleague):
    order = waiting()
    with pytest.raises(NotAllowed):
        put_together(actor=colleague, orders=[order], reason="")
    assert put_together(actor=prep, orders=[order], reason="").batches


def test_a_group_takes_a_few_queries_and_not_some_for_each_order(
    carboy, waiting, instructor, django_assert_max_num_queries
):
    orders = [waiting(volume="4") for _ in range(12)]
    with django_assert_max_num_queries(40 + 4 * len(orders)):
        put_together(actor=instructor, orders=orders, reason="term")


# --- what is left over ------------------------------------------------------------------------------------
def test_a_leftover_that_still_lives_is_used_before_anything_new_is_made(
    carboy, waiting, instructor, leftover
):
    lot = leftover("sodium-chloride", "2.000", 2200)
    orders = [waiting(tolerance="1", due_at=timezone.now() + (number + 1) * DAY / 4) for number in range(3)]
    poured, made = put_together(actor=instructor, orders=orders, reason="term").batches
    assert {one.pk for one in poured.orders.all()} == {orders[0].pk, orders[1].pk}
    assert all(step["action"] != "make_up" for step in plan_of(poured)["steps"])
    assert [hold.lot for hold in active_holds(poured)] == [lot]
    assert [one.pk for one in made.orders.all()] == [orders[2].pk]
    assert "left over" in orders[0].events.get(event="choose").note


@pytest.mark.parametrize(("strength", "lives"), [("2.02", 60), ("2.000", 0)])
def test_a_leftover_off_its_mark_or_over_by_then_is_not(
    carboy, waiting, instructor, leftover, strength, lives
):
    leftover("sodium-chloride", strength, 5000, expires_in=lives)
    order = waiting(tolerance="1")
    [batch] = put_together(actor=instructor, orders=[order], reason="term").batches
    assert any(step["action"] == "make_up" for step in plan_of(batch)["steps"])


# --- by hand ----------------------------------------------------------------------------------------------
def test_an_order_pulled_out_has_its_own_batch_and_stays_apart(carboy, send, instructor):
    first, second = send(), send()
    out = pull_out(actor=instructor, order=second, reason="another room key")
    first, out = fresh(first), fresh(out)
    assert out.batch != first.batch
    assert [plan_of(one.batch)["volume"]["value"] for one in (first, out)] == ["990", "990"]
    assert out.made_alone
    third = send()
    assert third.batch == first.batch
    again = pull_out(actor=instructor, order=out, reason="pressed twice")
    assert again.batch == out.batch


def test_pulling_out_is_refused_once_it_is_claimed_by_others_and_without_a_reason(
    carboy, send, prep, instructor, colleague
):
    first, second = send(), send()
    with pytest.raises(NotAllowed):
        pull_out(actor=colleague, order=second, reason="mine")
    with pytest.raises(InvalidInput):
        pull_out(actor=instructor, order=second, reason=" ")
    with pytest.raises(Conflict):
        pull_out(actor=instructor, order=second, reason="old page", seen_version=0)
    claim_batch(actor=prep, batch=fresh(first).batch)
    with pytest.raises(NotInThisState):
        pull_out(actor=instructor, order=second, reason="late")
    put_back_batch(actor=prep, batch=fresh(first).batch)
    assert pull_out(actor=prep, order=second, reason="now").made_alone


def test_two_batches_merged_by_hand_are_one_and_a_second_press_changes_nothing(carboy, send, prep):
    one, other = send().batch, send(made_alone=True).batch
    merged = merge_batches(actor=prep, batches=[one, other], reason="same trolley")
    assert plan_of(merged)["volume"]["value"] == "1980"
    assert merged.orders.count() == 2
    assert fresh(other).state == states.CANCELLED
    assert not active_holds(other)
    assert merge_batches(actor=prep, batches=[one, other], reason="same trolley") == merged
    assert merged.sheets.count() == 2


def test_merging_says_why_not(salt, bottle, send, prep, instructor):
    bottle("ascorbic-acid", "500", assay_percent="99.5", assay_tolerance_percent="0.2")
    one = send().batch
    with pytest.raises(Conflict, match="not the same solution"):
        merge_batches(actor=prep, batches=[one, send(target="1.00").batch], reason="")
    with pytest.raises(Conflict, match="largest vessel here takes 2 L"):
        merge_batches(actor=prep, batches=[one, send(volume="30", made_alone=True).batch], reason="")
    vitamin = {"substance": "ascorbic-acid", "target": "0.10", "volume": "5"}
    days = [send(due_at=timezone.now() + days * DAY, **vitamin).batch for days in (1, 4)]
    with pytest.raises(Conflict, match="label allows 1 day"):
        merge_batches(actor=prep, batches=days, reason="")
    claimed = send(volume="1", made_alone=True).batch
    claim_batch(actor=prep, batch=claimed)
    with pytest.raises(NotInThisState, match="queue"):
        merge_batches(actor=prep, batches=[one, claimed], reason="")
    with pytest.raises(NotAllowed):
        merge_batches(actor=instructor, batches=[one, claimed], reason="")


# --- handed over order by order -----------------------------------------------------------------------------
@pytest.fixture
def ready(carboy, send, prep):
    """990 mL each for three orders, made as one and standing on the shelf."""
    orders = [send(room=f"21{number}") for number in range(3)]
    batch = claim_batch(actor=prep, batch=fresh(orders[0]).batch)
    do_steps(batch, prep)
    return finish_batch(actor=prep, batch=batch), [fresh(order) for order in orders]


def lot_of(batch: Batch) -> tuple[Decimal, Decimal]:
    """On the shelf, and held of it [mL]."""
    lot = fresh(batch).prepared_lot
    return Decimal(lot.on_hand) / 1000, Decimal(lot.held) / 1000


def test_each_order_gets_its_share_and_what_is_left_is_free(ready, prep):
    batch, (first, second, third) = ready
    made, held_of_it = lot_of(batch)
    assert held_of_it == 3 * 990
    hand_over_order(actor=prep, order=second)
    hand_over_order(actor=prep, order=second)
    assert lot_of(batch) == (made - 990, 2 * 990)
    assert [fresh(one).state for one in (first, second, third)] == ["ready", "handed_over", "ready"]
    assert fresh(batch).state == states.READY
    hand_over_order(actor=prep, order=first)
    hand_over_order(actor=prep, order=third, note="trolley 2")
    assert fresh(batch).state == states.HANDED_OVER
    assert lot_of(batch) == (made - 3 * 990, 0)


def test_handing_over_the_batch_serves_all_that_are_left(ready, prep):
    batch, orders = ready
    made, _ = lot_of(batch)
    hand_over_order(actor=prep, order=orders[0])
    hand_over_batch(actor=prep, batch=batch)
    assert {fresh(order).state for order in orders} == {states.HANDED_OVER}
    assert lot_of(batch) == (made - 3 * 990, 0)


def test_only_the_stockroom_hands_over_and_only_what_is_ready(ready, send, prep, instructor):
    _, orders = ready
    with pytest.raises(NotAllowed):
        hand_over_order(actor=instructor, order=orders[0])
    with pytest.raises(NotInThisState):
        hand_over_order(actor=prep, order=send(volume="1"))


def test_giving_up_what_is_left_lets_the_others_wait_and_keeps_what_was_handed_over(ready, prep):
    batch, (first, second, third) = ready
    hand_over_order(actor=prep, order=first)
    stop_batch(actor=prep, batch=batch, reason="dropped")
    assert fresh(first).state == states.HANDED_OVER
    assert {fresh(second).state, fresh(third).state} <= {states.WAITING, states.QUEUED}
    assert lot_of(batch)[1] == 0


def test_five_sections_hydroxide_is_one_job_handed_out_as_five_labelled_bottles(bench, bottle, send, prep):
    # Common practice: a week's 0.1 mol/L sodium hydroxide for five sections is made as one carboy.
    bottle("sodium-hydroxide", "500", assay_percent="98.5", assay_tolerance_percent="0.5")
    ApparatusItem.objects.create(type="carboy", nominal_ml="20000", count=1, code="CARBOY")
    # 3 benches of 12 groups, 60 mL each and ten per cent more: 2.376 L for each of five orders.
    orders = [
        send(
            substance="sodium-hydroxide",
            target="0.1",
            tolerance="5",
            volume="60",
            room=f"20{number}",
            due_at=timezone.now() + (number + 1) * DAY,
        )
        for number in range(5)
    ]
    [batch] = Batch.objects.all()
    plan = plan_of(batch)
    assert plan["volume"] == {"value": "11880", "unit": "mL"}
    assert any((step["equipment"] or {}).get("type") == "carboy" for step in plan["steps"])
    # 11.88 L x 0.1 mol/L x 39.997 g/mol = 47.5 g of pure hydroxide, 48.2 g of this bottle.
    [draw] = sheets.draws_of(plan)
    assert draw.amount / 1e6 == pytest.approx(48.2, abs=0.7)
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep)
    done = finish_batch(actor=prep, batch=batch)
    shares = division_of(fresh(done), [fresh(order) for order in orders])
    assert [(one.words, one.order.room) for one in shares] == [("2376 mL", f"20{n}") for n in range(5)]
    for order in orders:
        hand_over_order(actor=prep, order=order)
    assert fresh(done).state == states.HANDED_OVER
    left, held_of_it = lot_of(done)
    assert held_of_it == 0
    assert left == Decimal(plan["makes"]["value"]) * (1000 if plan["makes"]["unit"] == "L" else 1) - 11880


# --- as people see it ---------------------------------------------------------------------------
def text_of(answer) -> str:
    return " ".join(strip_tags(answer.content.decode()).split())


def test_the_pages_say_what_is_made_together_what_it_saves_and_who_gets_how_much(
    carboy, send, client, prep, instructor
):
    first, second = send(room="210"), send(room="211")
    batch = fresh(first).batch
    client.force_login(instructor)
    page = text_of(client.get(f"/orders/{second.reference}/"))
    assert f"with {first.reference}: one batch of 1980 mL" in page
    client.force_login(prep)
    page = text_of(client.get(f"/batches/{batch.reference}/"))
    assert "Poured out into 2 labelled bottles" in page
    assert "Made together for 2 orders: 1 batch fewer" in page
    assert "minutes of work instead of" in page
    assert "Poured out into 2 labelled bottles" in text_of(client.get(f"/batches/{batch.reference}/sheet/"))
    assert "2 orders: 1 fewer to make" in text_of(client.get("/queue/?show=open"))
    page = text_of(client.get("/teaching/together/"))
    assert batch.reference in page
    assert "2 orders in 1 batch, 1 fewer to make" in page


def test_an_order_is_pulled_out_and_merged_again_from_the_pages(carboy, send, client, prep):
    first, second = send(), send()
    client.force_login(prep)
    address = f"/orders/{second.reference}/pull-out/"
    assert client.post(address, {"reason": "", "version": "2"}).status_code == 422
    version = fresh(first).batch.version
    assert client.post(address, {"reason": "own trolley", "version": version}).status_code == 302
    Order.objects.update(made_alone=False)
    batches = Batch.objects.filter(state=states.QUEUED)
    assert len(batches) == 2
    assert "Could be one batch" in text_of(client.get("/teaching/together/"))
    sent = {"batch": [f"{one.reference} {one.version}" for one in batches]}
    assert (
        client.post(
            "/teaching/together/merge/", {"batch": [f"{one.reference} 99" for one in batches]}
        ).status_code
        == 409
    )
    assert client.post("/teaching/together/merge/", sent).status_code == 302
    assert Batch.objects.filter(state=states.QUEUED).count() == 1


def test_one_order_is_handed_over_from_its_own_page(ready, client, prep):
    _, orders = ready
    client.force_login(prep)
    address = f"/orders/{orders[0].reference}/hand-over/"
    assert "990 mL" in text_of(client.get(address))
    assert client.post(address, {"note": "on trolley 2"}).status_code == 302
    assert fresh(orders[0]).state == states.HANDED_OVER
    assert fresh(orders[1]).state == states.READY


def test_what_is_together_takes_no_more_queries_for_more_batches(carboy, send, client, prep):
    client.force_login(prep)
    counts = []
    for target in ("0.20", "0.30", "0.40"):
        for _ in range(2):
            send(target=target, volume="5")
        client.get("/teaching/together/")
        with CaptureQueriesContext(connection) as queries:
            client.get("/teaching/together/")
        counts.append(len(queries))
    assert counts[0] == counts[1] == counts[2]
