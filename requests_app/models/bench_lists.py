"""Bench lists: what one experiment needs, for each group and for each section, and with which apparatus."""

from django.conf import settings
from django.db import models

from inventory.models import Substance
from requests_app.models.teaching import Course, Term


class BenchList(models.Model):
    """An experiment of a course, shared by all who teach it. What it needs stands in its versions."""

    course = models.ForeignKey(Course, on_delete=models.PROTECT, related_name="bench_lists")
    title = models.CharField(max_length=160)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    retired_at = models.DateTimeField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["course", "title"], name="bench_list_title_once")]
        ordering = ["course__code", "title"]

    def __str__(self) -> str:
        return f"{self.course.code} {self.title}"


class BenchListVersion(models.Model):
    """What an experiment needs, as it was written once: never changed, a correction is the next version."""

    bench_list = models.ForeignKey(BenchList, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    notes_to_prep = models.TextField(max_length=2000, blank=True)
    # What is different from the version before, as its writer says it.
    reason = models.CharField(max_length=200, blank=True)
    copied_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="copies"
    )
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["bench_list", "number"], name="bench_list_version_once")
        ]
        ordering = ["bench_list_id", "-number"]

    def __str__(self) -> str:
        return f"{self.bench_list} version {self.number}"


class ListSolution(models.Model):
    """One solution of a bench list. Numbers are kept as typed, because their digits choose the apparatus."""

    version = models.ForeignKey(BenchListVersion, on_delete=models.CASCADE, related_name="solutions")
    # The same in every version of the list, so that an order knows its line again after a correction.
    line = models.UUIDField()
    position = models.PositiveSmallIntegerField(default=0)
    # What the exercise calls it ("titrant"); empty where its content says enough.
    label = models.CharField(max_length=80, blank=True)
    volume_per_group = models.CharField(max_length=40)
    volume_unit = models.CharField(max_length=4, default="mL")
    spare_groups = models.PositiveSmallIntegerField(default=0)
    # On top for each section, in the same unit: the dead volume of a dispenser, a bottle at the back.
    per_section = models.CharField(max_length=40, blank=True)
    overage_percent = models.CharField(max_length=40, blank=True)
    tolerance_percent = models.CharField(max_length=40, blank=True)
    temperature_c = models.CharField(max_length=40, blank=True)
    container = models.CharField(max_length=120, blank=True)
    notes = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["version", "line"], name="list_line_once")]
        ordering = ["position", "id"]

    def __str__(self) -> str:
        return self.label or f"solution {self.position + 1} of {self.version_id}"


class ListComponent(models.Model):
    """One solute of a solution of a bench list."""

    solution = models.ForeignKey(ListSolution, on_delete=models.CASCADE, related_name="components")
    position = models.PositiveSmallIntegerField(default=0)
    substance = models.ForeignKey(Substance, on_delete=models.PROTECT, related_name="+")
    target_value = models.CharField(max_length=40)
    target_unit = models.CharField(max_length=8)
    equivalents = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["solution", "position"], name="list_component_position_once")
        ]
        ordering = ["position"]

    def __str__(self) -> str:
        return f"{self.target_value} {self.target_unit} {self.substance}"


class ListConsumable(models.Model):
    """Something a bench list needs that is no solution: filter paper, gloves, a sample of metal."""

    version = models.ForeignKey(BenchListVersion, on_delete=models.CASCADE, related_name="consumables")
    position = models.PositiveSmallIntegerField(default=0)
    what = models.CharField(max_length=120)
    per_group = models.CharField(max_length=40, blank=True)
    per_section = models.CharField(max_length=40, blank=True)
    unit = models.CharField(max_length=20, blank=True)
    notes = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering = ["position", "id"]

    def __str__(self) -> str:
        return self.what


class ListApparatus(models.Model):
    """Student apparatus to set out, what is measured with it, and how exactly the exercise wants it."""

    version = models.ForeignKey(BenchListVersion, on_delete=models.CASCADE, related_name="apparatus")
    position = models.PositiveSmallIntegerField(default=0)
    type = models.CharField(max_length=30)
    # "25 mL", "0.01 g": as typed, empty where the type has no size.
    size = models.CharField(max_length=40, blank=True)
    per_group = models.PositiveSmallIntegerField(default=1)
    # What is measured with it, as typed with its unit; empty for what measures nothing.
    measures = models.CharField(max_length=40, blank=True)
    # The share of the measured value that the exercise may be off by.
    wanted_percent = models.CharField(max_length=40, blank=True)
    # Lines that measure one result together (a mass and a volume give a density) share this word.
    result = models.CharField(max_length=80, blank=True)
    reason = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["position", "id"]

    def __str__(self) -> str:
        return f"{self.type} {self.size}".strip()


class PlannedExperiment(models.Model):
    """Which experiment a course does in which week of a term: the term's plan, line by line."""

    term = models.ForeignKey(Term, on_delete=models.PROTECT, related_name="experiments")
    week = models.PositiveSmallIntegerField()
    bench_list = models.ForeignKey(BenchList, on_delete=models.PROTECT, related_name="planned")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["term", "week", "bench_list"], name="experiment_planned_once")
        ]
        ordering = ["week", "bench_list_id"]

    def __str__(self) -> str:
        return f"{self.bench_list} in week {self.week}"
