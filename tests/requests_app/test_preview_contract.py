"""The preview contract over HTTP as a caller from outside relies on it: units, sources, fields, refusals."""

import json
import re
from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client

from inventory.models import Lot

URL = "/api/v1/preparations/preview/"
ROLES = ("instructor", "prep", "manager")
ACTIONS = {"weigh", "measure", "dissolve", "transfer", "make_up", "mix", "adjust", "store", "label"}
TYPES = {
    "balance", "one-mark flask", "one-mark pipette", "graduated pipette", "burette", "graduated cylinder",
    "piston pipette", "beaker", "conical flask", "carboy",
}  # fmt: skip
DECIMAL = re.compile(r"\d+(\.\d+)?")


@pytest.fixture(params=ROLES)
def each_role(request, person) -> Callable[[Any], Any]:
    """Post as one role after the other."""
    return poster(person("somebody", request.param))


@pytest.fixture
def ask(prep) -> Callable[[Any], Any]:
    return poster(prep)


def poster(user) -> Callable[[Any], Any]:
    client = Client(raise_request_exception=False)
    client.force_login(user)

    def post(body: Any):
        text = body if isinstance(body, str | bytes) else json.dumps(body)
        return client.post(URL, text, content_type="application/json")

    return post


def component(substance: str, value: str, unit: str, **more: Any) -> dict[str, Any]:
    return {"substance": substance, "target": {"value": value, "unit": unit}, **more}


def order(*components: dict[str, Any], volume: str = "500", unit: str = "mL", **more: Any) -> dict[str, Any]:
    return {
        "components": list(components),
        "volume": {"value": volume, "unit": unit},
        "equipment": "standard",
        **more,
    }


SALT = component("NaCl", "2.00", "mol/L")
SOLID = {"kind": "solid", "formula": "CuSO4.5H2O", "assay_percent": "99.5", "assay_tolerance_percent": "0.2"}
LIQUID = {"kind": "liquid", "mass_percent": "37", "density": {"value": "1.18", "unit": "g/mL"}}
STOCK = {
    "kind": "solution",
    "concentration": {"value": "1.000", "unit": "mol/L"},
    "relative_uncertainty_percent": "0.2",
    "density": {"value": "1.038", "unit": "g/mL"},
}


# --- the shape of an answer -------------------------------------------------------------------------
def is_quantity(found: Any, *units: str) -> bool:
    """{value, unit}: a plain decimal in a string, as a person would write it."""
    return (
        isinstance(found, dict)
        and {"value", "unit"} <= set(found)
        and DECIMAL.fullmatch(found["value"]) is not None
        and (found["unit"] in units if units else isinstance(found["unit"], str))
    )


def is_number(found: Any) -> bool:
    return isinstance(found, int | float) and not isinstance(found, bool)


def check_equipment(found: dict[str, Any]) -> None:
    assert found["type"] in TYPES
    assert ("nominal" in found) != ("readability" in found)
    if found["type"] == "balance":
        assert is_quantity(found["readability"], "g")
    else:
        assert is_quantity(found["nominal"], "mL", "uL")
    if "tolerance" in found:
        assert is_quantity(found["tolerance"], "mL", "g", "uL")
    assert isinstance(found["class"], str)


def check_steps(steps: list[dict[str, Any]]) -> None:
    assert [step["number"] for step in steps] == list(range(1, len(steps) + 1))
    for step in steps:
        assert step["action"] in ACTIONS
        assert step["text"].strip()
        if step["action"] in ("weigh", "measure"):
            assert step["substance"]
            assert is_quantity(step["quantity"], "g" if step["action"] == "weigh" else "mL")
            assert step["equipment"] is not None
        if step["equipment"] is not None:
            check_equipment(step["equipment"])
        if "window" in step:
            assert all(DECIMAL.fullmatch(step["window"][bound]) for bound in ("low", "high"))
    stages = [step["stage"] for step in steps if "stage" in step]
    assert stages == sorted(stages)
    if stages:
        assert len(stages) == len(steps), "every step says its stage where there are several"
        first = [step["action"] for step in steps if step["stage"] == 1]
        assert "make_up" in first, "stage 1 ends with the intermediate made up"


def check_result(result: dict[str, Any], count: int) -> None:
    assert len(result["concentrations"]) == count
    for one in result["concentrations"]:
        assert isinstance(one["substance"], str)
        assert is_quantity(one)
        assert is_number(one["expanded_uncertainty_percent"])
        assert one["expanded_uncertainty_percent"] > 0
    if result["density"] is not None:
        assert is_quantity(result["density"], "g/mL")
        assert result["density"]["basis"].strip()
    if result["mass_of_solution"] is not None:
        assert is_quantity(result["mass_of_solution"], "g")


def check_answer(answer: dict[str, Any], count: int) -> None:
    """The contract's table of the answer, field by field."""
    assert answer["feasible"] in (True, False)
    check_steps(answer["steps"])
    check_result(answer["result"], count)
    for index in range(count):
        rows = [row for row in answer["budget"] if row["component"] == index]
        assert rows, "a budget per component"
        assert all(isinstance(row["input"], str) for row in rows)
        assert all(is_number(row["relative_standard_uncertainty_percent"]) for row in rows)
        assert sum(row["share_percent"] for row in rows) == pytest.approx(100, abs=0.3)
    for caution in answer["cautions"]:
        assert caution["code"]
        assert caution["text"].strip()
    for problem in answer["problems"]:
        assert set(problem) == {"code", "text", "severity"}
        assert problem["severity"] in ("stop", "warn")
    stops = [problem for problem in answer["problems"] if problem["severity"] == "stop"]
    assert answer["feasible"] == (not stops)


# --- every role -------------------------------------------------------------------------------------
def test_each_role_gets_the_whole_answer(each_role):
    response = each_role(order(SALT))
    assert response.status_code == 200
    assert response["Content-Type"].startswith("application/json")
    check_answer(response.json(), 1)


def test_each_role_gets_the_same_refusals(each_role):
    response = each_role(order(component("NaCl", "abc", "mol/L")))
    assert response.status_code == 400
    assert [one["field"] for one in response.json()["errors"]] == ["components.0.target.value"]


# --- every unit, source and choice ------------------------------------------------------------------
@pytest.mark.parametrize(
    ("value", "unit", "grams_per_litre"),
    [
        # By the definition of each unit; 58.44 g/mol and a density of 1.04 g/mL near 1 mol/L (CRC Handbook).
        ("1.00", "mol/L", 58.44),
        ("100", "mmol/L", 5.844),
        ("50000", "umol/L", 2.922),
        ("1.00", "eq/L", 58.44),
        ("10.0", "g/L", 10.0),
        ("2000", "mg/L", 2.0),
        ("1500", "ug/mL", 1.5),
        ("1.00", "% w/v", 10.0),
        ("5.0", "% w/w", 51.7),
        ("1.0", "mol/kg", 57.3),
        ("20000", "mg/kg", 20.25),
    ],
)
def test_every_unit_of_the_contract_is_understood(ask, value, unit, grams_per_litre):
    more = {"equivalents": 1} if unit == "eq/L" else {}
    response = ask(order(component("NaCl", value, unit, **more), volume="1000", tolerance_percent="1"))
    assert response.status_code == 200
    answer = response.json()
    check_answer(answer, 1)
    assert answer["feasible"]
    assert answer["result"]["concentrations"][0]["unit"] == unit
    [salt] = [step for step in answer["steps"] if step["action"] == "weigh" and step["substance"] != "water"]
    litres = float(answer["makes"]["value"]) / 1000
    assert float(salt["quantity"]["value"]) / litres == pytest.approx(grams_per_litre, rel=0.01)


def test_volume_per_cent_of_a_liquid_is_understood(ask):
    source = {"kind": "liquid", "mass_percent": "100"}
    answer = ask(order(component("ethanol", "10", "% v/v", source=source))).json()
    check_answer(answer, 1)
    assert answer["feasible"]
    assert answer["result"]["concentrations"][0]["unit"] == "% v/v"


@pytest.mark.parametrize("named", ["NaCl", "sodium chloride", "Sodium Chloride", "7647-14-5"])
def test_a_substance_is_known_by_name_cas_number_and_formula(ask, named):
    answer = ask(order(component(named, "2.00", "mol/L"))).json()
    assert answer["steps"][0]["quantity"] == {"value": "58.44", "unit": "g"}


@pytest.mark.parametrize("formula", ["CuSO4.5H2O", "CuSO4*5H2O"])
def test_a_hydrate_is_known_by_both_spellings_of_the_contract(ask, formula):
    answer = ask(order(component(formula, "0.100", "mol/L"), volume="250")).json()
    assert float(answer["steps"][0]["quantity"]["value"]) == pytest.approx(6.242, abs=0.003)


@pytest.mark.parametrize(
    ("name", "value", "source", "action"),
    [
        ("CuSO4.5H2O", "0.100", SOLID, "weigh"),
        ("CuSO4.5H2O", "0.10", {"kind": "solid", "formula": "CuSO4.5H2O", "assay_percent": "99"}, "weigh"),
        ("HCl", "0.10", LIQUID, "measure"),
        ("HCl", "0.10", {"kind": "liquid", "mass_percent": "36"}, "measure"),
        ("NaCl", "0.100", STOCK, "measure"),
        ("NaCl", "0.10", {"kind": "solution", "concentration": {"value": "58.4", "unit": "g/L"}}, "measure"),
    ],
)
def test_every_kind_of_source_is_taken(ask, name, value, source, action):
    answer = ask(order(component(name, value, "mol/L", source=source))).json()
    check_answer(answer, 1)
    assert answer["feasible"], answer["problems"]
    taken = [step for step in answer["steps"] if step["action"] in ("weigh", "measure")]
    assert taken[0]["action"] == action


@pytest.mark.parametrize("by", ["pk", "code"])
def test_a_lot_of_the_inventory_is_a_source(ask, salt: Lot, by):
    source = {"kind": "lot", "id": str(getattr(salt, by))}
    answer = ask(order({**SALT, "source": source})).json()
    check_answer(answer, 1)
    assert answer["feasible"]
    assert answer["steps"][0]["lot"] == {"id": str(salt.pk), "code": salt.code}


@pytest.mark.parametrize("equipment", ["shelf", "standard"])
def test_both_choices_of_equipment_answer_in_the_same_shape(ask, salt: Lot, equipment):
    answer = ask(order(SALT, equipment=equipment)).json()
    check_answer(answer, 1)
    assert answer["equipment"] == equipment
    assert answer["feasible"]


def test_what_is_left_out_has_the_values_of_the_contract(ask, salt: Lot):
    answer = ask({"components": [SALT], "volume": {"value": "500", "unit": "mL"}}).json()
    check_answer(answer, 1)
    assert answer["temperature_c"] == 20
    assert answer["solvent"] == "water"
    assert answer["equipment"] == "shelf"
    # Half a unit of the last digit of 2.00.
    assert answer["tolerance_percent"] == pytest.approx(0.25)


@pytest.mark.parametrize(("typed", "percent"), [("2.0", 2.5), ("2.00", 0.25), ("2", 5.0), ("0.5", 5.0)])
def test_the_digits_typed_imply_the_tolerance_and_never_more_than_five_per_cent(ask, typed, percent):
    answer = ask(order(component("NaCl", typed, "mol/L"))).json()
    assert answer["tolerance_percent"] == pytest.approx(percent)


def test_several_components_are_answered_one_by_one(ask):
    parts = [
        component("NaCl", "0.154", "mol/L"),
        component("KCl", "0.40", "g/L"),
        component("MgCl2.6H2O", "2.0", "mmol/L"),
    ]
    answer = ask(order(*parts, volume="1", unit="L", tolerance_percent="2")).json()
    check_answer(answer, 3)
    assert [one["unit"] for one in answer["result"]["concentrations"]] == ["mol/L", "g/L", "mmol/L"]
    assert {row["component"] for row in answer["budget"]} == {0, 1, 2}


def test_twelve_components_are_answered(ask):
    salts = ["NaCl", "KCl", "KNO3", "NaNO3", "KBr", "NaBr", "NH4Cl", "NH4NO3", "KI", "K2SO4", "KSCN", "NaF"]
    response = ask(order(*[component(salt, "0.010", "mol/L") for salt in salts], tolerance_percent="5"))
    assert response.status_code == 200
    check_answer(response.json(), 12)


def test_an_intermediate_solution_has_its_stages(ask):
    answer = ask(order(component("KMnO4", "1.00", "mg/L"), volume="1000")).json()
    check_answer(answer, 1)
    assert {step["stage"] for step in answer["steps"]} >= {1, 2}
    first = [step["action"] for step in answer["steps"] if step["stage"] == 1]
    assert first.index("make_up") > first.index("weigh")


@pytest.mark.parametrize(
    ("request_", "code"),
    [
        (order(component("KNO3", "5.0", "mol/L")), "over_solubility"),
        (order(component("NaCl", "2.0", "mol/L", source=STOCK)), "above_source"),
        (order(component("NaCl", "0.10", "mol/L"), volume="1e9"), "no_vessel"),
        (order(component("HCl", "0.1000", "mol/L")), "tolerance_not_reachable"),
        (order(SALT, equipment="shelf"), "not_on_shelf"),
    ],
)
def test_what_chemistry_forbids_is_an_answer_with_a_stop(ask, request_, code):
    response = ask(request_)
    assert response.status_code == 200
    answer = response.json()
    assert answer["feasible"] is False
    stops = {
        problem["code"]: problem["text"] for problem in answer["problems"] if problem["severity"] == "stop"
    }
    assert code in stops
    assert len(stops[code]) > 20, "the text says why"


@pytest.mark.parametrize(
    "request_",
    [
        order(SALT, volume="55000"),
        order(component("HCl", "0.5", "umol/L"), volume="100"),
        order(component("NaCl", "1", "ug/mL"), volume="10"),
        order(component("NaCl", "1e-6", "mol/L"), volume="1000"),
        order(component("sulfuric acid", "17", "mol/L"), volume="60", unit="L"),
    ],
)
def test_no_figure_of_an_answer_has_an_exponent(ask, request_):
    answer = ask(request_).json()
    for part in answer["components"]:
        # The target comes back as it was typed, with whatever exponent.
        part.pop("target")
    check_exponents(answer)


def check_exponents(found: Any) -> None:
    if isinstance(found, dict):
        if set(found) >= {"value", "unit"}:
            assert "e" not in found["value"].lower(), found
        for inside in found.values():
            check_exponents(inside)
    elif isinstance(found, list):
        for inside in found:
            check_exponents(inside)


# --- refusals ---------------------------------------------------------------------------------------
def refused(response) -> dict[str, str]:
    """Fields and codes of a refusal, whose shape and words are checked on the way."""
    assert response.status_code == 400, response.content[:300]
    body = response.json()
    assert set(body) == {"errors"}
    for error in body["errors"]:
        assert set(error) == {"field", "code", "text"}
        assert re.fullmatch(r"[a-z_]+", error["code"])
        assert len(error["text"]) > 10, "the text says what would be accepted"
    return {error["field"]: error["code"] for error in body["errors"]}


BAD_NUMBERS = {
    "letters": "abc",
    "NaN": "NaN",
    "infinity": "Infinity",
    "minus infinity": "-inf",
    "an exponent past thirty": "1e400",
    "an exponent of thirty-one": "1e31",
    "a tiny exponent": "1e-400",
    "negative": "-1",
    "zero": "0",
    "zero with digits": "0.000",
    "empty": "",
    "blank": "   ",
    "hexadecimal": "0x10",
    "an expression": "1+1",
    "an underscore": "1_000",
    "two points": "1.2.3",
    "text and a number": "2 M",
    "a very long number": "1" * 500,
    "null": None,
    "a truth value": True,
    "a list": ["1"],
    "an object": {"value": "1"},
}


@pytest.mark.parametrize("value", BAD_NUMBERS.values(), ids=BAD_NUMBERS)
def test_an_amount_that_is_no_positive_decimal_is_refused_at_its_field(ask, value):
    assert set(refused(ask(order(component("NaCl", value, "mol/L"))))) == {"components.0.target.value"}
    assert set(refused(ask(order(SALT, volume=value)))) == {"volume.value"}


@pytest.mark.parametrize("value", ["1e30", "1e-30", "1E-3", "2,5", " 2.5 ", "+2.5"])
def test_an_amount_at_the_edge_of_what_is_allowed_is_answered_or_refused_but_never_fails(ask, value):
    assert ask(order(component("NaCl", value, "mol/L"))).status_code in (200, 400)
    assert ask(order(SALT, volume=value)).status_code in (200, 400)


@pytest.mark.parametrize("unit", ["", "N", "mol", "M", "mL", "%", "ppm", "MOL/L", None, 5, ["mol/L"], {}])
def test_an_unknown_unit_is_refused_with_the_list(ask, unit):
    response = ask(order({"substance": "NaCl", "target": {"value": "1.0", "unit": unit}}))
    assert refused(response) == {"components.0.target.unit": "unknown_unit"}
    assert "mol/L" in response.json()["errors"][0]["text"]


@pytest.mark.parametrize("unit", ["", "gal", "g", "mol/L", "ML", None, 1])
def test_an_unknown_unit_of_the_volume_is_refused(ask, unit):
    response = ask({**order(SALT), "volume": {"value": "500", "unit": unit}})
    assert refused(response) == {"volume.unit": "unknown_unit"}
    assert "mL" in response.json()["errors"][0]["text"]


@pytest.mark.parametrize(
    "substance",
    ["unobtainium", "Xx2O", "NaCl)", "((NaCl", "Na$Cl", "CuSO4.xH2O", "CuSO4..5H2O", "H2O" * 60,
     "7647-14-6", "", "   ", None, 5, ["NaCl"], {"name": "NaCl"}, True],
)  # fmt: skip
def test_a_substance_that_is_unknown_or_unparsable_is_refused(ask, substance):
    assert set(refused(ask(order(component(substance, "1.0", "mol/L"))))) == {"components.0.substance"}


@pytest.mark.parametrize(
    ("source", "field"),
    [
        ({"kind": "gas"}, "kind"),
        ({}, "kind"),
        ("solid", ""),
        ([], ""),
        ({"kind": "solid", "formula": "((", "assay_percent": "99"}, "formula"),
        ({"kind": "solid", "formula": "KCl", "assay_percent": "99"}, "formula"),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": "0"}, "assay_percent"),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": "101"}, "assay_percent"),
        ({"kind": "solid", "formula": "NaCl", "assay_percent": "NaN"}, "assay_percent"),
        ({"kind": "liquid", "mass_percent": "-5"}, "mass_percent"),
        ({"kind": "liquid"}, "mass_percent"),
        ({"kind": "solution"}, "concentration"),
        ({"kind": "solution", "concentration": {"value": "0", "unit": "mol/L"}}, "concentration.value"),
        ({"kind": "solution", "concentration": {"value": "1", "unit": "N"}}, "concentration.unit"),
        ({"kind": "lot"}, "id"),
        ({"kind": "lot", "id": "999999"}, "id"),
    ],
)
def test_a_source_that_can_not_be_used_is_refused_at_its_field(ask, source, field):
    found = refused(ask(order({**SALT, "source": source})))
    prefix = "components.0.source"
    assert f"{prefix}.{field}".rstrip(".") in found
    assert all(name.startswith(prefix) for name in found)


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"components": []}, "components"),
        ({"components": None}, "components"),
        ({"components": "NaCl"}, "components"),
        ({"components": {"0": SALT}}, "components"),
        ({"components": [None]}, "components.0"),
        ({"components": ["NaCl"]}, "components.0"),
        ({"components": [SALT] * 13}, "components"),
        ({"components": [{"target": SALT["target"]}]}, "components.0.substance"),
        ({"components": [{"substance": "NaCl"}]}, "components.0.target"),
        ({"components": [{"substance": "NaCl", "target": "2.00 mol/L"}]}, "components.0.target"),
        ({"components": [component("NaCl", "1", "eq/L")]}, "components.0.equivalents"),
        ({"components": [component("NaCl", "1", "eq/L", equivalents="half")]}, "components.0.equivalents"),
        ({"components": [component("NaCl", "1", "eq/L", equivalents=0)]}, "components.0.equivalents"),
        ({"components": [component("NaCl", "1", "eq/L", equivalents=1.5)]}, "components.0.equivalents"),
        ({"components": [component("NaCl", "10", "% v/v")]}, "components.0.target.unit"),
        ({"volume": None}, "volume"),
        ({"volume": "500 mL"}, "volume"),
        ({"volume": 500}, "volume"),
        ({"volume": ["500", "mL"]}, "volume"),
        ({"tolerance_percent": "loose"}, "tolerance_percent"),
        ({"tolerance_percent": 0}, "tolerance_percent"),
        ({"tolerance_percent": -1}, "tolerance_percent"),
        ({"tolerance_percent": "Infinity"}, "tolerance_percent"),
        ({"tolerance_percent": True}, "tolerance_percent"),
        ({"tolerance_percent": {}}, "tolerance_percent"),
        ({"temperature_c": "warm"}, "temperature_c"),
        ({"temperature_c": "NaN"}, "temperature_c"),
        ({"temperature_c": -300}, "temperature_c"),
        ({"temperature_c": [20]}, "temperature_c"),
        ({"equipment": "borrowed"}, "equipment"),
        ({"equipment": 1}, "equipment"),
        ({"equipment": ["shelf"]}, "equipment"),
        ({"solvent": 5}, "solvent"),
        ({"solvent": ["water"]}, "solvent"),
    ],
)
def test_a_field_of_the_wrong_kind_is_refused_at_its_address(ask, changed, field):
    assert set(refused(ask({**order(SALT), **changed}))) == {field}


def test_an_empty_object_names_what_is_missing(ask):
    assert set(refused(ask({}))) == {"components", "volume"}


def test_a_body_of_65_kib_is_refused_however_it_is_filled(ask):
    many = order(*[component("NaCl", "1.0", "mol/L", note="x" * 5000) for _ in range(13)])
    assert len(json.dumps(many)) > 65 * 1000
    assert refused(ask(json.dumps(many) + " " * 1600)) == {"": "too_large"}


@pytest.mark.parametrize("text", ["1e400", "NaN", "-Infinity", "1" * 400])
def test_a_json_number_beyond_reason_is_refused_too(ask, text):
    body = json.dumps(order(SALT))[:-1] + f', "tolerance_percent": {text}}}'
    assert ask(body).status_code == 400


# --- nobody signed in -------------------------------------------------------------------------------
@pytest.mark.parametrize(
    "headers",
    [{}, {"Authorization": "Token nonsense"}, {"Authorization": "Token "}, {"Authorization": "Bearer x"}],
)
def test_nobody_and_a_wrong_token_are_told_to_sign_in(db, headers):
    response = Client().post(URL, json.dumps(order(SALT)), content_type="application/json", headers=headers)
    assert response.status_code == 401


def test_a_person_who_has_left_is_nobody(person):
    user = person("gone", "instructor")
    post = poster(user)
    assert post(order(SALT)).status_code == 200
    user.is_active = False
    user.save()
    assert post(order(SALT)).status_code == 401
