"""Who teaches what: courses and their sections."""

from django.conf import settings
from django.db import models


class Course(models.Model):
    """A course whose sections order solutions."""

    code = models.CharField(max_length=20, unique=True)
    title = models.CharField(max_length=160)

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return f"{self.code} {self.title}"


class Section(models.Model):
    """A group of students that meets at one time, with its instructor."""

    course = models.ForeignKey(Course, on_delete=models.PROTECT, related_name="sections")
    name = models.CharField(max_length=40)
    instructor = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="sections"
    )
    groups = models.PositiveSmallIntegerField(default=12)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["course", "name"], name="section_once")]
        ordering = ["course__code", "name"]

    def __str__(self) -> str:
        return f"{self.course.code} {self.name}"
