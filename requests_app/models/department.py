"""The department's own rules: one row, which a manager owns."""

from django.conf import settings
from django.db import models
from django.db.models import Q


class DepartmentRules(models.Model):
    """Rules of thumb that differ from house to house, as figures that act where they are shown."""

    # An order sent later than so many working days before it is due is late.
    notice_days = models.PositiveSmallIntegerField(default=2)
    # So many minutes before a section meets its solutions are due.
    minutes_before = models.PositiveSmallIntegerField(default=30)
    overage_percent = models.CharField(max_length=40, default="10")
    spare_groups = models.PositiveSmallIntegerField(default=0)
    per_section_ml = models.CharField(max_length=40, default="0")
    # A draw of more than this share of what is free of a substance waits for approval.
    large_draw_percent = models.PositiveSmallIntegerField(default=50)
    # Orders further apart than so many days are not made together; empty leaves it to the shelf life.
    together_days = models.PositiveSmallIntegerField(null=True, blank=True)
    # How many people prepare at once: what a late order pushes aside is reckoned with it.
    hands = models.PositiveSmallIntegerField(default=1)
    # A bottle must be scanned, or its code typed, before it is opened at a step. Off to begin with, since it
    # asks for labels on all bottles.
    scan_bottles = models.BooleanField(default=False)
    # What a second person must look at before the work is closed. Off to begin with: it takes two people.
    check_restricted = models.BooleanField(default=False)
    check_strong_acids = models.BooleanField(default=False)
    check_standards = models.BooleanField(default=False)
    version = models.PositiveIntegerField(default=1)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(pk=1), name="one_row_of_rules")]
        verbose_name_plural = "department rules"

    def __str__(self) -> str:
        return "Rules of the department"


class RuleEvent(models.Model):
    """Who changed which rule from what to what."""

    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    note = models.CharField(max_length=300)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return self.note
