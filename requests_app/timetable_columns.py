"""The columns of a timetable's file: what an export writes is what an import reads."""

from typing import Final

from prepdesk.core.tables import Column

TIMETABLE_COLUMNS: Final = (
    Column("term", "Term", required=True, help="The code of a term that is there.", example="2027-spring"),
    Column("course", "Course", ("course code",), required=True, help="Its code.", example="CH 101"),
    Column(
        "course_title",
        "Course title",
        ("title",),
        help="Needed for a course that is new; a course that is there keeps its title.",
        example="General chemistry laboratory",
    ),
    Column("section", "Section", ("name",), required=True, help="Within its course.", example="A"),
    Column("weekday", "Weekday", ("day",), help="Monday to Sunday, or Mon to Sun.", example="Monday"),
    Column("starts", "Starts", ("from", "start"), help="As 13:30.", example="09:00"),
    Column("ends", "Ends", ("to", "end"), help="As 16:30, of the same day.", example="12:00"),
    Column("room", "Room", help="A room that is not there yet is added.", example="210"),
    Column("students", "Students", kind="number", help="May stay empty.", example="24"),
    Column("groups", "Groups", kind="number", help="That work at once; 12 when empty and new.", example="12"),
    Column(
        "instructor",
        "Instructor",
        ("teacher",),
        required=True,
        help="The name to sign in with.",
        example="mora",
    ),
    Column(
        "co_instructors",
        "Co-instructors",
        ("co-teachers",),
        help="Names to sign in with, parted by a semicolon.",
        example="vale; marsh",
    ),
)
