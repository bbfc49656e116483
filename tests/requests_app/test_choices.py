"""What an order is made from, where somebody chooses: in the form, on a waiting order, in the queue."""

import re
from datetime import timedelta
from decimal import Decimal
from html import unescape

import pytest
from django.utils import timezone

from inventory.models import Hold, Lot
from inventory.selectors import stock_differences
from inventory.services import change_lot_state, hold_stock, receive_prepared_lot
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.drafts import DraftComponent, draft_of
from requests_app.models import Order
from requests_app.services.choices import choose_source
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.orders import replan_order, submit_order
from tests.requests_app.conftest import substance_row
from tests.requests_app.test_batches import do_steps
from tests.requests_app.test_order_pages import filled, text_of, value_of

__all__ = ["filled"]

ANHYDROUS, PENTAHYDRATE = "copper-sulfate-anhydrous", "copper-sulfate-pentahydrate"
NEW = "/orders/new/"


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    yield
    assert stock_differences() == []


@pytest.fixture
def white(bench, bottle) -> Lot:
    """Too little of the anhydrous salt."""
    return bottle(ANHYDROUS, "5", assay_percent="99.0", assay_tolerance_percent="0.2")


@pytest.fixture
def blue(bench, bottle) -> Lot:
    """Plenty of the pentahydrate."""
    return bottle(PENTAHYDRATE, "500", assay_percent="99.5", assay_tolerance_percent="0.2")


@pytest.fixture
def leftover(prep):
    """A solution somebody made and did not use up."""

    def make(key: str, mol_per_l: str, volume_ml: int, expires_in: int = 60, **changes) -> Lot:
        substance = substance_row(key)
        number = Lot.objects.count()
        values = {
            "actor": prep,
            "title": f"{mol_per_l} mol/L {substance.name}",
            "substance": substance,
            "composition": [{"substance": substance.name, "value": mol_per_l, "unit": "mol/L"}],
            "concentration_mol_per_l": mol_per_l,
            "relative_uncertainty_percent": "0.3",
            "volume_base": volume_ml * 1000,
            "parents": [],
            "expires_on": timezone.localdate() + timedelta(days=expires_in),
            "idempotency_key": f"leftover-{number}",
        }
        return receive_prepared_lot(**{**values, **changes})

    return make


@pytest.fixture
def waiting(white, blue, send) -> Order:
    """990 mL of 0.10 mol/L anhydrous copper sulfate, for which 16 g are needed and 5 g are there."""
    order = send(substance=ANHYDROUS, target="0.10")
    assert order.state == states.WAITING
    return order


def newest(order: Order) -> int:
    return order.events.latest("pk").pk


def choose(actor, order, lot, component=0, key="k", seen=None):
    return choose_source(
        actor=actor,
        order=order,
        component=component,
        lot=lot,
        seen_event=newest(order) if seen is None else seen,
        idempotency_key=key,
    )


def offered(order: Order) -> list[str]:
    _, plan = sheets.plan_for(draft_of(order))
    return [offer["lot"]["code"] for offer in sheets.offers_in(plan)]


# --- in the form ---------------------------------------------------------------------------------
def test_the_form_offers_what_would_serve_and_keeps_the_choice_until_it_is_sent(
    client, instructor, white, blue, filled
):
    client.force_login(instructor)
    substance_row(ANHYDROUS)
    typed = filled(**{"components-0-substance": "copper sulfate, anhydrous", "components-0-target": "0.10"})
    preview = client.post("/orders/preview/", typed)
    assert f"lot {blue.code}, instead of" in text_of(preview)
    assert f'value="use-0-{blue.code}"' in preview.content.decode()
    assert 'form="order-form"' in preview.content.decode()

    chosen = client.post(NEW, {**typed, "step": f"use-0-{blue.code}"})
    assert value_of(chosen, "components-0-from_lot") == blue.code
    assert f"Made from copper(II) sulfate pentahydrate, {blue.code}, as you chose." in text_of(chosen)
    assert value_of(chosen, "components-0-target") == "0.10"
    typed["components-0-from_lot"] = blue.code
    assert f"{blue.code}, as you chose" in text_of(client.post("/orders/preview/", typed))

    check = client.post(NEW, typed)
    assert f"copper(II) sulfate pentahydrate, {blue.code}, as you chose." in text_of(check)
    assert f"g of copper(II) sulfate pentahydrate, lot {blue.code}" in text_of(check)
    assert value_of(check, "components-0-from_lot") == blue.code
    assert not Order.objects.exists()

    client.post(NEW, {**typed, "step": "send"})
    order = Order.objects.get()
    component = order.components.get()
    assert (order.state, component.from_lot, component.chosen_by) == (states.QUEUED, blue, instructor)
    assert component.substance.key == ANHYDROUS
    assert [link.hold.lot for link in order.batch.batch_holds.all()] == [blue]
    assert order.events.get(event="choose").note == (
        f"Made from copper(II) sulfate pentahydrate, {blue.code}, instead of copper(II) sulfate, anhydrous"
        " as ordered"
    )
    sheet = order.batch.sheets.get()
    assert sheet.request["components"][0]["source"] == {"kind": "lot", "id": str(blue.pk)}
    # Handbook molar masses: 249.69 g of the pentahydrate stand in for 159.61 g of the anhydrous salt.
    made = float(sheet.plan["makes"]["value"]) / 1000
    weighed = float(sheet.plan["steps"][0]["quantity"]["value"])
    assert weighed == pytest.approx(0.10 * made * 249.69 / 0.995, rel=0.005)


def test_a_choice_is_taken_back_in_the_form(client, instructor, white, blue, filled):
    client.force_login(instructor)
    typed = filled(
        **{
            "components-0-substance": "copper sulfate, anhydrous",
            "components-0-target": "0.10",
            "components-0-from_lot": blue.code,
        }
    )
    page = client.post(NEW, {**typed, "step": "asked-0"})
    assert value_of(page, "components-0-from_lot") == ""
    assert "as you chose" not in text_of(page)
    assert "Not enough on the shelf today" in text_of(page)


@pytest.mark.parametrize(
    ("substance", "code", "words"),
    [
        ("sodium chloride", "", "which can't stand in for sodium chloride. Take the choice back."),
        ("copper sulfate, anhydrous", "L999999", "There is no bottle L999999 any more."),
    ],
)
def test_a_choice_that_does_not_fit_is_said_beside_the_substance(
    client, instructor, white, blue, salt, filled, substance, code, words
):
    client.force_login(instructor)
    typed = filled(
        **{"components-0-substance": substance, "components-0-from_lot": code or blue.code, "step": "send"}
    )
    page = client.post(NEW, typed)
    assert page.status_code == 422
    assert words in text_of(page)
    assert not Order.objects.exists()


def test_ordering_the_same_again_leaves_the_bottle_to_the_shelf(client, instructor, waiting, blue):
    choose(instructor, waiting, blue)
    client.force_login(instructor)
    assert value_of(client.get(f"{NEW}?like={waiting.reference}"), "components-0-from_lot") == ""


# --- a waiting order -------------------------------------------------------------------------------
@pytest.mark.parametrize("who", ["instructor", "prep", "manager"])
def test_a_waiting_order_says_what_would_serve_and_a_button_makes_it_so(client, request, waiting, blue, who):
    person = request.getfixturevalue(who)
    client.force_login(person)
    address = f"/orders/{waiting.reference}/"
    page = client.get(address)
    assert f"lot {blue.code}, instead of" in text_of(page)
    assert "What is free is enough for" in text_of(page)
    fields = dict(
        re.findall(r'name="(key|seen|component|lot)" value="([^"]*)"', unescape(page.content.decode()))
    )
    answer = client.post(f"{address}source/", fields)
    assert answer["Location"] == f"{address}?chosen"
    waiting.refresh_from_db()
    assert (waiting.state, waiting.waiting_for) == (states.QUEUED, [])
    page = text_of(client.get(answer["Location"]))
    assert "It is made from what you chose." in page
    assert f"copper(II) sulfate pentahydrate, {blue.code} , as {person} chose instead of" in page
    assert [(event.event, event.actor) for event in waiting.events.all()][1:] == [
        ("choose", person),
        ("queue", person),
    ]
    # A double click: the same form again changes nothing.
    client.post(f"{address}source/", fields)
    assert waiting.events.count() == 3
    assert Hold.objects.count() == 1


def test_of_two_who_choose_at_the_same_time_the_second_is_told(waiting, blue, bottle, instructor, prep):
    other = bottle(PENTAHYDRATE, "400", assay_percent="99.0", assay_tolerance_percent="0.5")
    seen = newest(waiting)
    choose(instructor, waiting, blue, key="one", seen=seen)
    with pytest.raises(Conflict, match=f"has changed since.*{instructor}"):
        choose(prep, waiting, other, key="two", seen=seen)
    waiting.refresh_from_db()
    assert waiting.components.get().from_lot == blue


def test_a_bottle_that_went_meanwhile_is_told_and_nothing_is_changed(waiting, blue, instructor, prep):
    before = newest(waiting)
    hold_stock(actor=prep, draws={blue.pk: blue.on_hand}, purpose="somebody was faster", idempotency_key="x")
    with pytest.raises(Conflict, match=f"{blue.code} does not serve any more"):
        choose(instructor, waiting, blue)
    assert newest(waiting) == before
    assert waiting.components.get().from_lot is None


def test_another_person_may_not_choose_and_prep_staff_may(client, waiting, blue, colleague, prep):
    with pytest.raises(NotAllowed):
        choose(colleague, waiting, blue)
    client.force_login(colleague)
    assert client.post(f"/orders/{waiting.reference}/source/").status_code == 404
    assert choose(prep, waiting, blue).state == states.QUEUED


def test_another_substance_can_not_be_chosen_behind_the_form(waiting, salt, instructor):
    with pytest.raises(Conflict, match="another substance"):
        choose(instructor, waiting, salt)
    assert waiting.components.get().from_lot is None


@pytest.mark.parametrize("changes", [{"component": 3}, {"lot": None}])
def test_what_is_not_there_can_not_be_chosen_or_taken_back(waiting, blue, instructor, changes):
    with pytest.raises(InvalidInput):
        choose(instructor, waiting, **{"lot": blue, **changes})


def test_what_is_being_made_is_settled(waiting, blue, instructor, prep):
    order = choose(instructor, waiting, blue)
    claim_batch(actor=prep, batch=order.batch)
    with pytest.raises(NotInThisState, match="settled"):
        choose(instructor, waiting, None, key="back")


def test_a_choice_is_taken_back_and_the_order_waits_again(waiting, blue, instructor):
    choose(instructor, waiting, blue, key="one")
    order = choose(instructor, waiting, None, key="two")
    assert order.state == states.WAITING
    blue.refresh_from_db()
    assert blue.held == 0
    assert "instead of copper(II) sulfate pentahydrate" in order.events.filter(event="choose").last().note
    assert blue.code in offered(order)


def test_of_two_that_are_short_each_is_chosen_by_itself(bench, blue, bottle, send, instructor):
    bitter = bottle("magnesium-sulfate-heptahydrate", "500", assay_percent="99.5")
    substance_row("magnesium-sulfate-anhydrous")
    more = (DraftComponent("magnesium-sulfate-anhydrous", parse_number("0.10"), "mol/L"),)
    order = send(substance=ANHYDROUS, target="0.10", more=more)
    assert set(offered(order)) == {blue.code, bitter.code}
    half = choose(instructor, order, blue, component=0, key="one")
    assert half.state == states.WAITING
    assert "magnesium" in half.waiting_for[0]["text"]
    whole = choose(instructor, order, bitter, component=1, key="two")
    assert whole.state == states.QUEUED
    assert {link.hold.lot for link in whole.batch.batch_holds.all()} == {blue, bitter}


def test_the_form_sent_twice_is_one_order_although_a_bottle_was_chosen_since(
    white, blue, draft, instructor, prep
):
    wanted = draft(substance=ANHYDROUS, target="0.10")
    order = submit_order(actor=instructor, draft=wanted, idempotency_key="same")
    choose(prep, order, blue)
    assert submit_order(actor=instructor, draft=wanted, idempotency_key="same") == order
    with pytest.raises(Conflict):
        submit_order(
            actor=instructor, draft=draft(substance=ANHYDROUS, target="0.11"), idempotency_key="same"
        )


# --- what is gone, and what is never offered -----------------------------------------------------------
def test_a_chosen_bottle_that_is_gone_is_told_in_words_and_nothing_is_guessed(
    client, waiting, blue, bottle, instructor, prep
):
    choose(instructor, waiting, blue)
    change_lot_state(actor=prep, lot=blue, event="quarantine", reason="the stopper leaked")
    other = bottle(PENTAHYDRATE, "500", assay_percent="99.0", assay_tolerance_percent="0.5")
    order = replan_order(actor=prep, order=waiting)
    assert (order.state, order.batch) == (states.WAITING, None)
    assert f"{blue.code}, chosen for copper(II) sulfate, anhydrous" in order.waiting_for[0]["text"]
    assert "it is quarantined" in order.waiting_for[0]["text"]
    assert order.components.get().from_lot == blue
    client.force_login(instructor)
    page = text_of(client.get(f"/orders/{order.reference}/"))
    assert "it is quarantined" in page
    assert f"lot {other.code}, instead of" in page
    assert choose(instructor, order, other, key="again").state == states.QUEUED


@pytest.mark.parametrize("fate", ["quarantine", "recall", "expired", "expires before", "held"])
def test_what_can_not_be_drawn_on_the_day_is_never_offered(bench, bottle, leftover, send, prep, fate):
    due = timezone.now() + timedelta(days=5)
    days = {"expired": 0, "expires before": 4}.get(fate)
    expires = {} if days is None else {"expires_on": timezone.localdate() + timedelta(days=days)}
    solid = bottle(PENTAHYDRATE, "500", assay_percent="99.5", **expires)
    stock = leftover(PENTAHYDRATE, "1.00", 2000, 60 if days is None else days)
    order = send(substance=ANHYDROUS, target="0.10", due_at=due)
    if fate in ("quarantine", "recall"):
        for lot in (solid, stock):
            change_lot_state(actor=prep, lot=lot, event=fate, reason="a leak")
    elif fate == "held":
        draws = {solid.pk: solid.on_hand, stock.pk: stock.on_hand}
        hold_stock(actor=prep, draws=draws, purpose="another class", idempotency_key="held")
    assert offered(order) == []


def test_a_solution_of_two_solutes_is_never_offered(white, leftover, send):
    two = [{"substance": name, "value": "1.0", "unit": "mol/L"} for name in ("copper sulfate", "salt")]
    leftover(PENTAHYDRATE, "1.00", 5000, composition=two)
    assert offered(send(substance=ANHYDROUS, target="0.10")) == []


# --- leftovers ---------------------------------------------------------------------------------------
def test_a_leftover_is_offered_beside_a_plan_that_could_be_made_and_not_used_by_itself(
    client, blue, leftover, filled, instructor
):
    left = leftover(PENTAHYDRATE, "0.1001", 1500)
    client.force_login(instructor)
    typed = filled(
        **{"components-0-substance": "copper sulfate pentahydrate", "components-0-target": "0.100"}
    )
    page = text_of(client.post("/orders/preview/", typed))
    assert (
        "A leftover that is still good: 990 mL of 0.1001 mol/L copper(II) sulfate pentahydrate,"
        f" lot {left.code}"
    ) in page
    assert "made by Pia Brook" in page
    assert "± 0.3 % (k = 2)" in page
    client.post(NEW, {**typed, "step": "send"})
    order = Order.objects.get()
    assert [link.hold.lot for link in order.batch.batch_holds.all()] == [blue]


def test_a_queued_order_may_still_be_made_from_a_leftover_and_its_bottle_is_let_go(
    client, blue, leftover, send, prep
):
    order = send(substance=PENTAHYDRATE, target="0.100")
    assert order.state == states.QUEUED
    left = leftover(PENTAHYDRATE, "0.1001", 1500)
    client.force_login(prep)
    for address in (f"/orders/{order.reference}/", f"/batches/{order.batch.reference}/"):
        page = client.get(address)
        assert "What is left over and would serve" in text_of(page)
        assert f"lot {left.code}, to use as it is" in text_of(page)
    fields = dict(re.findall(r'name="(key|seen|component|lot)" value="([^"]*)"', page.content.decode()))
    client.post(f"/orders/{order.reference}/source/", fields)
    order.refresh_from_db()
    assert (order.state, order.batch.sheets.count()) == (states.QUEUED, 2)
    assert [hold.lot for hold in Hold.objects.filter(state="active")] == [left]
    assert f"{left.code} , as {prep} chose" in text_of(client.get(f"/batches/{order.batch.reference}/"))


def test_a_leftover_poured_out_keeps_its_own_last_day_and_its_ancestry(
    bench, leftover, send, prep, instructor
):
    left = leftover(PENTAHYDRATE, "0.1001", 1500, expires_in=9)
    order = send(substance=PENTAHYDRATE, target="0.100")
    assert order.state == states.WAITING
    batch = choose(instructor, order, left).batch
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep)
    made = finish_batch(actor=prep, batch=batch).prepared_lot
    assert made.expires_on == left.expires_on
    assert [link.parent for link in made.parent_links.all()] == [left]
    assert Decimal(made.concentration_mol_per_l) == Decimal("0.1001")
    left.refresh_from_db()
    assert left.on_hand_amount == 1500 - 990


# --- the queue --------------------------------------------------------------------------------------
def test_the_queue_plans_nothing_and_leads_to_the_page_that_says_what_would_serve(
    client, white, blue, send, prep, django_assert_max_num_queries
):
    orders = [send(substance=ANHYDROUS, target="0.10") for _ in range(6)]
    client.force_login(prep)
    with django_assert_max_num_queries(6):
        page = client.get("/queue/?show=open")
    html = page.content.decode()
    assert "6 orders wait for stock or apparatus" in text_of(page)
    assert "What would serve today stands on its page." in text_of(page)
    for order in orders:
        assert f'href="/orders/{order.reference}/"' in html
    assert f"lot {blue.code}, instead of" in text_of(client.get(f"/orders/{orders[0].reference}/"))
