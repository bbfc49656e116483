"""Reading the contract's JSON: everything that is wrong is said at its field, nothing is repaired."""

import copy
import json
import math

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from prepdesk.calc.apparatus import standard_set
from prepdesk.calc.catalogue import standard_catalogue
from prepdesk.calc.errors import RequestRefused
from prepdesk.calc.model import Shelf
from prepdesk.calc.preview import preview
from prepdesk.calc.request import read_request
from tests.calc.orders import EMPTY, component, one, order, plan, shelf_with, solid

ONE_MOLAR = {"value": "1", "unit": "mol/L"}
GOOD = one("NaCl", "2.00", "mol/L")


def refused(request: object, shelf: Shelf = EMPTY) -> dict[str, str]:
    """Codes by field of a request that must be refused."""
    with pytest.raises(RequestRefused) as caught:
        preview(request, catalogue=standard_catalogue(), shelf=shelf)
    for error in caught.value.errors:
        assert error.text.strip()
        assert error.text[0].isupper() or not error.text[0].isalpha()
    return {error.field: error.code for error in caught.value.errors}


def changed(path: str, value: object) -> dict:
    """The good request with one field set; numbers in the path are places in a list."""
    request = copy.deepcopy(GOOD)
    spot: object = request
    *way, last = path.split(".")
    for word in way:
        spot = spot[int(word)] if isinstance(spot, list) else spot.setdefault(word, {})
    if isinstance(spot, list):
        spot[int(last)] = value
    else:
        spot[last] = value
    return request


@pytest.mark.parametrize("raw", [None, [], "", "text", 1, 1.5, True, [GOOD]])
def test_anything_but_an_object_is_refused(raw):
    assert refused(raw) == {"": "not_an_object"}


def test_an_empty_object_lists_what_is_missing():
    assert refused({}) == {"components": "required", "volume": "required"}


def test_every_error_is_collected_at_its_own_field():
    request = order(
        component("NaCl", "NaN", "mol/L"),
        component("unobtainium chloride", "1", "furlong"),
        component("", "-1", "mol"),
        volume="0",
        tolerance_percent=-1,
        temperature_c=99,
        equipment="hammer",
    )
    assert refused(request) == {
        "components.0.target.value": "not_a_number",
        "components.1.substance": "unknown_substance",
        "components.1.target.unit": "unknown_unit",
        "components.2.substance": "required",
        "components.2.target.value": "not_positive",
        "components.2.target.unit": "unknown_unit",
        "volume.value": "not_positive",
        "tolerance_percent": "not_positive",
        "temperature_c": "out_of_range",
        "equipment": "unknown_choice",
    }


@pytest.mark.parametrize(
    ("typed", "code"),
    [
        ("NaN", "not_a_number"),
        ("Infinity", "not_a_number"),
        ("-Infinity", "not_a_number"),
        ("1e31", "out_of_range"),
        ("1e-31", "out_of_range"),
        ("0", "not_positive"),
        ("-2", "not_positive"),
        ("1.2.3", "two_separators"),
        ("0x10", "not_a_number"),
        ("1_000", "not_a_number"),
        ("１", "not_a_number"),
        ("", "required"),
        (None, "required"),
        (2.0, "not_text"),
        (2, "not_text"),
        (True, "not_text"),
        (["2"], "not_text"),
        ("9" * 5000, "too_long"),
    ],
)
def test_a_value_is_a_plain_decimal_in_a_string(typed, code):
    assert refused(changed("components.0.target.value", typed)) == {"components.0.target.value": code}
    assert refused(changed("volume.value", typed)) == {"volume.value": code}


@pytest.mark.parametrize("typed", ["2.00", " 2.00 ", "2,00", "2.00e0", "+2.00"])
def test_the_same_number_in_other_writing_gives_the_same_plan(typed):
    answer = plan(changed("components.0.target.value", typed))
    assert answer["steps"][0]["quantity"]["value"] == "58.44"
    assert answer["tolerance_percent"] == 0.25


@pytest.mark.parametrize("field", ["tolerance_percent", "temperature_c"])
@pytest.mark.parametrize(
    ("raw", "code"),
    [
        (True, "not_a_number"),
        (math.nan, "not_a_number"),
        (math.inf, "not_a_number"),
        ("NaN", "not_a_number"),
        (10**400, "out_of_range"),
        (1e300, "out_of_range"),
        ([], "not_text"),
        ({}, "not_text"),
        ("warm", "not_a_number"),
    ],
)
def test_tolerance_and_temperature_take_finite_numbers_or_text(field, raw, code):
    assert refused(changed(field, raw)) == {field: code}


@pytest.mark.parametrize("raw", ["0.5", 0.5, "0,5", 1, 50, "50"])
def test_a_tolerance_may_be_text_or_number(raw):
    assert plan(changed("tolerance_percent", raw))["tolerance_basis"] == "stated"


@pytest.mark.parametrize("raw", [0, "0", -0.0, 50.001, "51"])
def test_a_tolerance_lies_above_zero_and_up_to_fifty(raw):
    assert list(refused(changed("tolerance_percent", raw))) == ["tolerance_percent"]


@pytest.mark.parametrize(
    ("raw", "fine"), [(0, True), (60, True), ("25.5", True), (-0.1, False), (60.1, False)]
)
def test_a_temperature_lies_between_zero_and_sixty_degrees(raw, fine):
    request = changed("temperature_c", raw)
    if fine:
        assert plan(request)["temperature_c"] == float(raw)
    else:
        assert refused(request) == {"temperature_c": "out_of_range"}


def test_thirteen_components_are_too_many_and_twelve_are_not():
    assert refused(order(*[component("NaCl", "0.1", "mol/L")] * 13)) == {"components": "too_many"}
    assert plan(order(*[component("NaCl", "0.01", "mol/L")] * 12))["components"]


def test_normality_needs_its_equivalents():
    assert refused(one("H2SO4", "0.1", "eq/L")) == {"components.0.equivalents": "required"}
    assert refused(one("H2SO4", "0.1", "eq/L", equivalents="1.5")) == {
        "components.0.equivalents": "out_of_range"
    }
    assert refused(one("H2SO4", "0.1", "eq/L", equivalents=True)) == {
        "components.0.equivalents": "not_a_number"
    }
    answer = plan(one("KMnO4", "0.10", "eq/L", "1000", equivalents=5))
    assert answer["components"][0]["equivalents"] == 5
    assert answer["title"] == "0.10 eq/L potassium permanganate (5 eq/mol)"
    assert refused(one("H2SO4", "0.1", "eq/l")) == {"components.0.equivalents": "required"}


def test_a_name_with_two_forms_asks():
    assert refused(one("copper sulfate", "0.1", "mol/L")) == {"components.0.substance": "ambiguous_substance"}


def test_another_chemistry_than_the_substance_is_refused_as_a_source():
    acid = {"kind": "solid", "formula": "Na2C10H14N2O8.2H2O"}
    assert refused(one("EDTA, free acid", "0.1", "mol/L", source=acid)) == {
        "components.0.source.formula": "different_substance"
    }
    hydrate = {"kind": "solid", "formula": "CuSO4.H2O", "assay_percent": 99}
    assert plan(one("CuSO4", "0.1", "mol/L", source=hydrate))["feasible"]


def test_a_solid_has_no_volume_percent():
    assert refused(one("NaCl", "5", "% v/v")) == {"components.0.target.unit": "unit_needs_liquid"}


@pytest.mark.parametrize(
    ("source", "errors"),
    [
        ({}, {"kind": "unknown_choice"}),
        ({"kind": []}, {"kind": "unknown_choice"}),
        ({"kind": "gas"}, {"kind": "unknown_choice"}),
        ({"kind": "solid", "formula": 5}, {"formula": "not_text"}),
        ({"kind": "solid", "formula": "NaC?"}, {"formula": "not_a_formula"}),
        ({"kind": "solid", "formula": "KCl"}, {"formula": "different_substance"}),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": 101}, {"assay_percent": "out_of_range"}),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": True}, {"assay_percent": "not_a_number"}),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": "0"}, {"assay_percent": "not_positive"}),
        ({"kind": "liquid"}, {"mass_percent": "required"}),
        ({"kind": "liquid", "mass_percent": "37", "density": "1.19"}, {"density": "not_an_object"}),
        (
            {"kind": "liquid", "mass_percent": "37", "density": {"value": "1190", "unit": "g/mL"}},
            {"density.value": "out_of_range"},
        ),
        (
            {"kind": "liquid", "mass_percent": "37", "density": {"value": "1.19", "unit": "lb/gal"}},
            {"density.unit": "unknown_unit"},
        ),
        ({"kind": "solution"}, {"concentration": "required"}),
        (
            {"kind": "solution", "concentration": ONE_MOLAR, "relative_uncertainty_percent": 0},
            {"relative_uncertainty_percent": "not_positive"},
        ),
        ({"kind": "lot"}, {"id": "required"}),
        ({"kind": "lot", "id": "L99999X"}, {"id": "unknown_lot"}),
        ({"kind": "lot", "id": True}, {"id": "not_text"}),
        ({"kind": "lot", "id": 10**5000}, {"id": "unknown_lot"}),
    ],
)  # fmt: skip
def test_a_source_that_can_not_be_read_is_refused_at_its_field(source, errors):
    assert refused(one("NaCl", "0.1", "mol/L", source=source)) == {
        f"components.0.source.{field}": code for field, code in errors.items()
    }


def test_a_lot_of_another_substance_is_refused():
    shelf = shelf_with(solid("4", "potassium-chloride"))
    request = one("NaCl", "0.1", "mol/L", source={"kind": "lot", "id": "4"})
    assert refused(request, shelf) == {"components.0.source.id": "different_substance"}


@pytest.mark.parametrize("named", ["4", 4, "L00004X", "l00004x", " L00004X "])
def test_a_lot_is_found_by_its_id_or_the_code_on_its_label(named):
    shelf = shelf_with(solid("4", "sodium-chloride", assay_percent=99.0))
    answer = plan(one("NaCl", "0.10", "mol/L", source={"kind": "lot", "id": named}), shelf)
    assert answer["steps"][0]["lot"]["code"] == "L00004X"


def test_fields_the_contract_does_not_name_are_ignored():
    extra = {**GOOD, "colour": "blue", "components": [{**GOOD["components"][0], "mood": ["good"]}]}
    assert plan(extra) == plan(GOOD)


@pytest.mark.parametrize(
    ("unit", "value"), [("mL", "500"), ("L", "0.500"), ("uL", "500000"), ("µL", "500000")]
)
def test_the_volume_may_come_in_millilitres_litres_or_microlitres(unit, value):
    request = order(component("NaCl", "2.00", "mol/L"), volume=value, unit=unit)
    assert plan(request)["steps"][0]["quantity"]["value"] == "58.44"


@pytest.mark.parametrize(
    ("value", "unit", "more"),
    [
        ("2.00", "mol/L", {}),
        ("2000", "mmol/L", {}),
        ("2000000", "umol/L", {}),
        ("2.00", "eq/L", {"equivalents": 1}),
        ("116.88", "g/L", {}),
        ("116880", "mg/L", {}),
        ("116880", "ug/mL", {}),
        ("11.688", "% w/v", {}),
    ],
)
def test_every_unit_per_volume_means_the_same_salt(value, unit, more):
    answer = plan(one("NaCl", value, unit, tolerance_percent=1, **more))
    assert float(answer["steps"][0]["quantity"]["value"]) == pytest.approx(58.44, abs=0.05)


def test_half_characters_do_not_come_back_in_the_refusal():
    with pytest.raises(RequestRefused) as caught:
        preview(one("\ud800", "\ud800", "mol/L"), catalogue=standard_catalogue(), shelf=EMPTY)
    for error in caught.value.errors:
        json.dumps(error.text, ensure_ascii=False).encode()


# --- whatever comes in -------------------------------------------------------------------------------
anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["NaCl", "HCl", "2.00", "1e30", "mol/L", "% w/w", "mL", "solid", "lot", "water"]),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(
                [
                    "components",
                    "substance",
                    "target",
                    "value",
                    "unit",
                    "source",
                    "kind",
                    "volume",
                    "formula",
                    "id",
                ]
            )
            | st.text(max_size=5),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


def answered_or_refused(raw: object, shelf: Shelf) -> tuple[dict | None, tuple]:
    """The answer, or the errors of a refusal; anything else that happens is a failure."""
    try:
        return preview(raw, catalogue=standard_catalogue(), shelf=shelf), ()
    except RequestRefused as why:
        return None, why.errors


FUZZ = settings(max_examples=400, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@FUZZ
@given(anything)
def test_whatever_json_comes_in_is_answered_or_refused(raw):
    answer, errors = answered_or_refused(raw, EMPTY)
    assert errors or answer is not None
    json.dumps(answer, allow_nan=False)


VALID = [
    GOOD,
    one("HCl", "1.0", "mol/L", "250", source={"kind": "liquid", "mass_percent": "37"}),
    one(
        "NaCl", "0.100", "mol/L",
        source={"kind": "solution", "concentration": {"value": "2.00", "unit": "mol/L"}},
    ),
    one("CuSO4", "5.0", "% w/w", source={"kind": "solid", "formula": "CuSO4.5H2O", "assay_percent": "99.5"}),
    one("KCl", "0.02", "mol/kg", source={"kind": "lot", "id": "1"}, equipment="shelf"),
    order(component("NaCl", "0.9", "% w/v"), component("ethanol", "5", "% v/v"), temperature_c=25),
    one("phenolphthalein", "1", "% w/v", solvent="ethanol"),
]  # fmt: skip
SHELF = Shelf(lots=(solid("1", "potassium-chloride", 50, assay_percent=99.8),), apparatus=standard_set())


def places(value: object, path: tuple = ()) -> list[tuple]:
    found = [path] if path else []
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        found += places(inner, (*path, key))
    return found


@FUZZ
@given(st.data())
def test_a_valid_request_with_one_field_spoilt_is_answered_or_refused(data):
    request = copy.deepcopy(data.draw(st.sampled_from(VALID)))
    for _ in range(data.draw(st.integers(1, 2))):
        path = data.draw(st.sampled_from(places(request)))
        spot = request
        for key in path[:-1]:
            spot = spot[key]
        numbers = st.sampled_from(["1e30", "1e-30", "0.0000001", "99999", "60", "0", "100", "3,7"])
        spot[path[-1]] = data.draw(anything | numbers)
    answer, errors = answered_or_refused(request, SHELF)
    assert all(error.text for error in errors)
    if answer is not None:
        json.dumps(answer, allow_nan=False)
        stopped = any(problem["severity"] == "stop" for problem in answer["problems"])
        assert answer["feasible"] == (not stopped)


def test_the_reader_alone_gives_a_frozen_record():
    request = read_request(GOOD, standard_catalogue(), EMPTY)
    assert request.components[0].target.number.text == "2.00"
    with pytest.raises(AttributeError):
        request.solvent = "ethanol"
