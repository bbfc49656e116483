# ruff: noqa: F811  (fixtures of another file)
"""The page for a bottle that is empty: what it gave, which bottle goes on, what that does, and one press."""

from datetime import date

import pytest
from django.test import Client
from django.urls import reverse

from inventory.models import Movement
from requests_app import sheets
from requests_app.models import Mishap, StepRecord
from requests_app.services.claiming import claim_batch
from tests.requests_app.test_running_out import batch, first, second, third  # noqa: F401 (fixtures)

pytestmark = pytest.mark.usefixtures("any_draw")


@pytest.fixture
def claimed(prep, batch):
    return claim_batch(actor=prep, batch=batch)


@pytest.fixture
def client(prep) -> Client:
    client = Client()
    client.force_login(prep)
    return client


def address(batch, number: int = 1) -> str:
    return reverse("requests_app:run_out", args=[batch.reference, number])


def sent(batch, **values) -> dict[str, str]:
    return {"key": "a-key", "version": str(batch.version), **values}


def words(answer) -> str:
    return " ".join(answer.content.decode().replace("\u2009", " ").replace("\xa0", " ").split())


def test_the_bench_links_to_it_where_a_step_takes_from_a_bottle(client, claimed):
    page = client.get(reverse("requests_app:step", args=[claimed.reference, 1]))
    assert address(claimed) in page.content.decode()


def test_it_asks_first_what_the_bottle_gave_and_names_what_stands_there(client, claimed, first, second):
    page = words(client.get(address(claimed)))
    assert "What this bottle gave" in page
    assert f"<strong>{second.code}</strong>, assay 99.9 ± 0.1 %" in page
    assert "go_on" not in page


def test_with_that_each_bottle_says_its_figure_and_pressing_one_says_what_it_does(
    client,
    claimed,
    first,
    second,
):
    page = words(client.post(address(claimed), sent(claimed, gave="80.00", look="1")))
    assert "37.7 g</span>" in page or "37.72 g</span>" in page
    assert f'name="lot" value="{second.code}"' in page
    page = words(client.post(address(claimed), sent(claimed, gave="80.00", lot=second.code)))
    assert f"g more from {second.code} (assay 99.9 ± 0.1 %)" in page
    assert "that is written off, and the bottle is marked as empty" in page
    assert StepRecord.objects.count() == 0, "looking changes nothing"


def test_the_press_does_it_once_and_leads_to_the_new_step(client, claimed, second):
    values = sent(claimed, gave="80,00", lot=second.code, go_on="1")
    for _ in range(2):
        answer = client.post(address(claimed), values)
        assert answer.status_code == 302
        assert answer.url == reverse("requests_app:step", args=[claimed.reference, 2])
    assert Mishap.objects.count() == 1
    assert Movement.objects.filter(kind="drawn").count() == 1
    page = words(client.get(answer.url))
    assert "The rest from another bottle." in page
    assert f"Lot {second.code}" in page
    sheet = client.get(reverse("requests_app:sheet", args=[claimed.reference]))
    assert "then the bottle was empty" in sheet.content.decode()


def test_a_scanned_code_counts_and_a_garbled_one_is_told_beside_its_field(client, claimed, second, third):
    page = words(
        client.post(address(claimed), sent(claimed, gave="80.00", code=third.code.lower(), look="1"))
    )
    assert f"more from {third.code}" in page
    answer = client.post(address(claimed), sent(claimed, gave="80.00", code="L99999X", look="1"))
    assert answer.status_code == 422
    assert "No bottle has the code L99999X" in words(answer)
    assert 'value="80.00"' in words(answer), "what was typed stays"


@pytest.mark.parametrize(
    ("gave", "said"), [("", "required"), ("x", "number"), ("118.1", "nothing more is needed")]
)
def test_what_can_not_be_read_or_is_enough_is_told_by_the_field(client, claimed, second, gave, said):
    answer = client.post(address(claimed), sent(claimed, gave=gave, lot=second.code))
    assert answer.status_code == 422
    assert said in words(answer)


def test_a_bottle_of_something_else_is_refused_by_the_code(client, claimed, second, bottle):
    other = bottle("potassium-chloride", "100", assay_percent="99.5")
    answer = client.post(address(claimed), sent(claimed, gave="80.00", code=other.code))
    assert answer.status_code == 422
    assert "does not put the same" in words(answer)


def test_an_older_page_is_told_and_keeps_what_was_typed(client, claimed, second):
    values = sent(claimed, gave="80.00", lot=second.code, go_on="1") | {"version": str(claimed.version - 1)}
    answer = client.post(address(claimed), values)
    assert answer.status_code == 409
    assert 'value="80.00"' in words(answer)
    assert sheets.current_sheet(claimed).revision == 1


def test_somebody_elses_batch_and_other_steps_are_refused(client, second_prep, claimed, second):
    assert client.get(address(claimed, 2)).status_code == 409
    assert client.get(address(claimed, 99)).status_code == 404
    other = Client()
    other.force_login(second_prep)
    assert other.get(address(claimed)).status_code == 409
    values = sent(claimed, gave="80.00", lot=second.code, go_on="1")
    assert other.post(address(claimed), values).status_code == 409
    assert StepRecord.objects.count() == 0


@pytest.mark.parametrize("typed", [{}, {"gave": "x"}, {"gave": "80.00", "code": "L99999X"}])
def test_going_on_at_a_step_that_takes_from_no_bottle_is_refused_in_words(client, claimed, second, typed):
    answer = client.post(address(claimed, 2), sent(claimed, go_on="1", **typed))
    assert answer.status_code == 409
    assert "Step 1 is the present one" in words(answer)


def test_where_nothing_else_stands_there_it_says_what_can_be_done(client, claimed):
    page = words(client.get(address(claimed)))
    assert "No other bottle of sodium chloride stands there" in page
    assert reverse("requests_app:stop", args=[claimed.reference]) in page


def test_a_bottle_that_expired_is_named_as_such(client, claimed, second):
    second.expires_on = date(2020, 1, 1)
    second.save(update_fields=["expires_on"])
    answer = client.post(address(claimed), sent(claimed, gave="80.00", code=second.code))
    assert answer.status_code == 422
    assert "expired on 1 January 2020" in words(answer)
