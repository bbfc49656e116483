"""What the stockroom keeps about a substance, and what it makes of a bottle: expiry, pieces, cost."""

from datetime import date, timedelta

import pytest
from django.utils import timezone

from inventory.models import Lot, SubstanceEvent
from inventory.selectors import calc_shelf
from inventory.services import correct_stock, dispose, edit_substance, open_lot
from prepdesk.core.errors import InvalidInput, NotAllowed
from tests.inventory.conftest import new_key
from tests.inventory.test_lots import prepared, refused_fields
from tests.inventory.test_pages import at_bench, field_errors, page, receipt, words

__all__ = ["at_bench", "receipt"]
pytestmark = pytest.mark.django_db
TODAY = timezone.localdate


@pytest.fixture
def keeps(salt):
    """The substance keeps so many days, closed and opened."""

    def set_lives(closed: int | None, opened: int | None) -> None:
        salt.shelf_life_closed_days, salt.shelf_life_opened_days = closed, opened
        salt.save()

    return set_lives


# --- expiry ---------------------------------------------------------------------------------------
def test_a_label_without_a_day_gets_one_by_the_shelf_life_and_its_history_says_so(bottle, keeps):
    keeps(730, None)
    lot = bottle(received_on=date(2026, 3, 1))
    # 2026-03-01 and 730 days, counted on a calendar: two years without a leap day.
    assert lot.expires_on == date(2028, 2, 29)
    (told,) = lot.events.all()
    assert (told.event, told.reason) == (
        "expiry",
        "Expires on 29 February 2028: the label gave no day, it came on 1 March 2026 and keeps 730 days "
        "closed.",
    )
    assert bottle(expires_on=date(2030, 1, 1)).expires_on == date(2030, 1, 1)
    assert bottle(no_expiry=True).expires_on is None


def test_opening_says_a_new_last_day_only_where_it_made_one(bottle, keeps, at_bench):
    keeps(730, None)
    lot = bottle()
    answer = at_bench.post(page("lot_opened", lot.code), follow=True)
    assert [str(told) for told in answer.context["messages"]] == ["Written down as opened today."]
    keeps(730, 90)
    shorter = bottle()
    answer = at_bench.post(page("lot_opened", shorter.code), follow=True)
    assert len(answer.context["messages"]) == 2


@pytest.mark.parametrize(
    ("label", "after"),
    [
        (None, timedelta(days=90)),
        (timedelta(days=400), timedelta(days=90)),
        (timedelta(days=20), timedelta(days=20)),
    ],
)
def test_an_opened_bottle_lasts_until_the_earlier_of_label_and_opened_life(bottle, prep, keeps, label, after):
    keeps(None, 90)
    lot = bottle(expires_on=label and TODAY() + label)
    open_lot(actor=prep, lot=lot)
    lot.refresh_from_db()
    assert lot.expires_on == TODAY() + after
    told = lot.events.get(event="open").reason
    assert ("keeps 90 days once opened" in told) is (label != timedelta(days=20))


def test_a_bottle_that_comes_opened_follows_both_lives(bottle, keeps):
    keeps(730, 30)
    assert bottle(opened_on=TODAY()).expires_on == TODAY() + timedelta(days=30)


def test_the_life_of_a_reagent_says_nothing_about_its_solutions(bottle, prep, salt, keeps):
    keeps(730, 5)
    assert bottle("100", unit="mL", kind="solution", concentration_mol_per_l="1").expires_on is None
    made = prepared(prep, salt, [bottle()])
    before = made.expires_on
    open_lot(actor=prep, lot=made)
    made.refresh_from_db()
    assert made.expires_on == before


def test_the_proposed_day_is_seen_before_and_after_receiving(at_bench, receipt, salt, keeps):
    keeps(365, None)
    proposed = TODAY() + timedelta(days=365)
    form = words(at_bench.get(page("lot_receive"), {"substance": salt.key}))
    assert f"keeps 365 days closed, so a bottle that comes today expires on {proposed.day} " in form
    said = words(at_bench.post(page("lot_receive"), receipt, follow=True))
    assert said.count("the label gave no day") >= 2, "told once, and standing beside the day"
    assert "Correct the label if that is wrong" in said
    both = {**receipt, "idempotency_key": "2", "expires_on": proposed.isoformat(), "no_expiry": "on"}
    assert list(field_errors(at_bench.post(page("lot_receive"), both))) == ["no_expiry"]


# --- facts ----------------------------------------------------------------------------------------
def facts(actor, substance, **more):
    sent = {
        "grade": "primary standard",
        "shelf_life_closed_days": "1825",
        "shelf_life_opened_days": "365",
        "reorder_below": "0.5",
        "reorder_unit": "kg",
        "reason": "Yearly review",
    }
    return edit_substance(actor=actor, substance=substance, **{**sent, **more})


def test_changed_facts_are_kept_with_who_and_from_what_to_what(prep, salt):
    facts(prep, salt, idempotency_key="f")
    facts(prep, salt, idempotency_key="f", grade="technical")
    facts(prep, salt)
    salt.refresh_from_db()
    assert (salt.grade, salt.shelf_life_closed_days, salt.shelf_life_opened_days, salt.reorder_below) == (
        "primary standard",
        1825,
        365,
        500_000_000,
    )
    event = SubstanceEvent.objects.get()
    assert (event.actor, event.event) == (prep, "facts")
    assert event.reason == (
        "grade “” to “primary standard”; shelf life closed, in days “” to “1825”; shelf life opened, in days "
        "“” to “365”; order again below “” to “500 g”. Yearly review"
    )
    facts(prep, salt, storage_group="oxidising-solid", reason="")
    assert SubstanceEvent.objects.last().reason == "storage group “” to “Oxidising solids”."


@pytest.mark.parametrize(
    ("field", "more"),
    [
        ("shelf_life_closed_days", {"shelf_life_closed_days": "1.5"}),
        ("shelf_life_closed_days", {"shelf_life_closed_days": "0"}),
        ("shelf_life_opened_days", {"shelf_life_opened_days": "36501"}),
        ("shelf_life_opened_days", {"shelf_life_opened_days": "soon"}),
        ("reorder_below", {"reorder_below": "-1"}),
        ("reorder_below", {"reorder_unit": "mL"}),
        ("grade", {"grade": "x" * 61}),
        ("storage_group", {"storage_group": "on-the-floor"}),
    ],
)
def test_a_slip_in_the_facts_is_refused_beside_its_field(prep, salt, field, more):
    assert list(refused_fields(facts, actor=prep, substance=salt, **more)) == [field]
    assert SubstanceEvent.objects.count() == 0


def test_facts_are_edited_on_a_page_that_notices_when_somebody_was_faster(at_bench, prep, salt, bottle):
    bottle("100")
    address = page("substance_facts", salt.key)
    form = at_bench.get(address)
    typed = {
        "grade": "analytical",
        "reorder_below": "250",
        "reorder_unit": "g",
        "idempotency_key": "f",
        "expected": form.context["form"]["expected"].value(),
    }
    said = words(at_bench.post(address, typed, follow=True))
    assert "Less than 250 g is free: time to order it again" in said
    assert "Facts changed" in said
    stale = at_bench.post(address, {**typed, "idempotency_key": "g", "grade": "technical"})
    assert stale.status_code == 409
    assert "Somebody changed the facts" in words(stale)
    salt.refresh_from_db()
    assert (salt.grade, salt.reorder_below) == ("analytical", 250_000_000)


def test_facts_are_for_the_stockroom(instructor, salt):
    with pytest.raises(NotAllowed):
        facts(instructor, salt)


# --- pieces and cost --------------------------------------------------------------------------------
def test_pieces_are_received_counted_and_disposed_of_whole_and_never_planned_with(bottle, prep):
    lot = bottle("12", unit="pc", kind="item")
    assert (lot.on_hand, lot.unit) == (12, "pc")
    counted = {"lot": lot, "unit": "pc", "reason": "Count", "actor": prep}
    correct_stock(**counted, counted="10", idempotency_key="c")
    dispose(actor=prep, lot=lot, amount="1", unit="pc", reason="Bent", idempotency_key="d")
    lot.refresh_from_db()
    assert lot.on_hand == 9
    assert calc_shelf().lots == ()
    for text in ("2.5", "0,5"):
        assert (
            "counted whole"
            in refused_fields(correct_stock, **counted, counted=text, idempotency_key="e")["counted"]
        )
    with pytest.raises(InvalidInput, match=r"counted in pieces\. Choose one of: pieces"):
        bottle("5", unit="g", kind="item")
    assert list(refused_fields(bottle, amount="5", unit="pc", kind="item", assay_percent="99")) == [
        "assay_percent"
    ]


def test_one_piece_is_called_one_piece(at_bench, bottle):
    lot = bottle("1", unit="pc", kind="item")
    said = words(at_bench.get(page("lot", lot.code)))
    assert "Free 1 piece" in said
    assert "A preparation can only be planned" not in said
    assert "12 pieces" in words(at_bench.get(page("lot", bottle("12", unit="pc", kind="item").code)))


@pytest.mark.parametrize(
    ("typed", "kept"),
    [
        ("12.5", 1250),
        ("12,50", 1250),
        ("0", 0),
        ("", None),
        ("12.505", "two decimals"),
        ("-1", "no price"),
        ("ten", "not a number"),
        ("1e9", "no price"),
    ],
)
def test_a_cost_is_money_with_at_most_two_decimals(bottle, typed, kept):
    if isinstance(kept, str):
        assert list(refused_fields(bottle, cost=typed)) == ["cost"]
    else:
        assert bottle(cost=typed).cost_minor == kept


def test_the_cost_is_shown_with_the_departments_currency_and_to_the_stockroom_alone(
    client, prep, instructor, bottle, settings
):
    settings.DEPARTMENT_CURRENCY = "EUR"
    lot = bottle(cost="1250.5")
    client.force_login(prep)
    assert "Cost 1250.50 EUR" in words(client.get(page("lot", lot.code)))
    form = client.get(page("lot_label", lot.code)).content.decode()
    assert 'value="1250.50"' in form
    sent = {"cost": "99", "idempotency_key": new_key()}
    client.post(page("lot_label", lot.code), sent)
    lot.refresh_from_db()
    assert lot.cost_minor == 9900
    assert lot.events.get().reason == "cost “1250.50” to “99.00”."
    client.force_login(instructor)
    assert "Cost" not in words(client.get(page("lot", lot.code)))


def test_a_bottle_drawn_to_the_last_drop_reads_empty(at_bench, bottle):
    lot = bottle("10")
    # Rows from before the state followed the draw.
    Lot.objects.filter(pk=lot.pk).update(on_hand=0)
    said = words(at_bench.get(page("lot", lot.code)))
    assert f"Lot {lot.code} Empty" in said
    assert "Available" not in said
