"""One meeting of a section: its page, and the pages that move, resize, cancel or reinstate it."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.core.errors import NotAllowed
from prepdesk.core.times import hours_words
from requests_app import states
from requests_app.meeting_forms import DayCancelForm, MeetingChangeForm, MeetingReasonForm, SectionSizeForm
from requests_app.models import Meeting, Room, Section
from requests_app.selectors.meetings import (
    may_change,
    meeting_with_everything,
    meetings_of_day,
    open_orders_of,
)
from requests_app.services.meeting_changes import (
    Outcome,
    cancel_meetings,
    change_meeting,
    foresee_meeting,
)
from requests_app.services.meeting_wishes import MeetingWish, as_it_is
from requests_app.services.timetable import change_section_size
from requests_app.views.two_looks import in_two_looks


@require_safe
def meeting(request: SignedInRequest, number: int) -> HttpResponse:
    """When, where and for how many it takes place, what was ordered for it, and what happened to it."""
    policy.require(request.user, "see_timetable")
    found = meeting_with_everything(request.user, number)
    is_over = found.ends_at <= timezone.now()
    context = {
        **_place(found),
        "own": may_change(request.user, found.section),
        "may_change": may_change(request.user, found.section) and not is_over,
        "is_over": is_over,
        "orders": [(order, next(reversed(order.revisions.all()), None)) for order in found.orders.all()],
        "may_see_batch": policy.may(request.user, "see_queue"),
        "history": [(states.EVENT_WORDS.get(one.event, one.event), one) for one in found.events.all()],
        "day": timezone.localtime(found.starts_at).date(),
    }
    return render(request, "requests_app/meeting.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def meeting_change(request: SignedInRequest, number: int) -> HttpResponse:
    """Another day, hour, room or number of groups."""
    found = _own(request, number)
    return _two_looks(
        request,
        found,
        MeetingChangeForm(_posted(request), meeting=found),
        wish_of=lambda form: form.wish,
        anew=lambda: MeetingChangeForm(meeting=meeting_with_everything(request.user, number)),
        words={
            "heading": "Move it, or change its room or size",
            "do": "Change the meeting",
            "do_class": "button",
        },
    )


@require_http_methods(["GET", "HEAD", "POST"])
def meeting_cancel(request: SignedInRequest, number: int) -> HttpResponse:
    """It does not take place: everything ordered for it is let go, in one action."""
    found = _own(request, number)
    return _two_looks(
        request,
        found,
        MeetingReasonForm(_posted(request), meeting=found),
        wish_of=lambda form: replace(as_it_is(found), takes_place=False),
        anew=lambda: MeetingReasonForm(meeting=meeting_with_everything(request.user, number)),
        words={"heading": "It does not take place", "do": "Cancel the meeting", "do_class": "button-final"},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def meeting_reinstate(request: SignedInRequest, number: int) -> HttpResponse:
    """It takes place after all: what was cancelled with it is ordered again."""
    found = _own(request, number)
    return _two_looks(
        request,
        found,
        MeetingReasonForm(_posted(request), meeting=found),
        wish_of=lambda form: replace(as_it_is(found), takes_place=True),
        anew=lambda: MeetingReasonForm(meeting=meeting_with_everything(request.user, number)),
        words={"heading": "It takes place after all", "do": "Let it take place", "do_class": "button"},
    )


@require_http_methods(["GET", "HEAD", "POST"])
def section_size(request: SignedInRequest, number: int) -> HttpResponse:
    """The enrolment changed: all meetings to come follow."""
    policy.require(request.user, "change_meeting")
    section = Section.objects.select_related("course", "instructor").filter(pk=number).first()
    if section is None:
        raise Http404("There is no such section.")
    if not may_change(request.user, section):
        raise NotAllowed(f"{section} is taught by {section.instructor}. Ask them, or a manager.")

    def resize(form: SectionSizeForm, *, rehearsal: bool) -> Outcome:
        data = form.cleaned_data
        return change_section_size(
            actor=request.user,
            section=section,
            groups=data["groups"],
            students=data["students"],
            reason=data["reason"],
            expected_version=data["expected"],
            idempotency_key="rehearsal" if rehearsal else data["key"],
            rehearsal=rehearsal,
        )

    def do(form: SectionSizeForm) -> str:
        done = resize(form, rehearsal=False)
        count = len(done.events)
        messages.success(
            request, f"{section} has {form.cleaned_data['groups']} groups; {count} meetings to come follow."
        )
        return (
            reverse("requests_app:meeting", args=[done.events[0].meeting_id]) if done.events else request.path
        )

    return in_two_looks(
        request,
        SectionSizeForm(_posted(request), section=section),
        "requests_app/meeting_change.html",
        foresee=lambda form: resize(form, rehearsal=True),
        do=do,
        context={
            "place": "requests_app:order_list",
            "section": section,
            "heading": f"Groups and students of {section}",
            "do": "Change the section",
            "do_class": "button",
            "back": reverse("requests_app:order_list"),
        },
        anew=lambda: SectionSizeForm(section=Section.objects.get(pk=section.pk)),
    )


@require_http_methods(["GET", "HEAD", "POST"])
def day_cancel(request: SignedInRequest, day: str) -> HttpResponse:
    """A day falls out, or a room can't be used that day: all of its meetings in one action."""
    policy.require(request.user, "change_meeting")
    on, room = _day_of(day), _room_of(request)
    meetings = meetings_of_day(request.user, on, room)
    orders = open_orders_of(meetings)
    choices = [(str(one.pk), _choice_words(one, orders.get(one.pk, 0))) for one in meetings]
    shown = ",".join(f"{one.pk}:{one.version}" for one in meetings)

    def cancel(form: DayCancelForm, *, rehearsal: bool) -> Outcome:
        data = form.cleaned_data
        return cancel_meetings(
            actor=request.user,
            meetings=[one for one in meetings if str(one.pk) in data["meetings"]],
            reason=data["reason"],
            expected_versions=data["shown"],
            idempotency_key=data["key"],
            rehearsal=rehearsal,
        )

    def do(form: DayCancelForm) -> str:
        done = cancel(form, rehearsal=False)
        messages.success(
            request, f"{len(done.events)} meetings do not take place; whoever is concerned is told."
        )
        return request.get_full_path()

    return in_two_looks(
        request,
        DayCancelForm(_posted(request), choices=choices, shown=shown),
        "requests_app/day_cancel.html",
        foresee=lambda form: cancel(form, rehearsal=True),
        do=do,
        context={
            "day": on,
            "room": room,
            "rooms": sorted({one.room.code for one in meetings if one.room}),
            "meetings": meetings,
            "heading": "A day that falls out",
            "do": "Cancel these meetings",
            "do_class": "button-final",
            "back": request.get_full_path(),
        },
        anew=lambda: DayCancelForm(choices=choices, shown=shown),
    )


# --- what they share ----------------------------------------------------------------------------------
def _own(request: SignedInRequest, number: int) -> Meeting:
    policy.require(request.user, "change_meeting")
    found = meeting_with_everything(request.user, number)
    if not may_change(request.user, found.section):
        raise NotAllowed(f"{found.section} is taught by {found.section.instructor}. Ask them, or a manager.")
    return found


def _two_looks(
    request: SignedInRequest,
    found: Meeting,
    form: Any,
    *,
    wish_of: Callable[[Any], MeetingWish],
    anew: Callable[[], Any],
    words: dict[str, str],
) -> HttpResponse:
    def foresee(form: Any) -> Outcome:
        return foresee_meeting(
            actor=request.user,
            meeting=found,
            wish=wish_of(form),
            reason=form.cleaned_data["reason"],
            expected_version=form.cleaned_data["version"],
        )

    def do(form: Any) -> str:
        change_meeting(
            actor=request.user,
            meeting=found,
            wish=wish_of(form),
            reason=form.cleaned_data["reason"],
            expected_version=form.cleaned_data["version"],
            idempotency_key=form.cleaned_data["key"],
        )
        messages.success(request, "That is done, and whoever is concerned is told.")
        return reverse("requests_app:meeting", args=[found.pk])

    return in_two_looks(
        request,
        form,
        "requests_app/meeting_change.html",
        foresee=foresee,
        do=do,
        context={**_place(found), **words, "back": reverse("requests_app:meeting", args=[found.pk])},
        anew=anew,
    )


def _place(found: Meeting) -> dict[str, Any]:
    return {
        "meeting": found,
        "section": found.section,
        "hours": hours_words(found.starts_at, found.ends_at),
        "takes_place": found.state == states.PLANNED,
    }


def _posted(request: SignedInRequest) -> Any:
    return request.POST if request.method == "POST" else None


def _day_of(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Http404("There is no such day.") from None


def _room_of(request: SignedInRequest) -> Room | None:
    code = request.GET.get("room", "")
    return Room.objects.filter(code=code).first() if code else None


def _choice_words(one: Meeting, orders: int) -> str:
    counted = "no order" if not orders else "1 order" if orders == 1 else f"{orders} orders"
    where = f" in {one.room}" if one.room else ""
    return f"{one.section}, {hours_words(one.starts_at, one.ends_at)}{where}, {counted}"
