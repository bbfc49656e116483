"""Terms, sections and the meetings laid out from them: over breaks, changes of the clocks, and what stays."""

import calendar
from dataclasses import replace
from datetime import UTC, date, time, timedelta

import pytest
from django.db import connection
from django.test import override_settings
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from prepdesk.core.errors import Conflict, InvalidInput, NotAllowed, NotInThisState
from requests_app import states
from requests_app.models import Meeting, MeetingEvent, Order, Room, Section, TeachingChange, Term
from requests_app.selectors import meetings_to_move, orders_visible_to, sections_for, sections_to_order_for
from requests_app.services.timetable import (
    change_room,
    change_section,
    change_term,
    lay_out_meetings,
    make_course,
    make_room,
    make_section,
    make_term,
    set_room_in_use,
)
from requests_app.services.timetable.layout import lay_out
from requests_app.timetable import WEEKDAYS, Break, SectionFacts, TermFacts, section_facts, term_facts

pytestmark = pytest.mark.django_db
WEEK = timedelta(weeks=1)


@pytest.fixture
def term(manager) -> Term:
    """Eight weeks from the Monday after this one, the third one free."""
    monday = timezone.localdate() + timedelta(days=7 - timezone.localdate().weekday())
    free = monday + 2 * WEEK
    return make_term(
        actor=manager,
        facts=TermFacts(
            "next",
            "Next term",
            monday,
            monday + 8 * WEEK - timedelta(days=3),
            (Break(free, free + timedelta(days=4), "Reading week"),),
        ),
        idempotency_key="term",
    )


@pytest.fixture
def room(manager) -> Room:
    return make_room(actor=manager, code="210", note="24 places", idempotency_key="room")


@pytest.fixture
def facts(course, instructor, term, room) -> SectionFacts:
    """Tuesdays, 9 to 12."""
    return SectionFacts(
        course=course,
        name="T",
        instructor=instructor,
        term=term,
        groups=12,
        students=24,
        weekday=1,
        starts_at=time(9),
        ends_at=time(12),
        room=room,
    )


@pytest.fixture
def section(manager, facts) -> Section:
    return make_section(actor=manager, facts=facts, idempotency_key="section").section


def changed(manager, section, key, **what):
    section = Section.objects.get(pk=section.pk)
    return change_section(
        actor=manager,
        section=section,
        facts=replace(section_facts(section), **what),
        seen_version=section.version,
        idempotency_key=key,
    )


def days_of(section) -> dict[int, date]:
    return {one.week: timezone.localtime(one.starts_at).date() for one in section.meetings.all()}


def ordered_for(meeting, instructor, **more) -> Order:
    order = Order.objects.create(
        reference=f"R-{meeting.pk}",
        course=meeting.section.course,
        ordered_by=instructor,
        groups_per_section=12,
        volume_per_group="25",
        due_at=meeting.starts_at,
        room="210",
        meeting=meeting,
        idempotency_key=f"order-{meeting.pk}",
        **more,
    )
    order.sections.set([meeting.section])
    return order


# --- weeks and days ------------------------------------------------------------------------------
@pytest.mark.parametrize("starts_on", [date(2026, 1, 1), date(2026, 8, 31), date(2027, 10, 4)])
def test_weeks_of_a_term_run_as_iso_8601_counts_them(starts_on):
    """ISO 8601: a week begins on Monday; 1 January 2026, a Thursday, lies in week 2026-W01."""
    term = Term(code="t", name="T", starts_on=starts_on, ends_on=starts_on + timedelta(days=120))
    begins = starts_on.isocalendar()
    for step in range(121):
        day = starts_on + timedelta(days=step)
        monday_of_first = date.fromisocalendar(begins.year, begins.week, 1)
        monday = date.fromisocalendar(day.isocalendar().year, day.isocalendar().week, 1)
        assert term.week_of(day) == (monday - monday_of_first).days // 7 + 1
        assert term.monday_of(term.week_of(day)) == monday
        assert day.isocalendar().weekday == day.weekday() + 1
    assert term.weeks == term.week_of(term.ends_on)


def test_days_of_the_week_have_the_names_the_calendar_gives_them():
    assert list(WEEKDAYS) == list(calendar.day_name)


def test_a_section_meets_once_in_each_week_that_is_not_free(section, term):
    found = days_of(section)
    assert sorted(found) == [1, 2, 4, 5, 6, 7, 8]
    assert all(day.weekday() == 1 and term.week_of(day) == week for week, day in found.items())


def test_weeks_cut_by_the_first_and_the_last_day_of_a_term_have_only_their_days(manager, facts):
    # Wednesday 6 January 2027 to Thursday 28 January 2027.
    short = make_term(
        actor=manager,
        facts=TermFacts("short", "Short", date(2027, 1, 6), date(2027, 1, 28)),
        idempotency_key="short",
    )
    for weekday, weeks in ((0, [2, 3, 4]), (2, [1, 2, 3, 4]), (4, [1, 2, 3])):
        made = make_section(
            actor=manager,
            facts=replace(facts, term=short, weekday=weekday, name=f"on {weekday}"),
            idempotency_key=f"on-{weekday}",
        )
        assert sorted(days_of(made.section)) == weeks


# --- the change of the clocks --------------------------------------------------------------------
# IANA time zone database, zone Europe/London (rules EU): British Summer Time ends on the last Sunday of
# October and begins on the last Sunday of March, at 01:00 UTC: 25 October 2026 and 28 March 2027.
LONDON = override_settings(TIME_ZONE="Europe/London")


@pytest.fixture
def year(manager) -> Term:
    return make_term(
        actor=manager,
        facts=TermFacts("year", "A whole year", date(2026, 9, 28), date(2027, 7, 2)),
        idempotency_key="year",
    )


def test_a_term_over_both_changes_of_the_clocks_keeps_the_time_on_the_wall(manager, facts, year):
    with LONDON:
        made = make_section(actor=manager, facts=replace(facts, term=year), idempotency_key="tuesdays")
        meetings = list(made.section.meetings.all())
        clocks = {timezone.localtime(one.starts_at).time() for one in meetings}
    assert clocks == {time(9)}
    in_utc = {one.starts_at.astimezone(UTC).date(): one.starts_at.astimezone(UTC).hour for one in meetings}
    assert len(in_utc) == 40
    assert (in_utc[date(2026, 10, 20)], in_utc[date(2026, 10, 27)]) == (8, 9)
    assert (in_utc[date(2027, 3, 23)], in_utc[date(2027, 3, 30)]) == (9, 8)
    assert {one.ends_at - one.starts_at for one in meetings} == {timedelta(hours=3)}


def test_a_time_that_the_change_leaves_out_is_refused_by_its_day(manager, facts, year):
    at_night = replace(facts, term=year, weekday=6, starts_at=time(1, 30), ends_at=time(4))
    with LONDON, pytest.raises(InvalidInput) as refused:
        make_section(actor=manager, facts=at_night, idempotency_key="night")
    # The October night comes first, in which that hour comes twice; a term from November meets the other.
    assert "Sun 25 Oct 2026" in refused.value.errors["starts_at"]
    spring = make_term(
        actor=manager,
        facts=TermFacts("spring", "Spring", date(2027, 1, 4), date(2027, 5, 28)),
        idempotency_key="spring",
    )
    with LONDON, pytest.raises(InvalidInput) as refused:
        make_section(actor=manager, facts=replace(at_night, term=spring), idempotency_key="night")
    text = refused.value.errors["starts_at"]
    assert "Sun 28 Mar 2027" in text
    assert "01:30 is skipped that night" in text
    assert not Section.objects.filter(name="T").exists(), "nothing of it is saved"


# --- laid out once, and what stays ----------------------------------------------------------------
def test_laying_out_a_second_time_changes_nothing(manager, section):
    before = list(Meeting.objects.order_by("pk").values_list())
    again = lay_out_meetings(actor=manager, section=section)
    assert (again.made, again.moved, again.removed) == (0, 0, 0)
    assert list(Meeting.objects.order_by("pk").values_list()) == before
    assert not MeetingEvent.objects.exists()


def test_another_weekday_lays_out_what_nobody_touched_and_leaves_the_rest(manager, instructor, section):
    moved, cancelled, resized, ordered = section.meetings.filter(week__in=[1, 2, 4, 5]).order_by("week")
    moved.starts_at += timedelta(hours=1)
    moved.save()
    MeetingEvent.objects.create(meeting=moved, event="move", actor=instructor, idempotency_key="m")
    cancelled.state = states.CANCELLED
    cancelled.save()
    resized.groups = 3
    resized.save()
    order = ordered_for(ordered, instructor)
    kept = {one.pk: (one.starts_at, one.state, one.groups, one.version) for one in section.meetings.all()}

    done = changed(manager, section, "thursday", weekday=3).laid_out

    now = {one.pk: (one.starts_at, one.state, one.groups, one.version) for one in section.meetings.all()}
    assert set(now) == set(kept)
    for one in (moved, cancelled, resized, ordered):
        assert now[one.pk] == kept[one.pk]
    assert done.moved == 3
    free = section.meetings.filter(week__gte=6)
    assert {timezone.localtime(one.starts_at).weekday() for one in free} == {3}
    assert {one.version for one in free} == {2}
    assert MeetingEvent.objects.filter(event="lay_out").count() == 3
    assert [one.pk for one in done.to_move] == [ordered.pk]
    left = meetings_to_move(Section.objects.get(pk=section.pk))
    assert [one.meeting.pk for one in left] == [ordered.pk]
    assert left[0].slot.starts_at == ordered.starts_at + timedelta(days=2)
    order.refresh_from_db()
    assert order.due_at == ordered.starts_at


def test_a_meeting_whose_orders_are_cancelled_follows_its_section(manager, instructor, section):
    ordered_for(section.meetings.get(week=4), instructor, state=states.CANCELLED)
    assert changed(manager, section, "thursday", weekday=3).laid_out.moved == 7
    assert meetings_to_move(Section.objects.get(pk=section.pk)) == []


def test_a_break_takes_meetings_away_except_those_with_orders(manager, instructor, section, term):
    kept = section.meetings.get(week=6)
    ordered_for(kept, instructor)
    # A row of a cancelled order still names this one, so it is cancelled and stays readable.
    named = section.meetings.get(week=7)
    ordered_for(named, instructor, state=states.CANCELLED)
    longer = Break(term.monday_of(5), term.monday_of(8) - timedelta(days=1), "Closed for works")
    now = term_facts(term)
    done = change_term(
        actor=manager,
        term=term,
        facts=replace(now, breaks=(*now.breaks, longer)),
        seen_version=term.version,
        idempotency_key="works",
    )
    assert sorted(days_of(section)) == [1, 2, 4, 6, 7, 8]
    assert done.laid_out.removed == 2
    named.refresh_from_db()
    assert named.state == states.CANCELLED
    left = meetings_to_move(Section.objects.get(pk=section.pk))
    assert [(one.meeting.pk, one.slot) for one in left] == [(kept.pk, None)]
    # The break is taken back: the weeks come again, the cancelled one stays as somebody sees it.
    change_term(actor=manager, term=term, facts=now, seen_version=2, idempotency_key="no works")
    assert sorted(days_of(section)) == [1, 2, 4, 5, 6, 7, 8]
    assert meetings_to_move(Section.objects.get(pk=section.pk)) == []


def test_what_has_begun_is_never_moved(manager, facts):
    today = timezone.localdate()
    monday = today - timedelta(days=today.weekday())
    going = make_term(
        actor=manager,
        facts=TermFacts("going", "Going on", monday - 3 * WEEK, monday + 4 * WEEK),
        idempotency_key="going",
    )
    section = make_section(actor=manager, facts=replace(facts, term=going), idempotency_key="g").section
    past = {one.pk: one.starts_at for one in section.meetings.filter(starts_at__lte=timezone.now())}
    assert len(past) >= 3
    changed(manager, section, "later", starts_at=time(13), ends_at=time(16))
    for key, starts_at in past.items():
        assert Meeting.objects.get(pk=key).starts_at == starts_at
    coming = section.meetings.filter(starts_at__gt=timezone.now())
    assert {timezone.localtime(one.starts_at).hour for one in coming} == {13}


def test_sixty_sections_are_laid_out_with_a_number_of_queries_that_does_not_grow(manager, facts):
    def made(count, start):
        return [
            Section.objects.create(
                course=facts.course,
                term=facts.term,
                name=str(number),
                instructor=facts.instructor,
                weekday=number % 5,
                starts_at=facts.starts_at,
                ends_at=facts.ends_at,
            )
            for number in range(start, start + count)
        ]

    few, many = made(3, 0), made(60, 100)
    with CaptureQueriesContext(connection) as for_few:
        lay_out(actor=manager, sections=few)
    with CaptureQueriesContext(connection) as for_many:
        done = lay_out(actor=manager, sections=many)
    assert done.made >= 60 * 7
    # Rows are written some hundred at a time; SQLite takes the fewest.
    assert len(for_many) <= len(for_few) + 5


# --- changes are sent once, refuse what is stale, and are kept ---------------------------------------
def test_a_form_that_is_sent_twice_counts_once(manager, facts):
    first = make_section(actor=manager, facts=facts, idempotency_key="one")
    assert make_section(actor=manager, facts=facts, idempotency_key="one").section == first.section
    assert Section.objects.filter(name="T").count() == 1
    with pytest.raises(Conflict):
        make_room(actor=manager, code="999", idempotency_key="one")


def test_an_older_page_is_told_what_changed_and_by_whom(manager, section):
    changed(manager, section, "first", groups=10)
    with pytest.raises(Conflict) as refused:
        change_section(
            actor=manager,
            section=section,
            facts=replace(section_facts(section), groups=9),
            seen_version=1,
            idempotency_key="second",
        )
    assert "Groups was 12 and is 10 now (Mara Stone)" in refused.value.text
    assert Section.objects.get(pk=section.pk).groups == 10
    # The very same wish twice is no quarrel.
    assert (
        change_section(
            actor=manager,
            section=section,
            facts=replace(section_facts(section), groups=10),
            seen_version=1,
            idempotency_key="third",
        ).section.version
        == 2
    )


def test_every_change_is_kept_with_what_was_and_what_is(manager, section):
    changed(manager, section, "friday", weekday=4, students=20, groups=10)
    kept = TeachingChange.objects.get(idempotency_key="friday")
    assert kept.changes == [
        ["Weekday", "Tuesday", "Friday"],
        ["Students", "24", "20"],
        ["Groups", "12", "10"],
    ]
    assert (kept.actor, kept.version) == (manager, 2)


@pytest.mark.parametrize("role", ["instructor", "prep"])
def test_only_a_manager_changes_the_timetable(role, request, facts, term, section, room):
    actor = request.getfixturevalue(role)
    tries = (
        lambda: make_term(actor=actor, facts=term_facts(term), idempotency_key="x"),
        lambda: change_term(
            actor=actor, term=term, facts=term_facts(term), seen_version=1, idempotency_key="x"
        ),
        lambda: make_room(actor=actor, code="1", idempotency_key="x"),
        lambda: change_room(actor=actor, room=room, code="2", note="", seen_version=1, idempotency_key="x"),
        lambda: set_room_in_use(actor=actor, room=room, in_use=False, idempotency_key="x"),
        lambda: make_course(actor=actor, code="X", title="X", idempotency_key="x"),
        lambda: make_section(actor=actor, facts=facts, idempotency_key="x"),
        lambda: changed(actor, section, "x", groups=1),
        lambda: lay_out_meetings(actor=actor, section=section),
    )
    for attempt in tries:
        with pytest.raises(NotAllowed):
            attempt()


def test_what_cannot_be_is_refused_by_its_field(manager, instructor, prep, facts, section):
    wrong = {
        "name": {"name": "t"},
        "groups": {"students": 5, "groups": 6, "name": "U"},
        "ends_at": {"ends_at": time(8), "name": "U"},
        "weekday": {"weekday": None, "name": "U"},
        "instructor": {"instructor": prep, "name": "U"},
        "co_instructors": {"co_instructors": (instructor,), "name": "U"},
    }
    for field, what in wrong.items():
        with pytest.raises(InvalidInput) as refused:
            make_section(actor=manager, facts=replace(facts, **what), idempotency_key=field)
        assert field in refused.value.errors, field


def test_breaks_lie_inside_their_term_and_apart_from_each_other(manager):
    first, last = date(2027, 1, 4), date(2027, 3, 26)
    breaks = (
        Break(date(2027, 2, 1), date(2027, 2, 5), "One"),
        Break(date(2027, 2, 5), date(2027, 2, 8), "Two"),
        Break(date(2027, 3, 22), date(2027, 4, 2), "Three"),
    )
    with pytest.raises(InvalidInput) as refused:
        make_term(actor=manager, facts=TermFacts("t", "T", first, last, breaks), idempotency_key="t")
    assert set(refused.value.errors) == {"breaks.1.starts_on", "breaks.2.starts_on"}


def test_a_room_where_somebody_meets_is_not_given_up(manager, section, room):
    with pytest.raises(NotInThisState) as refused:
        set_room_in_use(actor=manager, room=room, in_use=False, idempotency_key="out")
    assert "CH 101 T meets there" in refused.value.text
    empty = make_room(actor=manager, code="9", idempotency_key="nine")
    assert not set_room_in_use(actor=manager, room=empty, in_use=False, idempotency_key="out").in_use


# --- who orders for a section, and who sees what was ordered ------------------------------------------
def test_who_teaches_a_section_too_orders_for_it_and_sees_its_orders(manager, instructor, colleague, section):
    order = ordered_for(section.meetings.get(week=1), instructor)
    assert not sections_for(colleague).exists()
    assert not orders_visible_to(colleague).exists()
    changed(manager, section, "together", co_instructors=(colleague,))
    assert list(sections_for(colleague)) == [section]
    assert list(orders_visible_to(colleague)) == [order]
    # As the instructor and once only, though both rules name the order.
    assert list(orders_visible_to(instructor)) == [order]


def test_orders_are_offered_for_the_terms_that_are_not_over_and_for_what_has_none(
    manager, instructor, facts, section, sections
):
    last_year = make_term(
        actor=manager,
        facts=TermFacts("old", "Last year", date(2020, 1, 6), date(2020, 3, 27)),
        idempotency_key="old",
    )
    old = make_section(
        actor=manager, facts=replace(facts, term=last_year, name="Old"), idempotency_key="o"
    ).section
    offered = set(sections_to_order_for(instructor, timezone.localdate()))
    assert offered == {section, *sections}
    assert old in sections_for(instructor)


def test_the_order_form_says_which_term_a_section_to_come_belongs_to(client, instructor, section, sections):
    client.force_login(instructor)
    page = client.get("/orders/new/").content.decode()
    assert "CH 101 General chemistry, Next term" in page
    assert page.index("Section A") < page.index("Section T")
