# ruff: noqa: F811  (a fixture of another file)
"""A bottle is empty in the middle of the work: recorded, gone on from another lot, both in the ancestry.

Molar mass from the IUPAC 2021 atomic weights, by the ``periodictable`` library. That a bottle found empty is
written off at once, and that what went into a solution stays in its ancestry, is common practice.
"""

from datetime import date, timedelta

import periodictable
import pytest
from django.core.management import call_command
from django.utils import timezone

from inventory.amounts import to_base
from inventory.models import Hold, LotParent, Movement
from inventory.selectors import stock_differences
from inventory.services import recall_lots
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.models import Mishap, Sheet, StepRecord
from requests_app.selectors import batch_with_everything, bench_steps, made_from, went_into
from requests_app.selectors.run_outs import bottles_to_go_on_from
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.running_out import run_out
from requests_app.services.spilling import note_spoilt_step
from requests_app.services.stopping import stop_batch
from requests_app.services.unknowns import order_unknowns
from tests.requests_app.test_two_bottles import record
from tests.requests_app.test_unknowns import wanted  # noqa: F401 (a fixture)

pytestmark = pytest.mark.usefixtures("any_draw")

SALT = periodictable.formula("NaCl").mass


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []
    call_command("verify_stock")


@pytest.fixture
def first(bench, bottle):
    """The ledger says 500 g; it expires first, so that it is planned with."""
    return bottle(
        "sodium-chloride", "500", assay_percent="99.0", assay_tolerance_percent="0.1",
        expires_on=date(2031, 1, 1),
    )  # fmt: skip


@pytest.fixture
def batch(first, send):
    """A litre of 2.00 mol/L sodium chloride: 118.06 g of 99.0 %."""
    return send().batch


@pytest.fixture
def second(batch, bottle):
    return bottle(
        "sodium-chloride", "500", assay_percent="99.9", assay_tolerance_percent="0.1",
        expires_on=date(2032, 1, 1),
    )  # fmt: skip


@pytest.fixture
def third(second, bottle):
    return bottle(
        "sodium-chloride", "500", assay_percent="99.5", assay_tolerance_percent="0.1",
        expires_on=date(2033, 1, 1),
    )  # fmt: skip


def goes_on(actor, batch, gave: str, other, *, number: int = 1, key: str = "run-out", **more) -> Sheet:
    return run_out(
        actor=actor, batch=batch, step_number=number, gave_text=gave, other_lot=other,
        idempotency_key=key, **more,
    )  # fmt: skip


def steps_now(batch):
    return bench_steps(sheets.current_sheet(batch), batch.step_records.all())


def do_the_rest(actor, batch) -> None:
    """Everything that is not done yet, each reading exactly as the sheet says."""
    for _ in range(40):
        current = next((one.step for one in steps_now(batch) if one.is_current), None)
        if current is None:
            return
        reading = current["quantity"]["value"] if current.get("window") else ""
        record(batch, actor, current["number"], reading)


# --- the main way --------------------------------------------------------------------------------------
def test_the_next_step_takes_the_rest_from_the_other_lot_and_both_are_in_ledger_and_ancestry(
    prep, batch, first, second
):
    claim_batch(actor=prep, batch=batch)
    sheet = goes_on(prep, batch, "80.00", second)
    batch.refresh_from_db()
    rest = (2.0 - 80.00 * 0.990 / SALT) * SALT / 0.999
    step = sheet.plan["steps"][1]
    assert (sheet.revision, step["lot"]["code"]) == (2, second.code)
    assert float(step["quantity"]["value"]) == pytest.approx(rest, abs=0.06)
    assert [one.step["number"] for one in steps_now(batch) if one.is_current] == [2]
    first.refresh_from_db()
    assert (first.on_hand, first.held, first.state) == (0, 0, "empty")
    amounts = {row.kind: row.amount for row in first.movements.exclude(kind=Movement.Kind.RECEIVED)}
    assert amounts == {"drawn": -to_base(80.0, "g"), "corrected": -to_base(420.0, "g")}
    assert "the bottle was empty" in first.movements.get(kind="corrected").reason

    do_the_rest(prep, batch)
    done = finish_batch(actor=prep, batch=batch)
    assert done.settlement["inside"]
    parents = LotParent.objects.filter(child=done.prepared_lot).values_list("parent__code", flat=True)
    assert sorted(parents) == sorted([first.code, second.code])
    drawn = {row.lot_id: row.amount for row in Movement.objects.filter(kind=Movement.Kind.DRAWN)}
    assert drawn == {
        first.pk: -to_base(80.0, "g"),
        second.pk: -to_base(float(step["quantity"]["value"]), "g"),
    }, "each is drawn once"
    upwards = {row.lot.code for row in made_from(done.prepared_lot, actor=prep) if row.lot}
    assert {first.code, second.code} <= upwards
    for lot in (first, second):
        assert done.prepared_lot.code in {row.lot.code for row in went_into(lot, actor=prep) if row.lot}


def test_history_and_mishaps_say_what_was_missing(prep, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    event = batch.events.get(event="run_out")
    assert f"{first.code} gave 80.00 g of" in event.note
    assert second.code in event.note
    mishap = Mishap.objects.get(batch=batch)
    assert mishap.kind == Mishap.Kind.RAN_OUT
    assert "The ledger said 420 g more." in mishap.text
    assert mishap.movement.amount == -to_base(420.0, "g")
    reading = StepRecord.objects.get(batch=batch)
    assert (reading.reading_text, reading.verdict, reading.reason) == (
        "80.00",
        "outside",
        "the bottle ran out",
    )
    batch.refresh_from_db()
    assert batch.state == states.IN_WORK


def test_a_bottle_that_gives_nothing_is_no_parent_of_what_is_made(prep, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "0", second)
    do_the_rest(prep, batch)
    done = finish_batch(actor=prep, batch=batch)
    parents = LotParent.objects.filter(child=done.prepared_lot).values_list("parent__code", flat=True)
    assert list(parents) == [second.code]
    assert not first.movements.filter(kind=Movement.Kind.DRAWN).exists()
    first.refresh_from_db()
    assert first.state == "empty"


def test_the_other_bottle_may_run_out_too(prep, batch, first, second, third):
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "40.00", second)
    sheet = goes_on(prep, batch, "30.00", third, number=2, key="again")
    assert sheet.revision == 3
    rest = (2.0 - (40.00 * 0.990 + 30.00 * 0.999) / SALT) * SALT / 0.995
    assert float(sheet.plan["steps"][2]["quantity"]["value"]) == pytest.approx(rest, abs=0.06)
    do_the_rest(prep, batch)
    done = finish_batch(actor=prep, batch=batch)
    assert done.settlement["inside"]
    parents = LotParent.objects.filter(child=done.prepared_lot).values_list("parent__code", flat=True)
    assert sorted(parents) == sorted([first.code, second.code, third.code])
    drawn = {row.lot.code: row.amount for row in Movement.objects.filter(kind="drawn").select_related("lot")}
    assert drawn[first.code] == -to_base(40.0, "g")
    assert drawn[second.code] == -to_base(30.0, "g")


def test_a_batch_given_up_after_it_draws_only_what_was_taken(prep, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    stop_batch(actor=prep, batch=batch, reason="spilled")
    assert [row.amount for row in first.movements.filter(kind="drawn")] == [-to_base(80.0, "g")]
    assert not second.movements.filter(kind="drawn").exists(), "nothing was taken of it yet"
    batch.refresh_from_db()
    assert batch.state == states.CANCELLED
    order = batch.orders.model.objects.get()
    assert order.state == states.QUEUED
    assert Hold.objects.get(state="active").lot == second


def test_given_up_after_the_rest_was_weighed_both_are_drawn(prep, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    sheet = goes_on(prep, batch, "80.00", second)
    record(batch, prep, 2, sheet.plan["steps"][1]["quantity"]["value"])
    stop_batch(actor=prep, batch=batch, reason="spilled")
    assert first.movements.filter(kind="drawn").count() == 1
    assert second.movements.filter(kind="drawn").count() == 1


# --- others ------------------------------------------------------------------------------------------------
def test_batches_of_the_queue_that_count_on_the_empty_bottle_are_planned_again(
    prep, batch, first, send, second
):
    other = send(target="1.00", made_alone=True).batch
    assert Hold.objects.get(lot=first, purpose__startswith=other.reference).state == "active"
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    other.refresh_from_db()
    assert other.state == states.QUEUED
    assert {step["lot"]["code"] for step in sheets.current_sheet(other).plan["steps"] if step.get("lot")} == {
        second.code
    }
    first.refresh_from_db()
    assert (first.on_hand, first.held, first.state) == (0, 0, "empty")


def test_who_has_taken_of_it_at_the_bench_keeps_what_is_held_and_is_told(
    prep, manager, batch, first, send, second
):
    other = send(target="1.00", made_alone=True).batch
    claim_batch(actor=manager, batch=other)
    # A little less than is held for it, inside the window.
    record(other, manager, 1, sheets.current_sheet(other).plan["steps"][0]["window"]["low"])
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    first.refresh_from_db()
    assert first.on_hand == first.held > 0, "what they weighed is drawn when they finish"
    assert first.state == "empty"
    assert Notice.objects.filter(person=manager, text__contains=first.code).exists()
    do_the_rest(manager, other)
    finish_batch(actor=manager, batch=other)
    first.refresh_from_db()
    assert (first.on_hand, first.held) == (0, 0)


def test_orders_that_share_the_batch_all_get_theirs(prep, batch, first, second, send):
    more = send()
    more.refresh_from_db()
    assert more.batch == batch, "made together"
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.0", second)
    do_the_rest(prep, batch)
    done = finish_batch(actor=prep, batch=batch)
    assert {order.state for order in done.orders.all()} == {states.READY}


def test_a_recall_of_the_empty_bottle_stops_the_batch_it_went_into(prep, manager, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    recall_lots(actor=manager, lots=[first.pk], reason="mixed up by its maker")
    with pytest.raises(NotInThisState, match=first.code):
        record(batch, prep, 2, "1")


def test_of_an_unknown_nothing_is_said_to_anybody_else(prep, manager, wanted, first, bottle, instructor):
    made = order_unknowns(actor=instructor, draft=wanted(count=1, spares=0), idempotency_key="a")
    batch = made.samples.get().order.batch
    other = bottle("sodium-chloride", "500", assay_percent="99.9", assay_tolerance_percent="0.1")
    claim_batch(actor=prep, batch=batch)
    step = next(one.step for one in steps_now(batch) if one.is_current)
    held = step["lot"]["code"]
    gave = f"{float(step['quantity']['value']) / 2:.2f}"
    other = other if held != other.code else first
    sheet = goes_on(prep, batch, gave, other, number=step["number"])
    rest = sheet.plan["steps"][step["number"]]["quantity"]["value"]
    said = " ".join(
        [
            *batch.events.values_list("note", flat=True),
            *Mishap.objects.values_list("text", flat=True),
            *Notice.objects.values_list("text", flat=True),
            *Hold.objects.values_list("purpose", flat=True),
            *Movement.objects.values_list("reason", flat=True),
        ]
    )
    assert gave not in said
    assert rest not in said
    assert step["quantity"]["value"] not in said
    seen = batch_with_everything(manager, batch.reference)
    assert all(not one.plan["steps"] for one in seen.sheets.all())


# --- once, and only by those who may ---------------------------------------------------------------------
def test_sent_twice_it_is_done_once(prep, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    once = goes_on(prep, batch, "80.00", second)
    again = goes_on(prep, batch, "80.00", second)
    assert once == again
    assert batch.sheets.count() == 2
    assert first.movements.filter(kind="drawn").count() == 1
    assert Mishap.objects.count() == 1


def test_a_page_that_shows_an_older_state_is_told(prep, batch, second):
    claimed = claim_batch(actor=prep, batch=batch)
    with pytest.raises(Conflict, match="changed since"):
        goes_on(prep, batch, "80.00", second, seen_version=claimed.version - 1)
    assert batch.sheets.count() == 1


def test_somebody_elses_batch_is_left_alone(prep, second_prep, batch, second):
    claim_batch(actor=second_prep, batch=batch)
    with pytest.raises(Conflict, match="has"):
        goes_on(prep, batch, "80.00", second)


def test_who_does_not_work_batches_may_not(instructor, batch, second):
    with pytest.raises(NotAllowed):
        goes_on(instructor, batch, "80.00", second)


def test_only_the_present_step_that_names_a_bottle(prep, batch, second):
    claim_batch(actor=prep, batch=batch)
    with pytest.raises(NotInThisState, match="Step 1 is the present one"):
        goes_on(prep, batch, "80.00", second, number=2)
    record(batch, prep, 1, sheets.current_sheet(batch).plan["steps"][0]["quantity"]["value"])
    with pytest.raises(NotInThisState, match="takes from no bottle"):
        goes_on(prep, batch, "0", second, number=2)


@pytest.mark.parametrize(
    ("gave", "field", "words"),
    [
        ("", "gave", "number"),
        ("-1", "gave", "0 where nothing came out"),
        ("many", "gave", "number"),
        ("118.1", "gave", "nothing more is needed"),
    ],
)
def test_what_was_typed_is_refused_by_its_field(prep, batch, second, gave, field, words):
    claim_batch(actor=prep, batch=batch)
    with pytest.raises(InvalidInput) as refused:
        goes_on(prep, batch, gave, second)
    assert words in refused.value.errors[field]
    assert StepRecord.objects.count() == 0


def test_a_bottle_that_may_not_be_drawn_from_is_refused(prep, manager, batch, first, second):
    claim_batch(actor=prep, batch=batch)
    second.expires_on = timezone.localdate() - timedelta(days=1)
    second.save(update_fields=["expires_on"])
    with pytest.raises(InvalidInput) as refused:
        goes_on(prep, batch, "80.00", second)
    assert "expired" in refused.value.errors["lot"]
    with pytest.raises(InvalidInput) as refused:
        goes_on(prep, batch, "80.00", first)
    assert "ran out" in refused.value.errors["lot"]


# --- which bottles ---------------------------------------------------------------------------------------
def test_bottles_that_serve_are_named_with_the_rest_from_each_first_expired_first(
    prep, batch, bottle, first, second, third
):
    from prepdesk.calc.typed import parse_number

    bottle("potassium-chloride", "100", assay_percent="99.5")
    loose = bottle("sodium-chloride", "300", assay_percent="98", assay_tolerance_percent="2")
    steps = steps_now(batch)
    sheet = sheets.current_sheet(batch)
    found = bottles_to_go_on_from(batch, sheet, steps, steps[0].step, parse_number("80.00"))
    assert [one.lot for one in found] == [second, third, loose]
    assert found[0].gone_on.rest.value == pytest.approx((2.0 - 80.00 * 0.990 / SALT) * SALT / 0.999, abs=0.06)
    assert "tolerance" in found[2].refusal
    unasked = bottles_to_go_on_from(batch, sheet, steps, steps[0].step, None)
    assert [one.gone_on for one in unasked] == [None, None, None]


# --- with what else goes wrong -----------------------------------------------------------------------
def test_what_an_empty_bottle_gave_is_not_weighed_again_but_given_up(prep, batch, second, third):
    """The bottle is empty and the rest goes by what it gave: there is nothing to do that step again with."""
    claim_batch(actor=prep, batch=batch)
    goes_on(prep, batch, "80.00", second)
    goes_on(prep, batch, "10.00", third, number=2, key="again")
    for spoilt in (1, 2):
        with pytest.raises(NotInThisState, match="give it up"):
            note_spoilt_step(
                actor=prep, batch=batch, step_number=3, spoilt=spoilt, idempotency_key=f"lost-{spoilt}"
            )
    assert not batch.mishaps.filter(kind=Mishap.Kind.SPILLED).exists()
    stop_batch(actor=prep, batch=batch, reason="spilled")
