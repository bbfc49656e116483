"""The preview over HTTP: signed in by session or token, bounded, saving nothing, one shape of error."""

import json
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inventory.models import Hold, Lot, Movement
from prepdesk.accounts.tokens import issue_token
from requests_app.models import Order, Sheet

URL = "/api/v1/preparations/preview/"
SALT = {
    "components": [{"substance": "NaCl", "target": {"value": "2.00", "unit": "mol/L"}}],
    "volume": {"value": "500", "unit": "mL"},
    "equipment": "standard",
}


@pytest.fixture
def ask(instructor):
    """Post a body as the instructor; text is sent as it is."""
    client = Client(raise_request_exception=False)
    client.force_login(instructor)

    def post(body: object, content_type: str = "application/json"):
        text = body if isinstance(body, str | bytes) else json.dumps(body)
        return client.post(URL, text, content_type=content_type)

    return post


def errors_of(response) -> list[dict]:
    found = response.json()["errors"]
    assert all(set(one) == {"field", "code", "text"} and one["text"] for one in found)
    return found


def test_the_address_is_the_one_the_contract_names():
    assert reverse("preparation_preview") == URL


def test_an_order_is_planned_over_the_standard_set(ask):
    response = ask(SALT)
    assert response.status_code == 200
    answer = response.json()
    assert answer["feasible"] is True
    assert answer["steps"][0]["quantity"] == {"value": "58.44", "unit": "g"}
    assert {step["action"] for step in answer["steps"]} <= {
        "weigh", "measure", "dissolve", "transfer", "make_up", "mix", "adjust", "store", "label",
    }  # fmt: skip
    assert answer["result"]["concentrations"][0]["expanded_uncertainty_percent"] > 0
    assert answer["cautions"]
    assert answer["budget"][0]["share_percent"] > 0


def test_the_shelf_of_the_inventory_is_planned_with(ask, bench, bottle):
    lot = bottle("sodium-chloride", "500", assay_percent="99.0")
    answer = ask({**SALT, "equipment": "shelf"}).json()
    assert answer["feasible"] is True
    assert answer["steps"][0]["lot"] == {"id": str(lot.pk), "code": lot.code}
    assert float(answer["steps"][0]["quantity"]["value"]) == pytest.approx(58.44 / 0.99, abs=0.01)
    assert answer["draws"][0]["lot"]["code"] == lot.code


def test_the_shelf_is_the_default_and_a_lot_may_be_named_by_its_code(ask, bench, bottle):
    lot = bottle("sodium-chloride", "500", assay_percent="99.0")
    request = {name: SALT[name] for name in ("components", "volume")}
    request["components"] = [{**SALT["components"][0], "source": {"kind": "lot", "id": lot.code}}]
    answer = ask(request).json()
    assert answer["equipment"] == "shelf"
    assert answer["steps"][0]["lot"]["code"] == lot.code


def test_the_pentahydrate_lot_is_weighed_as_pentahydrate_and_the_anhydrous_as_anhydrous(ask, bench, bottle):
    bottle("copper-sulfate-pentahydrate", "500", assay_percent="100.0")
    request = {
        "components": [{"substance": "CuSO4.5H2O", "target": {"value": "0.100", "unit": "mol/L"}}],
        "volume": {"value": "250", "unit": "mL"},
    }
    answer = ask(request).json()
    assert float(answer["steps"][0]["quantity"]["value"]) == pytest.approx(6.242, abs=0.002)
    anhydrous = {**request, "components": [{**request["components"][0], "substance": "CuSO4"}]}
    refused = ask(anhydrous).json()
    assert refused["feasible"] is False
    assert "6.24" in refused["shortages"][0]["alternatives"][0]


def test_a_shortage_is_an_answer_with_figures_and_not_an_error(ask, bench, bottle):
    bottle("sodium-chloride", "10", assay_percent="100.0")
    response = ask({**SALT, "equipment": "shelf"})
    assert response.status_code == 200
    answer = response.json()
    assert answer["feasible"] is False
    assert answer["problems"][0]["code"] == "out_of_stock"
    assert float(answer["shortages"][0]["missing"]["value"]) == pytest.approx(48.44, abs=0.01)
    assert answer["steps"]


def test_an_expired_bottle_is_not_planned_with(ask, bench, bottle):
    lot = bottle("sodium-chloride", "500", assay_percent="100.0")
    Lot.objects.filter(pk=lot.pk).update(expires_on=timezone.localdate() - timedelta(days=1))
    answer = ask({**SALT, "equipment": "shelf"}).json()
    assert [one["code"] for one in answer["problems"]] == ["not_on_shelf"]


def test_nothing_is_saved(ask, bench, bottle):
    bottle("sodium-chloride", "500", assay_percent="100.0")
    before = [model.objects.count() for model in (Hold, Movement, Lot, Order, Sheet)]
    for _ in range(3):
        ask({**SALT, "equipment": "shelf"})
    assert [model.objects.count() for model in (Hold, Movement, Lot, Order, Sheet)] == before


def test_the_same_question_has_the_same_answer(ask, bench, bottle):
    bottle("sodium-chloride", "500", assay_percent="100.0")
    assert ask({**SALT, "equipment": "shelf"}).json() == ask({**SALT, "equipment": "shelf"}).json()


# --- who may ask ------------------------------------------------------------------------------------
@pytest.mark.parametrize("role", ["instructor", "prep", "manager"])
def test_any_role_may_ask(role, person):
    client = Client()
    client.force_login(person("somebody", role))
    assert client.post(URL, json.dumps(SALT), content_type="application/json").status_code == 200


def test_nobody_signed_in_is_told_to_sign_in(db):
    response = Client().post(URL, json.dumps(SALT), content_type="application/json")
    assert response.status_code == 401
    assert errors_of(response)


def test_a_token_serves_as_well_as_a_session(instructor):
    _, key = issue_token(actor=instructor, name="spreadsheet")
    response = Client().post(
        URL, json.dumps(SALT), content_type="application/json", headers={"Authorization": f"Token {key}"}
    )
    assert response.status_code == 200


def test_a_session_needs_the_token_against_forged_posts(instructor):
    client = Client(enforce_csrf_checks=True)
    client.force_login(instructor)
    assert client.post(URL, json.dumps(SALT), content_type="application/json").status_code == 403


def test_reading_the_address_is_not_a_question(instructor):
    client = Client()
    client.force_login(instructor)
    assert client.get(URL).status_code == 405


# --- what can't be read ------------------------------------------------------------------------------
def test_every_bad_field_comes_back_with_its_path(ask):
    request = {
        "components": [{"substance": "copper sulfate", "target": {"value": "NaN", "unit": "mol/L"}}],
        "volume": {"value": "-1", "unit": "bucket"},
    }
    response = ask(request)
    assert response.status_code == 400
    assert {one["field"]: one["code"] for one in errors_of(response)} == {
        "components.0.substance": "ambiguous_substance",
        "components.0.target.value": "not_a_number",
        "volume.value": "not_positive",
        "volume.unit": "unknown_unit",
    }


@pytest.mark.parametrize(
    "body",
    [
        "",
        "{",
        "nonsense",
        "[1, 2",
        '{"components": NaN}',
        '{"volume": Infinity}',
        b"\xff\xfe\x00",
        b'{"components": "\xff"}',
        "9" * 5000,
    ],
)
def test_what_is_no_json_is_refused_in_the_same_shape(ask, body):
    response = ask(body)
    assert response.status_code == 400
    assert errors_of(response)


@pytest.mark.parametrize("body", ["null", "[]", "3", '"text"', "true"])
def test_what_is_no_object_is_refused_in_the_same_shape(ask, body):
    response = ask(body)
    assert response.status_code == 400
    assert errors_of(response)[0]["code"] == "not_an_object"


def test_json_nested_beyond_reason_is_refused(ask):
    response = ask("[" * 30_000 + "]" * 30_000)
    assert response.status_code == 400
    assert errors_of(response)


def test_a_lone_half_character_is_refused_and_comes_back_readable(ask):
    response = ask(
        '{"components": [{"substance": "\\ud800", "target": {"value": "\\udfff", "unit": "g/L"}}]}'
    )
    assert response.status_code == 400
    assert errors_of(response)


def test_a_body_over_64_kib_is_refused(ask):
    padded = {**SALT, "note": "x" * (64 * 1024)}
    response = ask(padded)
    assert response.status_code == 400
    assert errors_of(response)[0]["code"] == "too_large"
    fits = {**SALT, "note": "x" * (64 * 1024 - len(json.dumps(SALT)) - 100)}
    assert ask(fits).status_code == 200


def test_a_body_that_lies_about_its_length_is_counted(instructor):
    client = Client(raise_request_exception=False)
    client.force_login(instructor)
    body = json.dumps({**SALT, "note": "x" * (70 * 1024)})
    response = client.post(URL, body, content_type="application/json", CONTENT_LENGTH=str(len(body)))
    assert response.status_code == 400


def test_another_type_of_content_is_not_taken(ask):
    assert ask(SALT, content_type="text/plain").status_code == 415


# --- its documentation --------------------------------------------------------------------------------
def test_the_schema_names_the_address_its_fields_and_its_refusals(instructor):
    client = Client()
    client.force_login(instructor)
    schema = client.get("/api/v1/schema/", headers={"Accept": "application/vnd.oai.openapi+json"}).json()
    post = schema["paths"][URL]["post"]
    assert set(post["responses"]) >= {"200", "400"}
    assert schema["components"]["securitySchemes"]["token"]["in"] == "header"
    parts = schema["components"]["schemas"]
    assert {"components", "volume", "tolerance_percent", "temperature_c", "solvent", "equipment"} <= set(
        parts["PreparationRequest"]["properties"]
    )
    assert {"feasible", "steps", "result", "budget", "cautions", "problems"} <= set(
        parts["Preparation"]["properties"]
    )
    assert "class" in parts["Apparatus"]["properties"]
    assert "errors" in parts["Refusal"]["properties"]


def test_the_answer_has_every_field_the_schema_promises(ask, bench, bottle, instructor):
    bottle("sodium-chloride", "500", assay_percent="100.0")
    answer = ask({**SALT, "equipment": "shelf"}).json()
    client = Client()
    client.force_login(instructor)
    schema = client.get("/api/v1/schema/", headers={"Accept": "application/vnd.oai.openapi+json"}).json()
    parts = schema["components"]["schemas"]
    assert set(parts["Preparation"]["required"]) <= set(answer)
    for step in answer["steps"]:
        assert set(parts["Step"]["required"]) <= set(step)
        assert set(step) <= set(parts["Step"]["properties"])
    for row in answer["budget"]:
        assert set(row) == set(parts["BudgetRow"]["properties"])
