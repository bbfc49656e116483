"""What the stockroom lists: one row for each form of a substance."""

from django.conf import settings
from django.db import models


class Substance(models.Model):
    """One form of one substance, as the stockroom lists it.

    The chemistry (what dissolves, traits, densities) stands in the calculation service's catalogue
    under the same ``key``; ``record`` holds the same facts for a substance the department added.
    """

    key = models.SlugField(max_length=80, unique=True)
    name = models.CharField(max_length=160)
    formula = models.CharField(max_length=80)
    cas = models.CharField("CAS number", max_length=12, blank=True)
    family = models.CharField(max_length=80, blank=True)
    form = models.CharField(max_length=40, blank=True)
    synonyms = models.JSONField(default=list, blank=True)
    grade = models.CharField(max_length=60, blank=True)
    restricted = models.BooleanField(default=False)
    # What the department decided for its store; empty where the catalogue's own facts are enough.
    storage_group = models.CharField(max_length=40, blank=True)
    shelf_life_closed_days = models.PositiveIntegerField(null=True, blank=True)
    shelf_life_opened_days = models.PositiveIntegerField(null=True, blank=True)
    # Base units; below it there is too little left to wait with ordering.
    reorder_below = models.BigIntegerField(null=True, blank=True)
    record = models.JSONField(default=dict, blank=True)
    # What a form was sent with, so that a re-sent one lands on the substance it added.
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class SubstanceEvent(models.Model):
    """Who changed what the department keeps about a substance, when, and from what to what."""

    substance = models.ForeignKey(Substance, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # Long enough for what changed and why.
    reason = models.CharField(max_length=1200, blank=True)
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.substance_id}"
