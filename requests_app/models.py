"""Orders, the batches they become, the frozen sheets, and what was read at the bench."""

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from inventory.models import Booking, Hold, Lot, Substance
from requests_app import states


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
    # Raised by one with every change, so that a page that shows an older one is told.
    version = models.PositiveIntegerField(default=1)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [models.Index(fields=["state", "due_at"], name="batch_queue")]
        ordering = ["due_at", "id"]
        verbose_name_plural = "batches"

    def __str__(self) -> str:
        return self.reference


class Order(models.Model):
    """What an instructor wants: a solution for so many groups of so many sections, by a time."""

    reference = models.CharField(max_length=16, unique=True)
    course = models.ForeignKey(Course, on_delete=models.PROTECT, related_name="orders")
    sections = models.ManyToManyField(Section, related_name="orders")
    ordered_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="orders")
    state = models.CharField(max_length=12, choices=states.ORDER_STATES, default=states.WAITING)
    title = models.CharField(max_length=200)
    # As typed: the digits of a volume or a target choose the apparatus.
    groups_per_section = models.PositiveIntegerField()
    volume_per_group = models.CharField(max_length=40)
    volume_unit = models.CharField(max_length=4, default="mL")
    overage_percent = models.CharField(max_length=40, blank=True)
    tolerance_percent = models.CharField(max_length=40, blank=True)
    temperature_c = models.CharField(max_length=40, blank=True)
    due_at = models.DateTimeField()
    room = models.CharField(max_length=40)
    notes = models.TextField(max_length=2000, blank=True)
    batch = models.ForeignKey(Batch, null=True, blank=True, on_delete=models.PROTECT, related_name="orders")
    # Why it waits: the plan's stop problems and shortages, as frozen when it was last tried.
    waiting_for = models.JSONField(default=list, blank=True, encoder=DjangoJSONEncoder)
    idempotency_key = models.CharField(max_length=120)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ordered_by", "idempotency_key"], name="order_sent_once"),
            models.CheckConstraint(condition=Q(groups_per_section__gt=0), name="order_for_somebody"),
        ]
        indexes = [models.Index(fields=["ordered_by", "state", "due_at"], name="order_of_person")]
        ordering = ["-created_at", "-id"]

    def __str__(self) -> str:
        return self.reference

    @property
    def is_open(self) -> bool:
        """Neither handed over nor cancelled."""
        return self.state in states.OPEN_ORDER_STATES

    @property
    def is_unfinished(self) -> bool:
        """Still to be made, so that its time can run out."""
        return self.is_open and self.state != states.READY


class OrderComponent(models.Model):
    """One solute of the ordered solution."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="components")
    position = models.PositiveSmallIntegerField(default=0)
    substance = models.ForeignKey(Substance, on_delete=models.PROTECT, related_name="+")
    target_value = models.CharField(max_length=40)
    target_unit = models.CharField(max_length=8)
    equivalents = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["order", "position"], name="component_position_once")]
        ordering = ["position"]

    def __str__(self) -> str:
        return f"{self.target_value} {self.target_unit} {self.substance}"


class OrderEvent(models.Model):
    """What happened to an order, by whom and when. Written with the state, never changed."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    from_state = models.CharField(max_length=12, blank=True)
    to_state = models.CharField(max_length=12)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.order_id}"

    @property
    def words(self) -> str:
        """What happened, as a history says it."""
        return states.EVENT_WORDS[self.event].capitalize()


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

    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="step_records")
    sheet = models.ForeignKey(Sheet, on_delete=models.PROTECT, related_name="step_records")
    step_number = models.PositiveSmallIntegerField()
    reading_text = models.CharField(max_length=40, blank=True)
    reading_unit = models.CharField(max_length=8, blank=True)
    verdict = models.CharField(max_length=8, choices=Verdict.choices)
    reason = models.CharField(max_length=300, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        indexes = [models.Index(fields=["batch", "step_number", "id"], name="record_by_step")]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"step {self.step_number} of {self.batch_id}"
