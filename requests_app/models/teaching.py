"""Who teaches what, when and where: terms, rooms, courses, their sections and each meeting of these."""

from datetime import date, timedelta

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from requests_app import states


class Term(models.Model):
    """The weeks in which sections meet. Weeks run from Monday; the first is the one of the first day."""

    code = models.CharField(max_length=20, unique=True)
    name = models.CharField(max_length=80)
    starts_on = models.DateField()
    ends_on = models.DateField()
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(ends_on__gte=F("starts_on")), name="term_ends_after_it_starts")
        ]
        ordering = ["-starts_on"]

    def __str__(self) -> str:
        return self.name

    def monday_of(self, week: int) -> date:
        """The Monday of a week of the term, counted from 1."""
        return self.starts_on - timedelta(days=self.starts_on.weekday()) + timedelta(weeks=week - 1)

    def week_of(self, day: date) -> int:
        """Which week of the term a day lies in, counted from 1; below 1 before the term."""
        return (day - self.monday_of(1)).days // 7 + 1

    @property
    def weeks(self) -> int:
        """How many weeks the term has, those of its breaks too."""
        return self.week_of(self.ends_on)


class TermBreak(models.Model):
    """Days of a term on which nobody meets."""

    term = models.ForeignKey(Term, on_delete=models.CASCADE, related_name="breaks")
    name = models.CharField(max_length=80)
    starts_on = models.DateField()
    ends_on = models.DateField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(ends_on__gte=F("starts_on")), name="break_ends_after_it_starts"
            )
        ]
        ordering = ["starts_on"]

    def __str__(self) -> str:
        return self.name


class Room(models.Model):
    """A teaching room that solutions are brought to."""

    code = models.CharField(max_length=40, unique=True)
    note = models.CharField(max_length=200, blank=True)
    # A room that is given up stays readable where sections met; none is put there any more.
    in_use = models.BooleanField(default=True)
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code


class Course(models.Model):
    """A course whose sections order solutions."""

    code = models.CharField(max_length=20, unique=True)
    title = models.CharField(max_length=160)
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class Section(models.Model):
    """A group of students that meets at one time of the week, with its instructor."""

    course = models.ForeignKey(Course, on_delete=models.PROTECT, related_name="sections")
    term = models.ForeignKey(Term, null=True, blank=True, on_delete=models.PROTECT, related_name="sections")
    name = models.CharField(max_length=40)
    instructor = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="sections"
    )
    # Who teaches it too, and may order for it as its instructor does.
    co_instructors = models.ManyToManyField(
        settings.AUTH_USER_MODEL, blank=True, related_name="shared_sections"
    )
    groups = models.PositiveSmallIntegerField(default=12)
    students = models.PositiveSmallIntegerField(null=True, blank=True)
    # Monday is 0, as Python counts; empty while it is not known when the section meets.
    weekday = models.PositiveSmallIntegerField(null=True, blank=True)
    starts_at = models.TimeField(null=True, blank=True)
    ends_at = models.TimeField(null=True, blank=True)
    room = models.ForeignKey(Room, null=True, blank=True, on_delete=models.PROTECT, related_name="sections")
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["course", "name"], condition=Q(term=None), name="section_once_outside_terms"
            ),
            models.UniqueConstraint(fields=["term", "course", "name"], name="section_once_in_a_term"),
            models.CheckConstraint(
                condition=Q(weekday=None) | Q(weekday__lte=6), name="section_on_a_day_of_the_week"
            ),
            models.CheckConstraint(
                condition=Q(starts_at=None) | Q(ends_at=None) | Q(ends_at__gt=F("starts_at")),
                name="section_ends_after_it_starts",
            ),
        ]
        ordering = ["course__code", "name"]

    def __str__(self) -> str:
        return f"{self.course.code} {self.name}"


class TeachingChange(models.Model):
    """A term, a room, a course or a section was made or changed: by whom, when, what. Never changed."""

    class Kind(models.TextChoices):
        TERM = "term", "Term"
        ROOM = "room", "Room"
        COURSE = "course", "Course"
        SECTION = "section", "Section"

    kind = models.CharField(max_length=8, choices=Kind.choices)
    # The key of the row that was changed, and the version it has since.
    row = models.PositiveBigIntegerField()
    version = models.PositiveIntegerField()
    # Heading, before, after; as a person reads them.
    changes = models.JSONField(default=list)
    reason = models.CharField(max_length=200, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "row", "version"], name="teaching_changed_once")
        ]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.kind} {self.row} version {self.version}"


class Meeting(models.Model):
    """One meeting of a section: laid out from its weekday, then moved, resized or cancelled by itself."""

    section = models.ForeignKey(Section, on_delete=models.PROTECT, related_name="meetings")
    # The week of the term it belongs to, also when it is moved to a day of another one.
    week = models.PositiveSmallIntegerField()
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    room = models.ForeignKey(Room, null=True, blank=True, on_delete=models.PROTECT, related_name="meetings")
    # Empty: as many as the section has.
    groups = models.PositiveSmallIntegerField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=states.MEETING_STATES, default=states.PLANNED)
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["section", "week"], name="meeting_once_a_week"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="meeting_takes_time"),
        ]
        indexes = [
            models.Index(fields=["starts_at"], name="meeting_by_time"),
            models.Index(fields=["room", "starts_at"], name="meeting_by_room"),
        ]
        ordering = ["starts_at", "section_id"]

    def __str__(self) -> str:
        return f"{self.section} week {self.week}"

    @property
    def group_count(self) -> int:
        """How many groups work at this meeting."""
        return self.section.groups if self.groups is None else self.groups


class MeetingEvent(models.Model):
    """What happened to a meeting, by whom, when and why. Never changed."""

    meeting = models.ForeignKey(Meeting, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # In words: what was, what is now.
    note = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of meeting {self.meeting_id}"
