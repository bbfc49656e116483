"""A bottle is shown to a step before it is opened: what is said of each, and what is refused afterwards.

Molar masses: 159.60 g/mol for CuSO4 and 249.68 g/mol for its pentahydrate stand in
handbooks. Check digits of articles: the worked rule of ISO/IEC 15420, weights 3 and 1 from the right; the
numbers here begin with 2, which is kept for use inside a house and names no maker's article.
"""

from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils import timezone

from inventory.codes import PLACE, PORTION, code_of
from inventory.models import ApparatusItem, Lot, LotParent, Place
from inventory.services import change_lot_state
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from prepdesk.core.forms import TypedNumberField
from requests_app.models import BottleScan, DepartmentRules, StepRecord
from requests_app.selectors.scans import scan_state
from requests_app.services.claiming import claim_batch
from requests_app.services.recording import record_step
from requests_app.services.scanning import BottleNotShown, scan_bottle

pytestmark = pytest.mark.django_db


# --- the bench set-up ----------------------------------------------------------------------------
@pytest.fixture
def batch(send, salt, prep):
    return claim_batch(actor=prep, batch=send().batch)


@pytest.fixture
def asked(db):
    """The department asks that every bottle is scanned."""
    DepartmentRules.objects.update_or_create(pk=1, defaults={"scan_bottles": True})


@pytest.fixture
def show(prep, batch):
    """Show a code to the first step."""

    def show_code(code, *, step=1, actor=None, key="", batch=batch):
        return scan_bottle(
            actor=actor or prep,
            batch=batch,
            step_number=step,
            scanned=code,
            idempotency_key=key or uuid4().hex,
        )

    return show_code


def first_step(batch):
    return batch.sheets.first().plan["steps"][0]


def weigh(actor, batch, reading=""):
    step = first_step(batch)
    return record_step(
        actor=actor,
        batch=batch,
        step_number=1,
        reading_text=reading or step["quantity"]["value"],
        idempotency_key=uuid4().hex,
    )


def state_of(batch):
    return scan_state(batch, batch.sheets.first(), first_step(batch))


# --- what each bottle is --------------------------------------------------------------------------
def test_the_lot_of_the_step_is_the_right_bottle(show, salt, prep):
    scan = show(f" {salt.code.lower()} ")
    assert (scan.verdict, scan.lot, scan.actor) == ("right", salt, prep)
    assert scan.said == f"{salt.code}, sodium chloride."


def test_another_bottle_of_the_same_lot_is_right_and_says_from_which_it_is_booked(show, salt, manager):
    other = Lot.objects.get(pk=salt.pk)
    other.pk, other.code, other.on_hand, other.held, other.split_from = None, "L00090Q", 9, 0, salt
    other.save()
    LotParent.objects.create(child=other, parent=salt)
    scan = show(other.code)
    assert scan.verdict == "right"
    assert f"booked from {salt.code}" in scan.said


def test_another_lot_names_both_with_their_assay_and_how_to_go_on(show, salt, bottle):
    other = bottle("sodium-chloride", "500", assay_percent="98.0")
    scan = show(other.code)
    assert (scan.verdict, scan.lot) == ("other_lot", other)
    assert scan.said == (
        f"{other.code} is sodium chloride too, but another lot: assay 98.0 % here, assay 100.0 % in"
        f" {salt.code}. The sheet was reckoned for {salt.code}. Fetch {salt.code}. If that is empty, go on "
        "with “This bottle is empty”."
    )


def test_another_lot_that_is_stopped_besides_says_so(show, bottle, manager):
    other = bottle("sodium-chloride", "500", assay_percent="98.0")
    change_lot_state(actor=manager, lot=other, event="quarantine", reason="Caked")
    assert "It is quarantined, too." in show(other.code).said


def test_the_wrong_hydrate_is_named_with_formula_and_molar_mass_of_both(send, bottle, prep, show, bench):
    right = bottle("copper-sulfate-pentahydrate", "500", assay_percent="99.5")
    wrong = bottle("copper-sulfate-anhydrous", "500", assay_percent="99.5")
    batch = claim_batch(actor=prep, batch=send(substance="copper-sulfate-pentahydrate", target="0.1").batch)
    scan = show(wrong.code, batch=batch)
    assert scan.verdict == "other_form"
    for part in (wrong.code, right.code, "CuSO₄, 159.60 g/mol", "CuSO₄·5H₂O, 249.68 g/mol", "Do not open it"):
        assert part in scan.said, part
    with pytest.raises(BottleNotShown, match=r"249\.68"):
        weigh(prep, batch)


def test_another_substance_is_named(show, bottle):
    scan = show(bottle("sodium-carbonate-anhydrous", "100", assay_percent="99").code)
    assert scan.verdict == "other_form"
    assert "NaCl, 58.44 g/mol" in scan.said


def test_the_wrong_strength_of_an_acid_is_another_form_of_it(send, bottle, prep, show, bench):
    strong = bottle("hydrochloric-acid", "2000", kind="liquid", mass_percent="37.0", density_g_per_ml="1.18")
    weak = bottle("hydrochloric-acid", "2000", kind="liquid", mass_percent="25.0", density_g_per_ml="1.12")
    batch = claim_batch(actor=prep, batch=send(substance="hydrochloric-acid", target="0.5").batch)
    step = next(one for one in batch.sheets.first().plan["steps"] if one.get("lot"))
    right, wrong = (strong, weak) if step["lot"]["code"] == strong.code else (weak, strong)
    scan = show(wrong.code, batch=batch, step=step["number"])
    assert scan.verdict == "other_form"
    assert f"{wrong.mass_percent} % w/w; this step takes {right.mass_percent} % w/w" in scan.said
    assert "HCl, 36.46 g/mol" in scan.said


def test_an_expired_bottle_says_since_when(show, salt):
    salt.expires_on = timezone.localdate() - timedelta(days=1)
    salt.save()
    scan = show(salt.code)
    assert scan.verdict == "expired"
    assert f"expired on {salt.expires_on.day} {salt.expires_on:%B %Y}" in scan.said


def test_the_last_day_of_a_bottle_is_still_good(show, salt):
    salt.expires_on = timezone.localdate()
    salt.save()
    assert show(salt.code).verdict == "right"


@pytest.mark.parametrize("event", ["quarantine", "recall"])
def test_a_bottle_that_may_not_be_used_says_so_and_is_kept(show, salt, batch, manager, prep, event):
    change_lot_state(actor=manager, lot=salt, event=event, reason="Caked")
    scan = show(salt.code)
    assert scan.verdict == "stopped"
    assert "Take nothing from it" in scan.said
    with pytest.raises(NotInThisState):
        weigh(prep, batch)


def test_an_empty_bottle_leads_to_the_next_one(show, salt):
    Lot.objects.filter(pk=salt.pk).update(state="empty")
    scan = show(salt.code)
    assert scan.verdict == "stopped"
    assert "“This bottle is empty”" in scan.said


@pytest.mark.parametrize(
    ("what", "words"),
    [("place", "is a place, Salt shelf, and no bottle"), ("item", "is apparatus"), ("portion", "poured for")],
)
def test_what_is_no_bottle_to_take_from_is_named_as_what_it_is(show, what, words):
    place = Place.objects.create(name="Salt shelf", kind=Place.Kind.SHELF, code=code_of(7, PLACE))
    codes = {
        "place": place.code,
        "item": ApparatusItem.objects.first().code,
        "portion": code_of(12, PORTION),
    }
    scan = show(codes[what])
    assert scan.verdict == "unknown"
    assert words in scan.said


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("2000000000008", "number of an article"),  # 13 digits
        ("20000004", "number of an article"),  # 8 digits
        ("010200000000000810A7", "number of an article"),  # as a square says it, with a lot
        ("7647-14-5", "CAS number"),
        ("58.44 g", "as a balance sends it"),
        ("AB 47-11/3", "no code of ours"),
        (code_of(99_999), "No bottle in the store has the code"),
    ],
)
def test_what_is_no_code_of_ours_is_said_so(show, salt, typed, words):
    scan = show(typed)
    assert (scan.verdict, scan.lot) == ("unknown", None)
    assert words in scan.said
    assert salt.code in scan.said


# --- what was not read rightly --------------------------------------------------------------------
def test_a_garbled_code_is_kept_as_it_arrived_and_names_no_bottle(show, salt):
    scan = show("Lààà&èè")
    assert (scan.verdict, scan.lot, scan.code) == ("garbled", None, "Lààà&èè")
    assert "French (AZERTY)" in scan.said


# --- what follows for the record ------------------------------------------------------------------
def test_where_nobody_asks_for_it_a_step_is_recorded_without_a_scan(batch, prep):
    assert state_of(batch).state == "offered"
    assert weigh(prep, batch).pk


def test_where_it_is_asked_for_nothing_is_recorded_before_the_right_bottle(batch, prep, show, salt, asked):
    assert state_of(batch).state == "needed"
    with pytest.raises(BottleNotShown, match=f"Scan lot {salt.code}"):
        weigh(prep, batch)
    show("L000")
    with pytest.raises(BottleNotShown):
        weigh(prep, batch)
    show(salt.code)
    assert state_of(batch).is_done
    weigh(prep, batch)
    # Again from the same bottle.
    weigh(prep, batch)
    assert StepRecord.objects.count() == 2


@pytest.mark.parametrize("rule", [True, False])
def test_after_a_wrong_bottle_nothing_is_recorded_until_the_right_one_is_shown(
    batch, prep, show, salt, bottle, rule
):
    DepartmentRules.objects.update_or_create(pk=1, defaults={"scan_bottles": rule})
    show(salt.code)
    wrong = bottle("sodium-chloride", "500", assay_percent="98.0")
    show(wrong.code)
    # Neither a shelf nor half a code takes that back.
    show(code_of(7, PLACE))
    show("L000")
    assert state_of(batch).stops.code == wrong.code
    with pytest.raises(BottleNotShown, match=f"{wrong.code} is sodium chloride too"):
        weigh(prep, batch)
    assert StepRecord.objects.count() == 0
    show(salt.code)
    assert weigh(prep, batch).pk
    assert BottleScan.objects.count() == 5


@pytest.mark.parametrize("code", ["L000", "2000000000008", code_of(7, PLACE)])
def test_what_is_no_bottle_at_all_stops_nobody_where_no_scan_is_asked_for(batch, prep, show, code):
    show(code)
    assert weigh(prep, batch).pk


def test_a_bottle_that_nobody_knows_stops_the_step(batch, prep, show):
    show(code_of(99_999))
    with pytest.raises(BottleNotShown, match="No bottle in the store"):
        weigh(prep, batch)


def test_a_bottle_shown_to_an_earlier_step_serves_a_later_one_that_takes_from_it(
    batch, prep, show, salt, asked
):
    sheet = batch.sheets.first()
    steps = sheet.plan["steps"]
    steps[2]["lot"] = steps[0]["lot"]
    show(salt.code)
    assert scan_state(batch, sheet, steps[2]).is_done
    assert scan_state(batch, sheet, steps[1]).state == "none"
    steps[2]["lot"] = {"id": "0", "code": "L00090Q"}
    Lot.objects.filter(pk=salt.pk).update(code="L00090Q")
    assert scan_state(batch, sheet, steps[2]).state == "needed"


def test_a_step_that_takes_from_no_bottle_has_nothing_to_scan(show, batch):
    with pytest.raises(NotInThisState, match="takes from no bottle"):
        show("L000177", step=2)
    with pytest.raises(NotInThisState):
        show("L000177", step=99)


# --- who, when, and once --------------------------------------------------------------------------
def test_a_scan_sent_twice_is_one_and_its_key_serves_no_other(show, salt):
    assert show(salt.code, key="k").pk == show(salt.code, key="k").pk
    with pytest.raises(Conflict):
        show("L000178", key="k")
    assert BottleScan.objects.count() == 1


def test_only_whoever_has_the_batch_shows_bottles_to_it(show, salt, second_prep, instructor, batch):
    with pytest.raises(Conflict):
        show(salt.code, actor=second_prep)
    with pytest.raises(NotAllowed):
        show(salt.code, actor=instructor)


def test_a_batch_that_nobody_has_claimed_is_shown_nothing(send, salt, show):
    with pytest.raises(NotInThisState, match="claim it"):
        show(salt.code, batch=send(target="1.00").batch)


def test_an_older_page_is_told(batch, prep, salt):
    with pytest.raises(Conflict, match="was changed"):
        scan_bottle(
            actor=prep,
            batch=batch,
            step_number=1,
            scanned=salt.code,
            idempotency_key="k",
            seen_version=batch.version - 1,
        )


def test_nothing_is_not_scanned(show):
    with pytest.raises(InvalidInput):
        show("  ")
    assert BottleScan.objects.count() == 0


def test_what_is_said_fits_its_column_whatever_the_names(show, salt, bottle):
    other = bottle("sodium-carbonate-anhydrous", "100", assay_percent="99")
    Lot.objects.filter(pk__in=[salt.pk, other.pk]).update(title=("A very long name " * 12)[:200])
    assert len(show(other.code).said) <= 300
    assert show("x" * 900).pk


# --- the page -------------------------------------------------------------------------------------
def address(name, batch, step=1):
    return reverse(f"requests_app:{name}", args=[batch.reference, step])


def test_the_page_says_which_bottle_to_fetch_from_where_for_people_and_scripts(
    client, prep, batch, salt, asked
):
    salt.place = Place.objects.create(name="Salt shelf", kind=Place.Kind.SHELF, code=code_of(7, PLACE))
    salt.expires_on = timezone.localdate()
    salt.save()
    client.force_login(prep)
    page = client.get(address("step", batch)).content.decode()
    assert f"Scan lot {salt.code} (sodium chloride, Salt shelf) before you open it" in page
    for part in (
        f'data-right-lot="{salt.code}"',
        'data-right-good="yes"',
        f'data-right-until="{salt.expires_on.isoformat()}"',
        'data-scan-state="needed"',
        'data-scan-required="yes"',
        'data-reading-unit="g"',
    ):
        assert part in page, part
    assert page.index("data-scan-form") < page.index('id="step-form"')


def test_a_right_bottle_that_went_bad_is_told_before_it_is_scanned(client, prep, batch, salt):
    salt.expires_on = timezone.localdate() - timedelta(days=1)
    salt.save()
    client.force_login(prep)
    page = client.get(address("step", batch)).content.decode()
    assert 'data-right-good="no"' in page
    assert f'<p class="bench-scan-said">{salt.code}, sodium chloride, expired on' in page


def test_without_scripts_a_scan_leads_back_to_the_step_which_says_what_it_was(
    client, prep, batch, salt, bottle
):
    client.force_login(prep)
    other = bottle("sodium-chloride", "500", assay_percent="98.0")
    answer = client.post(address("scan", batch), {"scan": other.code, "key": "k1"}, follow=True)
    assert answer.redirect_chain == [(address("step", batch), 302)]
    page = answer.content.decode()
    assert "Another lot" in page
    assert "98.0" in page
    page = client.post(address("scan", batch), {"scan": salt.code, "key": "k2"}, follow=True).content.decode()
    assert "The right bottle" in page
    page = client.post(address("scan", batch), {"scan": "", "key": "k3"}, follow=True).content.decode()
    assert "Scan the label of the bottle" in page


def test_a_part_is_answered_with_the_state_and_422_when_it_is_refused(client, prep, batch, salt):
    client.force_login(prep)
    live = {"HX-Request": "true"}
    answer = client.post(address("scan", batch), {"scan": "L000", "key": "k1"}, headers=live)
    assert answer.status_code == 422
    assert "Only 4 of 7 signs" in answer.content.decode()
    assert "<html" not in answer.content.decode()
    answer = client.post(address("scan", batch), {"scan": salt.code, "key": "k2"}, headers=live)
    assert answer.status_code == 200
    assert 'data-scan-state="done"' in answer.content.decode()
    answer = client.post(address("scan", batch), {"scan": "", "key": "k3"}, headers=live)
    assert answer.status_code == 422
    answer = client.post(address("scan", batch), {"scan": salt.code}, headers=live)
    assert answer.status_code == 422


def test_whoever_lost_the_batch_meanwhile_is_led_to_how_it_stands(client, second_prep, batch, salt):
    client.force_login(second_prep)
    sent = {"scan": salt.code, "key": "k1"}
    answer = client.post(address("scan", batch), sent, headers={"HX-Request": "true"})
    assert (answer.status_code, answer["HX-Redirect"]) == (409, address("step", batch))
    assert client.post(address("scan", batch), sent).status_code == 302
    assert client.post(address("scan", batch, 99), sent).status_code == 404
    assert BottleScan.objects.count() == 0


def test_a_refused_record_keeps_what_was_typed_and_says_which_bottle(client, prep, batch, salt, asked):
    client.force_login(prep)
    sent = {"reading": "116.90", "key": "k1", "version": batch.version}
    answer = client.post(address("step", batch), sent)
    assert answer.status_code == 409
    page = answer.content.decode()
    assert "The right bottle first" in page
    assert "116.90" in page


# --- a code is no reading, also where no script looks --------------------------------------------
def test_no_code_is_a_reading(client, prep, batch):
    client.force_login(prep)
    for code in [*(code_of(number) for number in range(1, 12)), "L00001E", "P00017E", "L000", "l000177"]:
        answer = client.post(address("step", batch), {"reading": code, "key": code, "version": batch.version})
        assert answer.status_code == 422, code
    assert StepRecord.objects.count() == 0


def test_the_field_of_a_reading_takes_no_code_at_all():
    field = TypedNumberField()
    for number in range(1, 3000):
        with pytest.raises(ValidationError):
            field.clean(code_of(number))


@pytest.mark.parametrize("typed", ["1E5", "2000000000008", "00001"])
def test_digits_of_a_code_are_far_outside_every_window(client, prep, batch, typed):
    client.force_login(prep)
    answer = client.post(address("step", batch), {"reading": typed, "key": "k", "version": batch.version})
    assert answer.status_code == 422
    assert StepRecord.objects.count() == 0
