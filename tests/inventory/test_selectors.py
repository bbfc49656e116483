"""What the pages and the calculation service are told about the shelves."""

from datetime import date, timedelta

import pytest
from django.core.management import call_command
from django.utils import timezone

from inventory.models import ApparatusItem, Lot, Place, Substance
from inventory.selectors import (
    calc_catalogue,
    calc_shelf,
    ledger_of,
    lots_of,
    lots_visible_to,
    places,
    stock_rows,
)
from inventory.services import add_apparatus, change_lot_state, hold_stock, set_in_service
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.core.errors import InvalidInput
from tests.inventory.test_lots import prepared

pytestmark = pytest.mark.django_db


def names(page) -> list[str]:
    return [row.substance.key for row in page.rows]


# --- what calc is told ------------------------------------------------------------------------------
def test_a_bottle_on_the_shelf_is_told_with_what_its_label_says(bottle, prep, vitriol):
    solid = bottle("500", substance=vitriol, assay_percent="99,5", assay_tolerance_percent="0.2", grade="ACS")
    acid = bottle("2.5", unit="L", kind="liquid", mass_percent="37.2", density_g_per_ml="1.184")
    hold_stock(actor=prep, draws={solid.pk: 120_500_000}, purpose="B-2601", idempotency_key="h")
    told = {lot.code: lot for lot in calc_shelf().lots}
    assert (told[solid.code].kind, told[solid.code].free, told[solid.code].assay_percent) == (
        "solid",
        379.5,
        99.5,
    )
    assert (told[solid.code].substance_key, told[solid.code].id) == (vitriol.key, str(solid.pk))
    assert (told[solid.code].assay_tolerance_percent, told[solid.code].grade) == (0.2, "ACS")
    assert (told[acid.code].free, told[acid.code].mass_percent, told[acid.code].density_g_per_ml) == (
        2500.0,
        37.2,
        1.184,
    )
    assert told[acid.code].assay_percent is None


@pytest.mark.parametrize("event", ["quarantine", "recall"])
def test_a_stopped_bottle_is_not_told(bottle, prep, event):
    lot = bottle()
    change_lot_state(actor=prep, lot=lot, event=event, reason="Because")
    assert calc_shelf().lots == ()


def test_a_bottle_may_be_used_up_to_and_on_its_last_day(bottle):
    bottle(received_on=date(2025, 1, 1), expires_on=date(2025, 6, 30))
    assert len(calc_shelf(on=date(2025, 6, 30)).lots) == 1
    assert calc_shelf(on=date(2025, 7, 1)).lots == ()
    assert calc_shelf(on=date(2025, 6, 1), needed_until=date(2025, 7, 1)).lots == ()
    assert calc_shelf(on=date(2025, 6, 30), needed_until=date(2025, 6, 1)).lots != ()


def test_a_wholly_held_bottle_is_told_only_to_the_plan_that_would_give_it_back(bottle, prep):
    lot = bottle("10")
    hold = hold_stock(actor=prep, draws={lot.pk: 10_000_000}, purpose="B-2601", idempotency_key="h")[lot.pk]
    assert calc_shelf().lots == ()
    (told,) = calc_shelf(as_if_released=[hold.pk]).lots
    assert told.free == 10.0


def test_a_mixture_is_no_stock_of_any_one_of_its_solutes(bottle, prep, salt):
    single = prepared(prep, salt, [])
    prepared(
        prep,
        salt,
        [],
        title="Buffer",
        composition=[
            {"substance": "sodium chloride", "value": "0.1", "unit": "mol/L"},
            {"substance": "sodium acetate", "value": "0.1", "unit": "mol/L"},
        ],
    )
    (told,) = calc_shelf().lots
    assert (told.code, told.kind) == (single.code, "solution")
    assert (told.concentration_mol_per_l, told.relative_uncertainty_percent) == (0.1002, 0.15)


def test_things_counted_in_pieces_are_nothing_to_make_a_solution_of(bottle, salt):
    Lot.objects.create(
        code="PIECES", substance=salt, kind=Lot.Kind.ITEM, unit="pc", on_hand=12, received_on=date(2025, 1, 1)
    )
    told = bottle("500", opened_on=date(2025, 2, 1), received_on=date(2025, 1, 1))
    assert [(lot.code, lot.opened) for lot in calc_shelf().lots] == [(told.code, True)]


def test_apparatus_without_its_own_limit_gets_that_of_its_class_and_standard(prep):
    """A class A flask of 250 mL: 0.15 mL by ISO 1042:1998, table of maximum permissible errors."""
    add_apparatus(
        actor=prep, type="one-mark flask", nominal_ml="250", apparatus_class="A", standard="ISO 1042:1998"
    )
    add_apparatus(
        actor=prep,
        type="one-mark flask",
        nominal_ml="250",
        tolerance_ml="0.08",
        apparatus_class="A",
        standard="ISO 1042:1998",
    )
    add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    tabulated, own, beaker = calc_shelf().apparatus
    assert (tabulated.tolerance_ml, own.tolerance_ml, beaker.tolerance_ml) == (0.15, 0.08, None)


def test_measuring_ware_whose_limit_nobody_knows_is_refused_and_never_planned_with(prep):
    for more in ({}, {"apparatus_class": "A"}, {"apparatus_class": "A", "standard": "ISO 1042"}):
        with pytest.raises(InvalidInput) as refused:
            add_apparatus(actor=prep, type="one-mark flask", nominal_ml="333", **more)
        assert list(refused.value.errors) == ["tolerance_ml"]
    ApparatusItem.objects.create(type="one-mark flask", nominal_ml="333")
    assert calc_shelf().apparatus == ()


def test_a_balance_keeps_what_its_papers_say_and_gets_the_usual_for_the_rest(prep):
    add_apparatus(actor=prep, type="balance", readability_g="0.01", repeatability_g="0.02")
    (balance,) = calc_shelf().apparatus
    assert (balance.readability_g, balance.repeatability_g) == (0.01, 0.02)
    assert balance.linearity_g is not None
    assert balance.capacity_g is not None


def test_apparatus_out_of_service_is_not_told(prep):
    item = add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    set_in_service(actor=prep, item=item, in_service=False, reason="Cracked")
    assert calc_shelf().apparatus == ()


def test_the_shelf_is_read_in_a_number_of_queries_that_does_not_grow(
    bottle, prep, django_assert_max_num_queries
):
    for _ in range(12):
        bottle()
        add_apparatus(actor=prep, type="beaker", nominal_ml="400")
    with django_assert_max_num_queries(3):
        assert len(calc_shelf().lots) == 12


# --- the catalogue ----------------------------------------------------------------------------------
def test_loading_the_catalogue_lists_every_substance_once_and_again_changes_nothing(capsys):
    call_command("load_catalogue")
    first = list(Substance.objects.order_by("pk").values())
    assert {row["key"] for row in first} == {substance.key for substance in standard_catalogue()}
    call_command("load_catalogue")
    assert list(Substance.objects.order_by("pk").values()) == first
    assert capsys.readouterr().out.splitlines()[-1] == "0 substances added, 0 brought up to date."


def test_loading_the_catalogue_again_mends_its_own_rows_and_leaves_the_departments(capsys):
    call_command("load_catalogue")
    Substance.objects.filter(key="sodium-chloride").update(cas="1-1-1", synonyms=[])
    Substance.objects.create(
        key="own-dye", name="dye of the department", formula="C20H14O4", record={"state": "solid"}
    )
    call_command("load_catalogue")
    mended = Substance.objects.get(key="sodium-chloride")
    assert (mended.cas, mended.synonyms) == (
        "7647-14-5",
        list(standard_catalogue().by_key("sodium-chloride").synonyms),
    )
    assert Substance.objects.get(key="own-dye").name == "dye of the department"
    assert capsys.readouterr().out.splitlines()[-1] == "0 substances added, 1 brought up to date."


def test_a_substance_of_the_department_is_known_to_the_calculation():
    call_command("load_catalogue")
    assert calc_catalogue() is standard_catalogue()
    Substance.objects.create(
        key="own-salt",
        name="barium thiosulfate monohydrate",
        formula="BaS2O3.H2O",
        form="monohydrate",
        synonyms=["own salt"],
        record={"state": "solid", "solute_formula": "BaS2O3", "traits": ["light-sensitive"]},
    )
    found = calc_catalogue().resolve("own salt")
    assert (found.key, found.solute_formula, found.traits) == ("own-salt", "BaS2O3", ("light-sensitive",))
    assert calc_catalogue().resolve("sodium chloride").key == "sodium-chloride"


# --- the list -------------------------------------------------------------------------------------
def test_the_list_adds_up_bottles_of_one_kind_and_never_a_solid_with_a_solution(bottle, prep, salt):
    bottle("500")
    lot = bottle("250")
    hold_stock(actor=prep, draws={lot.pk: 50_000_000}, purpose="B-2601", idempotency_key="h")
    prepared(prep, salt, [])
    (row,) = stock_rows(actor=prep).rows
    told = [(line.kind, line.unit, line.on_hand, line.held, line.free, line.lots) for line in row.lines]
    assert told == [("solid", "g", 750, 50, 700, 2), ("solution", "mL", 1000, 0, 1000, 1)]


def test_what_is_expired_or_stopped_is_there_but_not_free(bottle, prep):
    bottle("100")
    bottle("100", received_on=date(2020, 1, 1), expires_on=date(2020, 2, 1))
    change_lot_state(actor=prep, lot=bottle("100"), event="quarantine", reason="No label")
    (line,) = stock_rows(actor=prep).rows[0].lines
    assert (line.on_hand, line.free, line.lots, line.quarantined, line.expired) == (300, 100, 3, 1, True)
    assert line.nearest_expiry == date(2020, 2, 1)


@pytest.mark.parametrize(
    "query",
    [
        "copper(II) sulfate",
        "COPPER",
        "pentahydrate copper",
        "blue vitriol",
        "cupric sulfate",
        "copper sulphate",
        "7758-99-8",
        "CuSO4.5H2O",
        "cuso4*5h2o",
        "CuSO₄·5H₂O",
        "A-77/3",
        "cabinet 2",
    ],
)
def test_a_substance_is_found_by_whatever_a_person_knows_of_it(bottle, prep, salt, vitriol, query):
    store = Place.objects.create(name="Store")
    cabinet = Place.objects.create(name="Cabinet 2", parent=store)
    bottle(substance=salt)
    bottle(substance=vitriol, lot_number="A-77/3", place=cabinet)
    assert names(stock_rows(actor=prep, query=query)) == [vitriol.key]


def test_a_substance_is_found_by_the_code_on_a_bottle(bottle, prep, salt, vitriol):
    bottle(substance=salt)
    lot = bottle(substance=vitriol)
    assert names(stock_rows(actor=prep, query=lot.code.lower())) == [vitriol.key]
    assert names(stock_rows(actor=prep, query="nothing like it")) == []


def test_the_list_is_narrowed_by_what_needs_looking_at(bottle, prep, salt, vitriol):
    bare = Substance.objects.create(key="never-bought", name="never bought", formula="KI")
    day = timezone.localdate()
    bottle(substance=salt, expires_on=day + timedelta(days=10))
    stopped = bottle(substance=vitriol, expires_on=day + timedelta(days=300))
    assert names(stock_rows(actor=prep)) == [vitriol.key, salt.key]
    assert names(stock_rows(actor=prep, show="expiring")) == [salt.key]
    assert names(stock_rows(actor=prep, show="stopped")) == []
    change_lot_state(actor=prep, lot=stopped, event="recall", reason="Supplier's letter")
    assert names(stock_rows(actor=prep, show="stopped")) == [vitriol.key]
    assert names(stock_rows(actor=prep, show="all")) == [vitriol.key, bare.key, salt.key]
    assert names(stock_rows(actor=prep, kind="solution")) == []


def test_a_place_includes_what_is_inside_it(bottle, prep):
    store = Place.objects.create(name="Store")
    shelf = Place.objects.create(name="Shelf 1", parent=Place.objects.create(name="Cabinet 2", parent=store))
    other = Place.objects.create(name="Annexe")
    bottle(place=shelf)
    assert len(stock_rows(actor=prep, place=store.pk).rows) == 1
    assert stock_rows(actor=prep, place=other.pk).rows == ()
    assert [name for _, name in places()] == [
        "Annexe",
        "Store",
        "Store / Cabinet 2",
        "Store / Cabinet 2 / Shelf 1",
    ]


def test_a_place_moved_into_itself_by_hand_does_not_hang_a_page(prep):
    one = Place.objects.create(name="One")
    two = Place.objects.create(name="Two", parent=one)
    Place.objects.filter(pk=one.pk).update(parent=two)
    assert len(places()) == 2
    assert stock_rows(actor=prep, place=one.pk).rows == ()


def test_the_list_comes_in_pages(prep, bottle):
    for n in range(7):
        bottle(substance=Substance.objects.create(key=f"s{n}", name=f"substance {n}", formula="KI"))
    page = stock_rows(actor=prep, page=2, per_page=3)
    assert (names(page), page.total, page.pages, page.number) == (["s3", "s4", "s5"], 7, 3, 2)
    assert names(stock_rows(actor=prep, page=99, per_page=3)) == ["s6"]


def test_the_list_is_sorted_by_the_alphabet_whatever_the_capitals(prep, bottle):
    for n, name in enumerate(("EDTA", "acetic acid", "zinc", "L-ascorbic acid")):
        bottle(substance=Substance.objects.create(key=f"s{n}", name=name, formula="KI"))
    # Pages list keys; s1 is acetic acid, s0 EDTA, s3 L-ascorbic acid, s2 zinc.
    assert names(stock_rows(actor=prep)) == ["s1", "s0", "s3", "s2"]


def test_the_list_takes_the_same_queries_for_two_rows_and_for_twenty(prep, bottle, django_assert_num_queries):
    def fill(first: int, last: int) -> None:
        for n in range(first, last):
            substance = Substance.objects.create(key=f"s{n}", name=f"substance {n}", formula="KI")
            bottle(substance=substance)
            bottle(substance=substance)

    fill(0, 2)
    with django_assert_num_queries(3):
        assert len(stock_rows(actor=prep).rows) == 2
    fill(2, 20)
    with django_assert_num_queries(3):
        assert len(stock_rows(actor=prep).rows) == 20


# --- who sees what ----------------------------------------------------------------------------------
def test_an_instructor_sees_the_bottles_but_not_their_ledger(bottle, instructor, prep):
    lot = bottle()
    assert list(lots_visible_to(instructor)) == [lot]
    assert list(ledger_of(lot, actor=instructor)) == []
    assert len(ledger_of(lot, actor=prep)) == 1


def test_a_person_without_access_any_more_sees_nothing(bottle, prep):
    bottle()
    prep.is_active = False
    assert list(lots_visible_to(prep)) == []
    assert stock_rows(actor=prep).rows == ()


def test_the_lots_of_a_substance_stand_in_the_order_of_use_with_empty_ones_last(bottle, prep, salt):
    day = timezone.localdate()
    lasting, empty = bottle(), bottle()
    late = bottle(expires_on=day + timedelta(days=90))
    early = bottle(expires_on=day + timedelta(days=9))
    Lot.objects.filter(pk=empty.pk).update(on_hand=0, state="empty")
    assert list(lots_of(salt, actor=prep)) == [early, late, lasting, empty]
