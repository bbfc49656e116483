"""Orders are changed after they were sent: in the queue, waiting, and when the work is begun."""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.drafts import draft_of, volume_of
from requests_app.models import Batch, Order, OrderComment, OrderRevision, UnknownSample, UnknownSet
from requests_app.services.batching import take_out
from requests_app.services.changes import (
    StaleOrder,
    change_order,
    foresee_change,
    see_changes,
    standing,
    withdraw_order,
)
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.comments import TEXT_LENGTH, comment_order
from requests_app.services.handing_over import ChangeUnseen, hand_over_batch
from requests_app.services.orders import lock_order, submit_order
from requests_app.services.recording import record_step

# The bottles of these tests are small.
pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []


@pytest.fixture
def one(draft, sections, instructor):
    """An order for section B alone: 12 groups × 25 mL + 10 % = 330 mL."""

    def make(**changes):
        wanted = draft(section_ids=(sections[1].pk,), **changes)
        return submit_order(actor=instructor, draft=wanted, idempotency_key=f"one-{Order.objects.count()}")

    return make


@pytest.fixture
def change(instructor):
    count = iter(range(1000))

    def send(order, *, actor=None, reason="more students", key="", expected=None, **changes):
        order.refresh_from_db()
        return change_order(
            actor=actor or instructor,
            order=order,
            draft_changes=changes,
            reason=reason,
            expected_revision=order.revision if expected is None else expected,
            idempotency_key=key or f"change-{next(count)}",
        )

    return send


def joined(*orders):
    """Put queued orders into the batch of the first one, as the stockroom does."""
    first = orders[0]
    actor = first.ordered_by
    for order in orders[1:]:
        batch, locked = lock_order(order)
        take_out(actor=actor, order=locked, batch=batch, reason="put together")
        Order.objects.filter(pk=order.pk).update(state=states.QUEUED, batch=first.batch, waiting_for=[])
    from requests_app.services.batching import replan_batch

    batch = Batch.objects.select_for_update().get(pk=first.batch.pk)
    assert replan_batch(actor=actor, batch=batch, reason="put together") is not None
    for order in orders:
        order.refresh_from_db()
    return batch


def worked(actor, batch, *, steps=None):
    claim_batch(actor=actor, batch=batch)
    for step in sheets.current_sheet(batch).plan["steps"][:steps]:
        record_step(
            actor=actor,
            batch=batch,
            step_number=step["number"],
            reading_text=step["quantity"]["value"] if step.get("window") else "",
            idempotency_key=f"{batch.pk}-{step['number']}",
        )
    batch.refresh_from_db()


def volume_ml(batch) -> Decimal:
    volume = sheets.current_sheet(batch).plan["volume"]
    return Decimal(volume["value"]) * (1000 if volume["unit"] == "L" else 1)


# --- in the queue -------------------------------------------------------------------------------
def test_more_groups_are_said_with_their_volume_their_batch_and_what_is_held(salt, one, change):
    """12 groups × 25 mL + 10 % = 330 mL; 22 of them make 605 mL. 2 mol of salt are 116.9 g a litre."""
    order = one()
    revision = change(order, groups_per_section=22)
    order.refresh_from_db()
    salt.refresh_from_db()
    assert revision.words[0] == (
        "Section B: 12 groups → 22; 330 mL → 605 mL of 2.00 mol/L sodium chloride, in batch "
        f"{order.batch.reference}."
    )
    assert revision.changes == {"groups_per_section": ["12 groups", "22 groups"]}
    assert (order.groups_per_section, order.revision, order.state) == (22, 2, states.QUEUED)
    assert volume_ml(order.batch) == Decimal("605")
    assert (order.batch.sheets.count(), revision.number) == (2, 2)
    # The new sheet's draw and nothing of the old one.
    made = sheets.current_sheet(order.batch).plan["makes"]
    litres = Decimal(made["value"]) / (1 if made["unit"] == "L" else 1000)
    assert salt.held_amount == pytest.approx(litres * Decimal("116.88"), rel=Decimal("0.005"))
    assert any("Held of sodium chloride" in said for said in revision.words)
    assert not revision.needs_seeing


def test_a_change_in_a_shared_batch_says_with_how_many_and_what_the_batch_becomes(salt, one, change):
    orders = [one(), one(volume="20"), one(volume="20")]
    batch = joined(*orders)
    # 330 + 264 + 264 = 858 mL, and 82.5 mL more.
    assert volume_ml(batch) == Decimal("858")
    revision = change(orders[0], groups_per_section=15)
    assert revision.words[0] == (
        "Section B: 12 groups → 15; 330 mL → 412.5 mL of 2.00 mol/L sodium chloride, in batch "
        f"{batch.reference} with 2 other orders, which becomes 940.5 mL."
    )
    assert {order.batch_id for order in Order.objects.all()} == {batch.pk}
    assert volume_ml(batch) == Decimal("940.5")


def test_everything_else_that_changed_has_a_sentence_of_its_own(salt, one, change):
    order = one()
    revision = change(
        order,
        due_at=order.due_at + timedelta(hours=2),
        room="214",
        notes="two bottles",
        tolerance_percent=parse_number("1"),
        spare_groups=2,
        per_section=parse_number("50"),
        overage_percent=parse_number("20"),
        volume_per_group=parse_number("30"),
    )
    said = " ".join(revision.words)
    for words in (
        "0 spare groups → 2",
        "25 mL for each group → 30",
        "nothing more for each section → 50",
        "10 % extra → 20",
        "330 mL → 554 mL",
        "Room: 210 → 214.",
        "Notes: none → “two bottles”.",
        "Tolerance: by the digits of the concentration → 1 %.",
        "Needed: ",
    ):
        assert words in said, (words, said)
    order.refresh_from_db()
    # (12 + 2) × 30 mL + 20 % + 50 mL = 554 mL.
    assert volume_of(draft_of(order)).exact == Decimal("554")
    assert (order.batch.room, order.batch.due_at) == ("214", order.due_at)


def test_another_concentration_makes_another_sheet_and_title(salt, one, change):
    order = one()
    component = draft_of(order).components[0]
    revision = change(order, components=(replace(component, target=parse_number("1.00")),))
    order.refresh_from_db()
    assert order.title == order.batch.title == "1.00 mol/L sodium chloride"
    assert "Solution: 2.00 mol/L sodium chloride → 1.00 mol/L sodium chloride." in revision.words


def test_a_note_alone_leaves_the_sheet_as_it_is(salt, one, change):
    order = one()
    change(order, notes="brown bottles")
    assert order.batch.sheets.count() == 1


def test_what_becomes_another_solution_leaves_its_batch_to_the_others(salt, one, change):
    orders = [one(), one(volume="20")]
    batch = joined(*orders)
    component = draft_of(orders[0]).components[0]
    revision = change(orders[0], components=(replace(component, target=parse_number("1.00")),))
    orders[0].refresh_from_db()
    assert orders[0].batch is not None
    assert orders[0].batch != batch
    assert volume_ml(batch) == Decimal("264")
    assert f"It leaves batch {batch.reference}, which is made for its other orders." in revision.words


def test_a_day_on_which_it_would_not_keep_any_more_leaves_the_batch(salt, bottle, one, change):
    """Potassium permanganate keeps about a month (Nogueira and Serôdio 2003)."""
    bottle("potassium-permanganate", "100", assay_percent="99.0", assay_tolerance_percent="0.5")
    orders = [one(substance="potassium-permanganate", target="0.020", volume=v) for v in ("25", "20")]
    batch = joined(*orders)
    change(orders[0], due_at=orders[0].due_at + timedelta(days=20))
    orders[0].refresh_from_db()
    assert orders[0].batch == batch
    change(orders[0], due_at=orders[0].due_at + timedelta(days=20))
    orders[0].refresh_from_db()
    assert orders[0].batch not in (batch, None)


def test_one_that_can_not_be_made_any_more_waits_and_the_others_stay(bench, bottle, one, change):
    """150 g of salt make 1.28 L of 2.00 mol/L at most; 100 groups want 2.75 L."""
    bottle("sodium-chloride", "150", assay_percent="100.0", assay_tolerance_percent="0.1")
    orders = [one(), one(volume="20")]
    batch = joined(*orders)
    revision = change(orders[0], groups_per_section=100)
    for order in orders:
        order.refresh_from_db()
    assert (orders[0].state, orders[0].batch) == (states.WAITING, None)
    assert (orders[1].state, orders[1].batch) == (states.QUEUED, batch)
    assert volume_ml(batch) == Decimal("264")
    assert "It waits: sodium chloride: needs" in " ".join(revision.words)


def test_one_alone_that_can_not_be_made_any_more_waits_and_frees_its_stock(bench, bottle, one, change):
    salt = bottle("sodium-chloride", "100", assay_percent="100.0", assay_tolerance_percent="0.1")
    order = one()
    batch = order.batch
    change(order, groups_per_section=60)
    for row in (order, batch, salt):
        row.refresh_from_db()
    assert (order.state, batch.state, salt.held) == (states.WAITING, states.CANCELLED, 0)


def test_one_that_waited_is_queued_when_less_of_it_can_be_made(bench, bottle, one, change):
    bottle("sodium-chloride", "60", assay_percent="100.0", assay_tolerance_percent="0.1")
    order = one(volume="60")
    assert order.state == states.WAITING
    revision = change(order, groups_per_section=6)
    order.refresh_from_db()
    assert (order.state, order.waiting_for) == (states.QUEUED, [])
    assert f"It no longer waits: it is in the queue as {order.batch.reference}" in revision.words[-1]


# --- who, when, once --------------------------------------------------------------------------
def test_only_the_one_who_ordered_it_or_a_manager_changes_it(salt, one, change, colleague, prep, manager):
    order = one()
    for stranger in (colleague, prep):
        with pytest.raises(NotAllowed):
            change(order, actor=stranger, groups_per_section=15)
    change(order, actor=manager, groups_per_section=15)
    notice = Notice.objects.get(person=order.ordered_by)
    assert (notice.kind, "12 groups → 15" in notice.text) == ("order_changed", True)


def test_sent_twice_it_is_changed_once(salt, one, change):
    order = one()
    first = change(order, key="k", groups_per_section=15, expected=1)
    second = change(order, key="k", groups_per_section=15, expected=1)
    assert first == second
    assert OrderRevision.objects.count() == 1


def test_of_two_tabs_the_second_is_told_what_the_first_changed(salt, one, change, manager):
    order = one()
    change(order, actor=manager, groups_per_section=15)
    with pytest.raises(StaleOrder, match=r"Mara Stone.*12 groups → 15.*is kept"):
        change(order, expected=1, groups_per_section=9)
    order.refresh_from_db()
    assert (order.groups_per_section, order.revision) == (15, 2)


def test_what_was_foreseen_in_the_queue_is_not_done_to_a_batch_that_is_claimed_since(
    salt, one, instructor, prep
):
    order = one()
    stood = standing(order)
    claim_batch(actor=prep, batch=order.batch)
    with pytest.raises(StaleOrder, match="look again"):
        change_order(
            actor=instructor,
            order=order,
            draft_changes={"groups_per_section": 15},
            reason="",
            expected_revision=1,
            expected_standing=stood,
            idempotency_key="k",
        )


def test_what_it_would_do_is_said_before_and_nothing_of_it_stays(salt, one, instructor):
    order = one()
    held = salt.held
    words = foresee_change(
        actor=instructor,
        order=order,
        draft_changes={"groups_per_section": 15},
        reason="",
        expected_revision=1,
    )
    assert words[0].startswith("Section B: 12 groups → 15; 330 mL → 412.5 mL")
    order.refresh_from_db()
    salt.refresh_from_db()
    assert (order.groups_per_section, order.revision) == (12, 1)
    assert (order.batch.sheets.count(), OrderRevision.objects.count()) == (1, 0)
    assert salt.held >= held


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"groups_per_section": 0}, "groups_per_section"),
        ({"room": " "}, "room"),
        ({"overage_percent": parse_number("101")}, "overage_percent"),
        ({"due_at": timezone.now() - timedelta(days=9)}, "due"),
        ({"tolerance_percent": parse_number("0.001")}, "tolerance_percent"),
        ({"course_id": 7}, "course_id"),
        ({}, ""),
        ({"groups_per_section": 12}, ""),
    ],
)
def test_what_can_not_be_is_refused_beside_its_field_and_changes_nothing(salt, one, change, changes, field):
    order = one()
    with pytest.raises(InvalidInput) as refusal:
        change(order, **changes)
    assert list(refusal.value.errors) == [field]
    assert not OrderRevision.objects.exists()
    assert order.batch.sheets.count() == 1


# --- begun ------------------------------------------------------------------------------------------
def test_a_smaller_need_of_a_batch_in_work_leaves_something_over_and_waits_to_be_seen(
    salt, one, change, prep, instructor
):
    order = one()
    worked(prep, order.batch, steps=1)
    revision = change(order, groups_per_section=10)
    order.refresh_from_db()
    assert (order.groups_per_section, order.state) == (10, states.IN_WORK)
    assert (revision.needs_seeing, revision.batch) == (True, order.batch)
    assert order.batch.sheets.count() == 1
    assert "330 mL → 275 mL" in revision.words[0]
    assert "about 55 mL of it will be left over" in revision.words[-1]
    notice = Notice.objects.get(person=prep)
    assert (notice.kind, "12 groups → 10" in notice.text) == ("batch_changed", True)


def test_no_step_is_recorded_before_the_change_is_seen(salt, one, change, prep, second_prep):
    order = one()
    worked(prep, order.batch, steps=1)
    revision = change(order, groups_per_section=10)

    def record(number=2):
        return record_step(
            actor=prep, batch=order.batch, step_number=number, reading_text="", idempotency_key=f"s{number}"
        )

    with pytest.raises(ChangeUnseen, match="12 groups → 10"):
        record()
    with pytest.raises(ChangeUnseen):
        finish_batch(actor=prep, batch=order.batch)
    with pytest.raises(Conflict, match="Pia Brook"):
        see_changes(actor=second_prep, batch=order.batch, revisions=[revision.pk])
    see_changes(actor=prep, batch=order.batch, revisions=[revision.pk])
    see_changes(actor=prep, batch=order.batch, revisions=[revision.pk])
    revision.refresh_from_db()
    assert (revision.seen_by, revision.seen_at is not None) == (prep, True)
    assert order.batch.events.filter(event="see").count() == 1
    assert record().step_number == 2


def test_a_change_that_came_after_the_page_is_not_seen_with_it(salt, one, change, prep):
    order = one()
    worked(prep, order.batch, steps=1)
    first = change(order, groups_per_section=10)
    change(order, groups_per_section=9)
    see_changes(actor=prep, batch=order.batch, revisions=[first.pk])
    with pytest.raises(ChangeUnseen, match="10 groups → 9"):
        finish_batch(actor=prep, batch=order.batch)


def test_a_larger_need_of_a_batch_in_work_is_a_further_order_for_the_difference(salt, one, change, prep):
    order = one()
    worked(prep, order.batch, steps=1)
    revision = change(order, groups_per_section=15)
    order.refresh_from_db()
    added = order.additions.get()
    # 3 groups × 25 mL + 10 % = 82.5 mL; what is being made stays 330 mL.
    assert volume_of(draft_of(added)).exact == Decimal("82.5")
    assert (order.groups_per_section, added.groups_per_section) == (12, 3)
    assert (added.state, added.ordered_by, added.room) == (states.QUEUED, order.ordered_by, order.room)
    assert added.batch != order.batch
    assert list(added.sections.all()) == list(order.sections.all())
    assert (
        f"82.5 mL more of 2.00 mol/L sodium chloride are ordered as {added.reference}" in revision.words[-1]
    )
    assert revision.needs_seeing


def test_a_larger_volume_for_each_group_is_the_difference_in_volume(salt, one, change, prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    change(order, volume_per_group=parse_number("30"), spare_groups=1)
    # 13 × 30 mL + 10 % = 429 mL, which is 99 mL more than 330 mL.
    assert volume_of(draft_of(order.additions.get())).exact == Decimal("99")


def test_more_is_not_made_for_a_time_that_is_past(salt, one, change, prep):
    order = one()
    worked(prep, order.batch, steps=1)
    Order.objects.filter(pk=order.pk).update(due_at=timezone.now() - timedelta(hours=1))
    with pytest.raises(NotInThisState, match=r"time of R-.* is past"):
        change(order, groups_per_section=15)
    assert Order.objects.count() == 1


def test_what_is_begun_never_becomes_another_solution(salt, one, change, prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    component = draft_of(order).components[0]
    with pytest.raises(NotInThisState, match="Pia Brook"):
        change(order, components=(replace(component, target=parse_number("1.00")),))
    assert not OrderRevision.objects.exists()


def test_a_ready_one_is_handed_over_only_after_the_change_is_seen(salt, one, change, prep):
    order = one()
    worked(prep, order.batch)
    finish_batch(actor=prep, batch=order.batch)
    revision = change(order, room="214")
    with pytest.raises(ChangeUnseen, match="Room: 210 → 214"):
        hand_over_batch(actor=prep, batch=order.batch)
    see_changes(actor=prep, batch=order.batch, revisions=[revision.pk])
    hand_over_batch(actor=prep, batch=order.batch)
    with pytest.raises(NotInThisState, match="Handed over"):
        change(order, room="215")


def test_a_claimed_one_that_is_put_back_is_planned_for_what_is_wanted_now(salt, one, change, prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    change(order, groups_per_section=10)
    put_back_batch(actor=prep, batch=order.batch)
    assert volume_ml(order.batch) == Decimal("275")


def test_of_a_coded_sample_neither_the_form_nor_the_words_lead_to_what_is_in_it(
    salt, one, change, instructor, client, manager
):
    order = one()
    unknowns = UnknownSet.objects.create(
        reference="U-1",
        course=order.course,
        ordered_by=instructor,
        title="salt",
        substance=salt.substance,
        lowest="1",
        highest="3",
        unit="mol/L",
        count=1,
        volume_per_sample="25",
        due_at=order.due_at,
        room="210",
        idempotency_key="u",
    )
    UnknownSample.objects.create(unknown_set=unknowns, position=0, code="K7", order=order)
    for wanted in ({"groups_per_section": 15}, {"tolerance_percent": parse_number("1")}, {"room": "214"}):
        with pytest.raises(NotInThisState, match="stays as drawn"):
            change(order, **wanted)
    client.force_login(manager)
    answer = client.get(f"/orders/{order.reference}/change/")
    assert answer.status_code == 409
    assert "2.00" not in answer.content.decode()
    assert not order.revisions.exists()


# --- not needed any more -----------------------------------------------------------------------
def test_withdrawn_from_a_shared_batch_in_work_the_batch_goes_on(salt, one, instructor, prep):
    orders = [one(), one(volume="20")]
    batch = joined(*orders)
    worked(prep, batch, steps=1)
    revision = withdraw_order(actor=instructor, order=orders[0], reason="the lab is off", idempotency_key="w")
    orders[0].refresh_from_db()
    assert orders[0].state == states.CANCELLED
    assert "330 mL of 2.00 mol/L sodium chloride are not needed" in revision.words[0]
    assert revision.needs_seeing
    see_changes(actor=prep, batch=batch, revisions=[revision.pk])


def test_what_nobody_wants_any_more_is_finished_for_the_shelf_and_free(salt, one, instructor, prep):
    order = one()
    batch = order.batch
    worked(prep, batch)
    revision = withdraw_order(actor=instructor, order=order, reason="off", idempotency_key="w")
    see_changes(actor=prep, batch=batch, revisions=[revision.pk])
    done = finish_batch(actor=prep, batch=batch)
    assert done.state == states.SHELVED
    assert done.prepared_lot.on_hand > 0
    assert done.prepared_lot.held == 0
    assert finish_batch(actor=prep, batch=batch).pk == done.pk


def test_a_ready_one_that_nobody_wants_any_more_stands_free_on_the_shelf(salt, one, instructor, prep):
    order = one()
    batch = order.batch
    worked(prep, batch)
    lot = finish_batch(actor=prep, batch=batch).prepared_lot
    revision = withdraw_order(actor=instructor, order=order, reason="off", idempotency_key="w")
    for row in (batch, lot):
        row.refresh_from_db()
    assert (batch.state, lot.held) == (states.SHELVED, 0)
    assert not revision.needs_seeing


def test_a_claimed_one_that_nobody_wants_any_more_ends_when_it_is_put_back(salt, one, instructor, prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    withdraw_order(actor=instructor, order=order, reason="off", idempotency_key="w")
    batch = put_back_batch(actor=prep, batch=order.batch)
    salt.refresh_from_db()
    assert (batch.state, salt.held) == (states.CANCELLED, 0)


# --- comments ---------------------------------------------------------------------------------------
def test_a_comment_reaches_everybody_concerned_once(salt, one, instructor, prep, second_prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    comment_order(actor=second_prep, order=order, text="Which bottles?", idempotency_key="1")
    assert {notice.person for notice in Notice.objects.all()} == {instructor, prep}
    comment_order(actor=instructor, order=order, text=" Brown ones. ", idempotency_key="2")
    comment_order(actor=instructor, order=order, text="Brown ones.", idempotency_key="2")
    assert [one.text for one in order.comments.all()] == ["Which bottles?", "Brown ones."]
    assert Notice.objects.filter(person=second_prep, kind="comment").count() == 1
    with pytest.raises(Conflict, match="Brown ones"):
        comment_order(actor=instructor, order=order, text="Green ones.", idempotency_key="2")


@pytest.mark.parametrize("text", ["", " \n", "x" * (TEXT_LENGTH + 1)])
def test_a_comment_has_1_to_2000_characters(salt, one, instructor, text):
    with pytest.raises(InvalidInput) as refusal:
        comment_order(actor=instructor, order=one(), text=text, idempotency_key="1")
    assert list(refusal.value.errors) == ["text"]
    assert not OrderComment.objects.exists()


def test_nobody_comments_on_what_they_may_not_see(salt, one, colleague):
    with pytest.raises(NotAllowed):
        comment_order(actor=colleague, order=one(), text="Hm", idempotency_key="1")
