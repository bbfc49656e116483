"""Changes that meet other people at the same moment, on PostgreSQL with a connection each."""

from dataclasses import replace
from datetime import timedelta

import pytest
from django.utils import timezone

from inventory.models import Hold
from inventory.selectors import stock_differences
from prepdesk.core.errors import Conflict, DomainError, NotInThisState
from requests_app import sheets, states
from requests_app.models import Meeting, MeetingEvent, Order, OrderRevision, Section, StepRecord
from requests_app.services.changes import StaleOrder, change_order
from requests_app.services.claiming import claim_batch
from requests_app.services.comments import comment_order
from requests_app.services.handing_over import ChangeUnseen
from requests_app.services.meeting_changes import change_meeting
from requests_app.services.meeting_wishes import as_it_is
from requests_app.services.orders import submit_order
from requests_app.services.recording import record_step
from tests.concurrency.test_orders import people, prep_staff, salt_bottle, sent, wanted

__all__ = ["people", "prep_staff", "salt_bottle"]

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def changing(actor, order, groups, key, expected=1):
    return lambda: change_order(
        actor=actor,
        order=order,
        draft_changes={"groups_per_section": groups},
        reason="",
        expected_revision=expected,
        idempotency_key=key,
    )


def recording(actor, batch):
    step = sheets.current_sheet(batch).plan["steps"][0]
    return lambda: record_step(
        actor=actor,
        batch=batch,
        step_number=1,
        reading_text=step["quantity"]["value"] if step.get("window") else "",
        idempotency_key=f"step-{batch.pk}",
    )


def held_as_the_sheets_say() -> bool:
    """What is held is what the newest sheets of open batches draw, and nothing of an older one."""
    active = Hold.objects.filter(state="active")
    wanted_now = {
        (draw.lot_id, draw.amount)
        for order in Order.objects.exclude(batch=None).exclude(state=states.CANCELLED)
        for draw in sheets.draws_of(sheets.current_sheet(order.batch).plan)
    }
    return {(hold.lot_id, hold.amount) for hold in active} == wanted_now and stock_differences() == []


def test_of_two_tabs_that_change_at_once_one_is_told_and_the_stock_is_held_once(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    order = sent(people[0])
    outcomes = race([changing(people[0], order, 12, "a"), changing(people[0], order, 20, "b")])
    assert sum(isinstance(one, OrderRevision) for one in outcomes) == 1, outcomes
    assert sum(isinstance(one, StaleOrder) for one in outcomes) == 1, outcomes
    order.refresh_from_db()
    assert order.revision == 2
    assert Hold.objects.filter(state="active").count() == 1
    assert held_as_the_sheets_say()


def test_a_double_click_changes_once(people, prep_staff, salt_bottle, race):
    salt_bottle("500")
    order = sent(people[0])
    outcomes = race([changing(people[0], order, 12, "a")] * 4)
    assert len({one.pk for one in outcomes}) == 1, outcomes
    assert OrderRevision.objects.count() == 1
    assert held_as_the_sheets_say()


def test_a_change_and_the_claim_at_once_leave_a_new_sheet_or_a_change_to_be_seen(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    for number in range(4):
        order = sent(people[0], f"form {number}")
        outcomes = race(
            [
                changing(people[0], order, 8, f"change {number}"),
                lambda order=order: claim_batch(actor=prep_staff[0], batch=order.batch),
            ]
        )
        assert not any(isinstance(one, Exception) for one in outcomes), outcomes
        order.refresh_from_db()
        revision = order.revisions.get()
        planned_anew = order.batch.sheets.count() == 2
        # Either the maker got the new figures, or the old ones with a change to look at; never neither.
        assert revision.needs_seeing != planned_anew
        assert (order.groups_per_section, order.state) == (8, states.IN_WORK)
    assert held_as_the_sheets_say()


def test_a_change_and_the_first_step_at_once_never_pass_each_other_unseen(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    for number in range(4):
        order = sent(people[0], f"form {number}")
        batch = claim_batch(actor=prep_staff[0], batch=order.batch)
        outcomes = race([changing(people[0], order, 8, f"change {number}"), recording(prep_staff[0], batch)])
        recorded, unseen = (
            any(isinstance(one, StepRecord) for one in outcomes),
            any(isinstance(one, ChangeUnseen) for one in outcomes),
        )
        assert recorded != unseen, outcomes
        assert order.revisions.get().needs_seeing
        if recorded:
            # It was recorded before the change was there, so the next one is refused.
            with pytest.raises(ChangeUnseen):
                record_step(
                    actor=prep_staff[0],
                    batch=batch,
                    step_number=2,
                    reading_text="",
                    idempotency_key=f"next-{number}",
                )
    assert held_as_the_sheets_say()


def test_the_meeting_is_cancelled_and_its_batch_claimed_at_the_same_moment(
    people, prep_staff, salt_bottle, race
):
    salt_bottle("500")
    section = Section.objects.get(instructor=people[0])
    for number in range(4):
        begins = timezone.now() + timedelta(days=1)
        meeting = Meeting.objects.create(
            section=section, week=number + 1, starts_at=begins, ends_at=begins + timedelta(hours=3)
        )
        order = submit_order(
            actor=people[0],
            draft=replace(wanted(people[0]), meeting_id=meeting.pk),
            idempotency_key=f"form {number}",
        )
        cancel = replace(as_it_is(meeting), takes_place=False)

        def cancelling(meeting=meeting, cancel=cancel, number=number):
            return change_meeting(
                actor=people[0],
                meeting=meeting,
                wish=cancel,
                reason="snow",
                expected_version=1,
                idempotency_key=f"off {number}",
            )

        outcomes = race(
            [cancelling, lambda order=order: claim_batch(actor=prep_staff[0], batch=order.batch), cancelling]
        )
        order.refresh_from_db()
        order.batch.refresh_from_db()
        refused = [one for one in outcomes if isinstance(one, DomainError)]
        assert order.state == states.CANCELLED, outcomes
        if order.batch.state == states.CANCELLED:
            assert all(isinstance(one, NotInThisState) for one in refused), outcomes
        else:
            assert order.batch.state == states.CLAIMED
            assert not refused, outcomes
            assert order.revisions.get().needs_seeing
        assert MeetingEvent.objects.filter(meeting=meeting).count() == 1
    assert stock_differences() == []


def test_a_comment_sent_twice_at_once_is_said_once(people, prep_staff, salt_bottle, race):
    salt_bottle("500")
    order = sent(people[0])
    outcomes = race(
        [lambda: comment_order(actor=people[0], order=order, text="Brown bottles", idempotency_key="k")] * 4
    )
    assert not any(isinstance(one, Conflict) for one in outcomes), outcomes
    assert order.comments.count() == 1
