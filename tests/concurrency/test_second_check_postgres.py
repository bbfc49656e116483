"""Two people answer the same question at the same moment, on PostgreSQL with a connection each."""

import pytest

from inventory.models import Substance
from prepdesk.core.errors import Conflict, DomainError
from requests_app import sheets, states
from requests_app.models import BatchEvent, DepartmentRules, SecondCheck, StepRecord
from requests_app.services.claiming import claim_batch
from requests_app.services.closing import finish_batch
from requests_app.services.recording import record_step
from requests_app.services.second_check import SecondLookMissing, ask_check, send_back, sign_check
from tests.concurrency.test_orders import people, prep_staff, salt_bottle, sent

__all__ = ["people", "prep_staff", "salt_bottle"]

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def recording(actor, batch, number, key):
    step = sheets.step_of(sheets.current_sheet(batch).plan, number)
    return lambda: record_step(
        actor=actor,
        batch=batch,
        step_number=number,
        reading_text=step["quantity"]["value"] if step.get("window") else "",
        idempotency_key=key,
    )


@pytest.fixture
def done(people, prep_staff, salt_bottle):
    """A batch of a restricted substance with a record for every step, by the first of the prep staff."""
    salt_bottle("500")
    order = sent(people[0])
    DepartmentRules.objects.update_or_create(pk=1, defaults={"check_restricted": True})
    Substance.objects.update(restricted=True)
    batch = claim_batch(actor=prep_staff[0], batch=order.batch)
    for step in sheets.current_sheet(batch).plan["steps"]:
        recording(prep_staff[0], batch, step["number"], f"step-{step['number']}")()
    return batch


def test_of_those_who_answer_at_once_one_counts_and_the_others_are_told(done, prep_staff, race):
    check = ask_check(actor=prep_staff[0], batch=done, idempotency_key="ask")
    outcomes = race(
        [
            lambda: sign_check(actor=prep_staff[1], check=check),
            lambda: send_back(actor=prep_staff[2], check=check, step_number=1, note="Look again."),
            lambda: sign_check(actor=prep_staff[3], check=check),
        ]
    )
    assert sum(isinstance(one, SecondCheck) for one in outcomes) == 1, outcomes
    assert sum(isinstance(one, Conflict) for one in outcomes) == 2, outcomes
    kept = next(one for one in outcomes if isinstance(one, SecondCheck))
    check.refresh_from_db()
    assert (check.state, check.answered_by) == (kept.state, kept.answered_by)
    assert BatchEvent.objects.filter(event__in=("sign", "send_back")).count() == 1


def test_asked_from_two_tablets_at_once_it_is_asked_once(done, prep_staff, race):
    outcomes = race(
        [
            lambda key=key: ask_check(actor=prep_staff[0], batch=done, idempotency_key=key)
            for key in ("a", "b", "c")
        ]
    )
    assert len({one.pk for one in outcomes}) == 1, outcomes
    assert SecondCheck.objects.count() == 1


def test_a_step_done_again_while_somebody_signs_never_leaves_a_signature_that_counts(done, prep_staff, race):
    for turn in range(4):
        check = ask_check(actor=prep_staff[0], batch=done, idempotency_key=f"ask-{turn}")
        outcomes = race(
            [
                lambda check=check: sign_check(actor=prep_staff[1], check=check),
                recording(prep_staff[0], done, 1, f"again-{turn}"),
            ]
        )
        assert any(isinstance(one, StepRecord) for one in outcomes), outcomes
        check.refresh_from_db()
        assert check.state in (states.SIGNED, states.WITHDRAWN)
        with pytest.raises(SecondLookMissing):
            finish_batch(actor=prep_staff[0], batch=done)
        assert all(isinstance(one, SecondCheck | StepRecord | DomainError) for one in outcomes)
