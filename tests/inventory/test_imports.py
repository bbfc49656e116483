"""Files that are brought in: what each row would do, and that all of it happens or nothing."""

import time
from datetime import date, timedelta
from io import BytesIO

import openpyxl
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory import import_states as states
from inventory.columns import COUNT_COLUMNS, LOT_COLUMNS, SUBSTANCE_COLUMNS
from inventory.importers import progress, work
from inventory.importers.lots import LotImporter
from inventory.importers.runs import confirm_run, drop_run, go_on_with_run, start_run
from inventory.importers.work import check_run, work_on
from inventory.models import ImportRow, ImportRun, Lot, Movement, Place, Substance
from inventory.selectors import lot_rows, stock_differences, substance_rows
from inventory.services import (
    add_place,
    correct_stock,
    dispose,
    hold_stock,
    load_catalogue,
    open_lot,
    receive_prepared_lot,
)
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.tables import LIMITS, FileRefused, Row, csv_file, xlsx_file
from tests.inventory.conftest import new_key

pytestmark = pytest.mark.django_db
BOTTLES = "substance,form,kind,amount,unit,assay,lot number,place,received on,expires on,cost,code\n"


@pytest.fixture
def catalogue(db):
    load_catalogue()


@pytest.fixture
def cabinet(prep):
    store = add_place(actor=prep, name="Store", kind="room")
    return add_place(actor=prep, name="Cabinet 2", parent=store, kind="cabinet")


@pytest.fixture
def bring(prep):
    """Bring a file and check it: ``bring("lots", "substance,…")``."""

    def start(kind: str, text: str | bytes, name="shelf.csv", actor=None, **options) -> ImportRun:
        data = text.encode() if isinstance(text, str) else text
        run = start_run(
            actor=actor or prep, kind=kind, name=name, data=data, idempotency_key=new_key(), options=options
        )
        check_run(run.pk, run.attempt)
        run.refresh_from_db()
        return run

    return start


def confirmed(run: ImportRun, actor, **more) -> ImportRun:
    """Confirm what was shown and do it."""
    assert confirm_run(actor=actor, run=run, digest=run.digest, **more)
    run.refresh_from_db()
    work_on(run.pk, run.attempt)
    run.refresh_from_db()
    return run


def reasons(run: ImportRun) -> list[dict[str, str]]:
    return [row.reasons for row in run.rows.filter(outcome="refuse")]


def outcomes(run: ImportRun) -> list[str]:
    return list(run.rows.values_list("outcome", flat=True))


# --- bottles come in --------------------------------------------------------------------------------
def test_nothing_is_written_until_it_is_confirmed_and_then_all_of_it(bring, prep, catalogue, cabinet):
    run = bring(
        "lots",
        BOTTLES
        + "copper sulfate,pentahydrate,solid,0.5,kg,99.50,D1,Store / Cabinet 2,2026-03-04,31 Mar 2029,41.5,\n"
        "7647-01-0,,liquid,2.5,L,,D2,,,,,\n",
    )
    assert run.state == states.CHECKED
    assert outcomes(run) == ["create", "create"]
    assert not Lot.objects.exists()

    confirmed(run, prep)
    first, second = Lot.objects.order_by("pk")
    assert (first.substance.key, first.on_hand, first.assay_percent) == (
        "copper-sulfate-pentahydrate",
        500_000_000,
        "99.50",
    )
    assert (first.place, first.cost_minor, first.expires_on) == (cabinet, 4150, date(2029, 3, 31))
    assert (second.substance.key, second.unit, second.on_hand) == ("hydrochloric-acid", "mL", 2_500_000)
    assert second.received_on == timezone.localdate()
    assert {row.result for row in run.rows.all()} == {first.code, second.code}
    received = first.movements.get()
    assert (received.kind, received.actor, received.reason) == (
        "received",
        prep,
        "Received, from file “shelf.csv”",
    )
    assert stock_differences() == []
    assert (run.state, run.parsed) == (states.DONE, [])


def test_a_name_that_fits_several_forms_is_refused_with_the_forms(bring, catalogue):
    run = bring("lots", "substance,kind,amount,unit\ncopper sulfate,solid,500,g\n")
    (reason,) = reasons(run)
    assert "anhydrous" in reason["Substance"]
    assert "CuSO₄·5H₂O" in reason["Substance"]
    assert run.state == states.REFUSED


@pytest.mark.parametrize(
    ("cells", "heading", "says"),
    [
        ({"form": "anhydrous"}, "Form", "Which one is in the bottle"),
        ({"cas": "7647-14-5"}, "CAS number", "sodium chloride"),
        ({"substance": "unobtainium"}, "Substance", "has no “unobtainium”"),
        ({"substance": "75-09-2"}, "Substance", "Add it to the catalogue"),
        ({"substance": "1975-09-02"}, "Substance", "75-09-2"),
        ({"kind": "gas"}, "Kind", "a solid, a liquid"),
        ({"unit": "mL"}, "Amount", "counted in g"),
        ({"unit": ""}, "Amount", "counted in g"),
        ({"assay_percent": "102.5"}, "Assay %", "at most 102"),
        ({"mass_percent": "37"}, "Mass percent", "belongs to a liquid"),
        ({"received_on": "03/04/2026"}, "Received on", "two different days"),
        ({"received_on": "2199-01-01"}, "Received on", "still to come"),
        ({"expires_on": "2001-01-01"}, "Expires on", "expired before it came"),
        ({"place": "Store / Cabinet 9"}, "Place", "There is no place"),
        ({"place": "Cabinet 2"}, "Place", "Did you mean “Store / Cabinet 2”"),
        ({"cost": "1.234"}, "Cost", "a price has at most two"),
        ({"code": "L000017X"}, "Code", "character is wrong"),
        ({"note": "x" * 301}, "Note", "300 fit"),
        # The numbers that trap readers of files.
        *(
            ({"amount": typed}, "Amount", "")
            for typed in (
                "NaN",
                "sNaN",
                "Infinity",
                "1e400",
                "1e-400",
                "9" * 1500,
                "-0",
                "0x10",
                "1_000",
                "１２",
                "١٢",
                "1.234,5",
                "−5",
                "",
                "five",
                "20000000",
            )
        ),
    ],
)
def test_a_row_is_read_as_strictly_as_the_page(bring, catalogue, cabinet, cells, heading, says):
    row = {
        "substance": "copper(II) sulfate pentahydrate",
        "kind": "solid",
        "amount": "500",
        "unit": "g",
        "received_on": "2026-03-04",
    } | cells
    columns = [column for column in LOT_COLUMNS if column.is_read]
    data = b"".join(csv_file(columns, [[row.get(column.key, "") for column in columns]]))
    run = bring("lots", data)
    assert outcomes(run) == ["refuse"]
    assert says in reasons(run)[0][heading]
    assert not Lot.objects.exists()


@pytest.mark.parametrize(("typed", "base"), [("2,5", 2_500_000), ("+5", 5_000_000), ("2 500", 2_500_000_000)])
def test_numbers_people_type_are_taken_as_on_the_page(bring, prep, catalogue, typed, base):
    run = bring("lots", f'substance;kind;amount;unit\ntable salt;Solid;"{typed}";g\n')
    confirmed(run, prep)
    assert Lot.objects.get().on_hand == base


def test_missing_places_are_created_only_when_that_is_ticked(bring, prep, catalogue, cabinet):
    text = "substance,kind,amount,unit,place\ntable salt,solid,5,g,Store/Cabinet 2 / Shelf 1\n"
    assert "create it first" in reasons(bring("lots", text))[0]["Place"]
    run = confirmed(bring("lots", text, create_places=True), prep)
    assert str(Lot.objects.get().place) == "Store / Cabinet 2 / Shelf 1"
    assert Lot.objects.get().place.parent == cabinet
    assert "will be created" in run.rows.get().remarks[0]


def test_what_should_not_stand_together_needs_a_reason_as_on_the_page(bring, prep, catalogue, cabinet):
    """Oxidising and organic acids are stored apart (common practice, the project's storage table)."""
    head = "substance,kind,amount,unit,place,storage reason\n"
    acids = "nitric acid,liquid,1,L,Store / Cabinet 2,{0}\nacetic acid,liquid,1,L,Store / Cabinet 2,{0}\n"
    run = bring("lots", head + acids.format(""))
    assert outcomes(run) == ["create", "refuse"]
    assert "should not stand there" in reasons(run)[0]["Place"]
    confirmed(bring("lots", head + acids.format("in separate trays for a week")), prep)
    event = Lot.objects.get(substance__key="acetic-acid").events.get(event="against")
    assert event.reason.startswith("in separate trays for a week. ")
    assert event.to_place == cabinet


def test_two_that_should_not_stand_together_are_seen_in_a_place_only_just_created(bring, prep, catalogue):
    """Oxidising and organic acids are stored apart (common practice, the project's storage table)."""
    head = "substance,kind,amount,unit,place,storage reason\n"
    acids = (
        "nitric acid,liquid,1,L,New store / Cabinet 9,{0}\nacetic acid,liquid,1,L,new store/cabinet 9,{0}\n"
    )
    run = bring("lots", head + acids.format(""), create_places=True)
    assert outcomes(run) == ["create", "refuse"]
    assert "should not stand there" in reasons(run)[0]["Place"]
    run = confirmed(bring("lots", head + acids.format("for a day"), create_places=True), prep)
    assert run.state == states.DONE
    assert Place.objects.filter(name="Cabinet 9").count() == 1
    event = Lot.objects.get(substance__key="acetic-acid").events.get(event="against")
    assert event.reason.startswith("for a day. Against the rule: ")


def test_bottles_that_are_moved_by_a_file_make_room_and_are_judged_where_they_go(
    bring, prep, catalogue, cabinet
):
    """Oxidising and organic acids are stored apart (common practice, the project's storage table)."""
    other = add_place(actor=prep, name="Cabinet 3", parent=cabinet.parent, kind="cabinet")
    head = "code,substance,kind,amount,unit,place,storage reason\n"
    confirmed(bring("lots", head + ",nitric acid,liquid,1,L,Store / Cabinet 2,\n" * 20), prep)
    codes = list(Lot.objects.values_list("code", flat=True))
    comes = ",acetic acid,liquid,1,L,Store / Cabinet {0},\n"
    # The bottle that comes in stands in an earlier row than those that leave.
    moves = "".join(f"{code},,,,,Store / Cabinet 3,\n" for code in codes)
    beside = bring("lots", head + comes.format(3) + moves)
    assert outcomes(beside) == ["refuse"] + ["change"] * 20
    assert outcomes(bring("lots", head + comes.format(2) + moves.splitlines(True)[0])) == ["refuse", "change"]
    room = bring("lots", head + comes.format(2) + moves)
    assert outcomes(room) == ["create"] + ["change"] * 20
    asked = queries_of(lambda: confirmed(room, prep))
    assert asked < 100
    room.refresh_from_db()
    assert room.state == states.DONE
    assert other.lots.count() == 20
    told = Lot.objects.get(code=codes[0]).events.get(event="move")
    assert told.reason == "From Store / Cabinet 2 to Store / Cabinet 3"
    assert (told.from_place, told.to_place) == (cabinet, other)


def test_what_did_not_change_is_checked_outside_the_transaction_and_what_did_inside_it(
    bring, prep, catalogue, monkeypatch
):
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n")
    checked_inside = []
    check = LotImporter.check

    def watched(self, *args, **more):
        checked_inside.append(len(connection.savepoint_ids) > outside)
        return check(self, *args, **more)

    outside = len(connection.savepoint_ids)
    monkeypatch.setattr(LotImporter, "check", watched)
    confirmed(run, prep)
    assert checked_inside == [False]

    second = bring("lots", BOTTLES + "table salt,,solid,5,g,,D2,,,,,\n")
    checked_inside.clear()
    marks = iter(["as it was", "as it is now"])
    monkeypatch.setattr(LotImporter, "mark", lambda self, rows: next(marks))
    assert confirmed(second, prep).state == states.DONE
    assert checked_inside == [False, True]


@pytest.mark.parametrize(
    "change",
    [
        lambda salt, bottle: Substance.objects.filter(pk=salt.pk).update(shelf_life_closed_days=9),
        lambda salt, bottle: Place.objects.create(name="Another"),
        lambda salt, bottle: Lot.objects.filter(pk=bottle.pk).update(lot_number="D9"),
        lambda salt, bottle: Lot.objects.filter(pk=bottle.pk).update(on_hand=0),
        lambda salt, bottle: Lot.objects.filter(pk=bottle.pk).update(note="leaks"),
    ],
)
def test_whatever_a_check_looked_at_changes_the_mark(prep, bottle, salt, change):
    there = bottle(lot_number="D1")
    row = Row(2, {"code": there.code})
    before = LotImporter().mark([row])
    assert LotImporter().mark([row]) == before
    change(salt, there)
    assert LotImporter().mark([row]) != before


def test_the_shelf_life_of_a_substance_counts_for_bottles_from_a_file_too(bring, prep, catalogue):
    Substance.objects.filter(key="sodium-chloride").update(shelf_life_closed_days=100)
    run = bring("lots", "substance,kind,amount,unit\ntable salt,solid,5,g\n")
    assert "keeps 100 days" in run.rows.get().remarks[0]
    confirmed(run, prep)
    lot = Lot.objects.get()
    assert lot.expires_on == timezone.localdate() + timedelta(days=100)
    assert "keeps 100 days" in lot.events.get(event="expiry").reason


def test_two_bottles_alike_are_brought_in_and_pointed_out(bring, prep, catalogue):
    run = bring("lots", BOTTLES + "table salt,,solid,500,g,,D1,,,,,\n" * 2)
    assert "Says the same as row 2" in run.rows.get(number=3).remarks[0]
    confirmed(run, prep)
    again = bring("lots", BOTTLES + "table salt,,solid,400,g,,D1,,,,,\n")
    assert "2 on the shelf already with this lot number" in again.rows.get().remarks[0]


def test_ten_hostile_strings_are_kept_as_text_and_come_back_as_text(bring, prep, catalogue):
    hostile = [
        "=1+1",
        "+1+1",
        "-1+1",
        "@A1",
        "=cmd|' /C calc'!A0",
        "＝1",
        "＋1",
        "－1",
        "＠A",
        '=HYPERLINK("x")',
    ]
    columns = [c for c in LOT_COLUMNS if c.key in ("substance", "kind", "amount", "unit", "note")]
    rows = [["sodium chloride", "solid", "5", "g", text] for text in hostile]
    confirmed(bring("lots", xlsx_file(columns, rows, title="Lots").read(), name="=1+1.xlsx"), prep)
    assert list(Lot.objects.order_by("pk").values_list("note", flat=True)) == hostile
    file = xlsx_file(LOT_COLUMNS, lot_rows(Lot.objects.order_by("pk")), title="Lots")
    sheet = openpyxl.load_workbook(file).active
    note = [c.key for c in LOT_COLUMNS].index("note")
    found = [row[note] for row in sheet.iter_rows(min_row=2)]
    assert [cell.value for cell in found] == hostile
    assert {cell.data_type for cell in found} == {"s"}


# --- bottles that are there ---------------------------------------------------------------------------
def test_a_row_with_a_code_puts_right_what_is_written_and_says_old_and_new(bring, prep, catalogue, cabinet):
    confirmed(bring("lots", BOTTLES + "table salt,,solid,500,g,99.5,D1,,2026-03-04,,,\n"), prep)
    lot = Lot.objects.get()
    run = bring(
        "lots",
        f"code,substance,assay,place,opened on,note\n{lot.code},NaCl,99.50,store / cabinet 2,2026-03-05,\n",
    )
    assert run.rows.get().changes == [
        ["Assay %", "99.5", "99.50"],
        ["Place", "", "Store / Cabinet 2"],
        ["Opened on", "", "2026-03-05"],
    ]
    confirmed(run, prep)
    lot.refresh_from_db()
    assert (lot.assay_percent, lot.place, lot.opened_on) == ("99.50", cabinet, date(2026, 3, 5))
    assert "From file “shelf.csv”, row 2" in lot.events.get(event="label").reason
    assert lot.on_hand == 500_000_000


@pytest.mark.parametrize(
    ("text", "heading", "says"),
    [
        ("code,substance,amount,unit\n{code},NaCl,400,g\n", "Amount", "A different amount is a count"),
        ("code,substance\n{code},potassium chloride\n", "Substance", "Is it another bottle"),
        ("code,substance,kind\n{code},NaCl,solution\n", "Kind", "is: solid"),
        ("code,substance,received on\n{code},NaCl,2020-01-01\n", "Received on", "That day stays"),
        ("code,substance\nL0000A1,NaCl\n", "Code", "a character is wrong"),
    ],
)
def test_what_a_bottle_is_and_holds_is_not_changed_by_a_list(bring, prep, catalogue, text, heading, says):
    confirmed(bring("lots", BOTTLES + "table salt,,solid,500,g,99.5,D1,,2026-03-04,,,\n"), prep)
    run = bring("lots", text.format(code=Lot.objects.get().code))
    assert says in reasons(run)[0][heading]


def test_with_a_code_beside_it_a_loose_name_needs_only_to_fit_the_bottle(bring, prep, catalogue):
    confirmed(bring("lots", "substance,kind,amount,unit\nCuSO4.5H2O,solid,5,g\n"), prep)
    code = Lot.objects.get().code
    head = "code,substance,form,note\n"
    assert outcomes(bring("lots", f"{head}{code},copper sulfate,,looked at\n")) == ["change"]
    assert outcomes(bring("lots", f"{head}{code},copper sulfate,anhydrous,looked at\n")) == ["refuse"]


def test_the_same_code_twice_in_a_file_is_refused_the_second_time(bring, prep, catalogue):
    confirmed(bring("lots", BOTTLES + "table salt,,solid,500,g,,D1,,,,,\n"), prep)
    code = Lot.objects.get().code
    run = bring("lots", f"code,substance,note\n{code},NaCl,one\n{code.lower()},NaCl,two\n")
    assert outcomes(run) == ["change", "refuse"]
    assert "Row 2 names the same bottle" in reasons(run)[0]["Code"]


def test_refused_rows_are_left_out_and_the_others_come_in_together(bring, prep, catalogue):
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\nwhat,,solid,5,g,,D2,,,,,\n")
    assert (run.creates, run.refused) == (1, 1)
    confirmed(run, prep)
    assert Lot.objects.get().lot_number == "D1"


# --- counts ------------------------------------------------------------------------------------------
def test_a_count_corrects_the_ledger_and_an_empty_cell_counts_nothing(bring, prep, bottle):
    full, less, none, uncounted = (bottle("500") for _ in range(4))
    lines = [
        f"{full.code},500,g,",
        f"{less.code},0.4,kg,weighed",
        f"{none.code},0,g,",
        f"{uncounted.code},,g,",
    ]
    run = bring("counts", "code,counted,unit,reason\n" + "\n".join(lines))
    assert outcomes(run) == ["same", "change", "change", "same"]
    assert run.rows.get(number=3).changes == [["On hand", "500 g", "400 g"]]
    confirmed(run, prep)
    assert [(m.lot_id, m.amount, m.reason) for m in Movement.objects.filter(kind="corrected")] == [
        (less.pk, -100_000_000, "weighed"),
        (none.pk, -500_000_000, "Counted, from file “shelf.csv”"),
    ]
    none.refresh_from_db()
    assert none.state == "empty"
    assert stock_differences() == []


def test_less_than_is_held_is_refused_with_what_it_is_held_for(bring, prep, bottle):
    lot = bottle("500")
    hold_stock(actor=prep, draws={lot.pk: 100_000_000}, purpose="B-2601", idempotency_key="h")
    run = bring("counts", f"code,counted,unit\n{lot.code},50,g\n")
    assert "B-2601" in reasons(run)[0]["Counted"]


# --- substances --------------------------------------------------------------------------------------
def test_new_substances_come_in_with_their_forms_and_department_facts(bring, prep, catalogue):
    run = bring(
        "substances",
        "name;formula;family;form;pure state;synonyms;shelf life opened;reorder below;reorder unit;cautions\n"
        "barium thiosulfate monohydrate;BaS2O3.H2O;;monohydrate;solid;1,2-odd name;730;0,25;kg;\n"
        "barium thiosulfate;BaS2O3;barium thiosulfate monohydrate;anhydrous;solid;;;;;\n"
        "barium thiosulfate;BaS2O3;;;solid;;;;;\n"
        "sodium chloride;;;;;;1000;;;\n",
    )
    assert outcomes(run) == ["create", "create", "refuse", "change"]
    confirmed(run, prep)
    first = Substance.objects.get(key="barium-thiosulfate-monohydrate")
    second = Substance.objects.get(key="barium-thiosulfate")
    assert (first.synonyms, first.shelf_life_opened_days, first.reorder_below) == (
        ["1,2-odd name"],
        730,
        250_000_000,
    )
    assert second.family == first.family == "barium-thiosulfate-monohydrate"
    assert "Row 3 of this file" in reasons(run)[0]["Name"]
    salt = Substance.objects.get(key="sodium-chloride")
    assert salt.shelf_life_opened_days == 1000
    assert "From file" in salt.events.get().reason


@pytest.mark.parametrize(
    ("cells", "heading"),
    [
        ({"name": "copper sulfate"}, "Name"),
        ({"name": "sodium chloride", "formula": "KCl"}, "Formula"),
        ({"name": "sodium chloride", "cas": "7447-40-7"}, "CAS number"),
        ({"name": "new thing", "formula": "Xx2", "physical_state": "solid"}, "Formula"),
        (
            {"name": "new thing", "formula": "BaS2O3", "physical_state": "solid", "cas": "7647-14-6"},
            "CAS number",
        ),
        (
            {"name": "new thing", "formula": "BaS2O3", "physical_state": "solid", "cas": "7647-14-5"},
            "CAS number",
        ),
        ({"name": "new thing", "formula": "BaS2O3"}, "Pure state"),
        ({"name": "sodium chloride", "shelf_life_closed_days": "1.5"}, "Shelf life closed, days"),
        ({"name": "sodium chloride", "reorder_below": "5"}, "Reorder below"),
        ({"name": "sodium chloride", "storage_group": "with the others"}, "Storage group"),
        ({"key": "no-such-key", "name": "sodium chloride"}, "Key"),
    ],
)
def test_a_substance_is_never_guessed_or_changed_into_another(bring, catalogue, cells, heading):
    columns = [column for column in SUBSTANCE_COLUMNS if column.is_read]
    data = b"".join(csv_file(columns, [[cells.get(column.key, "") for column in columns]]))
    run = bring("substances", data)
    assert outcomes(run) == ["refuse"]
    assert heading in reasons(run)[0]


# --- round trips --------------------------------------------------------------------------------------
def shelf(prep, bottle, catalogue_key="sodium-chloride"):
    """Bottles of every kind, in every state, with every field."""
    store = add_place(actor=prep, name="Store", kind="room")
    place = add_place(actor=prep, name="Shelf, left", parent=store)
    salt, acid = (Substance.objects.get(key=key) for key in ("sodium-chloride", "hydrochloric-acid"))
    bottle(substance=salt, assay_percent="99,50", assay_tolerance_percent="0.10", cost="12.5", place=place)
    bottle("0.000001", substance=salt, note="'=1+1", lot_number="007", grade="1E5")
    bottle(
        "2.5",
        "L",
        substance=acid,
        kind="liquid",
        mass_percent="37.20",
        density_g_per_ml="1.1840",
        expires_on=date(2099, 12, 31),
    )
    bottle("12", "pc", substance=salt, kind="item", note='say "µ", ·, ²; and\nanother line')
    opened = bottle(substance=salt, received_on=date(2026, 3, 1))
    open_lot(actor=prep, lot=opened, on=date(2026, 3, 2))
    gone = bottle("5", substance=salt)
    correct_stock(actor=prep, lot=gone, counted="0", unit="g", reason="empty", idempotency_key=new_key())
    made = receive_prepared_lot(
        actor=prep,
        title="0.100 mol/L sodium chloride",
        substance=salt,
        composition=[{"substance": "sodium-chloride", "value": "0.1000", "unit": "mol/L"}],
        concentration_mol_per_l="0.1000",
        relative_uncertainty_percent="0.4",
        volume_base=500_000,
        parents=[opened.pk],
        expires_on=None,
        idempotency_key=new_key(),
    )
    hold_stock(actor=prep, draws={made.pk: 1000}, purpose="B-2601", idempotency_key=new_key())


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_bottles_that_are_taken_out_and_brought_in_again_change_nothing(bring, prep, bottle, catalogue, form):
    shelf(prep, bottle)
    lots = lot_rows(Lot.objects.order_by("code"))
    data = (
        b"".join(csv_file(LOT_COLUMNS, lots))
        if form == "csv"
        else xlsx_file(LOT_COLUMNS, lots, title="Bottles").read()
    )
    run = bring("lots", data)
    assert [(row.reasons, row.changes) for row in run.rows.exclude(outcome="same")] == []
    assert run.same == Lot.objects.count() == 7
    with pytest.raises(NotInThisState):
        confirm_run(actor=prep, run=run, digest=run.digest)


@pytest.mark.parametrize("form", ["csv", "xlsx"])
def test_substances_that_are_taken_out_and_brought_in_again_change_nothing(bring, prep, catalogue, form):
    Substance.objects.filter(key="sodium-chloride").update(
        shelf_life_closed_days=100, reorder_below=2_500_000, storage_group="base", grade="usual"
    )
    new = "name,formula,pure state,cautions\nbarium thiosulfate,BaS2O3,solid,\n"
    confirmed(bring("substances", new), prep)
    rows = substance_rows(Substance.objects.all())
    data = (
        b"".join(csv_file(SUBSTANCE_COLUMNS, rows))
        if form == "csv"
        else xlsx_file(SUBSTANCE_COLUMNS, rows, title="Substances").read()
    )
    run = bring("substances", data)
    assert [(row.title, row.reasons, row.changes) for row in run.rows.exclude(outcome="same")] == []
    assert run.same == Substance.objects.count() > 200


# --- all or nothing, once -----------------------------------------------------------------------------
def test_what_changed_since_it_was_looked_at_is_shown_again_and_not_applied(bring, prep, bottle):
    lot = bottle("500")
    run = bring("counts", f"code,counted,unit\n{lot.code},400,g\n")
    dispose(actor=prep, lot=lot, amount="20", unit="g", reason="Spilled", idempotency_key="d")
    seen = run.digest
    confirmed(run, prep)
    assert (run.state, run.message) == (states.CHECKED, work.CHANGED)
    assert run.rows.get().changes == [["On hand", "480 g", "400 g"]]
    assert not Movement.objects.filter(kind="corrected").exists()
    with pytest.raises(Conflict):
        confirm_run(actor=prep, run=run, digest=seen)
    confirmed(run, prep)
    lot.refresh_from_db()
    assert (run.state, lot.on_hand) == (states.DONE, 400_000_000)


def test_confirmed_twice_it_is_done_once(bring, prep, manager, catalogue):
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n")
    confirmed(run, prep)
    assert not confirm_run(actor=manager, run=run, digest=run.digest)
    work_on(run.pk, run.attempt)
    work_on(run.pk, run.attempt - 1)
    assert Lot.objects.count() == 1


def test_the_very_same_file_needs_a_tick_before_it_comes_in_again(bring, prep, catalogue):
    text = BOTTLES + "table salt,,solid,5,g,,,,,,,\n"
    confirmed(bring("lots", text), prep)
    second = bring("lots", text, name="copy.csv")
    with pytest.raises(InvalidInput) as refused:
        confirm_run(actor=prep, run=second, digest=second.digest)
    assert "brought in before" in refused.value.errors["again"]
    confirmed(second, prep, again=True)
    assert Lot.objects.count() == 2


def test_a_failure_in_the_middle_leaves_nothing_and_can_be_tried_again(bring, prep, catalogue, monkeypatch):
    text = BOTTLES + "table salt,,solid,5,g,,D1,New room,,,,\nKCl,,solid,5,g,,D2,New room,,,,\n"
    run = bring("lots", text, create_places=True)
    with monkeypatch.context() as broken:
        broken.setattr(work, "_name_results", lambda *_: 1 / 0)
        confirmed(run, prep)
    assert (run.state, Lot.objects.count(), Movement.objects.count(), Place.objects.count()) == (
        states.FAILED,
        0,
        0,
        0,
    )
    assert "nothing of this file was brought in" in run.message
    run = go_on_with_run(actor=prep, run=run)
    work_on(run.pk, run.attempt)
    run.refresh_from_db()
    confirmed(run, prep)
    assert Lot.objects.count() == 2


def test_a_run_whose_process_was_killed_can_go_on_or_be_dropped(bring, prep, catalogue):
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n")
    confirm_run(actor=prep, run=run, digest=run.digest)  # And then nobody does it.
    run.refresh_from_db()
    with pytest.raises(NotInThisState, match="worked on"):
        go_on_with_run(actor=prep, run=run)
    with pytest.raises(NotInThisState):
        drop_run(actor=prep, run=run)
    long_ago = timezone.now() - 2 * progress.SILENCE
    ImportRun.objects.update(seen_alive_at=long_ago, at=long_ago)
    run.refresh_from_db()
    assert progress.has_stopped(run)
    old = run.attempt
    run = go_on_with_run(actor=prep, run=run)
    work_on(run.pk, old)  # The one that was thought to be dead comes back, and does nothing.
    assert not Lot.objects.exists()
    work_on(run.pk, run.attempt)
    assert Lot.objects.count() == 1


def test_a_killed_check_is_begun_again_and_the_old_one_stops(prep, catalogue):
    data = (BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n").encode()
    run = start_run(actor=prep, kind="lots", name="a.csv", data=data, idempotency_key="k")
    ImportRun.objects.update(seen_alive_at=None, at=timezone.now() - timedelta(hours=1))
    again = go_on_with_run(actor=prep, run=run)
    tick = progress.writes_progress(run)
    time.sleep(0.5)
    with pytest.raises(progress.Stopped):
        tick(1)
    check_run(run.pk, run.attempt)
    assert not ImportRow.objects.exists()
    check_run(again.pk, again.attempt)
    assert ImportRow.objects.count() == 1
    drop_run(actor=prep, run=again)
    drop_run(actor=prep, run=again)
    again.refresh_from_db()
    assert (again.state, again.parsed) == (states.DROPPED, [])


def test_the_same_form_sent_twice_starts_one_run(prep, second_prep, catalogue):
    data = (BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n").encode()
    first = start_run(actor=prep, kind="lots", name="a.csv", data=data, idempotency_key="k")
    assert start_run(actor=prep, kind="lots", name="a.csv", data=data, idempotency_key="k") == first
    with pytest.raises(Conflict):
        start_run(actor=second_prep, kind="lots", name="a.csv", data=data, idempotency_key="k")


def test_two_files_of_two_people_come_in_side_by_side(bring, prep, second_prep, catalogue):
    one = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n")
    other = bring("lots", BOTTLES + "KCl,,solid,7,g,,D2,,,,,\n", actor=second_prep)
    confirmed(other, second_prep)
    confirmed(one, prep)
    assert (one.state, other.state, Lot.objects.count()) == (states.DONE, states.DONE, 2)
    assert stock_differences() == []


def test_an_instructor_may_not_bring_anything_in(instructor, bring, catalogue):
    with pytest.raises(NotAllowed):
        bring("lots", BOTTLES, actor=instructor)
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n")
    for ask in (
        lambda: confirm_run(actor=instructor, run=run, digest=run.digest),
        lambda: go_on_with_run(actor=instructor, run=run),
        lambda: drop_run(actor=instructor, run=run),
    ):
        with pytest.raises(NotAllowed):
            ask()


@pytest.mark.parametrize(
    ("state", "event"), [(s, e) for s in states.IMPORT_STATES for e in ("confirm", "drop", "check_again")]
)
def test_only_the_moves_of_the_table_are_possible(prep, state, event):
    run = ImportRun.objects.create(
        kind="lots", actor=prep, name="x", sha256="0", state=state, creates=1, digest="d", idempotency_key="k"
    )
    steps = {
        "confirm": lambda: confirm_run(actor=prep, run=run, digest="other"),
        "drop": lambda: drop_run(actor=prep, run=run),
        "check_again": lambda: go_on_with_run(actor=prep, run=run),
    }
    possible = (state, event) in states.IMPORT_NEXT or (state, event) == ("dropped", "drop")
    if event == "confirm":
        with pytest.raises(Conflict if possible else NotInThisState):
            steps[event]()
    elif possible:
        steps[event]()
    else:
        with pytest.raises(NotInThisState):
            steps[event]()


# --- cost -----------------------------------------------------------------------------------------------
def queries_of(call) -> int:
    with CaptureQueriesContext(connection) as queries:
        call()
    return len(queries)


def test_a_longer_file_asks_hardly_more_questions(bring, prep, catalogue, cabinet):
    def counted(rows: int) -> tuple[int, int]:
        text = "".join(
            f"table salt,,solid,5,g,99.{n % 10},D{rows}-{n},Store / Cabinet 2,2026-03-04,,,\n"
            for n in range(rows)
        )
        runs = []
        asked = queries_of(lambda: runs.append(bring("lots", BOTTLES + text)))
        return asked, queries_of(lambda: confirmed(runs[0], prep))

    few, many = counted(10), counted(200)
    assert many[0] - few[0] <= 4
    # On PostgreSQL many values go in one statement; here each costs one on a prepared statement at most.
    assert many[1] - few[1] <= 12


# --- pages ----------------------------------------------------------------------------------------------
@pytest.fixture
def at_desk(client, prep):
    client.force_login(prep)
    return client


def sent(client, kind: str, data: bytes, name="shelf.csv", **more):
    file = SimpleUploadedFile(name, data)
    address = reverse("inventory:file_in", args=[kind])
    return client.post(address, {"file": file, "idempotency_key": new_key(), **more})


def test_a_file_goes_its_whole_way_by_pages(at_desk, catalogue):
    text = BOTTLES + "table salt,,solid,5,g,,D1,,,,,\ncopper sulfate,,solid,5,g,,D2,,,,,\n"
    answer = sent(at_desk, "lots", text.encode())
    assert answer.status_code == 302
    page = at_desk.get(answer["Location"]).content.decode()
    assert "Bring in 1 row, leave out 1" in page
    assert "anhydrous" in page
    assert 'class="import-progress"' not in page
    only = at_desk.get(answer["Location"] + "?show=create").content.decode()
    assert "sodium chloride, 5 g" in only
    assert "anhydrous" not in only

    run = ImportRun.objects.get()
    refused = at_desk.get(reverse("inventory:import_rows", args=[run.pk]), {"show": "refuse"})
    lines = b"".join(refused.streaming_content).decode("utf-8-sig")
    assert lines.splitlines()[0].endswith("Row,Why")
    assert "copper sulfate" in lines
    assert "anhydrous" in lines
    mended = lines.replace("copper sulfate,,", "copper sulfate,anhydrous,")
    assert sent(at_desk, "lots", mended.encode()).status_code == 302

    at_desk.post(reverse("inventory:import_confirm", args=[run.pk]), {"digest": run.digest})
    code = Lot.objects.get().code
    assert f"/stock/lots/{code}/" in at_desk.get(answer["Location"]).content.decode()
    brought = at_desk.get(reverse("inventory:import_rows", args=[run.pk]), {"show": "create"})
    assert code in b"".join(brought.streaming_content).decode()


@pytest.mark.parametrize(
    ("data", "name", "says"),
    [
        (b"%PDF-1.7", "list.xlsx", "This is a PDF"),
        (b"", "empty.csv", "There is nothing in this file"),
        (b"Substance,Colour\nsalt,white\n", "a.csv", "“Colour” is not known here"),
        (b"x" * 5_000_001, "large.csv", "5 MB are taken"),
    ],
)
def test_a_file_that_cannot_be_read_is_named_at_its_field(at_desk, data, name, says):
    answer = sent(at_desk, "lots", data, name)
    assert answer.status_code == 422
    assert says in answer.content.decode()
    assert 'id="id_file_error"' in answer.content.decode()
    assert not ImportRun.objects.exists()


def test_one_person_is_asked_to_wait_after_many_files_in_an_hour_and_others_are_not(
    at_desk, bring, prep, second_prep, catalogue
):
    text = BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n"
    run = bring("lots", text)
    ImportRun.objects.filter(pk=run.pk).update(attempt=LIMITS.tries_per_hour - 1)
    assert sent(at_desk, "lots", text.encode()).status_code == 302
    answer = sent(at_desk, "lots", text.encode())
    assert answer.status_code == 429
    assert "is the most. Wait a while" in answer.content.decode()
    again = at_desk.post(reverse("inventory:import_again", args=[run.pk]))
    assert (again.status_code, ImportRun.objects.count()) == (429, 2)
    assert bring("lots", text, actor=second_prep).state == states.CHECKED
    long_ago = timezone.now() - timedelta(minutes=61)
    ImportRun.objects.filter(actor=prep).update(seen_alive_at=long_ago)
    assert sent(at_desk, "lots", text.encode()).status_code == 302


def test_a_page_without_a_file_says_so(at_desk):
    answer = at_desk.post(reverse("inventory:file_in", args=["lots"]), {"idempotency_key": "k"})
    assert answer.status_code == 422
    assert "Choose a file." in answer.content.decode()


def test_while_it_is_worked_on_the_page_asks_again_and_stops_when_it_is_done(at_desk, prep, catalogue):
    data = (BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n").encode()
    run = start_run(actor=prep, kind="lots", name="a.csv", data=data, idempotency_key="k")
    address = reverse("inventory:import_run", args=[run.pk])
    part = at_desk.get(address, headers={"HX-Request": "true"})
    assert part.status_code == 200
    assert 'hx-trigger="every 1s"' in part.content.decode()
    assert "Being checked: 0 of 1." in part.content.decode()
    assert "<html" not in part.content.decode()
    check_run(run.pk, run.attempt)
    part = at_desk.get(address, headers={"HX-Request": "true"})
    assert part.status_code == 286
    assert "every 1s" not in part.content.decode()
    assert "To be confirmed. 1 row: 1 new" in part.content.decode()


def test_a_page_that_is_out_of_date_confirms_nothing(at_desk, prep, catalogue):
    run_page = sent(at_desk, "lots", (BOTTLES + "table salt,,solid,5,g,,D1,,,,,\n").encode())["Location"]
    run = ImportRun.objects.get()
    answer = at_desk.post(
        reverse("inventory:import_confirm", args=[run.pk]), {"digest": "0" * 64}, follow=True
    )
    assert "has changed since the page was shown" in answer.content.decode()
    assert not Lot.objects.exists()
    at_desk.post(reverse("inventory:import_drop", args=[run.pk]))
    assert "Dropped" in at_desk.get(run_page).content.decode()


@pytest.mark.parametrize("kind", ["lots", "counts", "substances"])
def test_a_template_can_be_read_and_its_invented_row_is_sound(at_desk, bring, prep, catalogue, kind):
    """But for the place and the code, which every department names itself."""
    for form in ("csv", "xlsx"):
        answer = at_desk.get(reverse("inventory:file_template", args=[kind, form]))
        data = b"".join(answer.streaming_content)
        run = bring(kind, data)
        assert run.total == 1
        assert set(run.rows.get().reasons) <= {"Place", "Code"}
    book = openpyxl.load_workbook(BytesIO(data))
    assert book.sheetnames[1] == "What the columns mean"


def test_files_are_taken_out_as_the_list_shows_them(at_desk, bottle, salt, vitriol):
    bottle(substance=salt)
    other = bottle(substance=vitriol)

    def taken(what: str, form="csv", **filters) -> str:
        answer = at_desk.get(reverse("inventory:file_out", args=[what, form]), filters)
        assert "attachment" in answer["Content-Disposition"]
        assert answer.streaming
        return b"".join(answer.streaming_content).decode(errors="ignore")

    assert taken("bottles").count("\r\n") == 3
    only = taken("bottles", q="blue vitriol")
    assert other.code in only
    assert only.count("\r\n") == 2
    assert "sodium chloride" not in taken("substances", q="blue vitriol", show="shelf")
    assert other.code in taken("count-list")
    assert taken("bottles", "xlsx").startswith("PK")
    assert at_desk.get(reverse("inventory:file_out", args=["bottles", "pdf"])).status_code == 404
    assert at_desk.get(reverse("inventory:file_out", args=["secrets", "csv"])).status_code == 404


def test_the_ledger_is_taken_out_by_days(at_desk, bottle, prep):
    lot = bottle("500")
    dispose(actor=prep, lot=lot, amount="20", unit="g", reason="=Spilled", idempotency_key="d")
    today = timezone.localdate()
    address = reverse("inventory:file_ledger")
    answer = at_desk.get(address, {"first": today.isoformat(), "last": today.isoformat()})
    text = b"".join(answer.streaming_content).decode()
    assert f"Disposed of,{lot.code},sodium chloride,NaCl,-20,g,Pia Brook,'=Spilled" in text
    yesterday = (today - timedelta(days=1)).isoformat()
    none = at_desk.get(address, {"last": yesterday, "form": "xlsx"})
    assert len(list(openpyxl.load_workbook(BytesIO(b"".join(none.streaming_content))).active.rows)) == 1
    wrong = at_desk.get(address, {"first": today.isoformat(), "last": yesterday})
    assert wrong.status_code == 422
    assert "lies after the last" in wrong.content.decode()


def test_the_list_to_count_by_comes_back_as_counts(at_desk, bring, prep, bottle):
    bottle("500")
    answer = at_desk.get(reverse("inventory:file_out", args=["count-list", "csv"]))
    text = b"".join(answer.streaming_content).decode("utf-8-sig")
    assert text.splitlines()[0] == ",".join(column.heading for column in COUNT_COLUMNS)
    run = bring("counts", text)
    assert (outcomes(run), run.rows.get().remarks) == (["same"], ["Not counted."])


def test_a_long_preview_has_pages_in_a_bounded_number_of_queries(at_desk, bring, catalogue):
    run = bring("lots", BOTTLES + "table salt,,solid,5,g,,,,,,,\n" * 250)
    address = reverse("inventory:import_run", args=[run.pk])
    assert "page 3 of 3" in at_desk.get(address, {"page": "9"}).content.decode()
    assert queries_of(lambda: at_desk.get(address)) <= 10
    for odd in ("x", "-1", "²", "9" * 30):
        assert at_desk.get(address, {"page": odd, "show": odd}).status_code == 200


def test_the_catalogue_command_leaves_what_a_file_said_about_a_substance(bring, prep, catalogue):
    confirmed(bring("substances", "name,reorder below,reorder unit\nsodium chloride,5,g\n"), prep)
    call_command("load_catalogue", verbosity=0)
    assert Substance.objects.get(key="sodium-chloride").reorder_below == 5_000_000


def test_a_file_of_an_unknown_kind_is_refused(prep, at_desk):
    with pytest.raises(InvalidInput):
        start_run(actor=prep, kind="spells", name="x", data=b"a", idempotency_key="k")
    assert at_desk.get(reverse("inventory:file_in", args=["spells"])).status_code == 404


def test_two_sheets_and_a_name_that_is_a_path(bring, prep, catalogue):
    book = openpyxl.Workbook()
    book.active.append(["Notes"])
    sheet = book.create_sheet("Shelf")
    sheet.append(["Substance", "Kind", "Amount", "Unit"])
    sheet.append(["sodium chloride", "solid", 2.4, "g"])
    sheet["C2"].number_format = "0.00"
    target = BytesIO()
    book.save(target)
    with pytest.raises(FileRefused):
        bring("lots", target.getvalue())
    run = start_run(
        actor=prep,
        kind="lots",
        name="..\\..\\etc/pass\x07wd.xlsx",
        data=target.getvalue(),
        sheet="Shelf",
        idempotency_key="k",
    )
    assert run.name == "passwd.xlsx"
    assert run.parsed[0][1]["amount"] == "2.40"
