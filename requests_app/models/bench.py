"""What happens at the bench besides readings: bottles scanned, second looks, mishaps."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory.models import Lot, Movement, WasteStream
from requests_app import states
from requests_app.models.batches import Batch, Sheet, StepRecord


class BottleScan(models.Model):
    """A bottle was shown to a step before it was opened, and what was said to it. Never changed."""

    class Verdict(models.TextChoices):
        RIGHT = "right", "The right bottle"
        OTHER_LOT = "other_lot", "Another lot"
        OTHER_FORM = "other_form", "Another substance or form"
        EXPIRED = "expired", "Expired"
        STOPPED = "stopped", "Not to be used"
        GARBLED = "garbled", "Not read rightly"
        UNKNOWN = "unknown", "No such bottle"

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="bottle_scans")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="bottle_scans")
    step_number = models.PositiveSmallIntegerField()
    # As it arrived, also when it is no code of ours.
    code = models.CharField(max_length=64)
    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    verdict = models.CharField(max_length=10, choices=Verdict.choices)
    said = models.CharField(max_length=300, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # When it was scanned, where that was before it arrived.
    taken_at = models.DateTimeField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        indexes = [models.Index(fields=["batch", "step_number", "id"], name="scan_by_step")]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.code} at step {self.step_number} of {self.batch_id}"


class SecondCheck(models.Model):
    """A second person was asked to look at the readings of a batch, and signed or sent it back."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="checks")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="checks")
    # Why it is needed: [{"code", "text"}], by the rules of that moment.
    points = models.JSONField(default=list)
    state = models.CharField(max_length=10, choices=states.CHECK_STATES, default=states.ASKED)
    # The newest record of the batch when it was asked: a step done again later is not covered.
    up_to = models.ForeignKey(StepRecord, on_delete=models.PROTECT, related_name="+")
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField(auto_now_add=True)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    answered_at = models.DateTimeField(null=True, blank=True)
    # Sent back: to which step, and why.
    step_number = models.PositiveSmallIntegerField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["batch"], condition=Q(state=states.ASKED), name="one_open_check_a_batch"
            ),
            models.CheckConstraint(
                condition=Q(answered_by=None) | ~Q(answered_by=F("asked_by")), name="second_person_is_another"
            ),
        ]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.state} for {self.batch_id}"


class Mishap(models.Model):
    """Something went wrong at the bench, with what it cost. Never changed."""

    class Kind(models.TextChoices):
        SPILLED = "spilled", "Spilled"
        OVERSHOT = "overshot", "Past the mark"
        BROKEN = "broken", "Broken"
        RAN_OUT = "ran_out", "The bottle ran out"
        FAILED = "failed", "Given up"

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="mishaps")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="mishaps")
    step_number = models.PositiveSmallIntegerField(null=True, blank=True)
    kind = models.CharField(max_length=8, choices=Kind.choices)
    text = models.CharField(max_length=300, blank=True)
    # What was lost of each bottle: [{"lot", "code", "substance", "amount", "unit", "cost_minor"}].
    lost = models.JSONField(default=list, blank=True)
    # Of all of it, in the smallest coin; None where a bottle has no price.
    cost_minor = models.BigIntegerField(null=True, blank=True)
    waste_stream = models.ForeignKey(
        WasteStream, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    movement = models.ForeignKey(Movement, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.kind} at {self.batch_id}"
