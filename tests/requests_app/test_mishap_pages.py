"""The pages of what goes wrong at the bench: by a press, with what it does said before and after."""

import re

import pytest
from django.urls import reverse

from inventory.models import ApparatusItem, Lot
from inventory.services import add_waste_stream, hold_stock
from requests_app.models import Batch, Mishap, StepRecord
from requests_app.services.claiming import claim_batch
from tests.requests_app.test_batches import do_steps

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("any_draw")]


@pytest.fixture
def batch(salt, send, prep, client) -> Batch:
    """A litre of 2.00 mol/L sodium chloride, claimed by the person who is signed in."""
    client.force_login(prep)
    return claim_batch(actor=prep, batch=send().batch)


def address(batch: Batch, number: int = 1, query: str = "") -> str:
    return reverse("requests_app:mishap", args=[batch.reference, number]) + query


def step(batch: Batch, number: int) -> str:
    return reverse("requests_app:step", args=[batch.reference, number])


def guards(client, at: str) -> dict[str, str]:
    page = client.get(at).content.decode()
    return {name: re.search(rf'name="{name}" value="([^"]*)"', page)[1] for name in ("key", "version")}


def press(client, batch: Batch, number: int, what: str, query: str = "", follow: bool = False, **typed):
    at = address(batch, number)
    sent = {**guards(client, f"{at}?what={what}{query}"), "what": what, **typed}
    return client.post(at, sent, follow=follow)


def test_what_can_go_wrong_is_offered_as_buttons_and_only_where_it_can(client, batch, prep):
    page = client.get(address(batch)).content.decode()
    for words in ("Some was spilled", "Past the mark", "Something broke", "What is in work is lost"):
        assert words in page
    do_steps(batch, prep, until=1)
    at_dissolving = client.get(address(batch, 2)).content.decode()
    assert "Some was spilled" in at_dissolving
    assert "Past the mark" not in at_dissolving


def test_a_spill_is_noted_with_one_figure_and_stands_on_the_page_of_the_batch(client, batch, salt):
    answer = press(client, batch, 1, "spilled", lot=salt.code, how="bottle", amount="2,5", follow=True)
    assert answer.redirect_chain == [(step(batch, 1), 302)]
    assert f"what was spilled of {salt.code} is booked out" in answer.content.decode()
    page = client.get(reverse("requests_app:batch", args=[batch.reference])).content.decode()
    assert "What went wrong" in page
    assert f"{salt.code} has no price" in page
    assert Mishap.objects.get().lost[0]["amount"] == "2.5"


@pytest.mark.parametrize("typed", ["", "x", "9999"])
def test_a_figure_that_can_not_be_is_refused_beside_the_field_and_kept(client, batch, salt, typed):
    answer = press(client, batch, 1, "spilled", lot=salt.code, how="bottle", amount=typed)
    assert answer.status_code == 422
    assert f'value="{typed}"' in answer.content.decode() or not typed
    assert not Mishap.objects.exists()


def test_where_there_are_waste_streams_one_is_pressed(client, batch, salt, prep):
    sink = add_waste_stream(actor=prep, name="Sink")
    answer = press(client, batch, 1, "spilled", lot=salt.code, how="bottle", amount="1")
    assert answer.status_code == 422
    press(client, batch, 1, "spilled", lot=salt.code, how="bottle", amount="1", waste_stream=sink.pk)
    assert Mishap.objects.get().waste_stream == sink


def test_what_was_weighed_and_lost_needs_no_figure_and_leads_back_to_its_step(client, batch, salt, prep):
    do_steps(batch, prep, until=1)
    page = client.get(address(batch, 2, "?what=spilled")).content.decode()
    assert "What was read at step 1, 116.88 g" in page
    answer = press(client, batch, 2, "spilled", lot=salt.code, how="1", follow=True)
    assert answer.redirect_chain == [(step(batch, 1), 302)]
    said = answer.content.decode()
    assert "Step 1 is done again, whole and in a clean vessel" in said
    assert "116.88" in said, "the first reading stays in sight"
    assert "Lost, to be done again" in said


def test_a_form_that_arrives_twice_is_one_mishap_and_no_fault(client, batch, salt, prep):
    do_steps(batch, prep, until=1)
    at = address(batch, 1)
    sent = {**guards(client, f"{at}?what=spilled"), "what": "spilled", "lot": salt.code, "how": "1"}
    client.post(at, sent)
    assert client.post(at, sent)["Location"] == reverse("requests_app:batch", args=[batch.reference])
    assert Mishap.objects.count() == 1


def test_when_the_bottle_holds_too_little_then_it_is_said(client, batch, salt, prep):
    free = Lot.objects.get(pk=salt.pk).free
    hold_stock(actor=prep, draws={salt.pk: free}, purpose="an examination", idempotency_key="rest")
    answer = press(client, batch, 1, "spilled", lot=salt.code, how="bottle", amount="10", follow=True)
    assert "106.88 g left for this work, and step 1 needs 116.88 g" in answer.content.decode()


def test_past_the_mark_the_ways_are_worked_out_before_anything_is_recorded(client, batch):
    answer = press(client, batch, 1, "overshot", reading="118.00", check="1")
    said = answer.content.decode()
    assert answer.status_code == 200
    assert "outside the tolerance" in said
    assert "Make it up to 1010 mL" in said
    assert "clean spatula, into the waste and never back into the bottle" in said
    assert not StepRecord.objects.exists()
    press(client, batch, 1, "overshot", reading="118.00", keep="1")
    assert StepRecord.objects.get().reading_text == "118.00"


def test_past_the_mark_of_a_flask_only_giving_up_is_offered(client, batch, prep):
    do_steps(batch, prep, until=3)
    said = client.get(address(batch, 4, "?what=overshot")).content.decode()
    assert "Past this mark nothing can be read" in said
    assert "Give it up" in said
    assert 'name="reading"' not in said


def test_what_broke_is_chosen_from_what_is_used_here_and_counted_one_less(client, batch):
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    page = client.get(address(batch, 3, "?what=broken")).content.decode()
    assert "1000 mL one-mark flask" in page
    assert "25 mL one-mark flask" not in page
    answer = press(client, batch, 3, "broken", item=flask.pk, in_it="empty", follow=True)
    assert "noted as broken: 3 left" in answer.content.decode()


def test_a_broken_flask_with_the_solution_in_it_leads_to_giving_up(client, batch, prep):
    do_steps(batch, prep, until=3)
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="1000")
    answer = press(client, batch, 3, "broken", item=flask.pk, in_it="lost", follow=True)
    said = answer.content.decode()
    assert "What giving up does" in said
    assert "116.88" in said
    assert re.search(r'value="broken"[^>]*checked', said)


def test_giving_up_by_a_press_names_the_second_batch(client, batch, prep):
    do_steps(batch, prep, until=2)
    answer = press(client, batch, 2, "failed", why="dirty", follow=True)
    said = answer.content.decode()
    again = Batch.objects.latest("pk")
    assert again != batch
    assert f"{batch.reference} is given up; made again as {again.reference}." in said
    assert reverse("requests_app:batch", args=[again.reference]) in said
    assert "Dirt or another solution got into it" in said
    assert StepRecord.objects.filter(batch=batch).count() == 2


def test_a_colleague_is_told_who_has_it(client, batch, second_prep):
    client.force_login(second_prep)
    answer = client.get(address(batch))
    assert answer.status_code == 409
    assert "Pia Brook" in answer.content.decode()


def test_a_step_that_is_not_there_is_not_found(client, batch):
    assert client.get(address(batch, 99)).status_code == 404
