"""A solution leaves in bottles and comes back: nothing is delivered twice, nothing is lost, nothing mixed.

That what was opened never goes back into the bottle it came from, and into a reagent bottle nothing at all,
is common practice of teaching laboratories.
"""

from contextlib import suppress
from dataclasses import replace
from datetime import timedelta

import pytest
from django.db import transaction
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.codes import is_sound
from inventory.models import Movement
from inventory.selectors.verify import stock_differences
from inventory.services import add_place, add_waste_stream, change_lot_state
from prepdesk.core.errors import DomainError, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Batch, Meeting, Order, OrderHold, Portion, Room
from requests_app.selectors.together import division_of
from requests_app.services.changes import change_order, withdraw_order
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import ChangeUnseen, hand_over_batch, hand_over_order
from requests_app.services.meeting_changes import change_meeting
from requests_app.services.meeting_wishes import as_it_is
from requests_app.services.not_delivered import undo_delivery
from requests_app.services.portions import (
    deliver_portion,
    deliver_portions,
    divided,
    load_portion,
    pour_back,
    pour_portions,
    split_portion,
    unload_portion,
)
from requests_app.services.returning import mark_empty, take_back
from requests_app.services.stopping import stop_batch
from tests.requests_app.test_batches import do_steps

pytestmark = pytest.mark.usefixtures("any_draw")


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    yield
    assert stock_differences() == []


def fresh(row):
    return type(row).objects.get(pk=row.pk)


@pytest.fixture
def made(salt, send, prep):
    """A finished batch of an order for three sections."""
    return finished(send(), prep)


def finished(order: Order, prep) -> Batch:
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(batch, prep)
    return finish_batch(actor=prep, batch=batch)


@pytest.fixture
def shared(salt, send, prep):
    """A finished batch of two orders, each for three sections."""
    first, second = send(room="210"), send(room="211", due_at=timezone.now() + timedelta(days=1, hours=2))
    assert first.batch == second.batch
    return finished(first, prep)


@pytest.fixture
def poured(made, prep) -> list[Portion]:
    return pour_portions(actor=prep, batch=made)


@pytest.fixture
def stream(prep):
    return add_waste_stream(actor=prep, name="Chloride, aqueous")


def out(prep, portion, **to):
    return deliver_portion(actor=prep, portion=portion, **(to or {"left_in_room": True}))


# --- pouring ------------------------------------------------------------------------------------
def test_pouring_makes_a_bottle_for_each_section_and_the_bottles_are_exactly_the_share(shared, prep):
    shares = {
        order: sum(amounts)
        for order in shared.orders.all()
        for amounts in [list(order.order_holds.values_list("hold__amount", flat=True))]
    }
    lot = fresh(shared.prepared_lot)
    held = lot.held
    portions = pour_portions(actor=prep, batch=shared)
    assert len(portions) == 6
    for order, share in shares.items():
        mine = [one for one in portions if one.order == order]
        assert sum(one.amount for one in mine) == share
        assert {one.room for one in mine} == {order.room}
        assert {one.section for one in mine} == set(order.sections.all())
    assert fresh(lot).held == held, "what was held for the orders is held for their bottles"
    assert all(is_sound(one.code) and one.code.startswith("D") for one in portions)
    assert len({one.code for one in portions}) == 6


def test_pouring_twice_is_pouring_once(made, prep):
    first = pour_portions(actor=prep, batch=made)
    assert pour_portions(actor=prep, batch=made) == first
    assert fresh(made).events.filter(event="pour").count() == 1


def test_the_parts_of_a_share_differ_by_one_microlitre_at_most_and_add_up():
    for share, count in ((1_000_000, 3), (999_999, 7), (5, 5), (990_000, 3)):
        parts = divided(share, count)
        assert sum(parts) == share
        assert max(parts) - min(parts) <= 1


def test_the_division_of_a_batch_says_the_same_before_and_after_pouring(shared, prep):
    before = [(one.order.pk, one.words) for one in division_of(shared, shared.orders.all())]
    pour_portions(actor=prep, batch=shared)
    assert [(one.order.pk, one.words) for one in division_of(shared, shared.orders.all())] == before


def test_a_share_wanted_in_litres_is_held_in_millilitres(salt, send, prep):
    first = send(volume="0.025", volume_unit="L")
    second = send(volume="0.025", volume_unit="L", room="211")
    assert first.batch == second.batch
    batch = finished(first, prep)
    shares = set(OrderHold.objects.filter(batch=batch).values_list("hold__amount", flat=True))
    assert shares == {990_000}, "3 sections of 12 groups with 25 mL and 10 % are 990 mL"


def test_nothing_is_poured_before_it_is_ready_nor_of_what_is_quarantined(salt, send, prep, made):
    with pytest.raises(NotInThisState):
        pour_portions(actor=prep, batch=send(target="1.00").batch)
    change_lot_state(actor=prep, lot=made.prepared_lot, event="quarantine", reason="cloudy")
    with pytest.raises(NotInThisState, match="stands still"):
        pour_portions(actor=prep, batch=made)
    assert not Portion.objects.exists()


def test_an_instructor_neither_pours_nor_delivers_nor_takes_back(made, poured, instructor):
    for call in (
        lambda: pour_portions(actor=instructor, batch=made),
        lambda: out(instructor, poured[0]),
        lambda: mark_empty(actor=instructor, portion=poured[0]),
    ):
        with pytest.raises(NotAllowed):
            call()


def test_a_section_that_meets_elsewhere_and_later_that_day_gets_its_bottle_there(salt, send, prep, sections):
    begins = (timezone.localtime() + timedelta(days=1)).replace(hour=9, minute=0, second=0, microsecond=0)
    room = Room.objects.create(code="305")
    Meeting.objects.create(
        section=sections[1],
        week=1,
        starts_at=begins + timedelta(hours=4),
        ends_at=begins + timedelta(hours=6),
        room=room,
    )
    portions = pour_portions(actor=prep, batch=finished(send(due_at=begins), prep))
    rooms = {one.section.name: (one.room, one.due_at) for one in portions}
    assert rooms["A"] == ("210", begins)
    assert rooms["B"] == ("305", begins + timedelta(hours=4))


@pytest.fixture
def own_meeting(sections):
    """Section B meets four hours after the first, in a room of its own."""
    begins = (timezone.localtime() + timedelta(days=1)).replace(hour=9, minute=0, second=0, microsecond=0)
    return Meeting.objects.create(
        section=sections[1],
        week=1,
        starts_at=begins + timedelta(hours=4),
        ends_at=begins + timedelta(hours=6),
        room=Room.objects.create(code="305"),
    )


def moved(own_meeting, manager, **wished):
    wish = replace(as_it_is(own_meeting), **wished)
    change_meeting(
        actor=manager,
        meeting=own_meeting,
        wish=wish,
        reason="the drain is blocked",
        expected_version=own_meeting.version,
        idempotency_key="moved",
    )


def test_the_bottle_of_a_section_goes_where_its_own_meeting_moves_after_pouring(
    salt, send, prep, manager, own_meeting
):
    begins = own_meeting.starts_at - timedelta(hours=4)
    portions = pour_portions(actor=prep, batch=finished(send(due_at=begins), prep))
    moved(own_meeting, manager, room=Room.objects.create(code="312"))
    now = {one.section.name: one.room for one in Portion.objects.all()}
    assert now == {"A": "210", "B": "312", "C": "210"}
    last = portions[[one.section.name for one in portions].index("B")].events.last()
    assert (last.event, last.actor) == ("move", manager)
    assert "from 305 to 312" in last.note


def test_a_delivered_bottle_stays_where_it_is_when_its_meeting_moves(salt, send, prep, manager, own_meeting):
    begins = own_meeting.starts_at - timedelta(hours=4)
    portions = pour_portions(actor=prep, batch=finished(send(due_at=begins), prep))
    deliver_portions(actor=prep, portions=portions, left_in_room=True)
    moved(own_meeting, manager, room=Room.objects.create(code="312"))
    assert Portion.objects.get(section=own_meeting.section).room == "305"


def test_a_spare_bottle_is_taken_out_of_another_one(poured, prep):
    one = poured[0]
    held = fresh(one.lot).held
    spare = split_portion(actor=prep, portion=one, amount="30", unit="mL", idempotency_key="k")
    assert spare.amount == 30_000
    assert fresh(one).amount == one.amount - 30_000
    assert fresh(one.lot).held == held
    assert spare.section == one.section
    again = split_portion(actor=prep, portion=one, amount="30", unit="mL", idempotency_key="k")
    assert again == spare
    with pytest.raises(InvalidInput):
        split_portion(actor=prep, portion=one, amount="1", unit="L", idempotency_key="k2")


# --- delivering -----------------------------------------------------------------------------------
def test_a_bottle_is_signed_for_and_leaves_the_shelf_once(poured, prep, instructor):
    one = poured[0]
    before = fresh(one.lot).on_hand
    out(prep, one, received_by=instructor)
    out(prep, one, received_name="somebody else")
    one = fresh(one)
    assert one.state == states.DELIVERED
    assert (one.received_by, one.received_name) == (instructor, "")
    assert one.delivered_at is not None
    assert fresh(one.lot).on_hand == before - one.amount
    assert fresh(one.order).state == states.READY, "two more bottles are to come"


def test_with_its_last_bottle_an_order_is_handed_over_and_with_the_last_order_the_batch(shared, prep):
    portions = pour_portions(actor=prep, batch=shared)
    by_order = {}
    for one in portions:
        by_order.setdefault(one.order_id, []).append(one)
    first, second = by_order.values()
    deliver_portions(actor=prep, portions=first, left_in_room=True)
    assert fresh(first[0].order).state == states.HANDED_OVER
    assert fresh(shared).state == states.READY
    deliver_portions(actor=prep, portions=[*first, *second], received_name="A. Porter")
    assert fresh(second[0].order).state == states.HANDED_OVER
    assert fresh(shared).state == states.HANDED_OVER
    assert fresh(first[0]).received_name == ""
    drawn = Movement.objects.filter(lot=shared.prepared_lot, kind=Movement.Kind.DRAWN)
    assert sum(row.amount for row in drawn) == -sum(one.amount for one in portions)
    assert first[0].order.ordered_by.notices.filter(kind="order_handed_over").count() == 2


def test_somebody_must_take_it_and_only_one(poured, prep, instructor):
    for to in ({}, {"received_by": instructor, "left_in_room": True}, {"received_name": "  "}):
        with pytest.raises(InvalidInput):
            deliver_portion(actor=prep, portion=poured[0], **to)


def test_a_bottle_goes_on_the_cart_and_off_again(poured, prep):
    one = poured[0]
    for _ in range(2):
        assert load_portion(actor=prep, portion=one).state == states.LOADED
    for _ in range(2):
        assert unload_portion(actor=prep, portion=one).state == states.POURED
    load_portion(actor=prep, portion=one)
    assert out(prep, one).state == states.DELIVERED
    with pytest.raises(NotInThisState, match="can't be put on the cart"):
        load_portion(actor=prep, portion=one)
    events = list(fresh(one).events.values_list("event", flat=True))
    assert events == ["pour", "load", "unload", "load", "deliver"]


def test_what_is_recalled_does_not_leave(poured, prep):
    change_lot_state(actor=prep, lot=poured[0].lot, event="recall", reason="a letter")
    with pytest.raises(NotInThisState, match="stands still"):
        out(prep, poured[0])
    with pytest.raises(NotInThisState):
        load_portion(actor=prep, portion=poured[0])


def test_a_change_nobody_has_seen_is_seen_before_a_bottle_leaves(poured, prep, instructor):
    order = poured[0].order
    change_order(
        actor=instructor,
        order=order,
        draft_changes={"room": "118"},
        reason="",
        expected_revision=order.revision,
        idempotency_key="c",
    )
    assert {fresh(one).room for one in poured} == {"118"}, "the bottles go where the order is wanted now"
    assert poured[0].events.filter(event="move").count() == 1
    with pytest.raises(ChangeUnseen):
        out(prep, poured[0])


def test_handing_over_an_order_as_a_whole_takes_its_bottles_along(poured, prep):
    out(prep, poured[0])
    hand_over_order(actor=prep, order=poured[0].order)
    assert {fresh(one).state for one in poured} == {states.DELIVERED}
    assert fresh(poured[0].lot).held == 0
    assert fresh(poured[0].batch).state == states.HANDED_OVER


def test_handing_over_a_batch_as_a_whole_takes_its_bottles_along(shared, prep):
    portions = pour_portions(actor=prep, batch=shared)
    out(prep, portions[0])
    hand_over_batch(actor=prep, batch=shared)
    assert {fresh(one).state for one in portions} == {states.DELIVERED}
    assert fresh(shared.prepared_lot).held == 0


# --- poured back ------------------------------------------------------------------------------------
def test_a_bottle_nobody_wants_is_poured_back_and_is_free_again(poured, prep):
    one, *others = poured
    free = fresh(one.lot).free
    for _ in range(2):
        assert pour_back(actor=prep, portion=one, reason="section is away").state == states.CANCELLED
    assert fresh(one.lot).free == free + one.amount
    deliver_portions(actor=prep, portions=others, left_in_room=True)
    assert fresh(one.order).state == states.HANDED_OVER


def test_all_of_an_order_is_not_poured_back_bottle_by_bottle(poured, prep):
    for one in poured[:2]:
        pour_back(actor=prep, portion=one, reason="away")
    with pytest.raises(NotInThisState, match="withdrawn"):
        pour_back(actor=prep, portion=poured[2], reason="away")


def test_with_the_order_withdrawn_its_bottles_are_poured_back_and_the_others_stay(shared, prep, instructor):
    portions = pour_portions(actor=prep, batch=shared)
    order = portions[0].order
    mine = [one for one in portions if one.order == order]
    out(prep, mine[0])
    withdraw_order(actor=instructor, order=order, reason="cancelled", idempotency_key="w")
    assert [fresh(one).state for one in mine] == [states.DELIVERED, states.CANCELLED, states.CANCELLED]
    rest = [one for one in portions if one.order != order]
    assert {fresh(one).state for one in rest} == {states.POURED}
    assert fresh(shared.prepared_lot).held == sum(one.amount for one in rest)


def test_when_the_batch_is_given_up_no_bottle_waits_any_more(poured, made, prep):
    stop_batch(actor=prep, batch=made, reason="cloudy")
    assert {fresh(one).state for one in poured} == {states.CANCELLED}
    assert fresh(made.prepared_lot).held == 0


# --- coming back -----------------------------------------------------------------------------------
def test_never_opened_goes_back_into_its_own_solution(poured, prep):
    one = out(prep, poured[0])
    before = fresh(one.lot).on_hand
    for _ in range(2):
        back = take_back(actor=prep, portion=one, amount="100", condition="unopened", where="lot")
    assert back.state == states.RETURNED
    assert back.returned_to == one.lot
    assert fresh(one.lot).on_hand == before + 100_000


def test_a_solution_emptied_by_its_deliveries_is_as_good_as_before_when_a_bottle_comes_back(poured, prep):
    deliver_portions(actor=prep, portions=poured, left_in_room=True)
    lot = fresh(poured[0].lot)
    assert (lot.on_hand, lot.state) == (0, "empty")
    take_back(actor=prep, portion=poured[0], amount="100", condition="unopened", where="lot")
    assert fresh(lot).state == "available"
    assert fresh(lot).free == 100_000


def test_opened_but_clean_stands_apart_until_somebody_has_checked_it(poured, prep):
    deliver_portions(actor=prep, portions=poured, left_in_room=True)
    shelf = add_place(actor=prep, name="Shelf 1", kind="shelf")
    until = timezone.localdate() + timedelta(days=2)
    back = take_back(
        actor=prep,
        portion=poured[0],
        amount="0.1",
        unit="L",
        condition="clean",
        where="apart",
        place=shelf,
        keep_until=until,
    )
    kept = back.returned_to
    assert kept != back.lot
    assert (kept.on_hand, kept.state, kept.expires_on, kept.place) == (100_000, "quarantined", until, shelf)
    assert kept.split_from == back.lot
    assert fresh(back.lot).on_hand == 0
    assert fresh(back.lot).state == "empty"


def test_it_is_never_kept_longer_than_the_solution_itself(poured, prep):
    one = out(prep, poured[0])
    late = one.lot.expires_on + timedelta(days=100)
    back = take_back(actor=prep, portion=one, amount="10", condition="clean", where="apart", keep_until=late)
    assert back.returned_to.expires_on <= one.lot.expires_on


def test_soiled_goes_into_a_named_waste_stream_alone(poured, prep, stream):
    one = out(prep, poured[0])
    before = fresh(one.lot).on_hand
    for where in ("lot", "apart"):
        with pytest.raises(InvalidInput, match="goes into a waste stream"):
            take_back(actor=prep, portion=one, amount="10", condition="soiled", where=where)
    with pytest.raises(InvalidInput, match="waste stream"):
        take_back(actor=prep, portion=one, amount="10", condition="soiled", where="waste")
    back = take_back(actor=prep, portion=one, amount="10", condition="soiled", where="waste", stream=stream)
    assert back.waste_stream == stream
    rows = list(fresh(one.lot).movements.order_by("-pk")[:2])
    assert [(row.kind, row.amount) for row in rows] == [("disposed", -10_000), ("returned", 10_000)]
    assert rows[0].waste_stream == stream
    assert fresh(one.lot).on_hand == before


def test_no_more_comes_back_than_was_delivered_and_opened_never_goes_back(poured, prep):
    one = out(prep, poured[0])
    with pytest.raises(InvalidInput, match="no more can come back"):
        take_back(actor=prep, portion=one, amount="1", unit="L", condition="unopened", where="lot")
    with pytest.raises(InvalidInput, match="kept apart"):
        take_back(actor=prep, portion=one, amount="10", condition="clean", where="lot")
    with pytest.raises(NotInThisState):
        take_back(actor=prep, portion=poured[1], amount="10", condition="unopened", where="lot")


def test_of_a_recalled_solution_nothing_is_kept_for_use(poured, prep, stream):
    one, two = (out(prep, portion) for portion in poured[:2])
    change_lot_state(actor=prep, lot=one.lot, event="recall", reason="a letter")
    with pytest.raises(InvalidInput, match="recalled"):
        take_back(actor=prep, portion=one, amount="10", condition="clean", where="apart")
    take_back(actor=prep, portion=one, amount="10", condition="clean", where="waste", stream=stream)
    back = take_back(actor=prep, portion=two, amount="10", condition="unopened", where="lot")
    assert fresh(back.lot).state == "recalled"


def test_an_empty_bottle_is_marked_and_that_is_all(poured, prep):
    one = out(prep, poured[0])
    before = fresh(one.lot).on_hand
    for _ in range(2):
        assert mark_empty(actor=prep, portion=one).state == states.EMPTY
    assert fresh(one.lot).on_hand == before
    with pytest.raises(NotInThisState):
        mark_empty(actor=prep, portion=poured[1])


def test_who_has_a_bottle_of_a_batch_given_up_since_is_named_where_it_is_made_again(
    poured, made, prep, client, instructor
):
    one = out(prep, poured[0], received_by=instructor)
    stop_batch(actor=prep, batch=made, reason="cloudy")
    order = fresh(one.order)
    assert order.state in (states.QUEUED, states.WAITING)
    told = order.events.get(event="hand_out").note
    assert f"{one.code} for {one.section} left before that" in told
    assert "planned again in full" in instructor.notices.filter(text__contains="waits").last().text
    client.force_login(instructor)
    page = client.get(f"/orders/{order.reference}/").content.decode()
    assert one.code in page
    assert f"taken by {instructor}" in page
    if order.batch is None:
        return
    finished(order, prep)
    client.force_login(prep)
    page = client.get(f"/batches/{order.batch.reference}/portions/").content.decode()
    assert f"of {made.reference} before that was given up, as {one.code}" in page


# --- noted by mistake -----------------------------------------------------------------------------------
def test_a_bottle_noted_as_delivered_by_mistake_is_held_again_and_delivered_again(poured, prep, instructor):
    lot = fresh(poured[0].lot)
    before = (lot.on_hand, lot.held)
    out(prep, poured[0], received_by=instructor)
    for _ in range(2):
        one = undo_delivery(actor=prep, portion=poured[0])
    assert (one.state, one.received_by, one.delivered_at) == (states.LOADED, None, None)
    assert (fresh(lot).on_hand, fresh(lot).held) == before
    out(prep, poured[0], left_in_room=True)
    told = list(poured[0].events.values_list("event", "note"))
    assert told == [
        ("pour", ""),
        ("deliver", f"to {instructor}"),
        ("undo_delivery", ""),
        ("deliver", "left in the room"),
    ]
    kinds = list(Movement.objects.filter(lot=lot).order_by("pk").values_list("kind", flat=True))
    assert kinds[-3:] == [Movement.Kind.DRAWN, Movement.Kind.REVERSED, Movement.Kind.DRAWN]


def test_the_last_bottle_noted_by_mistake_makes_its_order_and_batch_ready_again(
    poured, made, prep, instructor
):
    deliver_portions(actor=prep, portions=poured, left_in_room=True)
    order = fresh(poured[0].order)
    assert (order.state, fresh(made).state) == (states.HANDED_OVER, states.HANDED_OVER)
    assert fresh(poured[0].lot).state == "empty"
    undo_delivery(actor=prep, portion=poured[1])
    order.refresh_from_db()
    assert (order.state, fresh(made).state) == (states.READY, states.READY)
    lot = fresh(poured[0].lot)
    assert (lot.state, lot.on_hand) == ("available", poured[1].amount)
    out(prep, poured[1])
    order.refresh_from_db()
    assert (order.state, fresh(made).state) == (states.HANDED_OVER, states.HANDED_OVER)
    told = list(instructor.notices.order_by("pk").values_list("text", flat=True))[-3:]
    assert ["handed over" in told[0], "by mistake" in told[1], "handed over" in told[2]] == [True] * 3


def test_the_division_says_the_same_after_a_delivery_noted_by_mistake(shared, prep):
    before = [(one.order, one.words) for one in division_of(shared, shared.orders.all())]
    portion = pour_portions(actor=prep, batch=shared)[0]
    out(prep, portion)
    undo_delivery(actor=prep, portion=portion)
    after = fresh(shared)
    assert [(one.order, one.words) for one in division_of(after, after.orders.all())] == before


def test_a_bottle_handed_over_with_its_batch_by_mistake_is_ready_again(poured, made, prep):
    hand_over_batch(actor=prep, batch=made)
    undo_delivery(actor=prep, portion=poured[0])
    assert fresh(made).state == states.READY
    hand_over_order(actor=prep, order=poured[0].order)
    assert fresh(made).state == states.HANDED_OVER
    assert fresh(poured[0]).state == states.DELIVERED


def test_what_is_recalled_since_or_given_up_is_taken_back_and_not_delivered_again(shared, prep):
    first, second = (pour_portions(actor=prep, batch=shared)[at] for at in (0, 1))
    out(prep, first)
    change_lot_state(actor=prep, lot=first.lot, event="quarantine", reason="cloudy")
    with pytest.raises(NotInThisState, match="quarantined or recalled"):
        undo_delivery(actor=prep, portion=first)
    change_lot_state(actor=prep, lot=first.lot, event="release", reason="was the light")
    stop_batch(actor=prep, batch=shared, reason="knocked over")
    with pytest.raises(NotInThisState, match="Take it back instead"):
        undo_delivery(actor=prep, portion=first)
    assert fresh(first).state == states.DELIVERED
    assert fresh(second).state == states.CANCELLED


# --- every state and event ----------------------------------------------------------------------------
@pytest.mark.parametrize("state", states.PORTION_STATES)
def test_a_bottle_does_what_the_table_says_and_nothing_else(poured, prep, stream, state):
    one = poured[0]
    deeds = {
        "load": lambda: load_portion(actor=prep, portion=one),
        "unload": lambda: unload_portion(actor=prep, portion=one),
        "deliver": lambda: out(prep, one),
        "take_back": lambda: take_back(
            actor=prep, portion=one, amount="1", condition="soiled", where="waste", stream=stream
        ),
        "mark_empty": lambda: mark_empty(actor=prep, portion=one),
        "undo_delivery": lambda: undo_delivery(actor=prep, portion=one),
        "pour_back": lambda: pour_back(actor=prep, portion=one, reason="away"),
    }
    way = {
        states.POURED: (),
        states.LOADED: ("load",),
        states.DELIVERED: ("deliver",),
        states.RETURNED: ("deliver", "take_back"),
        states.EMPTY: ("deliver", "mark_empty"),
        states.CANCELLED: ("pour_back",),
    }[state]
    for event in way:
        deeds[event]()
    assert fresh(one).state == state
    allowed = {event for (before, event) in states.PORTION_NEXT if before == state}
    for event, deed in deeds.items():
        if event not in allowed:
            with suppress(DomainError):
                deed()
            assert fresh(one).state == state, f"{event} from {state}"


# --- anything in any order ------------------------------------------------------------------------------
DEEDS = ("load", "unload", "deliver", "pour_back", "unopened", "clean", "soiled", "empty", "split", "undo")


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(DEEDS), st.integers(0, 5), st.integers(1, 340)), max_size=14))
def test_whatever_is_done_in_whatever_order_nothing_leaves_twice_and_the_ledger_stays_true(
    made, prep, stream, deeds
):
    with transaction.atomic():
        portions = pour_portions(actor=prep, batch=made)
        share = sum(one.amount for one in portions)
        for number, (deed, which, amount) in enumerate(deeds):
            portion = Portion.objects.order_by("pk")[which % Portion.objects.count()]
            with suppress(DomainError):
                do(prep, stream, deed, portion, amount, number)
            lot = fresh(made.prepared_lot)
            assert 0 <= lot.held <= lot.on_hand
        bottles = Portion.objects.all()
        assert sum(one.amount for one in bottles) == share
        drawn = Movement.objects.filter(lot=made.prepared_lot, kind=Movement.Kind.DRAWN)
        drawn = drawn.filter(reversed_by=None)
        left = bottles.filter(state__in=(states.DELIVERED, states.RETURNED, states.EMPTY))
        assert -sum(row.amount for row in drawn) == sum(one.amount for one in left)
        assert drawn.count() == left.count()
        waiting = bottles.filter(state__in=states.WAITING_PORTIONS)
        assert fresh(made.prepared_lot).held == sum(one.amount for one in waiting)
        assert stock_differences() == []
        transaction.set_rollback(True)


def do(prep, stream, deed, portion, amount, number):
    back = {"unopened": "lot", "clean": "apart", "soiled": "waste"}
    if deed in back:
        take_back(
            actor=prep,
            portion=portion,
            amount=str(amount),
            condition=deed,
            where=back[deed],
            stream=stream,
        )
    elif deed == "split":
        split_portion(actor=prep, portion=portion, amount=str(amount), unit="mL", idempotency_key=str(number))
    elif deed == "deliver":
        out(prep, portion)
    elif deed == "pour_back":
        pour_back(actor=prep, portion=portion, reason="away")
    else:
        deeds = {"load": load_portion, "unload": unload_portion, "empty": mark_empty, "undo": undo_delivery}
        deeds[deed](actor=prep, portion=portion)
