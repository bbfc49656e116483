"""The timetable: terms with their breaks, rooms, courses, sections, and the meetings laid out from them.

Each service takes the person who is responsible as ``actor``, asks the policy and runs in one transaction.
A change names the version that was shown (a 409 tells what changed since) and the key of its form, so that
a form sent twice counts once.
"""

from requests_app.services.timetable.layout import LaidOut, lay_out_meetings
from requests_app.services.timetable.rooms import (
    change_course,
    change_room,
    check_course,
    check_room,
    make_course,
    make_room,
    set_room_in_use,
)
from requests_app.services.timetable.sections import (
    SectionChanged,
    change_section,
    check_section,
    make_section,
)
from requests_app.services.timetable.sizes import change_section_size
from requests_app.services.timetable.terms import TermChanged, change_term, check_term, make_term

__all__ = [
    "LaidOut",
    "SectionChanged",
    "TermChanged",
    "change_course",
    "change_room",
    "change_section",
    "change_section_size",
    "change_term",
    "check_course",
    "check_room",
    "check_section",
    "check_term",
    "lay_out_meetings",
    "make_course",
    "make_room",
    "make_section",
    "make_term",
    "set_room_in_use",
]
