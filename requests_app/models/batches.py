"""The batches, their frozen sheets, what they keep of the stock, and what was read at the bench."""

from datetime import datetime, timedelta
from typing import Final

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from inventory.models import Booking, Hold, Lot
from requests_app import states

# A record that reached the server so much after the reading was taken is called sent later.
SENT_LATER: Final = timedelta(seconds=30)


class Batch(models.Model):
    """One making of one solution, for one order or several."""

    reference = models.CharField(max_length=16, unique=True)
    title = models.CharField(max_length=200)
    state = models.CharField(max_length=12, choices=states.BATCH_STATES, default=states.QUEUED)
    due_at = models.DateTimeField()
    room = models.CharField(max_length=40, blank=True)
    claimed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="claimed_batches",
    )
    claimed_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    # What calc made of the readings: concentrations, inside the tolerance or not, remedy taken.
    settlement = models.JSONField(null=True, blank=True, encoder=DjangoJSONEncoder)
    prepared_lot = models.ForeignKey(
        Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="made_by_batch"
    )
    # Whose unknown it is, also after its order left it: they and whoever claims it read its sheet.
    unknown_of = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    # Work that was begun rests, with a word on where it stands; it goes on from the same step.
    paused_at = models.DateTimeField(null=True, blank=True)
    pause_note = models.CharField(max_length=300, blank=True)
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [models.Index(fields=["state", "due_at"], name="batch_queue")]
        ordering = ["due_at", "id"]
        verbose_name_plural = "batches"

    def __str__(self) -> str:
        return self.reference


class BatchEvent(models.Model):
    """What happened to a batch, by whom and when. Written with the state, never changed."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.batch_id}"

    @property
    def words(self) -> str:
        """What happened, as a history says it."""
        return states.EVENT_WORDS[self.event].capitalize()


class Sheet(models.Model):
    """A frozen plan: never changed; a new plan is a new revision."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="sheets")
    revision = models.PositiveSmallIntegerField()
    # The question and the answer of the calculation service, in the form of its public contract.
    request = models.JSONField(encoder=DjangoJSONEncoder)
    plan = models.JSONField(encoder=DjangoJSONEncoder)
    # What a list shows of the plan, so that no list reads whole plans; see requests_app.cards.
    card = models.JSONField(default=dict, blank=True, encoder=DjangoJSONEncoder)
    # A sheet that goes on where another stopped: up to which step the records of that sheet count here.
    # {"<key of the sheet>": step number}
    kept = models.JSONField(default=dict, blank=True)
    data_version = models.CharField(max_length=64)
    reason = models.CharField(max_length=200, blank=True)
    created_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["batch", "revision"], name="sheet_revision_once")]
        ordering = ["batch_id", "-revision"]

    def __str__(self) -> str:
        return f"{self.batch} revision {self.revision}"


class BatchHold(models.Model):
    """The key to the stock a sheet draws; the inventory itself knows nothing of orders."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="batch_holds")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="batch_holds")
    hold = models.OneToOneField(Hold, on_delete=models.PROTECT, related_name="+")
    component = models.PositiveSmallIntegerField(default=0)

    def __str__(self) -> str:
        return f"{self.hold_id} for {self.batch_id}"


class BatchBooking(models.Model):
    """The key to the apparatus a sheet has booked for its hours; the inventory knows nothing of orders."""

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="batch_bookings")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="batch_bookings")
    booking = models.OneToOneField(Booking, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.booking_id} for {self.batch_id}"


class StepRecord(models.Model):
    """A step done at the bench, with the reading taken. Doing it again adds a row."""

    class Verdict(models.TextChoices):
        DONE = "done", "Done"
        INSIDE = "inside", "Inside the window"
        OUTSIDE = "outside", "Outside the window, accepted with a reason"
        # What was read is lost; from here on the step counts as not done, until it is done again.
        SPOILT = "spoilt", "Lost, to be done again"

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="step_records")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="step_records")
    step_number = models.PositiveSmallIntegerField()
    reading_text = models.CharField(max_length=40, blank=True)
    reading_unit = models.CharField(max_length=8, blank=True)
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    reason = models.CharField(max_length=300, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # When it was read at the bench, where that was earlier: the connection was lost, or it stood on paper.
    taken_at = models.DateTimeField(null=True, blank=True)
    # Of the batch, with this record: what a device that sends again goes on from.
    version_after = models.PositiveIntegerField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        indexes = [models.Index(fields=["batch", "step_number", "id"], name="record_by_step")]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"step {self.step_number} of {self.batch_id}"

    @property
    def read_at(self) -> datetime:
        """When it was read, which may be earlier than it reached the server."""
        return self.taken_at or self.at

    @property
    def was_sent_later(self) -> bool:
        """Whether it stood on a device for a while before it got here."""
        return self.at - self.read_at >= SENT_LATER
