"""What goes wrong at the bench: spilled, past the mark, broken, given up; ledger and records stay true.

Nothing goes back into a reagent bottle, and past the one mark of a flask the volume is not known: common
practice. The thinner solution is checked by n = c V (what is dissolved stays when solvent is added).
"""

import contextlib
from decimal import Decimal

import pytest
from django.core.management import call_command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from inventory.models import ApparatusItem, Hold, Lot, LotParent, Movement
from inventory.selectors import cost_shares, stock_differences
from inventory.services import add_waste_stream, change_lot_state, correct_stock, hold_stock, merge_lots
from prepdesk.accounts.models import Notice
from prepdesk.calc.typed import parse_positive
from prepdesk.core.errors import Conflict, DomainError, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Batch, Mishap, StepRecord
from requests_app.selectors import active_holds, batch_with_everything, bench_steps
from requests_app.selectors.mishaps import made_again_as
from requests_app.services.breaking import note_broken
from requests_app.services.claiming import claim_batch, pause_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.overshooting import note_overshot, ways_after
from requests_app.services.recording import record_step
from requests_app.services.spilling import note_spill, note_spoilt_step, still_short
from requests_app.services.stopping import stop_batch
from requests_app.services.unknowns import order_unknowns
from tests.conftest import one_of_the_cast
from tests.requests_app.conftest import (
    a_course,
    drafter,
    full_bottle,
    outfit_bench,
    receiver,
    sender,
    three_sections,
)
from tests.requests_app.test_batches import do_steps
from tests.requests_app.test_unknowns import wanted

__all__ = ["wanted"]

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]

MICROGRAMS = 1_000_000


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []
    call_command("verify_stock")


@pytest.fixture
def salt(bench, bottle) -> Lot:
    """500 g of sodium chloride for 20.00."""
    return bottle(
        "sodium-chloride", "500", assay_percent="100.0", assay_tolerance_percent="0.1", cost="20.00"
    )


@pytest.fixture
def batch(salt, send, prep) -> Batch:
    """A litre of 2.00 mol/L sodium chloride, 116.88 g of it, claimed."""
    return claim_batch(actor=prep, batch=send().batch)


def fresh(row):
    return type(row).objects.get(pk=row.pk)


def steps_of(batch: Batch):
    return bench_steps(batch.sheets.all()[0], batch.step_records.all())


def spill(batch: Batch, actor, lot: Lot, amount: str, key: str = "spill", **more) -> Mishap:
    return note_spill(
        actor=actor,
        batch=batch,
        step_number=1,
        lot=lot,
        amount_text=amount,
        idempotency_key=key,
        **more,
    )


def spoil(batch: Batch, actor, spoilt: int = 1, key: str = "spoil", **more) -> Mishap:
    return note_spoilt_step(
        actor=actor, batch=batch, step_number=spoilt, spoilt=spoilt, idempotency_key=key, **more
    )


def overshoot(batch: Batch, actor, number: int, reading: str, key: str = "over") -> Mishap:
    return note_overshot(
        actor=actor, batch=batch, step_number=number, reading_text=reading, idempotency_key=key
    )


# --- spilled ----------------------------------------------------------------------------------------
def test_what_is_spilled_leaves_the_bottle_on_top_of_what_the_step_needs(batch, prep, salt):
    held = fresh(salt).held
    done = spill(batch, prep, salt, "2.5")
    now = fresh(salt)
    assert (now.on_hand, now.held) == (int(497.5 * MICROGRAMS), held)
    assert (done.kind, done.step_number, done.movement.amount) == ("spilled", 1, int(-2.5 * MICROGRAMS))
    assert batch.reference in done.movement.reason
    # 2.5 g of 500 g for 20.00: ten of the smallest coin.
    assert done.lost == [
        {
            "lot": salt.pk,
            "code": salt.code,
            "substance": "sodium chloride",
            "amount": "2.5",
            "unit": "g",
            "cost_minor": 10,
        }
    ]
    assert done.cost_minor == 10
    do_steps(batch, prep)
    finish_batch(actor=prep, batch=batch)
    assert fresh(salt).on_hand == int((500 - 2.5 - 116.88) * MICROGRAMS)


def test_a_spill_sent_twice_is_one_and_an_old_page_is_told(batch, prep, salt):
    first = spill(batch, prep, salt, "1", seen_version=batch.version)
    assert spill(batch, prep, salt, "1", seen_version=batch.version) == first
    assert Movement.objects.filter(kind="disposed").count() == 1
    with pytest.raises(Conflict, match="changed since"):
        spill(batch, prep, salt, "1", key="another", seen_version=batch.version)
    with pytest.raises(Conflict, match="sent before"):
        note_broken(
            actor=prep,
            batch=batch,
            step_number=1,
            item=ApparatusItem.objects.get(type="beaker", nominal_ml="1000"),
            idempotency_key="spill",
        )
    assert batch.events.filter(event="mishap").count() == 1


def test_where_nothing_else_is_free_the_work_holds_less_and_is_led_to_another_bottle(batch, prep, salt):
    free = fresh(salt).free
    hold_stock(actor=prep, draws={salt.pk: free}, purpose="an examination", idempotency_key="all of it")
    assert still_short(batch, salt) == ""
    spill(batch, prep, salt, "10")
    [hold] = active_holds(batch)
    assert hold.amount == int(106.88 * MICROGRAMS)
    assert still_short(batch, salt) == (
        f"{salt.code} has 106.88 g left for this work, and step 1 needs 116.88 g. Go on from another bottle."
    )
    stop_batch(actor=prep, batch=batch, reason="another bottle")
    assert Hold.objects.filter(state="active").count() == 1


def test_what_is_weighed_although_all_was_spilled_by_the_ledger_is_drawn_once_the_stock_is_right(
    batch, prep, salt
):
    spill(batch, prep, salt, "500")
    do_steps(batch, prep)
    with pytest.raises(NotInThisState, match=f"all of {salt.code} was spilled"):
        finish_batch(actor=prep, batch=batch)
    correct_stock(
        actor=prep, lot=salt, counted="120", unit="g", reason="weighed the bottle", idempotency_key="count"
    )
    change_lot_state(actor=prep, lot=salt, event="release", reason="it was never empty")
    made = finish_batch(actor=prep, batch=batch)
    assert fresh(salt).on_hand == int((120 - 116.88) * MICROGRAMS)
    parents = LotParent.objects.filter(child=made.prepared_lot)
    assert [one.parent for one in parents] == [salt], "what went in stands in the ancestry"


def test_what_others_hold_is_never_spilled_away(batch, prep, salt):
    free = fresh(salt).free
    hold_stock(
        actor=prep, draws={salt.pk: free - 5 * MICROGRAMS}, purpose="an examination", idempotency_key="most"
    )
    with pytest.raises(InvalidInput, match="held for an examination"):
        spill(batch, prep, salt, "200")
    with pytest.raises(InvalidInput, match="has only 500 g"):
        spill(batch, prep, salt, "501")
    assert not Mishap.objects.exists()
    assert fresh(batch).version == batch.version


@pytest.mark.parametrize("text", ["", "abc", "0", "-1", "NaN", "1e400", "0.0000001"])
def test_what_is_no_amount_is_refused_at_the_field(batch, prep, salt, text):
    with pytest.raises(InvalidInput) as refusal:
        spill(batch, prep, salt, text)
    assert list(refusal.value.errors) == ["amount"]


def test_a_bottle_of_other_work_is_not_spilled_here(batch, prep, bottle):
    other = bottle("potassium-chloride", "100", assay_percent="99.8")
    with pytest.raises(InvalidInput, match="no bottle of"):
        spill(batch, prep, other, "1")


def test_once_there_are_waste_streams_a_spill_names_one(batch, prep, salt):
    sink = add_waste_stream(actor=prep, name="Sink")
    with pytest.raises(InvalidInput) as refusal:
        spill(batch, prep, salt, "1")
    assert list(refusal.value.errors) == ["waste_stream"]
    assert spill(batch, prep, salt, "1", waste_stream=sink).movement.waste_stream == sink


def test_a_bottle_without_a_price_says_that_nobody_knows_the_cost(bench, bottle, send, prep):
    salt = full_bottle(bottle)
    batch = claim_batch(actor=prep, batch=send().batch)
    assert spill(batch, prep, salt, "2").cost_minor is None


def test_a_bottle_that_holds_what_others_cost_has_no_price_of_its_own(salt, bottle, prep):
    other = bottle("sodium-chloride", "10", assay_percent="100.0", assay_tolerance_percent="0.1", cost="5.00")
    Lot.objects.update(lot_number="one lot")
    merge_lots(actor=prep, into=salt, leftovers=[fresh(other)], reason="one bottle", idempotency_key="merge")
    assert cost_shares({salt.pk: MICROGRAMS, other.pk: MICROGRAMS}) == {salt.pk: None, other.pk: 50}


def test_only_whoever_has_the_batch_writes_down_what_went_wrong(
    batch, second_prep, instructor, manager, salt
):
    with pytest.raises(Conflict, match="Pia Brook"):
        spill(batch, second_prep, salt, "1")
    with pytest.raises(NotAllowed):
        spill(batch, instructor, salt, "1")
    assert spill(batch, manager, salt, "1").actor == manager


# --- a reading that is lost ---------------------------------------------------------------------------
def test_a_step_whose_salt_was_lost_is_done_again_and_the_first_reading_stays(batch, prep, salt):
    do_steps(batch, prep, until=1)
    done = spoil(fresh(batch), prep)
    assert done.lost[0]["amount"] == "116.88"
    assert fresh(salt).on_hand == int((500 - 116.88) * MICROGRAMS)
    [first, lost] = StepRecord.objects.filter(step_number=1)
    assert (first.reading_text, first.verdict, lost.verdict) == ("116.88", "inside", "spoilt")
    assert [one.step["number"] for one in steps_of(batch) if one.is_current] == [1]
    with pytest.raises(NotInThisState, match="Step 1 comes first"):
        record_step(actor=prep, batch=batch, step_number=2, reading_text="", idempotency_key="2")
    do_steps(batch, prep, readings={1: "116.90"})
    finish_batch(actor=prep, batch=batch)
    # Both portions left the bottle: the one on the floor and the one in the solution.
    assert fresh(salt).on_hand == int(Decimal("500") - 0) * MICROGRAMS - int(
        (116.88 + 116.90) * MICROGRAMS + 0.5
    )
    assert [one.reading_text for one in StepRecord.objects.filter(step_number=1)] == ["116.88", "", "116.90"]


def test_what_is_dissolved_already_is_not_weighed_again_but_given_up(batch, prep):
    do_steps(batch, prep, until=2)
    with pytest.raises(NotInThisState, match="give it up"):
        spoil(batch, prep)
    assert not Mishap.objects.exists()


def test_nothing_that_was_not_read_can_be_lost(batch, prep):
    with pytest.raises(NotInThisState):
        spoil(batch, prep)


# --- past the mark ------------------------------------------------------------------------------------
def test_too_much_on_the_balance_is_recorded_with_the_volume_that_puts_it_right(batch, prep):
    plan = batch.sheets.get().plan
    ways = ways_after(plan, {}, 1, parse_positive("118.00"))
    assert not ways.inside
    # 118.00 g instead of 116.88 g in 1000 mL: at 1009.6 mL it is 2.00 mol/L again.
    assert "1010 mL" in ways.ways[0]
    done = overshoot(batch, prep, 1, "118.00")
    record = StepRecord.objects.get()
    assert (record.reading_text, record.verdict) == ("118.00", "outside")
    assert done.text == "read 118.00 g instead of 116.88 g"
    assert (done.lost, done.cost_minor) == ([], None)
    assert overshoot(batch, prep, 1, "118.00") == done


@pytest.mark.parametrize("text", ["116.88", "116.00", "x", ""])
def test_what_is_not_past_the_mark_is_refused(batch, prep, text):
    with pytest.raises(InvalidInput) as refusal:
        overshoot(batch, prep, 1, text)
    assert list(refusal.value.errors) == ["reading"]
    assert not StepRecord.objects.exists()


def test_past_the_mark_of_a_flask_nothing_can_be_read(batch, prep):
    do_steps(batch, prep, until=3)
    with pytest.raises(NotInThisState, match="Give it up"):
        overshoot(batch, prep, 4, "1003")


@pytest.fixture
def in_cylinder(salt, send, prep) -> Batch:
    """800 mL of 2.00 mol/L to 5 per cent, made up in a graduated cylinder of 1000 mL, up to the line."""
    batch = claim_batch(actor=prep, batch=send(tolerance="5", volume="20").batch)
    assert steps_of(batch)[3].step["equipment"]["type"] == "graduated cylinder"
    do_steps(batch, prep, until=3)
    return fresh(batch)


def test_past_the_line_of_a_cylinder_the_true_volume_is_read_and_counted_with(in_cylinder, prep):
    overshoot(in_cylinder, prep, 4, "816")
    assert [one.step["number"] for one in steps_of(in_cylinder) if one.is_current] == [5]
    for number in (5, 6, 7):
        record_step(
            actor=prep, batch=in_cylinder, step_number=number, reading_text="", idempotency_key=f"s{number}"
        )
    done = finish_batch(actor=prep, batch=in_cylinder)
    found = done.settlement["concentrations"][0]
    # 93.5 g / 58.44 g/mol in 816 mL, the molar mass from the IUPAC 2021 atomic weights.
    assert float(found["value"]) == pytest.approx(93.5 / 58.44 / 0.816, abs=0.005)
    assert done.settlement["inside"]
    assert done.prepared_lot.on_hand == 816_000


@pytest.mark.parametrize(
    ("text", "says"),
    [("800", "not past"), ("799", "not past"), ("1001", "scale ends at 1000"), ("881", "more than 80 mL")],
)
def test_what_a_scale_can_not_say_is_refused(in_cylinder, prep, text, says):
    with pytest.raises(InvalidInput, match=says):
        overshoot(in_cylinder, prep, 4, text)


def test_an_earlier_step_comes_before_the_line(salt, send, prep):
    batch = claim_batch(actor=prep, batch=send(tolerance="5", volume="20").batch)
    with pytest.raises(NotInThisState, match="Step 1 comes first"):
        overshoot(batch, prep, 4, "816")


# --- broken -------------------------------------------------------------------------------------------
def test_a_broken_flask_is_one_less_and_stands_in_its_history(batch, prep):
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    for _ in range(2):
        note_broken(actor=prep, batch=batch, step_number=3, item=flask, idempotency_key="flask")
    assert fresh(flask).count == 3
    [event] = flask.events.filter(event="count")
    assert event.reason == f"Broke at {batch.reference}"
    assert Mishap.objects.get().text == "1000 mL one-mark flask"


def test_the_last_flask_of_its_kind_is_not_planned_with_again(batch, prep, send):
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    ApparatusItem.objects.filter(pk=flask.pk).update(count=1)
    note_broken(actor=prep, batch=batch, step_number=3, item=flask, idempotency_key="flask")
    assert fresh(flask).there == 0
    order = send()
    assert order.batch is None or "1000 mL one-mark" not in str(order.batch.sheets.get().plan["steps"])


def test_a_broken_balance_is_out_of_service(batch, prep):
    balance = ApparatusItem.objects.get(type="balance", readability_g="0.01")
    note_broken(actor=prep, batch=batch, step_number=1, item=balance, idempotency_key="balance")
    assert not fresh(balance).in_service


def test_what_is_not_used_here_did_not_break_here(batch, prep):
    other = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="25")
    with pytest.raises(InvalidInput, match="not used here"):
        note_broken(actor=prep, batch=batch, step_number=1, item=other, idempotency_key="k")


def test_what_is_put_back_after_a_mishap_is_planned_again_with_what_is_there(batch, prep, salt):
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    ApparatusItem.objects.filter(pk=flask.pk).update(count=1)
    note_broken(actor=prep, batch=batch, step_number=1, item=fresh(flask), idempotency_key="flask")
    back = put_back_batch(actor=prep, batch=batch)
    assert "1000 mL one-mark" not in str(back.sheets.first().plan["steps"])
    assert back.sheets.first().revision == 2


# --- given up -----------------------------------------------------------------------------------------
def test_what_is_given_up_says_what_it_cost_and_as_what_it_is_made_again(batch, prep, salt):
    do_steps(batch, prep, until=3)
    pause_batch(actor=prep, batch=batch, note="in the flask")
    order = batch.orders.get()
    stopped = stop_batch(actor=prep, batch=batch, reason="It is past the mark")
    stop_batch(actor=prep, batch=batch, reason="It is past the mark")
    [done] = Mishap.objects.all()
    # 116.88 g of 500 g for 20.00.
    assert (done.kind, done.text, done.cost_minor) == ("failed", "It is past the mark", 468)
    assert (stopped.state, stopped.paused_at) == (states.CANCELLED, None)
    again = fresh(order).batch
    assert made_again_as(stopped) == [again]
    assert stopped.events.last().note == f"made again as {again.reference}"
    assert StepRecord.objects.filter(batch=stopped).count() == 3, "what was recorded stays"


def test_orders_that_shared_a_batch_are_made_together_again(salt, send, prep):
    orders = [send(volume="5", room=room) for room in ("210", "211", "212")]
    [shared] = {fresh(order).batch for order in orders}
    claim_batch(actor=prep, batch=shared)
    do_steps(shared, prep, until=2)
    stop_batch(actor=prep, batch=shared, reason="dropped")
    [again] = {fresh(order).batch for order in orders}
    assert again != shared
    assert made_again_as(fresh(shared)) == [again]
    assert again.sheets.first().plan["volume"] == shared.sheets.first().plan["volume"]


def test_orders_that_can_not_be_made_again_now_wait_and_the_history_says_so(salt, send, prep):
    orders = [send(volume="5", room=room) for room in ("210", "211")]
    shared = fresh(orders[0]).batch
    claim_batch(actor=prep, batch=shared)
    do_steps(shared, prep, until=1)
    free = fresh(salt).free
    hold_stock(actor=prep, draws={salt.pk: free}, purpose="an examination", idempotency_key="rest")
    stop_batch(actor=prep, batch=shared, reason="dropped")
    assert {fresh(order).state for order in orders} == {states.WAITING}
    assert "dropped" in fresh(orders[0]).waiting_for[0]["text"]
    assert made_again_as(fresh(shared)) == []
    assert shared.events.last().note.endswith("wait")


def test_a_finished_solution_that_is_given_up_is_set_aside_and_nothing_is_made_from_it(batch, prep, send):
    do_steps(batch, prep)
    done = finish_batch(actor=prep, batch=batch)
    stop_batch(actor=prep, batch=done, reason="dirt in it")
    lot = fresh(done.prepared_lot)
    assert (lot.state, lot.held) == ("quarantined", 0)
    again = made_again_as(fresh(batch))[0]
    assert lot not in {hold.lot for hold in active_holds(again)}
    assert Mishap.objects.get().lost[0]["amount"] == "116.88"


# --- unknowns -----------------------------------------------------------------------------------------
def test_what_went_wrong_with_an_unknown_is_told_without_a_figure(
    wanted, salt, instructor, prep, second_prep
):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="set")
    batch = claim_batch(actor=prep, batch=made.samples.first().order.batch)
    do_steps(batch, prep, until=1)
    mass = steps_of(batch)[0].latest.reading_text
    spoil(fresh(batch), prep)
    theirs = batch_with_everything(second_prep, batch.reference)
    [hidden] = theirs.mishaps.all()
    assert (hidden.text, hidden.lost, hidden.cost_minor) == ("", [], None)
    [seen] = batch_with_everything(prep, batch.reference).mishaps.all()
    # The figure that is drawn may end in a zero.
    assert Decimal(seen.lost[0]["amount"]) == Decimal(mass)
    assert mass not in batch.events.get(event="mishap").note
    assert made.samples.first().code not in seen.movement.reason
    assert mass not in " ".join(Notice.objects.values_list("text", flat=True))


# --- any sequence -------------------------------------------------------------------------------------
DEEDS = st.lists(
    st.one_of(
        st.just(("step", "")),
        st.tuples(st.just("spill"), st.sampled_from(["0.5", "20", "120", "300", "600"])),
        st.just(("spoil", "")),
        st.tuples(st.just("past"), st.sampled_from(["117.5", "130"])),
        st.just(("stop", "")),
        st.just(("finish", "")),
    ),
    min_size=1,
    max_size=12,
)


class AnySequence(TestCase):
    """Whatever happens in whatever order, no movement is lost, and the first readings stay."""

    @settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
    @given(deeds=DEEDS)
    def test_spills_redone_steps_and_stops_never_break_the_ledger(self, deeds):
        prep, manager, teacher = (one_of_the_cast(name) for name in ("pia", "mara", "ines"))
        outfit_bench()
        salt = full_bottle(receiver(manager))
        batch = claim_batch(
            actor=prep, batch=sender(teacher, drafter(three_sections(a_course(), teacher)))().batch
        )
        kept: list[tuple[int, str]] = []
        for number, (deed, figure) in enumerate(deeds):
            with contextlib.suppress(DomainError):
                self.do(deed, figure, batch, prep, salt, f"k{number}")
            assert stock_differences() == []
            now = list(batch.step_records.values_list("step_number", "reading_text"))
            assert now[: len(kept)] == kept
            kept = now
        lot = fresh(salt)
        gone = sum(one.amount for one in Movement.objects.filter(lot=salt).exclude(kind="received"))
        assert 0 <= lot.held <= lot.on_hand == 500 * MICROGRAMS + gone

    def do(self, deed, figure, batch, prep, salt, key):
        if deed == "spill":
            spill(batch, prep, salt, figure, key)
        elif deed == "spoil":
            spoil(batch, prep, 1, key)
        elif deed == "past":
            overshoot(batch, prep, 1, figure, key)
        elif deed == "stop":
            stop_batch(actor=prep, batch=batch, reason="dropped")
        elif deed == "finish":
            finish_batch(actor=prep, batch=batch, reason="as it is")
        else:
            current = next(one.step for one in steps_of(batch) if one.is_current)
            reading = current["quantity"]["value"] if current.get("window") else ""
            record_step(
                actor=prep,
                batch=batch,
                step_number=current["number"],
                reading_text=reading,
                idempotency_key=key,
            )
