"""Unknowns: coded samples for students, whose content only the instructor and whoever they name may read."""

from django.conf import settings
from django.db import models

from inventory.models import Substance
from requests_app.models.orders import Order
from requests_app.models.teaching import Course, Section


class UnknownSet(models.Model):
    """So many samples of one substance, their concentrations drawn at random from a range."""

    reference = models.CharField(max_length=16, unique=True)
    course = models.ForeignKey(Course, on_delete=models.PROTECT, related_name="unknown_sets")
    sections = models.ManyToManyField(Section, related_name="unknown_sets")
    ordered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="unknown_sets"
    )
    # Who else may read the key.
    readers = models.ManyToManyField(
        settings.AUTH_USER_MODEL, blank=True, related_name="readable_unknown_sets"
    )
    title = models.CharField(max_length=160)
    substance = models.ForeignKey(Substance, on_delete=models.PROTECT, related_name="+")
    lowest = models.CharField(max_length=40)
    highest = models.CharField(max_length=40)
    unit = models.CharField(max_length=8)
    count = models.PositiveSmallIntegerField()
    spares = models.PositiveSmallIntegerField(default=0)
    # Two samples differ by at least this much of the lower one, in percent.
    apart_percent = models.CharField(max_length=40, blank=True)
    volume_per_sample = models.CharField(max_length=40)
    volume_unit = models.CharField(max_length=4, default="mL")
    tolerance_percent = models.CharField(max_length=40, blank=True)
    due_at = models.DateTimeField()
    room = models.CharField(max_length=40)
    notes = models.TextField(max_length=2000, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ordered_by", "idempotency_key"], name="unknowns_sent_once")
        ]
        ordering = ["-id"]

    def __str__(self) -> str:
        return self.reference


class UnknownSample(models.Model):
    """One coded sample. Its target stands on its order; what was really made comes with the batch."""

    unknown_set = models.ForeignKey(UnknownSet, on_delete=models.PROTECT, related_name="samples")
    position = models.PositiveSmallIntegerField()
    code = models.CharField(max_length=16, unique=True)
    is_spare = models.BooleanField(default=False)
    order = models.OneToOneField(Order, on_delete=models.PROTECT, related_name="unknown_sample")
    # mol/L as settled from the readings; it stands here and not on the shelf, where everybody reads.
    actual_mol_per_l = models.FloatField(null=True, blank=True)
    actual_expanded_percent = models.FloatField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["unknown_set", "position"], name="unknown_position_once")
        ]
        ordering = ["position"]

    def __str__(self) -> str:
        return self.code


class KeyReading(models.Model):
    """Who read or changed the readers of a key, and when."""

    unknown_set = models.ForeignKey(UnknownSet, on_delete=models.PROTECT, related_name="key_readings")
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    what = models.CharField(max_length=200)
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.what} of {self.unknown_set_id}"
