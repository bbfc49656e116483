"""Orders: sent once, planned on the real shelf, held, waiting, cancelled, planned again."""

import re
from datetime import timedelta
from decimal import Decimal

import pytest
from django.http import Http404
from django.utils import timezone

from inventory.models import ApparatusItem, Hold
from inventory.selectors import stock_differences
from inventory.services import change_lot_state, hold_stock
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import selectors, sheets, states
from requests_app.drafts import DraftComponent, draft_of
from requests_app.models import Batch, BatchHold, Order, Section, Sheet
from requests_app.services import orders
from requests_app.services.claiming import claim_batch
from requests_app.services.orders import cancel_order, plan_order, replan_order, submit_order

# The bottles of these tests are small.
pytestmark = pytest.mark.usefixtures("any_draw")

# Common practice: 58.4 g of sodium chloride in 500 mL is 2 mol/L.
GRAMS_PER_ML_OF_2_MOLAR_SALT = Decimal("58.44") / 500


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []


def held_for(order) -> int:
    return sum(link.hold.amount for link in order.batch.batch_holds.filter(hold__state="active"))


# --- sending ------------------------------------------------------------------------------------
def test_a_sent_order_is_queued_with_a_frozen_sheet_and_its_stock_held(salt, send):
    order = send()
    sheet = order.batch.sheets.get()
    made_ml = Decimal(sheet.plan["makes"]["value"])
    salt.refresh_from_db()
    assert (order.state, order.batch.state, sheet.revision) == (states.QUEUED, states.QUEUED, 1)
    assert made_ml >= 990
    # Held: what that volume of 2.00 mol/L takes, within its tolerance of 0.25 %.
    assert salt.held_amount == pytest.approx(made_ml * GRAMS_PER_ML_OF_2_MOLAR_SALT, rel=Decimal("0.0025"))
    assert salt.held == held_for(order)
    assert sheet.request["volume"] == {"value": "990", "unit": "mL"}
    assert sheet.data_version


def test_the_history_begins_with_who_sent_it(salt, send, instructor):
    event = send().events.get()
    assert (event.event, event.from_state, event.to_state, event.actor) == (
        "submit",
        "",
        states.QUEUED,
        instructor,
    )


def test_what_was_typed_is_read_back_digit_for_digit(salt, draft, instructor):
    wanted = draft(target="2,00", volume="25.0", tolerance="0.50", notes="two bottles", overage_percent=None)
    order = submit_order(actor=instructor, draft=wanted, idempotency_key="k")
    assert draft_of(Order.objects.get(pk=order.pk)) == wanted


def test_the_same_form_sent_twice_makes_one_order(salt, draft, instructor):
    wanted = draft()
    first = submit_order(actor=instructor, draft=wanted, idempotency_key="same")
    second = submit_order(actor=instructor, draft=wanted, idempotency_key="same")
    assert first == second
    assert Order.objects.count() == Batch.objects.count() == Hold.objects.count() == 1


def test_the_same_key_for_another_order_is_a_conflict_that_names_the_first(salt, draft, instructor):
    first = submit_order(actor=instructor, draft=draft(), idempotency_key="same")
    with pytest.raises(Conflict, match=first.reference):
        submit_order(actor=instructor, draft=draft(target="1.00"), idempotency_key="same")
    assert Order.objects.count() == 1


def test_two_people_may_happen_to_use_the_same_key(salt, draft, instructor, manager):
    submit_order(actor=instructor, draft=draft(), idempotency_key="same")
    submit_order(actor=manager, draft=draft(), idempotency_key="same")
    assert Order.objects.count() == 2


def test_references_are_readable_and_never_the_same(salt, send):
    found = {send(volume="2").reference for _ in range(3)}
    assert len(found) == 3
    assert all(re.fullmatch(r"R-\d{4,}", reference) for reference in found)


# --- who, for whom, when -----------------------------------------------------------------------
def test_an_instructor_orders_only_for_own_sections(salt, draft, colleague, sections):
    with pytest.raises(InvalidInput) as refusal:
        submit_order(actor=colleague, draft=draft(), idempotency_key="k")
    assert list(refusal.value.errors) == ["sections"]


def test_a_manager_orders_for_any_section(salt, draft, manager):
    assert submit_order(actor=manager, draft=draft(), idempotency_key="k").state == states.QUEUED


def test_prep_staff_do_not_order(salt, draft, prep):
    with pytest.raises(NotAllowed):
        submit_order(actor=prep, draft=draft(), idempotency_key="k")


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"section_ids": ()}, "sections"),
        ({"groups_per_section": 0}, "groups_per_section"),
        ({"groups_per_section": 201}, "groups_per_section"),
        ({"volume": "0"}, "volume_per_group"),
        ({"volume": "-25"}, "volume_per_group"),
        ({"volume": "1e9"}, "volume_per_group"),
        ({"overage_percent": parse_number("101")}, "overage_percent"),
        ({"overage_percent": parse_number("-1")}, "overage_percent"),
        ({"room": " "}, "room"),
        ({"room": "x" * 41}, "room"),
        ({"notes": "x" * 2001}, "notes"),
        ({"components": ()}, "components.0.substance"),
        ({"target": "0"}, "components.0.target"),
        ({"target": "-1"}, "components.0.target"),
        ({"unit": "N"}, "components.0.unit"),
        ({"unit": "eq/L"}, "components.0.equivalents"),
        ({"tolerance": "-1"}, "tolerance_percent"),
        ({"temperature_c": parse_number("95")}, "temperature_c"),
    ],
)
def test_what_can_not_be_is_refused_beside_its_field_and_saves_nothing(
    salt, draft, instructor, changes, field
):
    with pytest.raises(InvalidInput) as refusal:
        submit_order(actor=instructor, draft=draft(**changes), idempotency_key="k")
    assert list(refusal.value.errors) == [field]
    assert refusal.value.errors[field].endswith(".")
    assert not Order.objects.exists()
    assert not Hold.objects.exists()


def test_a_substance_stands_in_a_solution_once(salt, draft, instructor):
    twice = DraftComponent("sodium-chloride", parse_number("1"), "mol/L")
    with pytest.raises(InvalidInput) as refusal:
        submit_order(actor=instructor, draft=draft(more=(twice,)), idempotency_key="k")
    assert list(refusal.value.errors) == ["components.1.substance"]


@pytest.mark.parametrize("days", [-2, 740, 365 * 7000])
def test_the_day_lies_between_yesterday_and_two_years_from_now(salt, draft, instructor, days):
    with pytest.raises(InvalidInput) as refusal:
        submit_order(
            actor=instructor, draft=draft(due_at=timezone.now() + timedelta(days=days)), idempotency_key="k"
        )
    assert list(refusal.value.errors) == ["due"]


# --- what the shelf and the chemistry say ---------------------------------------------------------
def test_an_order_over_what_is_there_waits_and_says_what_is_missing(bench, bottle, send):
    bottle("sodium-chloride", "30", assay_percent="100.0")
    order = send()
    reason = order.waiting_for[0]
    assert (order.state, order.batch) == (states.WAITING, None)
    assert reason["free"] == {"value": "30", "unit": "g"} or Decimal(reason["free"]["value"]) == 30
    needed, missing = Decimal(reason["needed"]["value"]), Decimal(reason["missing"]["value"])
    assert needed - missing == pytest.approx(30, abs=Decimal("0.1"))
    assert "sodium chloride" in reason["text"]
    assert not Hold.objects.exists()
    assert not Batch.objects.exists()


def test_an_order_for_what_is_not_there_at_all_waits(bench, send):
    order = send()
    assert order.state == states.WAITING
    assert order.waiting_for
    assert all(reason["text"] for reason in order.waiting_for)


def test_a_bottle_that_expires_before_the_day_is_not_planned_with(bench, bottle, send):
    bottle("sodium-chloride", "500", assay_percent="100.0", expires_on=timezone.localdate())
    assert send(due_at=timezone.now() + timedelta(days=3)).state == states.WAITING


def test_what_chemistry_forbids_is_refused_at_the_concentration(salt, draft, instructor):
    """Saturated sodium chloride holds about 36 g per 100 g of water, some 6 mol/L (handbook)."""
    with pytest.raises(InvalidInput) as refusal:
        submit_order(actor=instructor, draft=draft(target="9"), idempotency_key="k")
    assert list(refusal.value.errors) == ["components.0.target"]
    assert not Order.objects.exists()


def test_a_tolerance_the_apparatus_can_not_meet_is_refused_at_the_tolerance(salt, draft, instructor):
    with pytest.raises(InvalidInput) as refusal:
        submit_order(actor=instructor, draft=draft(tolerance="0.001"), idempotency_key="k")
    assert list(refusal.value.errors) == ["tolerance_percent"]
    assert not Order.objects.exists()


def test_a_plan_can_be_asked_for_without_holding_anything(salt, draft, instructor):
    plan = plan_order(actor=instructor, draft=draft())
    assert plan["feasible"]
    assert not Order.objects.exists()
    assert not Hold.objects.exists()


def test_two_solutes_are_held_from_two_bottles(salt, bottle, send):
    other = bottle("potassium-chloride", "500", assay_percent="99.8", assay_tolerance_percent="0.1")
    order = send(target="0.20", more=(DraftComponent("potassium-chloride", parse_number("0.10"), "mol/L"),))
    assert {link.hold.lot for link in order.batch.batch_holds.all()} == {salt, other}
    assert [link.component for link in order.batch.batch_holds.order_by("component")] == [0, 1]


# --- a race for the last grams, one after the other ------------------------------------------------
def _somebody_holds_after_the_plan(monkeypatch, lot, amount, actor, times=1):
    """Between plan and hold, another person holds ``amount`` base units."""
    real, count = sheets.plan_for, iter(range(times))

    def plan_for(draft, **more):
        answer = real(draft, **more)
        number = next(count, None)
        if number is not None:
            hold_stock(
                actor=actor, draws={lot.pk: amount}, purpose="theirs", idempotency_key=f"theirs-{number}"
            )
        return answer

    monkeypatch.setattr(orders.sheets, "plan_for", plan_for)


def test_a_lost_race_is_planned_again_from_another_bottle(salt, bottle, send, manager, monkeypatch):
    bottle("sodium-chloride", "500", assay_percent="99.9", assay_tolerance_percent="0.1")
    first = send(volume="1").batch.batch_holds.get().hold.lot
    _somebody_holds_after_the_plan(monkeypatch, first, first.free, manager)
    order = send(made_alone=True)
    assert order.state == states.QUEUED
    assert order.batch.batch_holds.get().hold.lot != first


def test_a_race_lost_for_good_leaves_the_order_waiting_and_nothing_half_made(
    salt, send, manager, monkeypatch
):
    _somebody_holds_after_the_plan(monkeypatch, salt, salt.on_hand, manager)
    order = send()
    assert order.state == states.WAITING
    assert order.waiting_for
    assert not Batch.objects.exists()
    assert not Sheet.objects.exists()


def test_a_race_lost_twice_says_what_the_ledger_said(salt, send, manager, monkeypatch):
    half = salt.on_hand // 2
    _somebody_holds_after_the_plan(monkeypatch, salt, half - 1_000_000, manager, times=2)
    order = send(target="5.0")
    assert order.state == states.WAITING
    assert salt.code in order.waiting_for[0]["text"] or "sodium chloride" in order.waiting_for[0]["text"]


# --- cancelling ------------------------------------------------------------------------------------
def test_cancelling_frees_the_stock_and_closes_the_batch(salt, send, instructor):
    order = cancel_order(actor=instructor, order=send(), reason="the lab is off")
    salt.refresh_from_db()
    order.batch.refresh_from_db()
    assert (order.state, order.batch.state, salt.held) == (states.CANCELLED, states.CANCELLED, 0)
    assert order.events.last().note == "the lab is off"
    assert order.batch.sheets.exists(), "the old sheet stays readable"


def test_cancelling_twice_is_the_same_as_once(salt, send, instructor):
    order = send()
    cancel_order(actor=instructor, order=order)
    cancel_order(actor=instructor, order=order)
    assert order.events.filter(event="cancel").count() == 1


def test_a_waiting_order_can_be_cancelled(bench, send, instructor):
    assert cancel_order(actor=instructor, order=send()).state == states.CANCELLED


def test_nobody_cancels_another_persons_order_but_a_manager_may(salt, send, colleague, prep, manager):
    order = send()
    for person in (colleague, prep):
        with pytest.raises(NotAllowed):
            cancel_order(actor=person, order=order)
    assert cancel_order(actor=manager, order=order).state == states.CANCELLED


def test_what_is_being_made_can_not_be_cancelled_any_more(salt, send, instructor, prep):
    order = send()
    claim_batch(actor=prep, batch=order.batch)
    with pytest.raises(NotInThisState, match="Being made"):
        cancel_order(actor=instructor, order=order)
    salt.refresh_from_db()
    assert salt.held > 0


# --- planning again ----------------------------------------------------------------------------------
def test_a_waiting_order_is_queued_when_stock_has_come(bench, bottle, send, prep):
    order = send()
    lot = bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")
    order = replan_order(actor=prep, order=order)
    lot.refresh_from_db()
    assert (order.state, order.waiting_for) == (states.QUEUED, [])
    assert lot.held == held_for(order) > 0
    assert [event.event for event in order.events.all()] == ["submit", "queue"]


def test_a_waiting_order_that_still_can_not_be_made_keeps_waiting_with_fresh_reasons(
    bench, bottle, send, prep
):
    order = send()
    bottle("sodium-chloride", "30", assay_percent="100.0")
    order = replan_order(actor=prep, order=order)
    assert order.state == states.WAITING
    assert Decimal(order.waiting_for[0]["free"]["value"]) == 30


def test_a_queued_order_gets_a_new_revision_and_the_old_holds_go_back(salt, bottle, send, prep, manager):
    order = send()
    fresh = bottle("sodium-chloride", "500", assay_percent="99.9", assay_tolerance_percent="0.1")
    change_lot_state(actor=manager, lot=salt, event="quarantine", reason="a cracked cap")
    order = replan_order(actor=prep, order=order, reason="the bottle is quarantined")
    salt.refresh_from_db()
    fresh.refresh_from_db()
    newest, oldest = order.batch.sheets.all()
    assert (order.state, newest.revision, oldest.revision) == (states.QUEUED, 2, 1)
    assert newest.reason == "the bottle is quarantined"
    assert (salt.held, fresh.held) == (0, held_for(order))
    assert BatchHold.objects.filter(sheet=newest).count() == 1


def test_planning_again_may_use_what_the_order_holds_itself(bench, bottle, send, prep):
    lot = bottle("sodium-chloride", "120", assay_percent="100.0", assay_tolerance_percent="0.1")
    order = send()
    assert lot.free_amount < 240
    order = replan_order(actor=prep, order=order)
    lot.refresh_from_db()
    assert order.state == states.QUEUED
    assert lot.held == held_for(order)


def test_a_queued_order_that_can_not_be_made_any_more_waits_and_frees_its_stock(salt, send, prep, manager):
    order = send()
    change_lot_state(actor=manager, lot=salt, event="quarantine", reason="a cracked cap")
    batch = order.batch
    order = replan_order(actor=prep, order=order)
    salt.refresh_from_db()
    batch.refresh_from_db()
    assert (order.state, order.batch, batch.state, salt.held) == (states.WAITING, None, states.CANCELLED, 0)
    assert order.waiting_for


def test_an_order_waits_when_its_apparatus_is_gone(salt, send, prep):
    order = send()
    ApparatusItem.objects.filter(type__in=("balance",)).update(in_service=False)
    order = replan_order(actor=prep, order=order)
    assert order.state == states.WAITING
    assert order.waiting_for[0]["text"]


def test_only_the_stockroom_plans_again(salt, send, instructor):
    with pytest.raises(NotAllowed):
        replan_order(actor=instructor, order=send())


def test_what_is_being_made_is_not_planned_again(salt, send, prep):
    order = send()
    claim_batch(actor=prep, batch=order.batch)
    with pytest.raises(NotInThisState):
        replan_order(actor=prep, order=order)


# --- who sees what -----------------------------------------------------------------------------------
def test_an_instructor_sees_own_orders_and_the_stockroom_sees_all(bench, send, colleague, prep, manager):
    order = send(volume="2")
    assert list(selectors.orders_visible_to(order.ordered_by)) == [order]
    assert list(selectors.orders_visible_to(colleague)) == []
    assert list(selectors.orders_visible_to(prep)) == [order]
    assert list(selectors.orders_visible_to(manager)) == [order]
    with pytest.raises(Http404):
        selectors.order_with_everything(colleague, order.reference)


def test_a_person_who_left_sees_nothing(salt, send, instructor):
    send(volume="2")
    instructor.is_active = False
    assert not selectors.orders_visible_to(instructor).exists()


def test_sections_are_ones_own_and_all_for_a_manager(sections, instructor, colleague, manager):
    other = Section.objects.create(course=sections[0].course, name="D", instructor=colleague)
    assert list(selectors.sections_for(colleague)) == [other]
    assert list(selectors.sections_for(instructor)) == sections
    assert selectors.sections_for(manager).count() == 4


@pytest.mark.parametrize("chosen", selectors.ORDER_FILTERS)
def test_the_list_takes_the_same_number_of_queries_however_long_it_is(
    salt, send, prep, chosen, django_assert_num_queries
):
    def read():
        rows = selectors.order_rows(prep, chosen, timezone.now())
        return [(row.course.code, str(row.ordered_by), [s.name for s in row.sections.all()]) for row in rows]

    order = send(volume="2")
    for count in (1, 8):
        _copies(order, count)
        with django_assert_num_queries(2):
            assert len(read()) >= count


def _copies(order, count):
    """More rows like an order, ``count`` in every state, for lists alone."""
    for state in states.ORDER_STATES:
        for number in range(count):
            copy = Order.objects.get(pk=order.pk)
            copy.pk, copy.state = None, state
            copy.reference = copy.idempotency_key = f"R-{state[:6]}-{count}{number}"
            copy.save()
            copy.sections.set(order.sections.all())


def test_the_counts_beside_the_filters_are_what_the_filters_show(salt, send, prep):
    _copies(send(volume="2"), 2)
    counts = selectors.order_counts(prep)
    assert counts == {
        name: selectors.order_rows(prep, name, timezone.now()).count() for name in selectors.ORDER_FILTERS
    }
    assert counts["open"] == 11
