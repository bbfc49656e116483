"""A second person looks at the readings before the work is closed: who may, what counts, what is refused."""

import re
from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction
from django.urls import reverse
from django.utils import timezone

from inventory.models import Lot, Substance
from prepdesk.accounts import kinds
from prepdesk.accounts.models import Notice
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import sheets, states
from requests_app.models import Batch, DepartmentRules, SecondCheck, StepRecord
from requests_app.selectors.second_look import (
    checks_waiting,
    needed_points,
    second_look,
    waits_for_second_person,
)
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.recording import record_step
from requests_app.services.second_check import SecondLookMissing, ask_check, send_back, sign_check
from requests_app.services.stopping import stop_batch
from requests_app.services.unknowns import UnknownsDraft, order_unknowns

pytestmark = pytest.mark.django_db

RESTRICTED = "check_restricted"


def switch_on(*names):
    DepartmentRules.objects.update_or_create(pk=1, defaults=dict.fromkeys(names, True))


def record(batch, actor, number, reading=None, key=None):
    step = sheets.step_of(sheets.current_sheet(batch).plan, number)
    text = (reading or step["quantity"]["value"]) if step.get("window") else ""
    return record_step(
        actor=actor,
        batch=batch,
        step_number=number,
        reading_text=text,
        reason="kept" if reading else "",
        idempotency_key=key or f"{batch.pk}-{number}-{StepRecord.objects.count()}",
    )


def work(batch, actor):
    for step in sheets.current_sheet(batch).plan["steps"]:
        record(batch, actor, step["number"])


def weighing(batch):
    steps = sheets.current_sheet(batch).plan["steps"]
    return next(step["number"] for step in steps if step.get("window"))


def look(batch):
    batch = Batch.objects.get(pk=batch.pk)
    return second_look(batch, sheets.current_sheet(batch), batch.step_records.all())


@pytest.fixture
def batch(salt, send, prep):
    """Sodium chloride that the department marked as restricted, claimed by Pia."""
    made = send().batch
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    switch_on(RESTRICTED)
    return claim_batch(actor=prep, batch=made)


@pytest.fixture
def done(batch, prep):
    work(batch, prep)
    return batch


@pytest.fixture
def asked(done, prep):
    return ask_check(actor=prep, batch=done, idempotency_key="ask")


# --- what is needed -------------------------------------------------------------------------------
def test_without_a_rule_nobody_is_needed_and_the_work_is_closed_as_ever(batch, prep):
    DepartmentRules.objects.update(check_restricted=False)
    work(batch, prep)
    assert finish_batch(actor=prep, batch=batch).prepared_lot.checked_by is None


@pytest.mark.parametrize(
    ("asked_for", "needed"),
    [
        # Standards are ordered and written to four figures; stock solutions to three (common practice).
        ({"target": "0.1000", "tolerance": "", "volume": "50"}, True),
        ({"target": "0.100", "tolerance": ""}, False),
        ({"target": "0.1000", "tolerance": "0.5"}, True),
        ({"target": "0.1000", "tolerance": "1"}, False),
    ],
)
def test_a_standard_is_what_is_ordered_exactly(bench, bottle, send, asked_for, needed):
    bottle("sodium-chloride", "500", assay_percent="99.99", assay_tolerance_percent="0.005")
    switch_on("check_standards")
    batch = send(**asked_for).batch
    codes = [point.code for point in needed_points(batch, sheets.current_sheet(batch))]
    assert codes == (["standard"] if needed else [])


# Whether a reagent is corrosive as it comes is read off its label under Regulation (EC) 1272/2008, Annex VI
# (from memory): the mineral acids, sodium hydroxide and ammonia are; sodium chloride is not.
@pytest.mark.parametrize(
    ("key", "facts", "target"),
    [
        ("sulfuric-acid", {"kind": "liquid", "mass_percent": "96.0", "density_g_per_ml": "1.8355"}, "0.500"),
        (
            "hydrochloric-acid",
            {"kind": "liquid", "mass_percent": "37.0", "density_g_per_ml": "1.184"},
            "1.00",
        ),
        ("ammonia", {"kind": "liquid", "mass_percent": "28.0", "density_g_per_ml": "0.898"}, "1.00"),
        ("sodium-hydroxide", {"assay_percent": "98.0", "assay_tolerance_percent": "0.5"}, "0.100"),
    ],
)
def test_the_reagent_of_an_acid_or_a_base_needs_a_second_person_and_one_who_stands_by(
    bench, bottle, send, any_draw, key, facts, target
):
    bottle(key, "2000", **facts)
    switch_on("check_strong_acids")
    order = send(substance=key, target=target, tolerance="10")
    found = look(order.batch)
    assert [point.code for point in found.points] == ["strong"]
    steps = {step["number"]: step for step in sheets.current_sheet(order.batch).plan["steps"]}
    actions = {steps[number]["action"] for number in found.not_alone}
    assert actions & {"weigh", "measure"}
    assert actions & {"mix", "dissolve", "transfer", "weigh", "measure"} == actions
    if "acid_into_water" in {one["code"] for step in steps.values() for one in step["cautions"]}:
        assert all(
            number in found.not_alone
            for number, step in steps.items()
            if "acid_into_water" in {one["code"] for one in step["cautions"]}
        )


def test_one_stands_by_at_the_acid_itself_and_not_at_what_it_became(bench, bottle, send, any_draw):
    bottle("hydrochloric-acid", "2000", kind="liquid", mass_percent="37.0", density_g_per_ml="1.184")
    switch_on("check_strong_acids")
    batch = send(substance="hydrochloric-acid", target="0.0010", tolerance="8").batch
    steps = sheets.current_sheet(batch).plan["steps"]
    assert any("intermediate" in step["text"] for step in steps if step["action"] == "measure")
    alone = look(batch).not_alone
    assert [step["action"] for step in steps if step["number"] in alone] == ["measure", "mix"]


def test_a_solution_diluted_further_and_a_plain_salt_need_none(bench, bottle, salt, send, any_draw):
    bottle(
        "hydrochloric-acid",
        "2000",
        kind="solution",
        concentration_mol_per_l="1.000",
        relative_uncertainty_percent="0.2",
    )
    switch_on("check_strong_acids")
    for order in (send(substance="hydrochloric-acid", target="0.10"), send()):
        found = look(order.batch)
        assert (found.points, found.not_alone) == ((), frozenset())


# --- asking ---------------------------------------------------------------------------------------
def test_it_is_asked_once_every_step_has_a_record(batch, prep):
    with pytest.raises(NotInThisState, match="no record yet"):
        ask_check(actor=prep, batch=batch, idempotency_key="early")
    work(batch, prep)
    check = ask_check(actor=prep, batch=batch, idempotency_key="ask")
    assert check.state == states.ASKED
    assert check.up_to == StepRecord.objects.latest("pk")
    assert check.points == [{"code": "restricted", "text": "Sodium chloride is restricted."}]
    assert batch.events.last().event == "ask_check"


def test_a_double_click_and_a_second_form_ask_once(asked, done, prep):
    assert ask_check(actor=prep, batch=done, idempotency_key="ask") == asked
    assert ask_check(actor=prep, batch=done, idempotency_key="other") == asked
    assert SecondCheck.objects.count() == 1


def test_the_stockroom_is_told_without_those_who_took_part(done, second_prep, manager, instructor, prep):
    ask_check(actor=prep, batch=done, idempotency_key="ask")
    told = Notice.objects.filter(kind=kinds.SECOND_LOOK)
    assert {notice.person for notice in told} == {second_prep, manager}
    assert {notice.path for notice in told} == {reverse("requests_app:check", args=[done.reference])}


def test_only_whoever_has_it_asks_or_a_manager(done, second_prep, instructor, manager):
    with pytest.raises(Conflict):
        ask_check(actor=second_prep, batch=done, idempotency_key="a")
    with pytest.raises(NotAllowed):
        ask_check(actor=instructor, batch=done, idempotency_key="b")
    check = ask_check(actor=manager, batch=done, idempotency_key="c")
    with pytest.raises(NotAllowed, match="took part"):
        sign_check(actor=manager, check=check)


def test_where_no_rule_asks_there_is_nothing_to_ask(done, prep):
    DepartmentRules.objects.update(check_restricted=False)
    with pytest.raises(NotInThisState, match="No rule asks"):
        ask_check(actor=prep, batch=done, idempotency_key="ask")


# --- who may answer -------------------------------------------------------------------------------
@pytest.fixture
def who(person, prep, second_prep, manager, instructor, batch):
    """Pia has it, Rita recorded one step of it while it was hers, and the manager another."""
    rita = person("rita", "prep", first_name="Rita")
    return {
        "maker": prep,
        "recorder": rita,
        "manager who recorded": manager,
        "new holder": person("nell", "prep"),
        "colleague": second_prep,
        "another manager": person("max", "manager"),
        "instructor": instructor,
    }


@pytest.fixture
def worked_by_several(batch, who):
    """Steps by Rita, Pia and a manager; at the end it is handed to Nell, and Pia had asked."""
    numbers = [step["number"] for step in sheets.current_sheet(batch).plan["steps"]]
    Batch.objects.filter(pk=batch.pk).update(claimed_by=who["recorder"])
    record(batch, who["recorder"], numbers[0])
    Batch.objects.filter(pk=batch.pk).update(claimed_by=who["maker"])
    record(batch, who["manager who recorded"], numbers[1])
    for number in numbers[2:]:
        record(batch, who["maker"], number)
    check = ask_check(actor=who["maker"], batch=batch, idempotency_key="ask")
    Batch.objects.filter(pk=batch.pk).update(claimed_by=who["new holder"])
    return check


@pytest.mark.parametrize("answer", ["sign", "send back"])
@pytest.mark.parametrize(
    ("name", "may"),
    [
        ("maker", False),
        ("recorder", False),
        ("manager who recorded", False),
        ("new holder", False),
        ("colleague", True),
        ("another manager", True),
        ("instructor", False),
    ],
)
def test_only_somebody_of_the_stockroom_who_took_no_part_answers(
    worked_by_several, who, name, may, answer, client
):
    check, actor = worked_by_several, who[name]
    step = weighing(check.batch)

    def do():
        if answer == "sign":
            return sign_check(actor=actor, check=check)
        return send_back(actor=actor, check=check, step_number=step, note="Read it again.")

    if may:
        found = do()
        assert found.answered_by == actor
        assert found.state == (states.SIGNED if answer == "sign" else states.SENT_BACK)
        return
    with pytest.raises(NotAllowed):
        do()
    client.force_login(actor)
    sent = {"do": answer.replace(" ", "_"), "check_id": check.pk, "step": step, "note": "Read it again."}
    answered = client.post(reverse("requests_app:check", args=[check.batch.reference]), sent)
    assert answered.status_code == 403, "also by a form that was made up"
    check.refresh_from_db()
    assert check.state == states.ASKED


def test_the_database_itself_takes_no_signature_of_whoever_asked(asked, prep):
    with pytest.raises(IntegrityError), transaction.atomic():
        SecondCheck.objects.filter(pk=asked.pk).update(answered_by=prep)


# --- answering and closing ------------------------------------------------------------------------
def test_the_work_is_not_closed_before_somebody_signed_and_the_words_say_who(done, prep, second_prep):
    with pytest.raises(SecondLookMissing, match=r"Sodium chloride is restricted\..*took no part"):
        finish_batch(actor=prep, batch=done)
    check = ask_check(actor=prep, batch=done, idempotency_key="ask")
    with pytest.raises(SecondLookMissing, match="waits for a second person since"):
        finish_batch(actor=prep, batch=done)
    sign_check(actor=second_prep, check=check)
    lot = finish_batch(actor=prep, batch=done).prepared_lot
    assert (lot.prepared_by, lot.checked_by) == (prep, second_prep)
    assert [event.event for event in done.events.all()][-3:] == ["ask_check", "sign", "finish"]


def test_signing_twice_is_the_same_as_once_and_the_maker_is_told(asked, prep, second_prep):
    sign_check(actor=second_prep, check=asked)
    sign_check(actor=second_prep, check=asked)
    assert asked.batch.events.filter(event="sign").count() == 1
    assert "signed by Paul Reed" in Notice.objects.get(person=prep, kind=kinds.SECOND_LOOK).text


def test_the_second_who_answers_is_told_by_whom_and_nothing_of_theirs_counts(asked, second_prep, manager):
    sign_check(actor=second_prep, check=asked)
    with pytest.raises(Conflict, match="Paul Reed signed it"):
        send_back(actor=manager, check=asked, step_number=1, note="No.")
    with pytest.raises(Conflict, match="Paul Reed signed it"):
        sign_check(actor=manager, check=asked)
    asked.refresh_from_db()
    assert (asked.state, asked.answered_by) == (states.SIGNED, second_prep)


def test_a_step_done_again_takes_an_open_check_back(asked, done, prep, second_prep):
    record(done, prep, weighing(done))
    asked.refresh_from_db()
    assert asked.state == states.WITHDRAWN
    assert done.events.last().note == f"step {weighing(done)} was done again"
    with pytest.raises(Conflict, match="taken back"):
        sign_check(actor=second_prep, check=asked)
    again = ask_check(actor=prep, batch=done, idempotency_key="again")
    sign_check(actor=second_prep, check=again)
    finish_batch(actor=prep, batch=done)


def test_a_step_done_again_leaves_a_signature_behind(asked, done, prep, second_prep):
    sign_check(actor=second_prep, check=asked)
    assert look(done).signed == asked
    record(done, prep, weighing(done))
    found = look(done)
    assert (found.signed, found.void, found.is_missing) == (None, asked, True)
    with pytest.raises(SecondLookMissing):
        finish_batch(actor=prep, batch=done)


def test_a_new_sheet_leaves_question_and_signature_behind(asked, done, prep, second_prep):
    old = sheets.current_sheet(done)
    newer = sheets.freeze_sheet(
        actor=prep, batch=done, request=old.request, plan=old.plan, reason="another bottle"
    )
    newer.kept = {str(old.pk): 99}
    newer.save()
    with pytest.raises(Conflict, match="changed since"):
        sign_check(actor=second_prep, check=asked)
    with pytest.raises(SecondLookMissing):
        finish_batch(actor=prep, batch=done)
    again = ask_check(actor=prep, batch=done, idempotency_key="again")
    asked.refresh_from_db()
    assert asked.state == states.WITHDRAWN
    sign_check(actor=second_prep, check=again)
    finish_batch(actor=prep, batch=done)


def test_sent_back_the_maker_is_told_and_the_first_reading_stays(asked, done, prep, second_prep):
    step = weighing(done)
    first = done.step_records.get(step_number=step)
    send_back(actor=second_prep, check=asked, step_number=step, note="The reading looks mistyped.")
    send_back(actor=second_prep, check=asked, step_number=step, note="The reading looks mistyped.")
    assert done.events.filter(event="send_back").count() == 1
    assert f"step {step} was sent back by Paul Reed" in Notice.objects.get(person=prep).text
    assert look(done).sent_back == asked
    with pytest.raises(SecondLookMissing):
        finish_batch(actor=prep, batch=done)
    record(done, prep, step)
    assert first in done.step_records.all()
    again = ask_check(actor=prep, batch=done, idempotency_key="again")
    assert look(done).sent_back is None
    sign_check(actor=second_prep, check=again)
    finish_batch(actor=prep, batch=done)


@pytest.mark.parametrize(("step", "note", "field"), [(99, "Wrong.", "step"), (1, "  ", "note")])
def test_it_goes_back_to_a_step_of_the_sheet_and_with_a_reason(asked, second_prep, step, note, field):
    with pytest.raises(InvalidInput) as refused:
        send_back(actor=second_prep, check=asked, step_number=step, note=note)
    assert list(refused.value.errors) == [field]
    asked.refresh_from_db()
    assert asked.state == states.ASKED


def test_whoever_signed_does_not_close_the_work_themselves(asked, done, manager, prep):
    sign_check(actor=manager, check=asked)
    with pytest.raises(Conflict, match="You signed"):
        finish_batch(actor=manager, batch=done)
    assert finish_batch(actor=prep, batch=done).prepared_lot.checked_by == manager


def test_given_up_nothing_is_asked_any_more(asked, done, prep):
    stop_batch(actor=prep, batch=done, reason="spilt")
    asked.refresh_from_db()
    assert asked.state == states.WITHDRAWN


def test_solvent_that_was_added_is_signed_with_the_readings(batch, prep, second_prep):
    step = weighing(batch)
    high = sheets.step_of(sheets.current_sheet(batch).plan, step)["window"]["high"]
    for one in sheets.current_sheet(batch).plan["steps"]:
        reading = f"{float(high) * 1.02:.2f}" if one["number"] == step else None
        record(batch, prep, one["number"], reading)
    added = {"reason": "kept", "added_text": "20"}
    check = ask_check(actor=prep, batch=batch, idempotency_key="as read")
    sign_check(actor=second_prep, check=check)
    with pytest.raises(SecondLookMissing, match="without solvent added"):
        finish_batch(actor=prep, batch=batch, **added)
    check = ask_check(actor=prep, batch=batch, idempotency_key="with water", added_text="20")
    assert check.points[-1]["text"] == "20 mL of solvent was added after making up."
    with pytest.raises(SecondLookMissing, match="waits for"):
        finish_batch(actor=prep, batch=batch, **added)
    sign_check(actor=second_prep, check=check)
    with pytest.raises(SecondLookMissing, match="another amount"):
        finish_batch(actor=prep, batch=batch, reason="kept", added_text="25")
    assert finish_batch(actor=prep, batch=batch, **added).prepared_lot.checked_by == second_prep


# --- lists ----------------------------------------------------------------------------------------
def test_what_waits_is_listed_in_one_query_and_says_to_whom_it_is_not_open(
    asked, prep, second_prep, instructor, django_assert_num_queries
):
    with django_assert_num_queries(1):
        rows = [
            (row.batch.reference, str(row.batch.claimed_by), row.took_part) for row in checks_waiting(prep)
        ]
    assert rows == [(asked.batch.reference, "Pia Brook", True)]
    assert [row.took_part for row in checks_waiting(second_prep)] == [False]
    assert not checks_waiting(instructor)
    assert list(Batch.objects.filter(waits_for_second_person())) == [asked.batch]
    sign_check(actor=second_prep, check=asked)
    assert not checks_waiting(second_prep)
    assert not Batch.objects.filter(waits_for_second_person())


# --- pages ----------------------------------------------------------------------------------------
def page_of(client, actor, batch, name="check", *more, status=200, **query):
    client.force_login(actor)
    answer = client.get(reverse(f"requests_app:{name}", args=[batch.reference, *more]), query)
    assert answer.status_code == status
    return re.sub(r"\s+", " ", answer.content.decode())


ASK = "Ask for a second person"
SIGN = "I have looked at the readings and sign"


def test_the_maker_asks_and_sees_since_when_it_waits(client, done, prep):
    page = page_of(client, prep, done)
    assert "Sodium chloride is restricted." in page
    assert ASK in page
    assert SIGN not in page
    form = {"do": "ask", "key": "k", "version": Batch.objects.get(pk=done.pk).version}
    answer = client.post(reverse("requests_app:check", args=[done.reference]), form)
    assert answer.status_code == 302
    page = page_of(client, prep, done)
    assert "Waits for a second person" in page
    assert "somebody else signs" in page
    assert ASK not in page
    assert SIGN not in page


def test_the_second_person_sees_every_reading_with_window_bottle_and_who_took_it(
    client, asked, done, prep, second_prep, salt
):
    record(done, prep, weighing(done), key="again")
    ask_check(actor=prep, batch=done, idempotency_key="anew")
    page = page_of(client, second_prep, done)
    step = sheets.step_of(sheets.current_sheet(done).plan, weighing(done))
    assert step["window"]["low"] in page
    assert salt.code in page
    assert "assay 100.0 ± 0.1 %" in page
    assert "Pia Brook" in page
    assert "(read again below)" in page, "the first reading stays to be seen"
    assert "What is in the bottle" in page
    assert SIGN in page
    assert page.count("Send step") == len(sheets.current_sheet(done).plan["steps"])


def test_signing_and_closing_through_the_pages(client, asked, done, prep, second_prep, instructor):
    address = reverse("requests_app:check", args=[done.reference])
    client.force_login(second_prep)
    assert client.post(address, {"do": "sign", "check_id": asked.pk}).status_code == 302
    assert "Paul Reed" in page_of(client, prep, done)
    version = Batch.objects.get(pk=done.pk).version
    closed = client.post(
        reverse("requests_app:finish", args=[done.reference]), {"close": "1", "version": version}
    )
    assert closed.status_code == 302
    lot = Lot.objects.get(made_by_batch=done)
    assert re.search(r"Paul Reed[^.]{0,40}, the second person", page_of(client, prep, done, "batch"))
    assert "Paul Reed" in page_of(client, instructor, done.orders.get(), "order")
    client.force_login(prep)
    for name in ("lot", "lot_label"):
        assert "Paul Reed" in client.get(reverse(f"inventory:{name}", args=[lot.code])).content.decode()


def test_a_step_is_sent_back_by_one_press_or_in_words_and_stands_at_the_step(
    client, asked, done, prep, second_prep
):
    step = weighing(done)
    page = page_of(client, second_prep, done, step=step)
    assert "It is not the bottle the sheet names." in page
    address = reverse("requests_app:check", args=[done.reference])
    empty = client.post(address, {"do": "send_back", "check_id": asked.pk, "step": step})
    assert empty.status_code == 422
    assert "Say why it goes back" in empty.content.decode()
    pressed = {"because": "It is not the bottle the sheet names.", "do": "send_back", "step": step}
    assert client.post(address, {**pressed, "check_id": asked.pk}).status_code == 302
    said = "It is not the bottle the sheet names."
    page = page_of(client, prep, done)
    assert said in page
    assert reverse("requests_app:step", args=[done.reference, step]) in page
    assert f"Sent back:</strong> {said}" in page_of(client, prep, done, "step", step)
    assert "Sent back:" not in page_of(client, prep, done, "step", step + 1)


def test_the_closing_page_leads_to_the_second_look_and_offers_no_button_before(
    client, done, prep, second_prep
):
    button = "Close the work and book it"
    page = page_of(client, prep, done, "finish")
    assert button not in page
    assert reverse("requests_app:check", args=[done.reference]) in page
    posted = client.post(
        reverse("requests_app:finish", args=[done.reference]),
        {"close": "1", "version": Batch.objects.get(pk=done.pk).version},
    )
    assert posted.status_code == 409
    assert "A second person looks first" in posted.content.decode()
    sign_check(actor=second_prep, check=ask_check(actor=prep, batch=done, idempotency_key="a"))
    assert button in page_of(client, prep, done, "finish")


def test_a_step_with_a_strong_acid_says_that_nobody_handles_it_alone(
    bench, bottle, send, any_draw, prep, client
):
    bottle("sulfuric-acid", "1000", kind="liquid", mass_percent="96.0", density_g_per_ml="1.8355")
    batch = claim_batch(
        actor=prep, batch=send(substance="sulfuric-acid", target="0.500", tolerance="5").batch
    )
    for step in sheets.current_sheet(batch).plan["steps"]:
        if step["number"] not in {1}:
            break
        record(batch, prep, step["number"])
    words = "A second person stands by at this step"
    assert words not in page_of(client, prep, batch, "step", 2)
    switch_on("check_strong_acids")
    assert words in page_of(client, prep, batch, "step", 2)
    assert "Sulfuric acid is taken from the reagent itself." in page_of(client, prep, batch, "batch")


def test_an_older_answer_by_page_is_told_with_words(client, asked, done, second_prep, manager):
    sign_check(actor=second_prep, check=asked)
    client.force_login(manager)
    answer = client.post(
        reverse("requests_app:check", args=[done.reference]), {"do": "sign", "check_id": asked.pk}
    )
    assert answer.status_code == 409
    assert "Paul Reed signed it" in answer.content.decode()


def test_before_it_is_asked_a_colleague_reads_who_asks_and_may_not_sign(client, batch, second_prep, prep):
    page = page_of(client, second_prep, batch)
    assert "Nobody has asked yet" in page
    assert "Pia Brook" in page
    assert ASK not in page
    assert SIGN not in page
    DepartmentRules.objects.update(check_restricted=False)
    assert "No rule of the department asks" in page_of(client, prep, batch)


# --- coded samples --------------------------------------------------------------------------------
@pytest.fixture
def sample(salt, sections, instructor, prep):
    """A coded sample of a restricted substance, with a record for every step; every rule is on."""
    draft = UnknownsDraft(
        course_id=sections[0].course_id,
        section_ids=(sections[0].pk,),
        reader_ids=(),
        title="Chloride by titration",
        substance_key="sodium-chloride",
        lowest=parse_number("0.1300"),
        highest=parse_number("0.1800"),
        unit="mol/L",
        count=2,
        spares=0,
        apart_percent=None,
        volume_per_sample=parse_number("250"),
        volume_unit="mL",
        due_at=timezone.now() + timedelta(days=2),
        room="210",
        tolerance_percent=parse_number("0.5"),
    )
    made = order_unknowns(actor=instructor, draft=draft, idempotency_key="set")
    Substance.objects.filter(key="sodium-chloride").update(restricted=True)
    switch_on(RESTRICTED, "check_strong_acids", "check_standards")
    batch = claim_batch(actor=prep, batch=made.samples.all()[0].order.batch)
    work(batch, prep)
    return batch


def test_a_coded_sample_is_put_before_nobody_and_is_closed_by_its_maker(
    client, sample, prep, second_prep, manager
):
    with pytest.raises(NotInThisState, match="No rule asks"):
        ask_check(actor=prep, batch=sample, idempotency_key="ask")
    for actor in (prep, second_prep, manager):
        page = page_of(client, actor, sample)
        assert "A coded sample is never put before a second person" in page
        assert "To reach" not in page
    assert finish_batch(actor=prep, batch=sample).prepared_lot.checked_by is None
