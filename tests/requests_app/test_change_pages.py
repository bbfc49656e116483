"""The pages of changes: what is shown before, what is told after, and what was typed stays."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from requests_app import states
from requests_app.models import MeetingEvent, Order, OrderRevision
from requests_app.services.changes import change_order
from requests_app.services.claiming import claim_batch
from tests.requests_app.test_changes import change, one, worked
from tests.requests_app.test_meetings_changed import meet, order_for, rooms

__all__ = ["change", "meet", "one", "order_for", "rooms"]

pytestmark = pytest.mark.django_db


@pytest.fixture
def as_instructor(client, instructor):
    client.force_login(instructor)
    return client


@pytest.fixture
def as_prep(client, prep):
    client.force_login(prep)
    return client


def text_of(answer) -> str:
    """The page as a person reads it."""
    plain = re.sub(r"<[^>]*>", " ", answer.content.decode())
    return " ".join(plain.replace("&nbsp;", " ").split())


def values_of(answer) -> dict[str, str]:
    """What the form on the page would send."""
    form = answer.context["form"]
    found = {}
    for field in form:
        value = field.value()
        if hasattr(value, "strftime"):
            value = value.isoformat()
        found[field.html_name] = "" if value is None else value
    return found


# --- an order -----------------------------------------------------------------------------------
def test_a_change_is_shown_in_words_and_then_done(salt, one, as_instructor):
    order = one()
    page = reverse("requests_app:order_change", args=[order.reference])
    typed = {**values_of(as_instructor.get(page)), "groups_per_section": "15", "reason": "three more came"}
    looked = as_instructor.post(page, {**typed, "step": "look"})
    assert "12 groups → 15; 330 mL → 412.5 mL" in text_of(looked)
    assert not OrderRevision.objects.exists()
    done = as_instructor.post(page, {**values_of(looked), "step": "do"}, follow=True)
    assert done.redirect_chain[0][0].endswith("?changed")
    assert "12 groups → 15; 330 mL → 412.5 mL" in text_of(done)
    assert "three more came" in text_of(done)
    order.refresh_from_db()
    assert (order.groups_per_section, order.revision) == (15, 2)
    # The back button and a second press.
    as_instructor.post(page, {**values_of(looked), "step": "do"})
    assert OrderRevision.objects.count() == 1


def test_an_error_stands_beside_its_field_and_what_was_typed_stays(salt, one, as_instructor):
    order = one()
    page = reverse("requests_app:order_change", args=[order.reference])
    typed = {**values_of(as_instructor.get(page)), "tolerance_percent": "0,001", "notes": "brown bottles"}
    answer = as_instructor.post(page, {**typed, "step": "look"})
    assert answer.status_code == 422
    assert "tolerance_percent" in answer.context["form"].errors
    assert 'value="0,001"' in answer.content.decode()
    assert "brown bottles" in answer.content.decode()


def test_a_page_that_is_too_old_says_what_changed_and_goes_on_from_there(salt, one, change, as_instructor):
    order = one()
    page = reverse("requests_app:order_change", args=[order.reference])
    typed = {**values_of(as_instructor.get(page)), "groups_per_section": "9"}
    change(order, groups_per_section=15)
    answer = as_instructor.post(page, {**typed, "step": "do"})
    assert answer.status_code == 409
    assert "Ines Vale" in text_of(answer)
    assert "12 groups → 15" in text_of(answer)
    again = values_of(answer)
    assert (again["groups_per_section"], again["revision"]) == ("9", 2)
    as_instructor.post(page, {**again, "step": "do"})
    order.refresh_from_db()
    assert (order.groups_per_section, order.revision) == (9, 3)


def test_what_is_begun_offers_no_other_concentration(salt, one, as_instructor, prep):
    order = one()
    page = reverse("requests_app:order_change", args=[order.reference])
    assert "target_0" in as_instructor.get(page).context["form"].fields
    claim_batch(actor=prep, batch=order.batch)
    answer = as_instructor.get(page)
    assert not {"target_0", "tolerance_percent"} & set(answer.context["form"].fields)
    assert f"{order.batch.reference} is “Claimed” by Pia Brook" in text_of(answer)
    detail = as_instructor.get(reverse("requests_app:order", args=[order.reference]))
    assert "Nobody needs it any more" in text_of(detail)
    page = reverse("requests_app:order_withdraw", args=[order.reference])
    as_instructor.post(page, {**values_of(as_instructor.get(page)), "reason": "the lab is off"})
    order.refresh_from_db()
    assert order.state == states.CANCELLED


def test_a_comment_that_is_too_long_is_kept_and_one_that_fits_stands_there(salt, one, as_instructor):
    order = one()
    page = reverse("requests_app:order_comment", args=[order.reference])
    answer = as_instructor.post(page, {"key": "k", "text": "x" * 2001})
    assert answer.status_code == 422
    assert "That is 2001 characters long; 2000 fit." in text_of(answer)
    assert "x" * 2001 in answer.content.decode()
    said = as_instructor.post(page, {"key": "k", "text": "Brown bottles, please.\nThanks"}, follow=True)
    assert "Brown bottles, please. Thanks" in text_of(said)


# --- the bench ------------------------------------------------------------------------------------
def test_a_change_stands_at_the_step_until_it_is_seen_and_the_reading_stays(salt, one, change, as_prep, prep):
    order = one()
    claim_batch(actor=prep, batch=order.batch)
    step = reverse("requests_app:step", args=[order.batch.reference, 1])
    typed = {**values_of(as_prep.get(step)), "reading": "58.44"}
    revision = change(order, groups_per_section=10)
    refused = as_prep.post(step, typed)
    assert refused.status_code == 409
    assert "12 groups → 10" in text_of(refused)
    assert 'value="58.44"' in refused.content.decode()
    assert not order.batch.step_records.exists()
    # The first button of the form, which Enter presses, has no name.
    first = re.search(r'<button[^>]*form="step-form"[^>]*>', refused.content.decode())
    assert "name=" not in first[0]
    seen = as_prep.post(step, {**values_of(refused), "reading": "58.44", "seen": str(revision.pk)})
    assert seen.status_code == 200
    assert 'value="58.44"' in seen.content.decode()
    assert "I have seen it" not in text_of(seen)
    revision.refresh_from_db()
    assert revision.seen_by == prep
    planned = seen.context["step"]["quantity"]["value"]
    as_prep.post(step, {**values_of(seen), "reading": planned})
    assert order.batch.step_records.count() == 1


def test_the_batch_page_and_the_queue_say_what_changed_and_since_when(salt, one, change, as_prep, prep):
    order = one()
    worked(prep, order.batch, steps=1)
    queue = f"{reverse('requests_app:queue')}?show=open"
    assert "Changed" not in text_of(as_prep.get(queue))
    change(order, groups_per_section=10)
    answer = text_of(as_prep.get(queue))
    assert "1 batch has changed since you looked last" in answer
    assert "Changed, not seen yet" in answer
    assert "since you looked last" not in text_of(as_prep.get(queue))
    page = reverse("requests_app:batch", args=[order.batch.reference])
    answer = as_prep.get(page)
    assert "12 groups → 10; 330 mL → 275 mL" in text_of(answer)
    assert "Changed since the work began" in text_of(answer)
    keys = ",".join(str(pk) for pk in OrderRevision.objects.values_list("pk", flat=True))
    as_prep.post(reverse("requests_app:changes_seen", args=[order.batch.reference]), {"seen": keys})
    answer = text_of(as_prep.get(page))
    assert "Changed since the work began" not in answer
    assert "Seen at the bench by Pia Brook" in answer


def test_the_queue_asks_for_changes_once_however_many_batches_there_are(
    salt, one, change, as_prep, django_assert_max_num_queries
):
    for number in range(4):
        change(one(), groups_per_section=13 + number)
    with django_assert_max_num_queries(6):
        as_prep.get(f"{reverse('requests_app:queue')}?show=open")


def test_a_batch_that_nobody_wants_any_more_says_so(salt, one, as_prep, prep, instructor):
    order = one()
    worked(prep, order.batch, steps=1)
    from requests_app.services.changes import withdraw_order

    withdraw_order(actor=instructor, order=order, reason="off", idempotency_key="w")
    answer = text_of(as_prep.get(reverse("requests_app:batch", args=[order.batch.reference])))
    assert f"Nobody wants {order.batch.reference} any more." in answer
    assert "finish it for the shelf" in answer


# --- meetings ---------------------------------------------------------------------------------------
def test_a_meeting_is_cancelled_after_its_consequences_were_read(
    salt, meet, order_for, as_instructor, colleague
):
    meeting = meet(days=1)
    meeting.section.co_instructors.add(colleague)
    order = order_for(meeting)
    answer = text_of(as_instructor.get(reverse("requests_app:meeting", args=[meeting.pk])))
    for words in ("CH 101 B", order.reference, "210", "12, as the section", "It does not take place"):
        assert words in answer
    page = reverse("requests_app:meeting_cancel", args=[meeting.pk])
    typed = {**values_of(as_instructor.get(page)), "reason": "the heating is out"}
    looked = as_instructor.post(page, {**typed, "step": "look"})
    answer = text_of(looked)
    assert "CH 101 B does not meet on" in answer
    assert f"batch {order.batch.reference} is not made" in answer
    assert "Told: Otto Marsh." in answer
    assert not MeetingEvent.objects.exists()
    as_instructor.post(page, {**values_of(looked), "step": "do"})
    order.refresh_from_db()
    assert order.state == states.CANCELLED
    answer = text_of(as_instructor.get(reverse("requests_app:meeting", args=[meeting.pk])))
    assert "Cancelled by Ines Vale . It does not take place. The heating is out." in answer


def test_a_meeting_is_moved_by_its_form(salt, meet, order_for, as_instructor, rooms):
    meeting = meet()
    order = order_for(meeting)
    page = reverse("requests_app:meeting_change", args=[meeting.pk])
    day = (timezone.localtime(meeting.starts_at) + timedelta(days=1)).date()
    typed = {
        **values_of(as_instructor.get(page)),
        "day": day.isoformat(),
        "room": str(rooms["214"].pk),
        "groups": "15",
    }
    looked = as_instructor.post(page, {**typed, "step": "look"})
    assert "room 210 → 214; 12 groups → 15" in text_of(looked)
    as_instructor.post(page, {**values_of(looked), "step": "do"})
    order.refresh_from_db()
    assert (order.room, order.groups_per_section) == ("214", 15)
    assert timezone.localtime(order.due_at).date() == day
    wrong = as_instructor.post(page, {**values_of(as_instructor.get(page)), "ends": "08:00", "step": "look"})
    assert wrong.status_code == 422
    assert "It must end after it begins." in text_of(wrong)


def test_the_whole_day_falls_out_in_one_action(salt, meet, order_for, client, manager):
    client.force_login(manager)
    meetings = [meet(number, days=1) for number in range(3)]
    orders = [order_for(meeting) for meeting in meetings]
    day = timezone.localtime(meetings[0].starts_at).date().isoformat()
    page = reverse("requests_app:day_cancel", args=[day])
    first = values_of(client.get(page))
    assert len(first["meetings"]) == 3
    kept = first["meetings"][:2]
    looked = client.post(page, {**first, "meetings": kept, "reason": "snow", "step": "look"})
    assert text_of(looked).count("does not meet on") == 2
    client.post(page, {**values_of(looked), "step": "do"})
    assert Order.objects.filter(state=states.CANCELLED).count() == 2
    assert "CH 101 C" in text_of(client.get(page))
    assert len(orders) == 3


def test_the_enrolment_of_a_section_is_changed_on_one_page(salt, meet, order_for, as_instructor, sections):
    order = order_for(meet())
    page = reverse("requests_app:section_size", args=[sections[1].pk])
    typed = {**values_of(as_instructor.get(page)), "groups": "14", "students": "28"}
    looked = as_instructor.post(page, {**typed, "step": "look"})
    assert "12 groups → 14" in text_of(looked)
    as_instructor.post(page, {**values_of(looked), "step": "do"})
    order.refresh_from_db()
    assert order.groups_per_section == 14


def test_unknown_meetings_days_and_sections_are_not_found(as_instructor):
    for address in (
        reverse("requests_app:meeting", args=[99]),
        reverse("requests_app:meeting_cancel", args=[99]),
        reverse("requests_app:section_size", args=[99]),
        reverse("requests_app:day_cancel", args=["2026-13-01"]),
        reverse("requests_app:correction", args=[99]),
    ):
        assert as_instructor.get(address).status_code == 404, address


def test_the_change_of_one_order_reads_the_same_in_every_place(salt, one, instructor, client, prep):
    order = one()
    revision = change_order(
        actor=instructor,
        order=order,
        draft_changes={"room": "214"},
        reason="painted",
        expected_revision=1,
        idempotency_key="k",
    )
    for person, address in (
        (instructor, reverse("requests_app:order", args=[order.reference])),
        (prep, reverse("requests_app:batch", args=[order.batch.reference])),
    ):
        client.force_login(person)
        assert revision.words[0] in text_of(client.get(address)), address
    # The queue says that something changed; what, its page.
    assert "Changed" in text_of(client.get(f"{reverse('requests_app:queue')}?show=open"))
