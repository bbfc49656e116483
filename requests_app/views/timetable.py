"""The pages of the timetable, and the week of a room or a person."""

import uuid
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any

from django.contrib import messages
from django.db.models import Count, Q
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_http_methods, require_safe

from inventory.importers import importers_for
from prepdesk.access import policy
from prepdesk.accounts.http import SignedInRequest
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput
from prepdesk.core.tables import FORMATS, download
from requests_app import states
from requests_app.models import Course, Room, Term
from requests_app.selectors import orders_visible_to
from requests_app.selectors.term import term_now
from requests_app.selectors.timetable import (
    changes_of,
    orders_without_meeting,
    section_file_rows,
    section_or_404,
    sections_of,
    teaching_people,
    terms,
    week_of,
)
from requests_app.services import timetable as services
from requests_app.timetable import WEEKDAYS
from requests_app.timetable_columns import TIMETABLE_COLUMNS
from requests_app.timetable_forms import CourseForm, RoomForm, SectionForm, TermForm

HOME = "requests_app:timetable"


# --- the week -------------------------------------------------------------------------------------
@require_safe
def week(request: SignedInRequest) -> HttpResponse:
    """What meets in one week: of a room, of a person, or everything."""
    policy.require(request.user, "see_timetable")
    monday = _monday(request.GET.get("on", ""))
    room = Room.objects.filter(code=request.GET.get("room", "")[:40]).first()
    person = _person(request, room)
    term = Term.objects.filter(starts_on__lte=monday + timedelta(days=6), ends_on__gte=monday).first()
    context = {
        "days": week_of(request.user, monday, room=room, person=person),
        "others": list(orders_without_meeting(request.user, monday, person)) if room is None else [],
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "before": monday - timedelta(days=7) if monday > date.min + timedelta(days=7) else None,
        "after": monday + timedelta(days=7) if monday < date.max - timedelta(days=14) else None,
        "room": room,
        "person": person,
        "term": term,
        "term_week": term.week_of(monday) if term else None,
        "rooms": Room.objects.filter(in_use=True),
        "people": teaching_people(),
    }
    return render(request, "requests_app/week.html", context)


def _monday(text: str) -> date:
    try:
        day = date.fromisoformat(text)
    except ValueError:
        day = timezone.localdate()
    # Far away there is nothing, and the calendar of the computer ends.
    if not 2000 <= day.year <= 2200:
        day = timezone.localdate()
    return day - timedelta(days=day.weekday())


def _person(request: SignedInRequest, room: Room | None) -> User | None:
    """Whose week: who is asked for, else an instructor's own, else everybody's."""
    asked = request.GET.get("person")
    if asked:
        return User.objects.filter(username=asked[:150]).first()
    own = asked is None and room is None and request.user.role == policy.INSTRUCTOR
    return request.user if own else None


# --- the timetable --------------------------------------------------------------------------------
@require_safe
def timetable(request: SignedInRequest) -> HttpResponse:
    """Terms, courses, sections and rooms."""
    policy.require(request.user, "see_timetable")
    listed = list(terms())
    asked = request.GET.get("term", "")
    now = term_now()
    chosen = next((one for one in listed if one.code == asked), None)
    if chosen is None and asked != "none":
        chosen = next((one for one in listed if now is not None and one.pk == now.pk), None)
    context = {
        "terms": listed,
        "term": chosen,
        "sections": [(one, _day_of(one.weekday)) for one in sections_of(chosen)],
        "courses": Course.objects.annotate(
            section_count=Count("sections", filter=Q(sections__term=chosen) if chosen else Q())
        ),
        "rooms": Room.objects.all(),
        "may_manage": policy.may(request.user, "manage_teaching"),
        "importers": importers_for(request.user, home=HOME),
        "formats": FORMATS,
    }
    return render(request, "requests_app/timetable.html", context)


def _day_of(weekday: int | None) -> str:
    return "" if weekday is None else WEEKDAYS[weekday]


@require_safe
def timetable_file(request: SignedInRequest, form: str) -> HttpResponseBase:
    """The sections of a term (``?term=``), or of all terms, as a file that can be brought in again."""
    policy.require(request.user, "see_timetable")
    known = next((one for one in FORMATS if one == form), None)
    if known is None:
        raise Http404("There is no such kind of file.")
    code = request.GET.get("term", "")
    term = Term.objects.filter(code=code).first() if code else None
    sections = sections_of(term) if term else sections_of(None).none()
    if not code:
        everything = [one for each in Term.objects.order_by("starts_on") for one in sections_of(each)]
    else:
        everything = list(sections)
    return download(
        TIMETABLE_COLUMNS,
        section_file_rows(everything),
        name=f"timetable-{term.code if term else 'all'}",
        title="Timetable",
        format=known,
    )


@require_safe
def section(request: SignedInRequest, number: int) -> HttpResponse:
    """One section: its meetings, and what was ordered for it."""
    policy.require(request.user, "see_timetable")
    found = section_or_404(number)
    orders = orders_visible_to(request.user).filter(sections=found).exclude(state=states.CANCELLED)
    context = {
        "section": found,
        "weekday": _day_of(found.weekday),
        "meetings": found.meetings.select_related("room", "section").annotate(
            order_count=Count("orders", filter=~Q(orders__state=states.CANCELLED))
        ),
        "orders": orders.order_by("due_at", "pk")[:100],
        "history": changes_of("section", found.pk)[:50],
        "may_manage": policy.may(request.user, "manage_teaching"),
    }
    return render(request, "requests_app/section.html", context)


# --- forms ----------------------------------------------------------------------------------------
@require_http_methods(["GET", "HEAD", "POST"])
def section_form(request: SignedInRequest, number: int | None = None) -> HttpResponse:
    """Add a section, or change one."""
    policy.require(request.user, "manage_teaching")
    found = section_or_404(number) if number is not None else None
    initial: dict[str, Any] = {"term": term_now(), "groups": "12"}
    if found is not None:
        initial = {
            **{
                name: getattr(found, name)
                for name in ("course", "name", "term", "starts_at", "ends_at", "room")
            },
            "weekday": "" if found.weekday is None else str(found.weekday),
            "students": "" if found.students is None else str(found.students),
            "groups": str(found.groups),
            "instructor": found.instructor,
            "co_instructors": found.co_instructors.all(),
        }
    form = _form(request, SectionForm, initial, found, section=found)

    def keep() -> HttpResponse:
        key = form.cleaned_data["key"]
        if found is None:
            done = services.make_section(actor=request.user, facts=form.facts(), idempotency_key=key)
        else:
            done = services.change_section(
                actor=request.user,
                section=found,
                facts=form.facts(),
                seen_version=form.cleaned_data["seen"],
                idempotency_key=key,
            )
        laid = done.laid_out
        said = (
            f"{done.section} is kept: {laid.made} meetings laid out, {laid.moved} moved, {laid.removed} gone."
        )
        if laid.to_move:
            said += f" {len(laid.to_move)} with orders stay where they are; move them one by one."
        messages.success(request, said)
        return redirect("requests_app:section", done.section.pk)

    title = f"Change {found}" if found else "Add a section"
    return _answer(request, form, keep, title)


@require_http_methods(["GET", "HEAD", "POST"])
def term_form(request: SignedInRequest, number: int | None = None) -> HttpResponse:
    """Add a term, or change its days and breaks."""
    policy.require(request.user, "manage_teaching")
    found = get_object_or_404(Term.objects.prefetch_related("breaks"), pk=number) if number else None
    breaks = list(found.breaks.all()) if found else []
    initial: dict[str, Any] = (
        {name: getattr(found, name) for name in ("code", "name", "starts_on", "ends_on")} if found else {}
    )
    for at, one in enumerate(breaks):
        initial |= {f"break-{at}-{name}": getattr(one, name) for name in ("name", "starts_on", "ends_on")}
    form = _form(request, TermForm, initial, found, breaks=len(breaks))

    def keep() -> HttpResponse:
        facts, rows = form.facts()
        key, seen = form.cleaned_data["key"], form.cleaned_data["seen"]
        try:
            if found is None:
                kept = services.make_term(actor=request.user, facts=facts, idempotency_key=key)
            else:
                kept = services.change_term(
                    actor=request.user, term=found, facts=facts, seen_version=seen, idempotency_key=key
                ).term
        except InvalidInput as refusal:
            raise InvalidInput(
                {_break_field(name, rows): text for name, text in refusal.errors.items()}
            ) from refusal
        messages.success(request, f"{kept} is kept.")
        return redirect(f"/teaching/timetable/?term={kept.code}")

    return _answer(request, form, keep, f"Change {found}" if found else "Add a term")


def _break_field(name: str, rows: list[int]) -> str:
    """The field of the form for ``breaks.0.name`` of the service, which counts filled rows alone."""
    noun, _, rest = name.partition(".")
    at, _, field = rest.partition(".")
    return f"break-{rows[int(at)]}-{field}" if noun == "breaks" and at.isdigit() else name


@require_http_methods(["GET", "HEAD", "POST"])
def room_form(request: SignedInRequest, number: int | None = None) -> HttpResponse:
    """Add a room, change it, or give it up."""
    policy.require(request.user, "manage_teaching")
    found = get_object_or_404(Room, pk=number) if number else None
    initial = {"code": found.code, "note": found.note} if found else {}
    form = _form(request, RoomForm, initial, found)

    def keep() -> HttpResponse:
        data = form.cleaned_data
        if found is None:
            room = services.make_room(
                actor=request.user, code=data["code"], note=data["note"], idempotency_key=data["key"]
            )
        elif "use" in request.POST:
            room = services.set_room_in_use(
                actor=request.user, room=found, in_use=not found.in_use, idempotency_key=data["key"]
            )
        else:
            room = services.change_room(
                actor=request.user,
                room=found,
                code=data["code"],
                note=data["note"],
                seen_version=data["seen"],
                idempotency_key=data["key"],
            )
        messages.success(request, f"Room {room} is kept.")
        return redirect(HOME)

    return _answer(request, form, keep, f"Change room {found}" if found else "Add a room", room=found)


@require_http_methods(["GET", "HEAD", "POST"])
def course_form(request: SignedInRequest, number: int | None = None) -> HttpResponse:
    """Add a course, or change its code or title."""
    policy.require(request.user, "manage_teaching")
    found = get_object_or_404(Course, pk=number) if number else None
    initial = {"code": found.code, "title": found.title} if found else {}
    form = _form(request, CourseForm, initial, found)

    def keep() -> HttpResponse:
        data = form.cleaned_data
        values = {"code": data["code"], "title": data["title"], "idempotency_key": data["key"]}
        course = (
            services.make_course(actor=request.user, **values)
            if found is None
            else services.change_course(actor=request.user, course=found, seen_version=data["seen"], **values)
        )
        messages.success(request, f"{course} is kept.")
        return redirect(HOME)

    return _answer(request, form, keep, f"Change {found}" if found else "Add a course")


def _form(
    request: SignedInRequest, form: type[Any], initial: Mapping[str, Any], found: Any, **more: Any
) -> Any:
    if request.method == "POST":
        return form(request.POST, **more)
    kept = {"key": uuid.uuid4().hex, "seen": found.version if found is not None else None}
    return form(initial={**initial, **kept}, **more)


def _answer(
    request: SignedInRequest,
    form: Any,
    keep: Callable[[], HttpResponse],
    title: str,
    room: Room | None = None,
) -> HttpResponse:
    status = 200
    if request.method == "POST":
        status = 422
        if form.is_valid():
            try:
                return keep()
            except InvalidInput as refusal:
                for name, text in refusal.errors.items():
                    form.add_error(name if name in form.fields else None, text)
            except Conflict as refusal:
                form.add_error(None, refusal.text)
                status = refusal.status
    context = {"form": form, "title": title, "room": room}
    return render(request, "requests_app/timetable_form.html", context, status=status)
