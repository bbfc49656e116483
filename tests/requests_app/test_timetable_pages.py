"""The timetable as people see it, and as a file that goes out and comes back."""

import calendar
import csv
import io
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone

from inventory.importers.runs import confirm_run, start_run
from inventory.importers.work import apply_run, check_run
from inventory.models import ImportRun
from prepdesk.core.tables import Row
from requests_app.models import Course, Meeting, Order, Room, Section, Term
from requests_app.selectors.timetable import section_file_rows, sections_of, week_of
from requests_app.timetable import WEEKDAYS
from requests_app.timetable_columns import TIMETABLE_COLUMNS
from requests_app.timetable_import import TimetableImporter
from tests.requests_app.terms import make_section, make_term, next_monday

pytestmark = pytest.mark.django_db

HEADINGS = [column.heading for column in TIMETABLE_COLUMNS]


@pytest.fixture
def term(db) -> Term:
    return make_term(weeks=4)


def line(**changes: str) -> list[str]:
    usual = {
        "Term": "T1",
        "Course": "CH 101",
        "Course title": "General chemistry",
        "Section": "A",
        "Weekday": "Monday",
        "Starts": "09:00",
        "Ends": "12:00",
        "Room": "210",
        "Students": "24",
        "Groups": "12",
        "Instructor": "ines",
        "Co-instructors": "",
    }
    return [{**usual, **changes}[heading] for heading in HEADINGS]


def verdicts_of(*lines: list[str]):
    rows = [
        Row(number, {column.key: cell for column, cell in zip(TIMETABLE_COLUMNS, cells, strict=True)})
        for number, cells in enumerate(lines, start=2)
    ]
    return TimetableImporter().check(rows, actor=None, options={}, tick=lambda done: None)


def bring_in(manager, *lines: list[str]) -> ImportRun:
    text = io.StringIO()
    csv.writer(text).writerows([HEADINGS, *lines])
    run = start_run(
        actor=manager,
        kind="timetable",
        name="term.csv",
        data=text.getvalue().encode(),
        idempotency_key=f"file-{ImportRun.objects.count()}",
    )
    check_run(run.pk, run.attempt)
    run.refresh_from_db()
    return run


# --- files ------------------------------------------------------------------------------------
def test_a_timetable_is_shown_row_by_row_before_anything_is_written(term, manager, instructor):
    run = bring_in(manager, line(), line(Section="B", Instructor="nobody"), line(Section="C", Weekday="Mo"))
    assert (run.creates, run.refused) == (2, 1)
    assert not Section.objects.exists()
    assert not Course.objects.exists()


def test_a_term_of_sixty_sections_comes_in_with_its_courses_rooms_and_meetings(
    term, manager, instructor, client
):
    days = ("Monday", "Tue", "wednesday", "Thu", "Friday")
    lines = [
        line(
            Course=f"CH {number % 5}",
            **{"Course title": f"Course {number % 5}"},
            Section=str(number // 5),
            Weekday=days[number % 5],
            Room=f"R{number % 7}",
        )
        for number in range(60)
    ]
    run = bring_in(manager, *lines)
    assert (run.creates, run.refused) == (60, 0)
    client.force_login(manager)
    page = client.get(reverse("inventory:import_run", args=[run.pk]))
    assert page.status_code == 200
    confirm_run(actor=manager, run=run, digest=run.digest)
    run.refresh_from_db()
    apply_run(run.pk, run.attempt)
    assert (Course.objects.count(), Room.objects.count(), Section.objects.count()) == (5, 7, 60)
    assert Meeting.objects.count() == 60 * 4


def test_what_goes_out_comes_back_and_changes_nothing(term, manager, instructor, colleague):
    course = Course.objects.create(code="CH 101", title="=General")
    for name in ("A", "B"):
        make_section(course, term, name, instructor, weekday=3).co_instructors.add(colleague)
    rows = [
        [str(cell) if cell is not None else "" for cell in row]
        for row in section_file_rows(sections_of(term))
    ]
    assert [one.outcome for one in verdicts_of(*rows)] == ["same", "same"]


def test_a_file_is_safe_to_open_in_a_spreadsheet(term, instructor, client):
    """A cell that begins like a formula is text (OWASP, CSV injection)."""
    course = Course.objects.create(code="=1+1", title="@sum")
    make_section(course, term, "A", instructor)
    client.force_login(instructor)
    answer = client.get(reverse("requests_app:timetable_file", args=["csv"]), {"term": "T1"})
    body = b"".join(answer.streaming_content) if answer.streaming else answer.content
    cells = next(iter(csv.DictReader(io.StringIO(body.decode("utf-8-sig")))))
    assert not cells["Course"].startswith("=")
    assert not cells["Course title"].startswith("@")


@pytest.mark.parametrize(
    ("changes", "heading"),
    [
        ({"Term": "T9"}, "Term"),
        ({"Course": ""}, "Course"),
        ({"Course title": ""}, "Course title"),
        ({"Section": ""}, "Section"),
        ({"Weekday": "T"}, "Weekday"),
        ({"Weekday": "someday"}, "Weekday"),
        ({"Starts": "25:00"}, "Starts"),
        ({"Ends": "08:00"}, "Ends"),
        ({"Ends": ""}, "Ends"),
        ({"Groups": "2.5"}, "Groups"),
        ({"Groups": "0"}, "Groups"),
        ({"Groups": "30"}, "Groups"),
        ({"Students": "NaN"}, "Students"),
        ({"Instructor": "pia"}, "Instructor"),
        ({"Co-instructors": "ines"}, "Co-instructors"),
        ({"Co-instructors": "ghost"}, "Co-instructors"),
    ],
)
def test_a_row_that_can_not_be_is_refused_under_its_heading(term, instructor, prep, changes, heading):
    (verdict,) = verdicts_of(line(**changes))
    assert verdict.outcome == "refuse"
    assert heading in verdict.reasons, verdict.reasons


def test_two_rows_of_one_section_are_refused(term, instructor):
    assert [one.outcome for one in verdicts_of(line(), line(Groups="8"))] == ["create", "refuse"]


def test_a_time_that_the_clocks_leave_out_is_refused(settings, instructor):
    """In Central Europe 02:30 does not exist on 28 March 2027 (IANA time zone database, last Sunday)."""
    settings.TIME_ZONE = "Europe/Paris"
    with timezone.override(ZoneInfo("Europe/Paris")):
        Term.objects.create(code="T1", name="T", starts_on=date(2027, 3, 22), ends_on=date(2027, 4, 4))
        (verdict,) = verdicts_of(line(Weekday="Sunday", Starts="02:30", Ends="04:00"))
    assert verdict.outcome == "refuse"
    assert "28 Mar 2027" in verdict.reasons["Starts"]


def test_weekdays_are_counted_as_iso_8601_does():
    """ISO 8601: the week begins with Monday, day 1; Python's calendar counts the same from 0."""
    assert tuple(calendar.day_name) == WEEKDAYS
    assert date(2026, 11, 23).isoweekday() == 1 + WEEKDAYS.index("Monday")


# --- the week ---------------------------------------------------------------------------------
def test_a_week_shows_a_room_and_a_person_and_of_the_orders_only_those_one_may_see(
    term, instructor, colleague, prep, client, django_assert_max_num_queries
):
    course = Course.objects.create(code="CH 101", title="General")
    mine, theirs = (
        make_section(course, term, name, who) for name, who in (("A", instructor), ("B", colleague))
    )
    for section in (mine, theirs):
        meeting = section.meetings.first()
        order = Order.objects.create(
            reference=f"R-{section.name}",
            course=course,
            ordered_by=section.instructor,
            title=f"salt for {section.name}",
            groups_per_section=1,
            volume_per_group="1",
            due_at=meeting.starts_at,
            room="210",
            meeting=meeting,
            idempotency_key=section.name,
        )
        order.sections.add(section)
    monday = next_monday()
    client.force_login(instructor)
    with django_assert_max_num_queries(25):
        everything = client.get(reverse("requests_app:week"), {"on": monday, "room": "210"}).content.decode()
    assert "salt for A" in everything
    assert "CH 101 B" in everything
    assert "salt for B" not in everything
    own = client.get(reverse("requests_app:week"), {"on": monday}).content.decode()
    assert "CH 101 B" not in own
    (first, *_) = week_of(prep, monday)
    assert [len(one.seen_orders) for one in first.meetings] == [1, 1]


@pytest.mark.parametrize("text", ["", "x", "0001-01-01", "9999-12-31", "2026-02-30", "%00"])
def test_any_day_in_the_address_is_answered(client, instructor, text):
    client.force_login(instructor)
    assert client.get(reverse("requests_app:week"), {"on": text}).status_code == 200


def test_a_meeting_late_in_the_evening_stands_on_its_local_day(settings, instructor, db):
    settings.TIME_ZONE = "America/New_York"
    with timezone.override(ZoneInfo("America/New_York")):
        term = make_term(starts_on=date(2027, 1, 4))
        section = make_section(Course.objects.create(code="C", title="C"), term, "A", instructor)
        late = datetime(2027, 1, 5, 2, 0, tzinfo=UTC)
        section.meetings.filter(week=1).update(starts_at=late, ends_at=late + timedelta(hours=1))
        days = week_of(instructor, date(2027, 1, 4))
    assert [len(one.meetings) for one in days] == [1, 0, 0, 0, 0]


# --- forms ------------------------------------------------------------------------------------
def section_values(course: Course, term: Term, instructor, **changes: str) -> dict[str, str]:
    return {
        "key": "form",
        "course": str(course.pk),
        "name": "A",
        "term": str(term.pk),
        "weekday": "0",
        "starts_at": "09:00",
        "ends_at": "12:00",
        "groups": "12",
        "instructor": str(instructor.pk),
        **changes,
    }


def test_a_section_is_added_once_however_often_it_is_sent_and_its_meetings_stand(
    client, manager, instructor, term
):
    course = Course.objects.create(code="CH 101", title="General")
    client.force_login(manager)
    for _ in range(2):
        answer = client.post(reverse("requests_app:section_new"), section_values(course, term, instructor))
        assert answer.status_code == 302
    assert Section.objects.get().meetings.count() == 4
    page = client.get(answer["Location"]).content.decode()
    assert "09:00 to 12:00" in page


def test_an_error_keeps_what_was_typed(client, manager, instructor, term):
    course = Course.objects.create(code="CH 101", title="General")
    client.force_login(manager)
    values = section_values(course, term, instructor, ends_at="08:00", groups="7")
    answer = client.post(reverse("requests_app:section_new"), values)
    assert answer.status_code == 422
    assert 'value="7"' in answer.content.decode()
    assert "ends before it begins" in answer.content.decode()


def test_of_two_who_change_a_section_the_second_is_told_what_changed(client, manager, instructor, term):
    course = Course.objects.create(code="CH 101", title="General")
    section = make_section(course, term, "A", instructor)
    address = reverse("requests_app:section_change", args=[section.pk])
    client.force_login(manager)
    client.post(address, section_values(course, term, instructor, key="one", seen="1", groups="9"))
    answer = client.post(address, section_values(course, term, instructor, key="two", seen="1", groups="8"))
    assert answer.status_code == 409
    section.refresh_from_db()
    assert section.groups == 9


def test_a_break_is_named_beside_its_own_row(client, manager):
    client.force_login(manager)
    monday = next_monday()
    values = {
        "key": "t",
        "code": "T2",
        "name": "Term",
        "starts_on": monday.isoformat(),
        "ends_on": (monday + timedelta(days=60)).isoformat(),
        "break-1-name": "Reading week",
        "break-1-starts_on": (monday - timedelta(days=9)).isoformat(),
        "break-1-ends_on": (monday - timedelta(days=5)).isoformat(),
    }
    page = client.post(reverse("requests_app:term_new"), values).content.decode()
    assert 'id="id_break-1-starts_on_error"' in page
    inside = {
        "break-1-starts_on": (monday + timedelta(days=7)).isoformat(),
        "break-1-ends_on": (monday + timedelta(days=11)).isoformat(),
    }
    assert client.post(reverse("requests_app:term_new"), {**values, **inside}).status_code == 302
    assert Term.objects.get().breaks.get().name == "Reading week"


def test_a_file_comes_in_by_the_page_and_only_for_a_manager(client, manager, instructor, term):
    client.force_login(instructor)
    address = reverse("inventory:file_in", args=["timetable"])
    assert client.get(address).status_code == 403
    client.force_login(manager)
    text = io.StringIO()
    csv.writer(text).writerows([HEADINGS, line()])
    upload = SimpleUploadedFile("t.csv", text.getvalue().encode())
    answer = client.post(address, {"file": upload, "key": "k", "idempotency_key": "k"})
    assert answer.status_code in {302, 422}
    assert ImportRun.objects.filter(kind="timetable").exists() == (answer.status_code == 302)
