"""Work that rests and goes into other hands: always in exactly one person's, at the step at which it stands.

That work at the bench is covered, labelled and signed for when it changes hands is common practice.
"""

import re

import pytest
from django.core.management import call_command
from django.urls import reverse

from inventory.selectors import stock_differences
from prepdesk.accounts.models import Notice
from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Batch, SecondCheck, StepRecord
from requests_app.selectors import batch_with_everything
from requests_app.selectors.unknowns import readings_of_key
from requests_app.services.claiming import (
    claim_batch,
    give_batch,
    pause_batch,
    put_back_batch,
    resume_batch,
    take_over_batch,
)
from requests_app.services.closing import finish_batch
from requests_app.services.recording import record_step
from requests_app.services.unknowns import order_unknowns
from tests.requests_app.test_batches import do_steps
from tests.requests_app.test_unknowns import wanted

__all__ = ["do_steps", "wanted"]

pytestmark = pytest.mark.django_db

COVERED = "Weighed out and covered"


@pytest.fixture(autouse=True)
def the_ledger_stays_true(db):
    """Whatever a test of this file does, balances follow from movements and holds."""
    yield
    assert stock_differences() == []
    call_command("verify_stock")


@pytest.fixture
def batch(salt, send) -> Batch:
    return send().batch


@pytest.fixture
def claimed(batch, prep) -> Batch:
    return claim_batch(actor=prep, batch=batch)


@pytest.fixture
def begun(claimed, prep) -> Batch:
    do_steps(claimed, prep, until=1)
    return fresh(claimed)


@pytest.fixture
def paused(begun, prep) -> Batch:
    return pause_batch(actor=prep, batch=begun, note=COVERED)


def fresh(batch: Batch) -> Batch:
    return Batch.objects.get(pk=batch.pk)


def events(batch: Batch) -> list[str]:
    return list(batch.events.values_list("event", flat=True))


def told(person) -> str:
    return " ".join(Notice.objects.filter(person=person, kind="batch_passed").values_list("text", flat=True))


def next_step(batch: Batch, actor, number: int, **more) -> StepRecord:
    return record_step(
        actor=actor,
        batch=batch,
        step_number=number,
        reading_text="",
        idempotency_key=f"{batch.pk}-{number}-{StepRecord.objects.count()}",
        **more,
    )


def ask_a_second_person(batch: Batch, actor) -> SecondCheck:
    return SecondCheck.objects.create(
        batch=batch,
        sheet=batch.sheets.get(),
        up_to=batch.step_records.last(),
        asked_by=actor,
        idempotency_key=f"check-{batch.pk}",
    )


# --- resting --------------------------------------------------------------------------------------
def test_work_rests_with_a_word_on_where_it_stands_and_keeps_its_stock(begun, prep, salt):
    salt.refresh_from_db()
    held = salt.held
    done = pause_batch(actor=prep, batch=begun, note=COVERED, seen_version=begun.version)
    assert (done.paused_at is not None, done.pause_note, done.state) == (True, COVERED, states.IN_WORK)
    assert (done.claimed_by, done.version) == (prep, begun.version + 1)
    salt.refresh_from_db()
    assert salt.held == held
    assert events(done)[-1] == "pause"
    assert done.events.last().note == COVERED


def test_pausing_twice_is_once_and_going_on_twice_too(paused, prep):
    pause_batch(actor=prep, batch=paused, note="again", seen_version=1)
    assert events(paused).count("pause") == 1
    resume_batch(actor=prep, batch=paused, seen_version=paused.version)
    resume_batch(actor=prep, batch=paused, seen_version=paused.version)
    assert events(paused).count("resume") == 1
    assert (fresh(paused).paused_at, fresh(paused).pause_note) == (None, "")


def test_what_is_not_begun_is_put_back_and_does_not_rest(claimed, prep):
    with pytest.raises(NotInThisState, match="Put it back"):
        pause_batch(actor=prep, batch=claimed)


def test_only_whoever_has_it_lets_it_rest_or_goes_on(begun, paused, prep, second_prep, instructor):
    for deed in (pause_batch, resume_batch):
        with pytest.raises(Conflict, match="Pia Brook"):
            deed(actor=second_prep, batch=begun)
        with pytest.raises(NotAllowed):
            deed(actor=instructor, batch=begun)


def test_recording_a_step_goes_on_by_itself_and_the_first_record_stays(paused, prep):
    next_step(paused, prep, 2, seen_version=paused.version)
    now = fresh(paused)
    assert (now.paused_at, now.pause_note) == (None, "")
    assert events(now)[-1] == "resume"
    assert [record.step_number for record in now.step_records.all()] == [1, 2]


def test_a_page_that_was_open_before_it_rested_is_told(begun, paused, prep):
    with pytest.raises(Conflict, match="changed since this page was shown"):
        next_step(paused, prep, 2, seen_version=begun.version)
    assert fresh(paused).paused_at is not None


def test_closing_the_work_ends_the_rest(claimed, prep):
    do_steps(claimed, prep)
    pause_batch(actor=prep, batch=claimed)
    done = finish_batch(actor=prep, batch=claimed)
    assert (done.state, done.paused_at) == (states.READY, None)


# --- handed on ------------------------------------------------------------------------------------
def test_a_colleague_gets_it_is_told_and_goes_on_at_the_same_step(begun, prep, second_prep):
    given = give_batch(actor=prep, batch=begun, to=second_prep, note=COVERED, seen_version=begun.version)
    assert (given.claimed_by, given.pause_note) == (second_prep, COVERED)
    assert given.paused_at is not None, "it rests until the colleague goes on"
    assert f"Pia Brook hands you {begun.reference}" in told(second_prep)
    assert COVERED in told(second_prep)
    assert told(prep) == "", "nobody is told of what they did"
    with pytest.raises(Conflict, match="Paul Reed"):
        next_step(given, prep, 2)
    next_step(given, second_prep, 2)
    assert [record.actor for record in begun.step_records.all()] == [prep, second_prep]
    assert [name for name in events(begun) if name in ("give", "pause", "resume")] == [
        "pause",
        "give",
        "resume",
    ]


def test_giving_twice_is_once(begun, prep, second_prep):
    give_batch(actor=prep, batch=begun, to=second_prep, seen_version=begun.version)
    give_batch(actor=prep, batch=begun, to=second_prep, seen_version=begun.version)
    assert events(begun).count("give") == 1
    assert Notice.objects.filter(kind="batch_passed").count() == 1


def test_what_is_claimed_and_not_begun_is_given_too_and_can_be_put_back(claimed, prep, second_prep):
    given = give_batch(actor=prep, batch=claimed, to=second_prep, note="by the window")
    assert (given.state, given.claimed_by, given.paused_at) == (states.CLAIMED, second_prep, None)
    assert given.pause_note == "by the window"
    assert put_back_batch(actor=second_prep, batch=claimed).pause_note == ""


def test_a_manager_hands_it_on_and_both_are_told(begun, prep, second_prep, manager):
    give_batch(actor=manager, batch=begun, to=second_prep)
    assert "Mara Stone hands you" in told(second_prep)
    assert "which you had, to Paul Reed" in told(prep)


def test_nobody_gives_away_what_a_colleague_has(begun, second_prep, manager):
    with pytest.raises(Conflict, match="Pia Brook"):
        give_batch(actor=second_prep, batch=begun, to=manager)


def test_it_is_given_to_the_stockroom_alone_and_not_to_oneself(begun, prep, instructor):
    for nobody in (instructor, prep):
        with pytest.raises(InvalidInput) as refusal:
            give_batch(actor=prep, batch=begun, to=nobody)
        assert list(refusal.value.errors) == ["to"]
    assert fresh(begun).claimed_by == prep


def test_what_is_made_is_not_handed_on_any_more(claimed, prep, second_prep):
    do_steps(claimed, prep)
    finish_batch(actor=prep, batch=claimed)
    for deed in (
        lambda: give_batch(actor=prep, batch=claimed, to=second_prep),
        lambda: take_over_batch(actor=second_prep, batch=claimed),
        lambda: pause_batch(actor=prep, batch=claimed),
    ):
        with pytest.raises(NotInThisState, match="Ready"):
            deed()


# --- taken over -------------------------------------------------------------------------------------
def test_a_colleague_takes_what_rests_and_whoever_had_it_is_told(paused, prep, second_prep):
    taken = take_over_batch(actor=second_prep, batch=paused, seen_version=paused.version)
    assert (taken.claimed_by, taken.paused_at, taken.pause_note) == (second_prep, None, COVERED)
    assert f"Paul Reed took {paused.reference} over" in told(prep)
    next_step(taken, second_prep, 2)
    assert fresh(taken).pause_note == "", "where it stood is said until the next step"
    assert "resume" not in events(taken)


def test_of_two_who_take_it_over_the_second_reads_the_name(paused, second_prep, person):
    take_over_batch(actor=second_prep, batch=paused)
    with pytest.raises(Conflict, match="Paul Reed"):
        take_over_batch(actor=person("petra", "prep"), batch=paused)
    take_over_batch(actor=second_prep, batch=paused)
    assert events(paused).count("take_over") == 1


def test_work_that_goes_on_is_taken_by_a_manager_alone(begun, prep, second_prep, manager):
    with pytest.raises(Conflict, match="Ask them to pause it"):
        take_over_batch(actor=second_prep, batch=begun)
    assert take_over_batch(actor=manager, batch=begun).claimed_by == manager
    assert "Mara Stone took" in told(prep)


# --- a second person --------------------------------------------------------------------------------
@pytest.mark.parametrize("how", ["give", "take over"])
def test_what_was_put_before_a_second_person_is_taken_back_when_it_changes_hands(
    how, paused, prep, second_prep, manager
):
    check = ask_a_second_person(paused, prep)
    if how == "give":
        give_batch(actor=prep, batch=paused, to=second_prep)
    else:
        take_over_batch(actor=manager, batch=paused)
    check.refresh_from_db()
    assert check.state == states.WITHDRAWN
    assert "withdraw_check" in events(paused)


def test_a_pause_alone_leaves_the_second_person_where_they_are(begun, prep):
    check = ask_a_second_person(begun, prep)
    pause_batch(actor=prep, batch=begun)
    check.refresh_from_db()
    assert check.state == states.ASKED


# --- unknowns -----------------------------------------------------------------------------------------
@pytest.fixture
def sample(wanted, instructor, prep) -> Batch:
    """A coded sample, begun and resting."""
    made = order_unknowns(actor=instructor, draft=wanted(), idempotency_key="set")
    batch = made.samples.first().order.batch
    claim_batch(actor=prep, batch=batch)
    do_steps(batch, prep, until=1)
    return pause_batch(actor=prep, batch=batch, note="0.1379 mol/L, covered")


def test_an_unknown_is_never_taken_not_even_by_a_manager(sample, prep, second_prep, manager):
    for other in (second_prep, manager):
        with pytest.raises(NotAllowed, match="Ask Pia Brook to hand it to you"):
            take_over_batch(actor=other, batch=sample)
    with pytest.raises(Conflict, match="hand it to you"):
        give_batch(actor=manager, batch=sample, to=second_prep)
    assert fresh(sample).claimed_by == prep


def test_giving_an_unknown_passes_its_figures_on_and_stands_in_the_history_of_the_key(
    sample, prep, second_prep
):
    assert "0.1379" not in str(vars(batch_with_everything(second_prep, sample.reference)))
    give_batch(actor=prep, batch=sample, to=second_prep)
    assert "0.1379" not in told(second_prep)
    assert batch_with_everything(second_prep, sample.reference).pause_note.startswith("0.1379")
    theirs = batch_with_everything(prep, sample.reference)
    assert (theirs.pause_note, theirs.is_concealed) == ("", True)
    code = sample.orders.get().unknown_sample.code
    [said] = [
        one.what
        for one in readings_of_key(sample.orders.get().unknown_sample.unknown_set)
        if one.what.startswith("handed")
    ]
    assert said == f"handed {code} to Paul Reed, who makes it now"


# --- pages ----------------------------------------------------------------------------------------
def address(name: str, batch: Batch, *more) -> str:
    return reverse(f"requests_app:{name}", args=[batch.reference, *more])


def version_on(page: str) -> str:
    return re.search(r'name="version" value="(\d+)"', page)[1]


def test_pausing_and_going_on_by_the_pages_without_typing(client, begun, prep, second_prep):
    client.force_login(prep)
    page = client.get(address("pause", begun)).content.decode()
    assert "Pia Brook" in page
    assert "Next is step 2 of 7, dissolve sodium chloride." in page
    answer = client.post(
        address("pause", begun), {"version": version_on(page), "stands": COVERED}, follow=True
    )
    said = answer.content.decode()
    assert "It rests" in said
    assert f"Where it stands: {COVERED}." in said
    answer = client.post(address("resume", begun), {"version": version_on(said)})
    assert answer["Location"] == address("step", begun, 2)
    assert fresh(begun).paused_at is None


def test_a_colleague_sees_who_has_it_and_takes_it_over_only_while_it_rests(client, begun, prep, second_prep):
    client.force_login(second_prep)
    page = client.get(address("batch", begun)).content.decode()
    assert "Take it over" not in page
    assert (
        'Ask <span class="person">Pia Brook</span> to pause it'
        in client.get(address("pause", begun)).content.decode()
    )
    pause_batch(actor=prep, batch=begun, note=COVERED)
    page = client.get(address("batch", begun)).content.decode()
    assert "Take it over from Pia Brook" in page
    answer = client.post(address("take_over", begun), {"version": version_on(page)}, follow=True)
    assert "is yours now. Pia Brook is told." in answer.content.decode()


def test_one_press_on_a_name_hands_it_on(client, begun, prep, second_prep):
    client.force_login(prep)
    page = client.get(address("pause", begun)).content.decode()
    assert f'name="to" value="{second_prep.pk}">Paul Reed' in page
    guards = {"version": version_on(page), "to": str(second_prep.pk), "note": "on the bench by the door"}
    answer = client.post(address("give", begun), guards, follow=True)
    assert "is with Paul Reed now, who is told." in answer.content.decode()
    assert fresh(begun).pause_note == "on the bench by the door"


@pytest.mark.parametrize("to", ["", "x", "99999999", "9" * 30, "9" * 5000])
def test_a_name_that_is_nobodys_is_refused_on_the_page(client, begun, prep, to):
    client.force_login(prep)
    answer = client.post(address("give", begun), {"version": begun.version, "to": to})
    assert answer.status_code == 422
    assert "Press the name" in answer.content.decode()


def test_the_page_of_an_unknown_says_that_its_figures_go_with_it(client, sample, prep, second_prep):
    client.force_login(prep)
    assert "reads its figures from then on" in client.get(address("pause", sample)).content.decode()
    client.force_login(second_prep)
    page = client.get(address("pause", sample)).content.decode()
    assert "can hand it on" in page
    assert "0.1379" not in page
    assert "Take it over" not in page
