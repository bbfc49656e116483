"""An order whose salt stands in two bottles: ordered, worked, booked, both in ledger and ancestry.

Molar mass from the IUPAC 2021 atomic weights, by the ``periodictable`` library.
"""

from datetime import date
from decimal import Decimal

import periodictable
import pytest
from django.core.management import call_command
from django.test import Client

from inventory.amounts import to_base
from inventory.models import Hold, LotParent, Movement
from inventory.selectors import stock_differences
from prepdesk.calc.typed import parse_number
from requests_app import sheets, states
from requests_app.drafts import DraftComponent
from requests_app.models import BatchHold, StepRecord
from requests_app.selectors import bench_steps
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.orders import cancel_order
from requests_app.services.recording import record_step
from tests.requests_app.test_preview_contract import ask, component, order  # noqa: F401 (ask is a fixture)

# The bottles of these tests are small.
pytestmark = pytest.mark.usefixtures("any_draw")

SALT = periodictable.formula("NaCl").mass


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []
    call_command("verify_stock")


@pytest.fixture
def old(bench, bottle):
    """What is left of a bottle that expires first."""
    return bottle(
        "sodium-chloride", "80", assay_percent="99.5", assay_tolerance_percent="0.1",
        expires_on=date(2031, 1, 1),
    )  # fmt: skip


@pytest.fixture
def new(bench, bottle):
    """A bottle of another assay that is good for longer, and too little for the whole order."""
    return bottle(
        "sodium-chloride", "100", assay_percent="98.0", assay_tolerance_percent="0.1",
        expires_on=date(2033, 1, 1),
    )  # fmt: skip


@pytest.fixture
def batch(old, new, send):
    """A litre of 2.00 mol/L sodium chloride: some 117 g, and no bottle has them."""
    return send().batch


def weighings(batch) -> list[dict]:
    return [step for step in sheets.current_sheet(batch).plan["steps"] if step["action"] == "weigh"]


def record(batch, actor, number: int, reading: str, reason: str = "") -> StepRecord:
    return record_step(
        actor=actor,
        batch=batch,
        step_number=number,
        reading_text=reading,
        reason=reason,
        idempotency_key=f"{batch.pk}-{number}-{StepRecord.objects.count()}",
    )


def work(batch, actor, readings: list[str], reason: str = "") -> None:
    claim_batch(actor=actor, batch=batch)
    given = iter(readings)
    for step in sheets.current_sheet(batch).plan["steps"]:
        record(batch, actor, step["number"], next(given) if step.get("window") else "", reason)


def page(person, address: str):
    client = Client()
    client.force_login(person)
    return client.get(address)


# --- ordered ---------------------------------------------------------------------------------------
def test_an_order_that_two_bottles_serve_does_not_wait_and_holds_both(batch, old, new):
    first, second = weighings(batch)
    holds = {link.hold.lot_id: link for link in BatchHold.objects.select_related("hold")}
    assert batch.orders.get().state == states.QUEUED
    assert set(holds) == {old.pk, new.pk}
    assert {link.component for link in holds.values()} == {0}
    assert (
        holds[old.pk].hold.amount
        == to_base(Decimal(first["quantity"]["value"]), "g")
        == to_base(Decimal(80), "g")
    )
    assert holds[new.pk].hold.amount == to_base(Decimal(second["quantity"]["value"]), "g")
    pure = Decimal("80") * Decimal("0.995") + Decimal(second["quantity"]["value"]) * Decimal("0.98")
    assert pure == pytest.approx(Decimal(2 * SALT), abs=Decimal("0.03"))


def test_cancelling_frees_both(batch, old, new, instructor):
    cancel_order(actor=instructor, order=batch.orders.get(), reason="not needed")
    for lot in (old, new):
        lot.refresh_from_db()
        assert lot.held == 0
    assert not Hold.objects.filter(state="active").exists()


def test_an_order_beyond_both_waits_and_says_what_both_hold(old, new, send):
    found = send(volume="50")
    assert found.state == states.WAITING
    [short] = found.waiting_for
    assert float(short["free"]["value"]) == 180
    assert float(short["needed"]["value"]) == pytest.approx(180 + float(short["missing"]["value"]), abs=0.2)
    missing = (4 * SALT - 80 * 0.995 - 100 * 0.98) / 0.995
    assert float(short["missing"]["value"]) == pytest.approx(missing, abs=0.2)


def test_one_salt_from_two_bottles_beside_another_from_one(old, new, bottle, send):
    other = bottle("potassium-chloride", "500", assay_percent="99.5", assay_tolerance_percent="0.1")
    found = send(more=(DraftComponent("potassium-chloride", parse_number("0.10"), "mol/L"),))
    links = {link.hold.lot_id: link.component for link in BatchHold.objects.select_related("hold")}
    assert found.state == states.QUEUED
    assert links == {old.pk: 0, new.pk: 0, other.pk: 1}


# --- worked and booked --------------------------------------------------------------------------------
def test_each_bottle_is_drawn_by_its_own_reading_and_both_are_parents(batch, old, new, prep):
    _, second = weighings(batch)
    more = str(Decimal(second["quantity"]["value"]) + Decimal("0.03"))
    work(batch, prep, ["79.98", more])
    done = finish_batch(actor=prep, batch=batch)
    drawn = {row.lot_id: row.amount for row in Movement.objects.filter(kind="drawn")}
    assert drawn == {old.pk: -to_base(Decimal("79.98"), "g"), new.pk: -to_base(Decimal(more), "g")}
    for lot, was in ((old, 80), (new, 100)):
        lot.refresh_from_db()
        assert (lot.held, lot.on_hand) == (0, to_base(Decimal(was), "g") + drawn[lot.pk])
    parents = LotParent.objects.filter(child=done.prepared_lot).values_list("parent", flat=True)
    assert set(parents) == {old.pk, new.pk}
    [found] = done.settlement["concentrations"]
    litres = float(sheets.current_sheet(batch).plan["makes"]["value"]) / 1000
    made = (79.98 * 0.995 + float(more) * 0.98) / SALT / litres
    assert float(found["value"]) == pytest.approx(made, rel=1e-4)
    assert found["inside"]


def test_what_a_bottle_really_gave_moves_the_figure_of_the_last_one(batch, prep):
    """The old bottle holds a gram less than the ledger says: the new one gives it, by its own assay."""
    first, second = weighings(batch)
    claim_batch(actor=prep, batch=batch)
    client = Client()
    client.force_login(prep)
    address = f"/batches/{batch.reference}/steps/{first['number']}/"
    batch.refresh_from_db()
    short = client.post(address, {"reading": "79.00", "key": "empty", "version": batch.version})
    assert short.status_code == 422
    assert "then asks for" in short.content.decode()
    assert not StepRecord.objects.exists()
    record(batch, prep, first["number"], "79.00", "the bottle is empty")
    steps = bench_steps(sheets.current_sheet(batch), batch.step_records.all())
    moved = next(one.step for one in steps if one.step["number"] == second["number"])
    rest = (2 * SALT - 79.00 * 0.995) / 0.98
    assert float(moved["quantity"]["value"]) == pytest.approx(rest, abs=0.006)
    assert moved["planned"] == second["quantity"]
    assert f"{moved['quantity']['value']} g" in moved["text"]
    assert "gave 79.00 g instead of 80.00 g" in moved["because"]
    assert (
        Decimal(moved["window"]["low"])
        < Decimal(moved["quantity"]["value"])
        < Decimal(moved["window"]["high"])
    )
    shown = page(prep, f"/batches/{batch.reference}/steps/{second['number']}/").content.decode()
    assert moved["quantity"]["value"] in shown
    assert "gave 79.00 g instead of 80.00 g" in shown
    # A reading at either bound needs no reason, and the whole comes inside the tolerance.
    for bound in ("low", "high"):
        kept = record(batch, prep, second["number"], moved["window"][bound])
        assert kept.verdict == "inside"
    for step in sheets.current_sheet(batch).plan["steps"][second["number"] :]:
        record(batch, prep, step["number"], "")
    assert finish_batch(actor=prep, batch=batch).settlement["inside"]


def test_two_bottles_of_acid_are_drawn_in_millilitres_each(bench, bottle, send, prep):
    lots = [
        bottle(
            "hydrochloric-acid", amount, kind="liquid", mass_percent=percent, density_g_per_ml=density,
            expires_on=date(year, 1, 1),
        )
        for amount, percent, density, year in (("50", "37", "1.184", 2031), ("60", "32", "1.16", 2032))
    ]  # fmt: skip
    batch = send(substance="hydrochloric-acid", target="1").batch
    read = [step for step in sheets.current_sheet(batch).plan["steps"] if step.get("window")]
    assert [step["lot"]["id"] for step in read] == [str(lot.pk) for lot in lots]
    work(batch, prep, [step["quantity"]["value"] for step in read])
    finish_batch(actor=prep, batch=batch)
    for lot, step in zip(lots, read, strict=True):
        before = lot.on_hand
        lot.refresh_from_db()
        assert before - lot.on_hand == to_base(Decimal(step["quantity"]["value"]), "mL")


# --- what people see ----------------------------------------------------------------------------------
def test_sheet_and_bench_name_the_bottle_at_each_weighing_with_its_assay_and_say_why(batch, old, new, prep):
    claim_batch(actor=prep, batch=batch)
    first, second = weighings(batch)
    for address in (f"/batches/{batch.reference}/sheet/", f"/batches/{batch.reference}/"):
        text = " ".join(page(prep, address).content.decode().split())
        assert "none alone holds enough" in text
        for lot, assay in ((old, "99.5"), (new, "98")):
            assert f"sodium chloride ({assay} %, lot {lot.code})" in text
        assert "assay 99.5 ± 0.1 %" in text
        assert "assay 98.0 ± 0.1 %" in text
    for step, lot in ((first, old), (second, new)):
        if step is second:
            record(batch, prep, first["number"], first["quantity"]["value"])
        shown = page(prep, f"/batches/{batch.reference}/steps/{step['number']}/").content.decode()
        assert f"Lot {lot.code}" in shown
        assert "of 2. Weigh" in shown


def test_the_finish_page_says_what_is_drawn_from_each(batch, old, new, prep):
    _, second = weighings(batch)
    work(batch, prep, ["79.99", second["quantity"]["value"]])
    text = " ".join(page(prep, f"/batches/{batch.reference}/finish/").content.decode().split())
    for lot in (old, new):
        assert f">{lot.code}<" in text
    assert text.count("is drawn from") == 2
    assert "79.99" in text


# --- over HTTP --------------------------------------------------------------------------------------
def test_the_preview_names_every_bottle_as_the_contract_has_it(old, new, ask):  # noqa: F811 (the fixture)
    answer = ask(order(component("NaCl", "2.00", "mol/L"), volume="1000", equipment="shelf")).json()
    assert answer["feasible"] is True
    assert [draw["lot"] for draw in answer["draws"]] == [
        {"id": str(lot.pk), "code": lot.code} for lot in (old, new)
    ]
    assert {draw["component"] for draw in answer["draws"]} == {0}
    weighed = [step for step in answer["steps"] if step["action"] == "weigh"]
    assert [step["lot"]["id"] for step in weighed] == [str(old.pk), str(new.pk)]
    for step in weighed:
        assert step["window"]["unit"] == step["quantity"]["unit"] == "g"
    assert answer["shortages"] == []
    assert f"80.00 g from {old.code} (99.5 %), the rest from {new.code} (98 %)" in answer["explanation"]
    inputs = {row["input"] for row in answer["budget"]}
    assert {f"assay of sodium chloride, lot {lot.code}" for lot in (old, new)} <= inputs
