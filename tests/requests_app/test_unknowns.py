"""Sets of unknowns: ordered once, each sample alone, made, read in the key, given up."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.selectors import calc_shelf
from prepdesk.accounts.models import Notice
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed
from requests_app import sheets
from requests_app.models import KeyReading, Order, Term, UnknownSample, UnknownSet
from requests_app.sample_codes import is_sound
from requests_app.selectors.unknowns import key_rows, readings_of_key, unknown_set_or_404
from requests_app.services.claiming import claim_batch, put_back_batch
from requests_app.services.closing import finish_batch
from requests_app.services.recording import record_step
from requests_app.services.stopping import stop_batch
from requests_app.services.unknowns import (
    UnknownsDraft,
    cancel_unknowns,
    check_unknowns,
    name_reader,
    open_key,
    order_unknowns,
    remove_reader,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def wanted(salt, sections):
    def make(**changes) -> UnknownsDraft:
        values = {
            "course_id": sections[0].course_id,
            "section_ids": (sections[0].pk,),
            "reader_ids": (),
            "title": "Chloride",
            "substance_key": "sodium-chloride",
            "lowest": parse_number("0.1000"),
            "highest": parse_number("0.2000"),
            "unit": "mol/L",
            "count": 2,
            "spares": 1,
            "apart_percent": parse_number("10"),
            "volume_per_sample": parse_number("250"),
            "volume_unit": "mL",
            "due_at": timezone.now() + timedelta(days=2),
            "room": "210",
            "tolerance_percent": parse_number("1"),
        }
        return UnknownsDraft(**{**values, **changes})

    return make


def make(sample: UnknownSample, maker, *, more: str = "0"):
    batch = Order.objects.get(pk=sample.order_id).batch
    claim_batch(actor=maker, batch=batch)
    for step in sheets.current_sheet(batch).plan["steps"]:
        reading = ""
        if step.get("window"):
            reading = str(Decimal(step["quantity"]["value"]) + Decimal(more))
        record_step(
            actor=maker,
            batch=batch,
            step_number=step["number"],
            reading_text=reading,
            reason="a spatula too much" if reading and Decimal(more) else "",
            idempotency_key=f"{batch.pk}-{step['number']}",
        )
    return finish_batch(actor=maker, batch=batch, reason="kept, the key says so")


def test_a_set_becomes_one_order_for_each_sample_with_a_title_without_figures(wanted, instructor):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    samples = list(made.samples.select_related("order__batch"))
    assert [sample.is_spare for sample in samples] == [False, False, True]
    assert len({sample.order.batch_id for sample in samples}) == 3, "each is made alone"
    for sample in samples:
        order = sample.order
        assert is_sound(sample.code)
        assert (order.state, order.made_alone) == ("queued", True)
        assert (
            order.title == order.batch.title == f"Unknown {sample.code} of {made.reference}, sodium chloride"
        )
        figure = Decimal(order.components.get().target_value)
        assert Decimal("0.1") <= figure <= Decimal("0.2")


def test_the_same_form_sent_twice_draws_once(wanted, instructor):
    draft = wanted()
    first = order_unknowns(actor=instructor, draft=draft, idempotency_key="a")
    assert order_unknowns(actor=instructor, draft=draft, idempotency_key="a") == first
    assert (UnknownSet.objects.count(), Order.objects.count()) == (1, 3)
    with pytest.raises(Conflict):
        order_unknowns(actor=instructor, draft=wanted(count=3, due_at=draft.due_at), idempotency_key="a")


@pytest.mark.parametrize(
    ("changes", "field", "words"),
    [
        ({"count": 30, "spares": 0}, "apart_percent", "At most 8 samples"),
        ({"highest": parse_number("0.0900")}, "highest", "more than the lowest"),
        ({"highest": parse_number("0.20000000")}, "highest", "fewer digits"),
        ({"count": 50}, "count", "at most 40"),
        ({"reader_ids": (99999,)}, "readers", "from the list"),
        ({"tolerance_percent": parse_number("0.001")}, "tolerance_percent", ""),
    ],
)
def test_what_cannot_be_is_said_beside_its_field_and_nothing_is_drawn(
    wanted, instructor, changes, field, words
):
    with pytest.raises(InvalidInput) as refusal:
        check_unknowns(actor=instructor, draft=wanted(**changes))
    assert words in refusal.value.errors[field]
    with pytest.raises(InvalidInput):
        order_unknowns(actor=instructor, draft=wanted(**changes), idempotency_key="a")
    assert not UnknownSet.objects.exists()


def test_neighbours_that_the_tolerance_blurs_are_warned_of(wanted, instructor):
    assert check_unknowns(actor=instructor, draft=wanted()).close == ""
    close = check_unknowns(actor=instructor, draft=wanted(apart_percent=parse_number("1.5")))
    assert "in the other order" in close.close


def test_the_key_says_what_was_made_and_the_shelf_does_not(wanted, instructor, prep):
    """1.0 % more salt in the same flask is 1.0 % more in the bottle: amount divided by volume."""
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    sample = made.samples.first()
    mass = Decimal(sheets.current_sheet(sample.order.batch).plan["steps"][0]["quantity"]["value"])
    more = (mass / 100).quantize(Decimal("0.0001"))
    batch = make(sample, prep, more=str(more))
    row = key_rows(unknown_set_or_404(instructor, made.reference))[0]
    ratio = Decimal(row.made) / Decimal(row.target)
    assert float(ratio) == pytest.approx(1.01, abs=0.0005)
    assert float(row.uncertainty_percent) > 0
    sample.refresh_from_db()
    assert sample.actual_mol_per_l == pytest.approx(float(row.made), rel=1e-4)
    lot = batch.prepared_lot
    assert (lot.composition, lot.concentration_mol_per_l, lot.relative_uncertainty_percent) == ([], "", "")
    assert lot.title.startswith(f"Unknown {sample.code}")
    stop_batch(actor=prep, batch=batch, reason="dropped")
    assert str(lot.pk) not in {one.id for one in calc_shelf().lots}, "nobody plans with what nobody knows"
    sample.refresh_from_db()
    assert sample.actual_mol_per_l is None
    assert key_rows(unknown_set_or_404(instructor, made.reference))[0].made == ""


def test_even_a_manager_does_not_work_for_the_maker_of_an_unknown_but_may_put_it_back(
    wanted, instructor, prep, manager
):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    batch = made.samples.first().order.batch
    claim_batch(actor=prep, batch=batch)
    with pytest.raises(Conflict, match="unknown"):
        record_step(actor=manager, batch=batch, step_number=1, reading_text="1", idempotency_key="m")
    assert put_back_batch(actor=manager, batch=batch, reason="ill").claimed_by is None


def test_every_opening_and_every_claim_stands_in_the_history_of_the_key(
    wanted, instructor, colleague, prep, manager, client
):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    for stranger in (colleague, prep, manager):
        with pytest.raises(NotAllowed):
            open_key(actor=stranger, unknowns=made)
    assert not KeyReading.objects.exists()
    name_reader(actor=instructor, unknowns=made, reader=colleague)
    name_reader(actor=instructor, unknowns=made, reader=colleague)
    client.force_login(colleague)
    address = reverse("requests_app:unknown_key", args=[made.reference])
    assert b"Drawn" not in client.get(address).content
    assert b"Drawn" in client.post(address).content
    client.post(reverse("requests_app:unknown_key_csv", args=[made.reference]))
    sample = made.samples.first()
    claim_batch(actor=prep, batch=sample.order.batch)
    remove_reader(actor=instructor, unknowns=made, reader=colleague)
    assert client.post(address).status_code == 404
    said = [(one.actor, one.what) for one in readings_of_key(unknown_set_or_404(instructor, made.reference))]
    assert said == [
        (instructor, "took Otto Marsh off its readers"),
        (prep, f"claimed {sample.code} to make it"),
        (colleague, "took the key as a file"),
        (colleague, "opened the key"),
        (instructor, "named Otto Marsh to read it"),
    ]


def test_a_manager_names_a_reader_only_with_a_reason_and_whoever_ordered_is_told(
    wanted, instructor, manager, prep
):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    with pytest.raises(InvalidInput) as refusal:
        name_reader(actor=manager, unknowns=made, reader=manager)
    assert "reason" in refusal.value.errors
    with pytest.raises(NotAllowed):
        name_reader(actor=prep, unknowns=made, reader=prep, reason="I would like to")
    name_reader(actor=manager, unknowns=made, reader=manager, reason="Ines is in hospital")
    assert "Ines is in hospital" in Notice.objects.get(person=instructor, kind="key_lent").text
    open_key(actor=manager, unknowns=UnknownSet.objects.get())


def test_cancelling_a_set_leaves_what_is_begun(wanted, instructor, prep, colleague):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    first, second, third = made.samples.all()
    claim_batch(actor=prep, batch=first.order.batch)
    with pytest.raises(NotAllowed):
        cancel_unknowns(actor=colleague, unknowns=made)
    assert cancel_unknowns(actor=instructor, unknowns=made) == ([second.code, third.code], [first.code])
    states = Order.objects.order_by("pk").values_list("state", flat=True)
    assert list(states) == ["in_work", "cancelled", "cancelled"]


def test_a_code_on_a_bottle_leads_to_its_set_and_a_garbled_one_is_called_so(
    wanted, instructor, colleague, client
):
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="a")
    code = made.samples.first().code
    address = reverse("requests_app:unknowns")
    client.force_login(instructor)
    assert made.reference in client.get(address, {"code": code.lower()})["Location"]
    wrong = ("C" if code[0] != "C" else "D") + code[1:]
    assert f"{wrong} is garbled" in client.get(address, {"code": wrong}).content.decode()
    client.force_login(colleague)
    assert "is well read" in client.get(address, {"code": code}).content.decode()


def test_the_form_goes_from_check_to_one_set_and_keeps_what_was_typed(
    wanted, instructor, colleague, sections, client
):
    client.force_login(instructor)
    address = reverse("requests_app:unknowns_new")
    day = timezone.localdate() + timedelta(days=3)
    typed = {
        "key": "form",
        "title": "Chloride, week 7",
        "sections": [sections[0].pk],
        "substance": "sodium chloride",
        "lowest": "0,100",
        "highest": "0.200",
        "unit": "mol/L",
        "count": "2",
        "spares": "",
        "apart_percent": "900",
        "volume_per_sample": "250",
        "volume_unit": "mL",
        "tolerance_percent": "1",
        "readers": [colleague.pk],
        "due_date": day.isoformat(),
        "due_time": "10:00",
        "room": "210",
    }
    refused = client.post(address, {**typed, "step": "check"})
    assert refused.status_code == 422
    assert "At most 1 samples" in refused.content.decode()
    assert 'value="0,100"' in refused.content.decode()
    typed["apart_percent"] = "5"
    checked = client.post(address, {**typed, "step": "check"}).content.decode()
    assert "101 possible concentrations" in checked
    assert not UnknownSet.objects.exists()
    for _ in range(2):
        sent = client.post(address, {**typed, "step": "send"})
        assert sent["Location"].endswith("?sent")
    made = UnknownSet.objects.get()
    assert list(made.readers.all()) == [colleague]
    assert "is sent" in client.get(sent["Location"]).content.decode()
    again = client.post(address, {**typed, "step": "check"})
    assert again["Location"] == reverse("requests_app:unknown_set", args=[made.reference])


def test_sections_of_a_term_that_is_over_are_not_offered(sections, instructor, client):
    today = timezone.localdate()
    over = Term.objects.create(
        code="T0", name="T0", starts_on=today - timedelta(days=90), ends_on=today - timedelta(days=1)
    )
    sections[2].term = over
    sections[2].save()
    client.force_login(instructor)
    page = client.get(reverse("requests_app:unknowns_new")).content.decode()
    assert "Section B" in page
    assert "Section C" not in page
