"""What else would serve: only what a plan was made with, only what counts the same, never by itself."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.model import Shelf, ShelfLot
from prepdesk.calc.planner.instead import MAX_OFFERED, counts_the_same
from prepdesk.calc.preview import preview
from prepdesk.calc.settle import settle
from tests.calc.orders import codes, component, one, order, plan, shelf_with, solid, steps_of

ANHYDROUS, PENTAHYDRATE = "copper-sulfate-anhydrous", "copper-sulfate-pentahydrate"


def leftover(lot_id: str, key: str, free: float, mol_per_l: float, **more) -> ShelfLot:
    facts = {
        "is_prepared": True,
        "prepared_by": "Pia Brook",
        "made_on": "2026-11-20",
        "expires": "2027-05-19",
        "relative_uncertainty_percent": 0.2,
    }
    return ShelfLot(
        lot_id,
        f"L{lot_id.zfill(5)}X",
        key,
        "solution",
        free,
        concentration_mol_per_l=mol_per_l,
        **{**facts, **more},
    )


def copper(*more: ShelfLot, anhydrous_g: float = 5.0, **request) -> tuple[dict, Shelf]:
    lots = (solid("1", ANHYDROUS, anhydrous_g, assay_percent=99.0), *more)
    return one(ANHYDROUS, "0.100", "mol/L", "500", equipment="shelf", **request), shelf_with(*lots)


def instead(answer: dict, *kinds: str) -> list[dict]:
    found = [offer for shortage in answer["shortages"] for offer in shortage["instead"]]
    return [offer for offer in found if not kinds or offer["kind"] in kinds]


# --- what is offered -----------------------------------------------------------------------------
def test_an_offer_put_into_the_request_is_the_plan_it_promised():
    stock = ShelfLot("4", "L00004X", ANHYDROUS, "solution", 300, concentration_mol_per_l=1.0)
    request, shelf = copper(
        solid("2", PENTAHYDRATE, 500, assay_percent=99.5), leftover("3", PENTAHYDRATE, 400, 0.5)
    )
    shelf = replace(shelf, lots=(*shelf.lots, replace(stock, free=20)))
    offers = instead(plan(request, shelf), "form", "leftover")
    assert [offer["kind"] for offer in offers] == ["leftover", "form"]
    for offer in offers:
        chosen = {**request, "components": [{**request["components"][0], "source": offer["source"]}]}
        answer = plan(chosen, shelf)
        assert answer["feasible"]
        assert {draw["lot"]["id"] for draw in answer["draws"]} == {offer["lot"]["id"]}
        assert offer["amount"] in [step.get("quantity") for step in answer["steps"]]


def test_nothing_is_exchanged_by_itself():
    request, shelf = copper(solid("2", PENTAHYDRATE, 500, assay_percent=99.5))
    answer = plan(request, shelf)
    assert not answer["feasible"]
    assert {draw["lot"]["id"] for draw in answer["draws"]} == {"1"}


def test_the_sentence_says_how_much_of_which_bottle_instead_of_what():
    request, shelf = copper(solid("2", PENTAHYDRATE, 500, assay_percent=99.5))
    answer = plan(request, shelf)
    [offer] = instead(answer, "form")
    needed = answer["shortages"][0]["needed"]["value"]
    assert offer["text"] == (
        f"{offer['amount']['value']} g of copper(II) sulfate pentahydrate (99.5 %), lot L00002X, instead of"
        f" {needed} g of copper(II) sulfate, anhydrous."
    )


@pytest.mark.parametrize(
    ("asked", "there", "code"),
    [
        (ANHYDROUS, PENTAHYDRATE, "grind_coarse"),
        (PENTAHYDRATE, ANHYDROUS, "takes_up_water"),
        ("sodium-carbonate-anhydrous", "sodium-carbonate-decahydrate", "loses_water"),
        ("magnesium-sulfate-heptahydrate", "magnesium-sulfate-anhydrous", "heat_of_solution"),
    ],
)
def test_another_hydrate_comes_with_what_is_to_be_watched(asked, there, code):
    """Common practice: anhydrous salts take up water, decahydrates lose it, coarse crystals are ground."""
    shelf = shelf_with(solid("2", there, 500, assay_percent=99.5))
    [offer] = instead(plan(one(asked, "0.10", "mol/L", equipment="shelf"), shelf), "form")
    said = {caution["code"] for caution in offer["cautions"]}
    assert {code, "other_form"} <= said
    assert all(caution["text"] for caution in offer["cautions"])


def test_a_bottle_without_an_assay_says_so():
    request, shelf = copper(solid("2", PENTAHYDRATE, 500))
    [offer] = instead(plan(request, shelf), "form")
    assert "assay_assumed" in {caution["code"] for caution in offer["cautions"]}


def test_a_lower_grade_is_offered_with_what_it_means_and_the_tolerance_it_needs():
    shelf = shelf_with(
        solid(
            "1",
            "sodium-chloride",
            30,
            assay_percent=99.9,
            assay_tolerance_percent=0.1,
            grade="analytical reagent",
        ),
        solid(
            "2",
            "sodium-chloride",
            500,
            assay_percent=99.0,
            assay_tolerance_percent=1.0,
            grade="laboratory reagent",
        ),
    )
    [tight] = instead(plan(one("NaCl", "2.00", "mol/L", equipment="shelf"), shelf), "grade")
    assert not tight["feasible"]
    assert "2 % is allowed; 0.25 % is asked" in tight["text"]
    request = one("NaCl", "2.00", "mol/L", equipment="shelf", source={"kind": "lot", "id": "1"})
    [loose] = instead(plan({**request, "tolerance_percent": "3"}, shelf), "grade")
    assert loose["feasible"]
    [caution] = [one for one in loose["cautions"] if one["code"] == "other_grade"]
    # 99.0 ± 1.0 %: as much as 2 % may be something else.
    assert "up to 2 % of it is something else" in caution["text"]
    assert "Somebody must decide" in caution["text"]


def test_an_acid_of_another_strength_is_worked_out_anew():
    acid = "hydrochloric-acid"
    shelf = shelf_with(
        ShelfLot("5", "L00005X", acid, "liquid", 20, mass_percent=37, density_g_per_ml=1.184),
        ShelfLot("6", "L00006X", acid, "liquid", 1000, mass_percent=32, density_g_per_ml=1.159),
    )
    request = one(acid, "1.0", "mol/L", equipment="shelf", source={"kind": "lot", "id": "5"})
    [offer] = instead(plan(request, shelf), "reagent")
    # 0.5 mol of 36.46 g/mol: 18.23 g / 0.32 / 1.159 g/mL.
    assert float(offer["amount"]["value"]) == pytest.approx(0.5 * 36.46 / 0.32 / 1.159, abs=0.5)
    assert offer["lot"]["code"] == "L00006X"


def test_a_stock_solution_is_offered_to_be_diluted():
    stock = ShelfLot("2", "L00002X", PENTAHYDRATE, "solution", 500, concentration_mol_per_l=1.0)
    request, shelf = copper(stock, tolerance_percent="2")
    [offer] = instead(plan(request, shelf), "solution")
    assert float(offer["amount"]["value"]) == pytest.approx(50, abs=0.5)
    assert "uncertainty_assumed" in {caution["code"] for caution in offer["cautions"]}


def test_how_much_could_be_made_is_planned_and_not_reckoned():
    request, shelf = copper(anhydrous_g=5.0)
    [part] = instead(plan(request, shelf), "part")
    assert part["source"] is None
    volume = float(part["amount"]["value"])
    # 0.1 mol/L × 159.6 g/mol / 0.99 needs 16.1 g for a litre: 5 g are enough for 310 mL at most.
    assert 0 < volume <= 5.0 / (0.1 * 159.61 / 0.99) * 1000
    less = {**request, "volume": part["amount"]}
    assert plan(less, shelf)["feasible"]


# --- leftovers -----------------------------------------------------------------------------------
def test_a_leftover_within_the_tolerance_is_used_as_it_is():
    shelf = shelf_with(
        solid("1", PENTAHYDRATE, 500, assay_percent=99.5), leftover("3", PENTAHYDRATE, 800, 0.1002)
    )
    answer = plan(one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf"), shelf)
    assert answer["feasible"]
    assert {draw["lot"]["id"] for draw in answer["draws"]} == {"1"}, "offered, not used"
    [offer] = answer["offers"]
    assert offer["as_it_is"]
    assert offer["text"].startswith("A leftover that is still good: 500")
    for words in (
        "Pia Brook",
        "20 November 2026",
        "good until 19 May 2027",
        "± 0.2 % (k = 2)",
        "0.1002 mol/L",
    ):
        assert words in offer["text"]
    request = one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf", source=offer["source"])
    poured = plan(request, shelf)
    assert [step["action"] for step in poured["steps"]] == ["measure", "store", "label"]
    assert "nothing is added" in poured["steps"][0]["text"]
    assert "made_from_leftover" in codes(poured, "warn")
    [found] = settle(poured, {}).concentrations
    assert found.mol_per_l == pytest.approx(0.1002)
    assert found.expanded_uncertainty_percent == pytest.approx(0.2)
    assert found.inside


@pytest.mark.parametrize(
    ("mol_per_l", "spread", "serves"),
    [
        # 0.100 allows 0.5 %: deviation and expanded uncertainty (k = 2) together.
        (0.1003, 0.2, True),
        (0.1003, 0.21, False),
        (0.0997, 0.2, True),
        (0.0994, 0.1, False),
    ],
)
def test_the_tolerance_decides_whether_a_leftover_is_close_enough(mol_per_l, spread, serves):
    lot = leftover("3", PENTAHYDRATE, 800, mol_per_l, relative_uncertainty_percent=spread)
    request = one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf", source={"kind": "lot", "id": "3"})
    actions = {step["action"] for step in plan(request, shelf_with(lot))["steps"]}
    assert ("make_up" not in actions and bool(actions)) is serves


def test_a_leftover_that_is_too_small_is_not_offered():
    shelf = shelf_with(
        solid("1", PENTAHYDRATE, 500, assay_percent=99.5), leftover("3", PENTAHYDRATE, 499, 0.1)
    )
    assert plan(one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf"), shelf)["offers"] == []


def test_a_stronger_leftover_is_diluted_and_the_one_that_ends_first_comes_first():
    shelf = shelf_with(
        solid("1", PENTAHYDRATE, 500, assay_percent=99.5),
        leftover("3", PENTAHYDRATE, 800, 0.1, expires="2027-03-01"),
        leftover("4", PENTAHYDRATE, 200, 1.0, expires="2027-01-01"),
    )
    first, second = plan(one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf"), shelf)["offers"]
    assert (first["lot"]["id"], first["as_it_is"]) == ("4", False)
    assert float(first["amount"]["value"]) == pytest.approx(50, abs=0.1)
    assert (second["lot"]["id"], second["as_it_is"]) == ("3", True)


def test_a_leftover_is_not_even_used_where_it_is_the_least_work():
    """Pouring out or diluting is less work than weighing; but somebody has to look at it and choose it."""
    lot = leftover("3", "sodium-chloride", 5000, 0.5)
    salt = solid("1", "sodium-chloride", assay_percent=99.9)
    for target in ("0.5", "0.1"):
        request = one("NaCl", target, "mol/L", "330", equipment="shelf")
        answer = plan(request, shelf_with(salt, lot))
        assert {draw["lot"]["id"] for draw in answer["draws"]} == {"1"}
        assert [offer["lot"]["id"] for offer in answer["offers"]] == ["3"]
        alone = plan(request, shelf_with(lot))
        assert not alone["feasible"]
        assert [offer["lot"]["id"] for offer in instead(alone, "leftover")] == ["3"]


# --- what is never offered -------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("asked", "there"),
    [
        ("edta-free-acid", "disodium-edta-dihydrate"),
        ("disodium-edta-dihydrate", "edta-free-acid"),
        ("sodium-dihydrogen-phosphate-anhydrous", "disodium-hydrogen-phosphate-anhydrous"),
        ("iron-ii-sulfate-heptahydrate", "iron-iii-chloride-hexahydrate"),
        ("copper-sulfate-anhydrous", "copper-nitrate-trihydrate"),
        ("sodium-carbonate-anhydrous", "sodium-hydrogen-carbonate"),
    ],
)
def test_another_substance_is_never_offered(asked, there):
    shelf = shelf_with(solid("2", there, 500, assay_percent=99.5), leftover("3", there, 5000, 1.0))
    answer = plan(one(asked, "0.010", "mol/L", equipment="shelf"), shelf)
    assert instead(answer, "form", "grade", "leftover", "solution") == []
    assert answer["offers"] == []


def test_a_form_that_is_counted_otherwise_is_never_offered():
    known = standard_catalogue().by_key(PENTAHYDRATE)
    other = replace(known, key="own-copper", name="own copper", cas="", synonyms=(), solute_formula="Cu")
    assert not counts_the_same(known, other)
    catalogue = standard_catalogue().with_added([other])
    shelf = shelf_with(solid("2", "own-copper", 500, assay_percent=99.5))
    answer = preview(one(ANHYDROUS, "0.10", "mol/L", equipment="shelf"), catalogue=catalogue, shelf=shelf)
    assert instead(answer, "form") == []


def test_the_forms_of_a_family_that_the_catalogue_lists_count_the_same():
    catalogue = standard_catalogue()
    families = {each.family for each in catalogue.substances if each.family}
    for family in families:
        forms = catalogue.forms_of(family)
        assert all(counts_the_same(forms[0], each) for each in forms), family


def test_a_bottle_of_which_nothing_is_known_is_not_offered():
    request, shelf = copper(ShelfLot("2", "L00002X", PENTAHYDRATE, "solution", 5000))
    assert instead(plan(request, shelf), "solution", "leftover") == []


def test_where_a_person_named_the_source_nothing_else_is_pressed_on_them():
    shelf = shelf_with(
        solid("1", PENTAHYDRATE, 500, assay_percent=99.5), leftover("3", PENTAHYDRATE, 800, 0.1)
    )
    request = one(PENTAHYDRATE, "0.100", "mol/L", equipment="shelf", source={"kind": "lot", "id": "1"})
    assert plan(request, shelf)["offers"] == []


# --- several at once, and how many -----------------------------------------------------------------
def test_of_two_that_are_short_each_has_its_own_offers():
    request = order(
        component(ANHYDROUS, "0.10", "mol/L"),
        component("magnesium-sulfate-anhydrous", "0.10", "mol/L"),
        equipment="shelf",
    )
    shelf = shelf_with(
        solid("1", PENTAHYDRATE, 500, assay_percent=99.5),
        solid("2", "magnesium-sulfate-heptahydrate", 500, assay_percent=99.5),
    )
    answer = plan(request, shelf)
    found = {(offer["component"], offer["lot"]["id"]) for offer in instead(answer, "form")}
    assert found == {(0, "1"), (1, "2")}
    request["components"][0]["source"] = {"kind": "lot", "id": "1"}
    request["components"][1]["source"] = {"kind": "lot", "id": "2"}
    assert plan(request, shelf)["feasible"]


def test_a_person_is_shown_a_handful():
    many = [leftover(str(number), PENTAHYDRATE, 5000, 0.1) for number in range(2, 30)]
    request, shelf = copper(*many)
    assert len(instead(plan(request, shelf), "leftover")) == MAX_OFFERED


def test_in_a_mass_target_the_water_of_the_hydrate_counts_too():
    """5 % w/w of the anhydrous salt from the pentahydrate: the crystal water replaces water that is added."""
    request = one(ANHYDROUS, "5.00", "% w/w", "500", equipment="shelf")
    shelf = Shelf(lots=(solid("2", PENTAHYDRATE, 500, assay_percent=100.0),), apparatus=standard_set())
    [offer] = instead(plan(request, shelf), "form")
    request["components"][0]["source"] = offer["source"]
    answer = plan(request, shelf)
    salt, water = (float(step["quantity"]["value"]) for step in steps_of(answer, "weigh"))
    assert salt * 159.61 / 249.68 / (salt + water) == pytest.approx(0.05, rel=0.002)


# --- whatever stands there -------------------------------------------------------------------------
BOTTLES = st.builds(
    lambda number, key, kind, free, strength, prepared, spread: (
        solid(str(number), key, free, assay_percent=90 + 9.9 * strength, assay_tolerance_percent=spread)
        if kind == "solid"
        else leftover(
            str(number),
            key,
            10 * free,
            2 * strength,
            is_prepared=prepared,
            relative_uncertainty_percent=spread,
        )
    ),
    number=st.integers(1, 10**6),
    key=st.sampled_from([ANHYDROUS, PENTAHYDRATE, "copper-chloride-dihydrate", "sodium-sulfate-anhydrous"]),
    kind=st.sampled_from(["solid", "solution"]),
    free=st.floats(0.5, 200),
    strength=st.floats(0.01, 1.0),
    prepared=st.booleans(),
    spread=st.floats(0.05, 3.0),
)


@settings(max_examples=60, deadline=None)
@given(
    bottles=st.lists(BOTTLES, max_size=6, unique_by=lambda lot: lot.id),
    target=st.sampled_from(["0.1", "0.10", "0.100", "0.50", "1.0"]),
    unit=st.sampled_from(["mol/L", "g/L"]),
    volume=st.sampled_from(["50", "250", "990"]),
)
def test_whatever_is_offered_makes_the_solution_when_it_is_put_into_the_request(
    bottles, target, unit, volume
):
    request = one(PENTAHYDRATE, target, unit, volume, equipment="shelf")
    shelf = shelf_with(*bottles)
    by_id = {lot.id: lot for lot in bottles}
    answer = plan(request, shelf)
    drawn = {draw["lot"]["id"] for draw in answer["draws"] if draw["lot"]}
    assert not any(by_id[lot_id].is_prepared for lot_id in drawn), "a leftover is never used by itself"
    offers = [*instead(answer), *answer["offers"]]
    assert len({offer["lot"]["id"] for offer in offers if offer["lot"]}) == sum(
        bool(o["lot"]) for o in offers
    )
    for offer in offers:
        if offer["kind"] == "part":
            assert plan({**request, "volume": offer["amount"]}, shelf)["feasible"]
            continue
        lot = by_id[offer["source"]["id"]]
        assert lot.substance_key in (ANHYDROUS, PENTAHYDRATE)
        chosen = {**request, "components": [{**request["components"][0], "source": offer["source"]}]}
        if not offer["feasible"]:
            assert not plan(chosen, shelf)["feasible"]
            chosen["tolerance_percent"] = str(offer["tolerance_percent"])
        made = plan(chosen, shelf)
        assert made["feasible"], made["problems"]
        assert sum(float(draw["amount"]["value"]) for draw in made["draws"]) <= lot.free * (1 + 1e-9)
        [found] = made["result"]["concentrations"]
        off = abs(float(found["value"]) / float(target) - 1) * 100
        assert off <= made["tolerance_percent"] * 1.01
