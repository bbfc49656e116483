"""Substances and places that the department adds to its lists."""

import re

import pytest
from django.core.management import call_command
from django.urls import reverse

from inventory.models import Place, Substance
from inventory.selectors import calc_catalogue, places
from inventory.services import add_place, add_substance, hazard_codes
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.cautions import cautions_for
from prepdesk.core.errors import InvalidInput, NotAllowed
from tests.inventory.test_pages import at_bench, field_errors, words

__all__ = ["at_bench"]
pytestmark = pytest.mark.django_db
NEW = reverse("inventory:substance_new")
PLACES = reverse("inventory:places")


@pytest.fixture
def catalogue(db):
    call_command("load_catalogue", verbosity=0)


@pytest.fixture
def typed():
    return {
        "name": "Barium thiosulfate monohydrate",
        "formula": "BaS2O3*H2O",
        "form": "monohydrate",
        "synonyms": "barium thiosulphate hydrate, own salt",
        "state": "solid",
        "hazards": ["harmful", "eye_protection"],
        "idempotency_key": "s",
    }


def test_a_substance_that_is_added_can_be_planned_with_at_once(at_bench, catalogue, typed):
    response = at_bench.post(NEW, typed, follow=True)
    row = Substance.objects.get(key="barium-thiosulfate-monohydrate")
    assert response.redirect_chain == [(reverse("inventory:substance", args=[row.key]), 302)]
    known = calc_catalogue().resolve("own salt")
    assert (known.formula, known.solute_formula, known.form) == ("BaS2O3.H2O", "BaS2O3", "monohydrate")
    assert [caution.code for caution in cautions_for(known)] == ["eye_protection", "harmful"]
    # Ba 137.327, S 32.06 (twice), O 15.999 (four times), H 1.008 (twice): IUPAC standard atomic weights,
    # abridged, 2021. Sum: 267.459.
    assert molar_mass(known.formula).g_per_mol == pytest.approx(267.459, abs=0.01)
    assert calc_catalogue().resolve("BaS2O3.H2O").key == row.key
    assert "It is harmful if swallowed" in words(response)


def test_without_a_caution_it_stays_not_reviewed(at_bench, catalogue, typed):
    at_bench.post(NEW, {**typed, "hazards": []})
    known = calc_catalogue().by_key("barium-thiosulfate-monohydrate")
    assert [caution.code for caution in cautions_for(known)] == ["not_reviewed"]


def test_another_form_joins_its_family_and_makes_the_common_name_ask(at_bench, catalogue, typed):
    at_bench.post(
        NEW,
        {
            **typed,
            "name": "copper(II) sulfate trihydrate",
            "formula": "CuSO4.3H2O",
            "synonyms": "",
            "form": "trihydrate",
            "another_form_of": "copper-sulfate-pentahydrate",
        },
    )
    forms = calc_catalogue().forms_of(Substance.objects.get(key="copper-sulfate-pentahydrate").family)
    assert "copperii-sulfate-trihydrate" in [form.key for form in forms]


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("name", {"name": ""}),
        ("name", {"name": "sodium chloride"}),
        ("name", {"name": "Table salt"}),
        ("name", {"name": "new"}),
        ("formula", {"formula": ""}),
        ("formula", {"formula": "Xx2"}),
        ("formula", {"formula": "NaCl)"}),
        ("cas", {"cas": "7647-14-6"}),
        ("cas", {"cas": "abc"}),
        ("cas", {"cas": "7647-14-5"}),
        ("synonyms", {"synonyms": "own name\nblue vitriol"}),
        ("state", {"state": "gas"}),
        ("hazards", {"hazards": ["nothing"]}),
        ("another_form_of", {"another_form_of": "no such key"}),
    ],
)
def test_what_cannot_be_or_is_there_already_is_refused_beside_its_field(
    at_bench, catalogue, typed, field, more
):
    before = Substance.objects.count()
    response = at_bench.post(NEW, {**typed, **more})
    assert response.status_code == 422
    assert list(field_errors(response)) == [field]
    assert Substance.objects.count() == before


def test_a_double_click_adds_one_substance_and_both_clicks_lead_to_it(at_bench, catalogue, typed):
    first, again = (at_bench.post(NEW, typed) for _ in range(2))
    assert (first.status_code, again.status_code) == (302, 302)
    assert first["Location"] == again["Location"]
    assert Substance.objects.filter(name=typed["name"]).count() == 1
    afresh = at_bench.post(NEW, {**typed, "idempotency_key": "another"})
    assert "is in the list already" in field_errors(afresh)["name"]
    other = at_bench.post(NEW, {**typed, "name": "Barium thiosulfate dihydrate", "formula": "BaS2O3.2H2O"})
    assert other.status_code == 422
    assert "sent before and added Barium thiosulfate monohydrate" in words(other)


def test_the_cautions_that_may_be_ticked_are_real_and_never_say_that_nobody_looked():
    assert "not_reviewed" not in hazard_codes()
    assert len(hazard_codes()) > 10


def test_substances_and_places_are_added_by_the_stockroom(instructor, typed):
    with pytest.raises(NotAllowed):
        add_substance(actor=instructor, name="x", formula="KI")
    with pytest.raises(NotAllowed):
        add_place(actor=instructor, name="Store")


def test_places_stand_inside_each_other(at_bench):
    at_bench.post(PLACES, {"kind": "room", "name": "Store", "idempotency_key": "p"})
    store = Place.objects.get()
    response = at_bench.post(
        PLACES,
        {"kind": "cabinet", "name": "Cabinet 2", "parent": store.pk, "idempotency_key": "p2"},
        follow=True,
    )
    assert [name for _, name in places()] == ["Store", "Store / Cabinet 2"]
    assert re.search(r"Places / Store Cabinet 2", words(response))


def test_a_place_sent_twice_is_there_once_and_both_sendings_lead_to_it(at_bench):
    for _ in range(2):
        assert (
            at_bench.post(PLACES, {"kind": "room", "name": "Store", "idempotency_key": "p"}).status_code
            == 302
        )
    assert Place.objects.count() == 1
    other = at_bench.post(PLACES, {"kind": "room", "name": "Annexe", "idempotency_key": "p"})
    assert (other.status_code, Place.objects.count()) == (422, 1)


@pytest.mark.parametrize("name", ["", "  ", "store", "x" * 81])
def test_a_place_without_a_name_of_its_own_is_refused(at_bench, prep, name):
    add_place(actor=prep, name="Store")
    response = at_bench.post(PLACES, {"kind": "room", "name": name, "idempotency_key": "p"})
    assert response.status_code == 422
    assert list(field_errors(response)) == ["name"]
    with pytest.raises(InvalidInput):
        add_place(actor=prep, name=name)
