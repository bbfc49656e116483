"""Batches at the bench: claimed by one, worked in order, settled with what was really weighed."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.utils import timezone

from inventory.amounts import to_base
from inventory.models import Hold, Lot, Movement
from inventory.selectors import calc_shelf, stock_differences
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import selectors, states
from requests_app.drafts import DraftComponent
from requests_app.models import StepRecord
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.handing_over import hand_over_batch
from requests_app.services.recording import record_step
from requests_app.shelf_life import BY_FAMILY, DEFAULT, shelf_life


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []


@pytest.fixture
def batch(salt, send):
    """990 mL of 2.00 mol/L sodium chloride, waiting in the queue."""
    return send().batch


@pytest.fixture
def claimed(batch, prep):
    return claim_batch(actor=prep, batch=batch)


def steps_of(batch) -> list[dict]:
    return batch.sheets.all()[0].plan["steps"]


def weighing_of(batch) -> dict:
    return next(step for step in steps_of(batch) if step["action"] == "weigh")


def do_steps(batch, actor, *, readings=None, reason="", until=None):
    """Record every step in order; readings by step number, else what the step asks for."""
    for step in steps_of(batch):
        if until is not None and step["number"] > until:
            return
        text = ""
        if step.get("window"):
            text = (readings or {}).get(step["number"], step["quantity"]["value"])
        record_step(
            actor=actor,
            batch=batch,
            step_number=step["number"],
            reading_text=text,
            reason=reason,
            idempotency_key=f"{batch.pk}-{step['number']}-{StepRecord.objects.count()}",
        )


# --- claiming ------------------------------------------------------------------------------------
def test_claiming_says_who_has_it_since_when_and_that_the_order_is_being_made(batch, prep):
    found = claim_batch(actor=prep, batch=batch)
    assert (found.state, found.claimed_by) == (states.CLAIMED, prep)
    assert abs(timezone.now() - found.claimed_at) < timedelta(minutes=1)
    assert batch.orders.get().state == states.IN_WORK
    assert batch.orders.get().events.last().actor == prep


def test_the_second_claimer_is_told_by_whom(claimed, second_prep):
    with pytest.raises(Conflict, match="Pia Brook"):
        claim_batch(actor=second_prep, batch=claimed)


def test_claiming_ones_own_batch_again_changes_nothing(claimed, prep):
    claim_batch(actor=prep, batch=claimed)
    assert claimed.events.filter(event="claim").count() == 1


def test_instructors_do_not_claim(batch, instructor):
    with pytest.raises(NotAllowed):
        claim_batch(actor=instructor, batch=batch)


def test_putting_back_makes_it_free_for_the_next(claimed, prep, second_prep):
    found = put_back_batch(actor=prep, batch=claimed, reason="no time")
    assert (found.state, found.claimed_by, found.claimed_at) == (states.QUEUED, None, None)
    assert found.orders.get().state == states.QUEUED
    assert claim_batch(actor=second_prep, batch=found).claimed_by == second_prep


def test_only_the_claimer_or_a_manager_puts_it_back(claimed, second_prep, manager):
    with pytest.raises(Conflict, match="Pia Brook"):
        put_back_batch(actor=second_prep, batch=claimed)
    assert put_back_batch(actor=manager, batch=claimed).state == states.QUEUED


def test_begun_work_is_not_put_back(claimed, prep):
    do_steps(claimed, prep, until=1)
    with pytest.raises(NotInThisState):
        put_back_batch(actor=prep, batch=claimed)


# --- steps -----------------------------------------------------------------------------------------
def test_the_first_record_starts_the_work(claimed, prep):
    do_steps(claimed, prep, until=1)
    claimed.refresh_from_db()
    assert claimed.state == states.IN_WORK
    assert claimed.events.last().event == "start"


def test_nothing_is_recorded_for_a_batch_nobody_claimed(batch, prep):
    with pytest.raises(NotInThisState, match="claim it"):
        do_steps(batch, prep, until=1)


def test_nobody_else_records_in_a_claimed_batch_but_a_manager_may(claimed, second_prep, manager):
    with pytest.raises(Conflict, match="Pia Brook"):
        do_steps(claimed, second_prep, until=1)
    do_steps(claimed, manager, until=1)
    assert StepRecord.objects.get().actor == manager


def test_a_step_can_not_be_passed_over(claimed, prep):
    with pytest.raises(NotInThisState, match="Step 1 comes first"):
        record_step(actor=prep, batch=claimed, step_number=2, reading_text="", idempotency_key="k")
    assert not StepRecord.objects.exists()


def test_a_step_the_sheet_does_not_have_is_refused(claimed, prep):
    with pytest.raises(NotInThisState, match="no step 99"):
        record_step(actor=prep, batch=claimed, step_number=99, reading_text="", idempotency_key="k")


@pytest.mark.parametrize("bound", ["low", "high"])
def test_a_reading_equal_to_a_bound_is_inside(claimed, prep, bound):
    step = weighing_of(claimed)
    do_steps(claimed, prep, readings={step["number"]: step["window"][bound]}, until=step["number"])
    record = StepRecord.objects.get(step_number=step["number"])
    assert (record.verdict, record.reading_text) == ("inside", step["window"][bound])
    assert record.reading_unit == "g"


@pytest.mark.parametrize(("bound", "sign"), [("low", -1), ("high", 1)])
def test_a_reading_one_digit_outside_the_window_needs_a_reason(claimed, prep, bound, sign):
    step = weighing_of(claimed)
    text = str(Decimal(step["window"][bound]) + sign * Decimal("0.01"))
    with pytest.raises(InvalidInput) as refusal:
        do_steps(claimed, prep, readings={step["number"]: text}, until=step["number"])
    assert "utside by 0.01 g" in refusal.value.errors["reading"]
    assert not StepRecord.objects.filter(step_number=step["number"]).exists()
    record_step(
        actor=prep,
        batch=claimed,
        step_number=step["number"],
        reading_text=text,
        reason="the bottle is empty",
        idempotency_key="with reason",
    )
    record = StepRecord.objects.get(step_number=step["number"])
    assert (record.verdict, record.reason) == ("outside", "the bottle is empty")


@pytest.mark.parametrize("text", ["", "abc", "NaN", "1e400", "-5", "0", "1_000", "5,8,4", "L00017X"])
def test_what_is_no_reading_is_refused_at_the_field(claimed, prep, text):
    step = weighing_of(claimed)
    with pytest.raises(InvalidInput) as refusal:
        record_step(
            actor=prep, batch=claimed, step_number=step["number"], reading_text=text, idempotency_key="k"
        )
    assert list(refusal.value.errors) == ["reading"]


def test_a_reading_where_none_is_taken_is_refused(claimed, prep):
    plain = next(step for step in steps_of(claimed) if not step.get("window"))
    do_steps(claimed, prep, until=plain["number"] - 1)
    with pytest.raises(InvalidInput) as refusal:
        record_step(
            actor=prep, batch=claimed, step_number=plain["number"], reading_text="58.4", idempotency_key="k"
        )
    assert list(refusal.value.errors) == ["reading"]


def test_the_same_record_sent_twice_is_kept_once(claimed, prep):
    step = weighing_of(claimed)
    text = step["quantity"]["value"]
    records = [
        record_step(actor=prep, batch=claimed, step_number=1, reading_text=text, idempotency_key="same")
        for _ in range(2)
    ]
    assert records[0] == records[1]
    with pytest.raises(Conflict, match=text):
        record_step(actor=prep, batch=claimed, step_number=1, reading_text="116.9", idempotency_key="same")


def test_doing_a_step_again_adds_a_record_and_keeps_the_first(claimed, prep):
    step = weighing_of(claimed)
    do_steps(claimed, prep, until=3)
    record_step(
        actor=prep,
        batch=claimed,
        step_number=step["number"],
        reading_text=step["window"]["low"],
        idempotency_key="again",
    )
    steps = selectors.bench_steps(claimed.sheets.get(), claimed.step_records.all())
    texts = [record.reading_text for record in steps[step["number"] - 1].records]
    assert texts == [step["quantity"]["value"], step["window"]["low"]]
    assert next(one.step["number"] for one in steps if one.is_current) == 4


def test_an_old_page_is_told_that_the_batch_changed(claimed, prep):
    seen = claimed.version
    do_steps(claimed, prep, until=1)
    with pytest.raises(Conflict, match="changed"):
        record_step(
            actor=prep,
            batch=claimed,
            step_number=2,
            reading_text="",
            idempotency_key="other device",
            seen_version=seen,
        )


# --- finishing -------------------------------------------------------------------------------------
@pytest.fixture
def worked(claimed, prep):
    do_steps(claimed, prep)
    return claimed


def test_nothing_is_finished_before_every_step_is_recorded(claimed, prep):
    last = steps_of(claimed)[-1]["number"]
    do_steps(claimed, prep, until=last - 2)
    with pytest.raises(NotInThisState, match=f"Steps {last - 1}, {last}"):
        finish_batch(actor=prep, batch=claimed)
    assert not Movement.objects.filter(kind="drawn").exists()


def test_the_ledger_draws_what_the_balance_showed(claimed, prep, salt):
    step = weighing_of(claimed)
    read = Decimal(step["quantity"]["value"]) + Decimal("0.03")
    do_steps(claimed, prep, readings={step["number"]: str(read)})
    finish_batch(actor=prep, batch=claimed)
    movement = Movement.objects.get(kind="drawn", lot=salt)
    salt.refresh_from_db()
    assert movement.amount == -to_base(read, "g")
    assert movement.hold.state == "drawn"
    assert claimed.reference in movement.reason
    assert (salt.held, salt.on_hand) == (0, to_base(500 - read, "g"))


def test_the_bottle_holds_the_concentration_that_was_weighed(claimed, prep):
    """Common practice: twice the mass in the same volume is twice the concentration."""
    step = weighing_of(claimed)
    read = Decimal(step["window"]["high"])
    do_steps(claimed, prep, readings={step["number"]: str(read)})
    found = finish_batch(actor=prep, batch=claimed)
    litres = Decimal(claimed.sheets.get().plan["makes"]["value"]) / 1000
    molar_mass = Decimal("58.44")  # 22.990 + 35.45, IUPAC 2021 abridged
    actual = Decimal(found.settlement["concentrations"][0]["value"])
    assert actual == pytest.approx(read / molar_mass / litres, rel=Decimal("0.0002"))
    assert found.settlement["inside"] is True
    assert Decimal(found.prepared_lot.concentration_mol_per_l) == pytest.approx(actual, rel=Decimal("0.001"))


def test_the_prepared_lot_knows_what_it_is_of_whom_and_until_when(worked, prep, salt):
    lot = finish_batch(actor=prep, batch=worked).prepared_lot
    assert (lot.kind, lot.title, lot.prepared_by) == ("solution", worked.title, prep)
    assert [link.parent for link in lot.parent_links.all()] == [salt]
    assert lot.on_hand_amount == Decimal(worked.sheets.get().plan["makes"]["value"])
    assert lot.expires_on == timezone.localdate() + timedelta(days=DEFAULT.days)
    assert lot.composition[0]["substance"] == "sodium chloride"
    assert Decimal(lot.relative_uncertainty_percent) > 0


def test_the_page_of_a_prepared_lot_rounds_its_concentration_and_the_next_plan_does_not(worked, prep, client):
    lot = finish_batch(actor=prep, batch=worked).prepared_lot
    stored = lot.concentration_mol_per_l
    client.force_login(prep)
    for page in (f"/stock/lots/{lot.code}/", f"/stock/substances/{lot.substance.key}/"):
        shown = client.get(page).content.decode()
        # GUM 7.2.6: the last place of the value is the second digit of its uncertainty.
        assert lot.strength_shown in shown
        assert stored not in shown
    assert len(lot.strength_shown) < len(stored)
    [hold] = Hold.objects.filter(lot=lot, state="active")
    [told] = [one for one in calc_shelf(as_if_released=[hold.pk]).lots if one.id == str(lot.pk)]
    assert told.concentration_mol_per_l == float(stored)
    assert told.strength_shown == lot.strength_shown


def test_a_finished_solution_is_held_for_its_order_and_no_plan_offers_it(worked, prep):
    found = finish_batch(actor=prep, batch=worked)
    lot = Lot.objects.get(pk=found.prepared_lot_id)
    assert lot.free == 0
    assert str(lot.pk) not in {one.id for one in calc_shelf().lots}
    order = found.orders.get()
    assert (found.state, order.state) == (states.READY, states.READY)
    assert found.finished_at is not None


def test_finishing_twice_draws_once(worked, prep):
    finish_batch(actor=prep, batch=worked)
    finish_batch(actor=prep, batch=worked)
    assert Movement.objects.filter(kind="drawn").count() == 1
    assert Lot.objects.filter(kind="solution").count() == 1


def test_a_result_outside_the_tolerance_needs_a_reason_and_shows_it(claimed, prep):
    step = weighing_of(claimed)
    too_much = str(Decimal(step["quantity"]["value"]) * 2)
    do_steps(claimed, prep, readings={step["number"]: too_much}, reason="poured too fast")
    with pytest.raises(InvalidInput) as refusal:
        finish_batch(actor=prep, batch=claimed)
    assert "outside the tolerance" in refusal.value.errors["reason"]
    assert not Movement.objects.filter(kind="drawn").exists()
    found = finish_batch(actor=prep, batch=claimed, reason="used for a demonstration")
    assert found.settlement["inside"] is False
    assert found.settlement["reason"] == "used for a demonstration"
    assert Decimal(found.settlement["concentrations"][0]["value"]) == pytest.approx(4, rel=Decimal("0.001"))


def test_more_than_was_held_is_drawn_when_it_is_free(claimed, prep, salt):
    step = weighing_of(claimed)
    more = Decimal(step["quantity"]["value"]) + 20
    do_steps(claimed, prep, readings={step["number"]: str(more)}, reason="slipped")
    finish_batch(actor=prep, batch=claimed, reason="diluted afterwards")
    salt.refresh_from_db()
    assert salt.on_hand == to_base(500 - more, "g")


def test_nobody_else_finishes_it(worked, second_prep):
    with pytest.raises(Conflict, match="Pia Brook"):
        finish_batch(actor=second_prep, batch=worked)


def test_a_mixture_lists_both_solutes_and_is_no_stock_of_either(bench, bottle, send, prep):
    bottle("sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1")
    bottle("potassium-permanganate", "500", assay_percent="99.5", assay_tolerance_percent="0.2")
    order = send(
        target="0.20", more=(DraftComponent("potassium-permanganate", parse_number("0.10"), "mol/L"),)
    )
    batch = claim_batch(actor=prep, batch=order.batch)
    do_steps(batch, prep)
    lot = finish_batch(actor=prep, batch=batch).prepared_lot
    assert [one["substance"] for one in lot.composition] == ["sodium chloride", "potassium permanganate"]
    assert lot.concentration_mol_per_l == ""
    assert lot.parent_links.count() == 2
    # The mixture keeps as long as its shortest component: permanganate, about a month
    # (Nogueira and Serôdio, Accred. Qual. Assur. 8, 231, 2003).
    assert lot.expires_on == timezone.localdate() + timedelta(days=30)


def test_a_liquid_is_drawn_in_millilitres(bench, bottle, send, prep):
    acid = bottle("hydrochloric-acid", "1000", kind="liquid", mass_percent="37", density_g_per_ml="1.184")
    batch = claim_batch(actor=prep, batch=send(substance="hydrochloric-acid", target="1").batch)
    do_steps(batch, prep)
    finish_batch(actor=prep, batch=batch)
    litres = Decimal(batch.sheets.get().plan["makes"]["value"]) / 1000
    acid.refresh_from_db()
    # Hydrochloric acid of 37 % is about 12.0 mol/L (handbook): so many mL for 1 mol/L, within 5 %.
    assert 1000 - acid.on_hand_amount == pytest.approx(litres * 1000 / 12, rel=Decimal("0.05"))


# --- handing over -----------------------------------------------------------------------------------
def test_handing_over_takes_the_solution_off_the_shelf(worked, prep):
    found = hand_over_batch(actor=prep, batch=finish_batch(actor=prep, batch=worked), note="to room 210")
    lot = Lot.objects.get(pk=found.prepared_lot_id)
    assert (found.state, found.orders.get().state) == (states.HANDED_OVER, states.HANDED_OVER)
    assert (lot.on_hand, lot.held) == (0, 0)
    assert not Hold.objects.filter(state="active").exists()
    assert found.events.last().note == "to room 210"


def test_handing_over_twice_is_the_same_as_once(worked, prep):
    found = finish_batch(actor=prep, batch=worked)
    hand_over_batch(actor=prep, batch=found)
    hand_over_batch(actor=prep, batch=found)
    assert found.events.filter(event="hand_over").count() == 1


def test_nothing_is_handed_over_before_it_is_ready(claimed, prep):
    with pytest.raises(NotInThisState):
        hand_over_batch(actor=prep, batch=claimed)


def test_instructors_do_not_hand_over(worked, prep, instructor):
    found = finish_batch(actor=prep, batch=worked)
    with pytest.raises(NotAllowed):
        hand_over_batch(actor=instructor, batch=found)


# --- the queue ---------------------------------------------------------------------------------------
def test_the_queue_is_for_the_stockroom(batch, instructor, prep):
    assert not selectors.batches_visible_to(instructor).exists()
    assert selectors.batches_visible_to(prep).get() == batch


def test_what_is_due_first_stands_first_and_what_is_late_is_said(salt, send, prep):
    later = send(volume="1", due_at=timezone.now() + timedelta(hours=30)).batch
    late = send(volume="1", due_at=timezone.now() - timedelta(minutes=5), made_alone=True).batch
    rows = selectors.queue_rows(prep, "open", timezone.now())
    assert [(row.pk, row.late) for row in rows] == [(late.pk, True), (later.pk, False)]


def test_the_queue_says_how_far_the_work_is(claimed, prep):
    do_steps(claimed, prep, until=2)
    row = selectors.queue_rows(prep, "mine", timezone.now())[0]
    assert (row.steps_done, row.card["steps"]) == (2, len(steps_of(claimed)))


def test_filters_show_what_they_say(salt, send, prep, second_prep):
    free, mine, theirs = (send(volume="1", made_alone=True).batch for _ in range(3))
    claim_batch(actor=prep, batch=mine)
    claim_batch(actor=second_prep, batch=theirs)
    now = timezone.now()
    found = {
        name: [row.pk for row in selectors.queue_rows(prep, name, now)] for name in selectors.QUEUE_FILTERS
    }
    assert found["unclaimed"] == [free.pk]
    assert found["mine"] == [mine.pk]
    assert set(found["open"]) == {free.pk, mine.pk, theirs.pk}
    assert found["ready"] == found["done"] == []
    assert selectors.queue_glance(prep, now).counts == {name: len(rows) for name, rows in found.items()}


def test_the_queue_takes_the_same_number_of_queries_however_long_it_is(
    salt, send, prep, django_assert_num_queries
):
    for count in (1, 5):
        for _ in range(count):
            send(volume="1", made_alone=True)
        with django_assert_num_queries(2):
            rows = selectors.queue_rows(prep, "open", timezone.now())
            orders, _ = selectors.orders_in_view(prep, [row.pk for row in rows])
            assert {orders[row.pk][0].for_words for row in rows} == {"CH 101 A, B, C"}


# --- shelf life --------------------------------------------------------------------------------------
def test_every_shelf_life_has_a_reason_and_a_family_of_the_catalogue():
    from prepdesk.calc.catalogue import standard_catalogue

    families = {substance.family or substance.key for substance in standard_catalogue()}
    assert set(BY_FAMILY) <= families
    assert all(life.days > 0 and life.reason for life in (DEFAULT, *BY_FAMILY.values()))


def test_a_mixture_keeps_as_long_as_its_shortest_component():
    assert shelf_life(["sodium-chloride", "potassium-permanganate"]) == BY_FAMILY["potassium-permanganate"]
    assert shelf_life(["sodium-chloride"]) == DEFAULT
