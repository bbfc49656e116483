"""Teaching rooms and courses: added, changed, and rooms given up."""

from django.utils import timezone

from inventory.services import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState
from requests_app.models import Course, Room
from requests_app.services.timetable.changes import keep_change, refuse_stale, sent_before
from requests_app.timetable import differences


# --- rooms ------------------------------------------------------------------------------------
@atomic_with_retries
def make_room(*, actor: User, code: str, note: str = "", idempotency_key: str) -> Room:
    """Add a teaching room.

    Raises:
        NotAllowed.
        InvalidInput: by field.
        Conflict: when the key was used for something else.
    """
    policy.require(actor, "manage_teaching")
    first = sent_before(Room, idempotency_key)
    if first is not None:
        return first
    room = check_room(code=code, note=note)
    room.save()
    changes = differences({}, _room_told(room))
    keep_change(actor=actor, row=room, changes=changes, idempotency_key=idempotency_key)
    return room


@atomic_with_retries
def change_room(
    *, actor: User, room: Room, code: str, note: str, seen_version: int | None, idempotency_key: str
) -> Room:
    """Rename a room or change what is noted about it.

    Raises:
        NotAllowed.
        InvalidInput: by field.
        Conflict: when somebody changed it since it was shown.
    """
    policy.require(actor, "manage_teaching")
    if sent_before(Room, idempotency_key, room) is not None:
        return Room.objects.get(pk=room.pk)
    locked = Room.objects.select_for_update().get(pk=room.pk)
    new = check_room(code=code, note=note, instead_of=locked)
    changes = differences(_room_told(locked), _room_told(new))
    if changes:
        refuse_stale(locked, seen_version)
        locked.code, locked.note, locked.version = new.code, new.note, locked.version + 1
        locked.save()
        keep_change(actor=actor, row=locked, changes=changes, idempotency_key=idempotency_key)
    return locked


@atomic_with_retries
def set_room_in_use(*, actor: User, room: Room, in_use: bool, idempotency_key: str) -> Room:
    """Give up a room, or take it into use again; doing it twice is the same as once.

    Raises:
        NotAllowed.
        NotInThisState: when something meets there in the days to come.
    """
    policy.require(actor, "manage_teaching")
    locked = Room.objects.select_for_update().get(pk=room.pk)
    if locked.in_use == in_use:
        return locked
    if not in_use:
        _refuse_used(locked)
    told = _room_told(locked)
    locked.in_use = in_use
    locked.version += 1
    locked.save()
    changes = differences(told, _room_told(locked))
    keep_change(actor=actor, row=locked, changes=changes, idempotency_key=idempotency_key)
    return locked


def _refuse_used(room: Room) -> None:
    coming = room.meetings.filter(starts_at__gt=timezone.now()).exclude(state="cancelled")
    sections = room.sections.exclude(term__ends_on__lt=timezone.localdate()).select_related("course")
    named = sorted({str(section) for section in sections})[:6]
    count = coming.count()
    if named or count:
        meet = f"{', '.join(named)} {'meets' if len(named) == 1 else 'meet'} there" if named else ""
        still = f"{count} coming {'meeting is' if count == 1 else 'meetings are'} there" if count else ""
        raise NotInThisState(
            f"{room} can't be given up: {'; '.join(filter(None, (meet, still)))}. "
            "Give them another room first."
        )


def check_room(*, code: str, note: str = "", instead_of: Room | None = None) -> Room:
    """Read what was typed about a room, without saving it.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    kept = reader.words("code", " ".join(code.split()), 40)
    if not kept:
        reader.refuse("code", "Type what stands on the door.")
    elif Room.objects.filter(code__iexact=kept).exclude(pk=instead_of.pk if instead_of else 0).exists():
        reader.refuse("code", f"There is a room “{kept}” already.")
    words = reader.words("note", note, 200)
    reader.done()
    return Room(code=kept, note=words, in_use=instead_of.in_use if instead_of else True)


def _room_told(room: Room) -> dict[str, str]:
    return {"Room": room.code, "Note": room.note, "In use": "yes" if room.in_use else "no"}


# --- courses ----------------------------------------------------------------------------------
@atomic_with_retries
def make_course(*, actor: User, code: str, title: str, idempotency_key: str) -> Course:
    """Add a course.

    Raises:
        NotAllowed.
        InvalidInput: by field.
        Conflict: when the key was used for something else.
    """
    policy.require(actor, "manage_teaching")
    first = sent_before(Course, idempotency_key)
    if first is not None:
        return first
    course = check_course(code=code, title=title)
    course.save()
    changes = differences({}, _course_told(course))
    keep_change(actor=actor, row=course, changes=changes, idempotency_key=idempotency_key)
    return course


@atomic_with_retries
def change_course(
    *, actor: User, course: Course, code: str, title: str, seen_version: int | None, idempotency_key: str
) -> Course:
    """Change code or title of a course.

    Raises:
        NotAllowed.
        InvalidInput: by field.
        Conflict: when somebody changed it since it was shown.
    """
    policy.require(actor, "manage_teaching")
    if sent_before(Course, idempotency_key, course) is not None:
        return Course.objects.get(pk=course.pk)
    locked = Course.objects.select_for_update().get(pk=course.pk)
    new = check_course(code=code, title=title, instead_of=locked)
    changes = differences(_course_told(locked), _course_told(new))
    if changes:
        refuse_stale(locked, seen_version)
        locked.code, locked.title, locked.version = new.code, new.title, locked.version + 1
        locked.save()
        keep_change(actor=actor, row=locked, changes=changes, idempotency_key=idempotency_key)
    return locked


def check_course(*, code: str, title: str, instead_of: Course | None = None) -> Course:
    """Read what was typed about a course, without saving it.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    kept = reader.words("code", " ".join(code.split()), 20)
    if not kept:
        reader.refuse("code", "Type its code, as the catalogue of courses has it.")
    elif Course.objects.filter(code__iexact=kept).exclude(pk=instead_of.pk if instead_of else 0).exists():
        reader.refuse("code", f"There is a course “{kept}” already.")
    words = reader.words("title", " ".join(title.split()), 160)
    if not words:
        reader.refuse("title", "Type its title.")
    reader.done()
    return Course(code=kept, title=words)


def _course_told(course: Course) -> dict[str, str]:
    return {"Code": course.code, "Title": course.title}
