"""What instructors want, and what happened to it."""

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models
from django.db.models import Q

from inventory.models import Hold, Lot, Substance
from requests_app import states
from requests_app.models.batches import Batch
from requests_app.models.bench_lists import ListSolution
from requests_app.models.teaching import Course, Meeting, Section


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
    spare_groups = models.PositiveSmallIntegerField(default=0)
    # On top for each section, in the same unit: the dead volume of a dispenser, a bottle at the back.
    per_section = models.CharField(max_length=40, blank=True)
    tolerance_percent = models.CharField(max_length=40, blank=True)
    temperature_c = models.CharField(max_length=40, blank=True)
    due_at = models.DateTimeField()
    room = models.CharField(max_length=40)
    notes = models.TextField(max_length=2000, blank=True)
    container = models.CharField(max_length=120, blank=True)
    # What it was ordered from: a meeting of a section, and the line of the course's bench list.
    meeting = models.ForeignKey(
        Meeting, null=True, blank=True, on_delete=models.PROTECT, related_name="orders"
    )
    list_solution = models.ForeignKey(
        ListSolution, null=True, blank=True, on_delete=models.PROTECT, related_name="orders"
    )
    list_line = models.UUIDField(null=True, blank=True)
    # The order whose batch was being made already when more of it was wanted; this one is the difference.
    adds_to = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="additions"
    )
    # Kept out of batches with other orders, by the person who pulled it out.
    made_alone = models.BooleanField(default=False)
    # Changed by one with every revision; the first is the order as it was sent.
    revision = models.PositiveSmallIntegerField(default=1)
    # Why it needs a manager's approval; empty where it needs none or has it. Each a point as
    # services/approving.py makes it: code, substance, amount, text.
    approval_reasons = models.JSONField(default=list, blank=True, encoder=DjangoJSONEncoder)
    # The points that were approved, so that nobody is asked again for the same.
    approved = models.JSONField(default=list, blank=True, encoder=DjangoJSONEncoder)
    # It was sent later than the department's notice, and what it displaces, as seen then.
    is_late = models.BooleanField(default=False)
    displaces = models.JSONField(default=list, blank=True, encoder=DjangoJSONEncoder)
    batch = models.ForeignKey(Batch, null=True, blank=True, on_delete=models.PROTECT, related_name="orders")
    # Why it waits: the plan's stop problems and shortages, as frozen when it was last tried.
    waiting_for = models.JSONField(default=list, blank=True, encoder=DjangoJSONEncoder)
    idempotency_key = models.CharField(max_length=120)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ordered_by", "idempotency_key"], name="order_sent_once"),
            models.CheckConstraint(condition=Q(groups_per_section__gt=0), name="order_for_somebody"),
            # A line of a bench list is ordered once for a meeting, however often the term is planned.
            models.UniqueConstraint(
                fields=["meeting", "list_line"],
                condition=~Q(state=states.CANCELLED),
                name="line_ordered_once_for_a_meeting",
            ),
        ]
        indexes = [
            models.Index(fields=["ordered_by", "state", "due_at"], name="order_of_person"),
            models.Index(fields=["state", "due_at"], name="order_by_state"),
        ]
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
    # The bottle somebody chose instead of leaving it to the shelf: another form, a leftover, another grade.
    from_lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    chosen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    # Of the last choice after the order was sent, so that a double click chooses once.
    choice_key = models.CharField(max_length=120, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["order", "position"], name="component_position_once")]
        ordering = ["position"]

    def __str__(self) -> str:
        return f"{self.target_value} {self.target_unit} {self.substance}"


class OrderHold(models.Model):
    """An order's share of the solution made for it; the inventory itself knows nothing of orders."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="order_holds")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="order_holds")
    hold = models.OneToOneField(Hold, on_delete=models.PROTECT, related_name="+")

    def __str__(self) -> str:
        return f"{self.hold_id} for {self.order_id}"


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


class OrderRevision(models.Model):
    """A change of an order after it was sent: what was, what is, in fields and in words. Never changed."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="revisions")
    number = models.PositiveSmallIntegerField()
    # By field, as [before, after].
    changes = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    # The difference in plain words, a sentence each: what, how much, which batch.
    words = models.JSONField(default=list, encoder=DjangoJSONEncoder)
    reason = models.CharField(max_length=300, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # A change that met work already begun stands open until whoever makes it has seen it.
    needs_seeing = models.BooleanField(default=False)
    seen_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    seen_at = models.DateTimeField(null=True, blank=True)
    batch = models.ForeignKey(Batch, null=True, blank=True, on_delete=models.PROTECT, related_name="changes")
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["order", "number"], name="order_revision_once")]
        ordering = ["order_id", "number"]

    def __str__(self) -> str:
        return f"{self.order_id} revision {self.number}"


class OrderComment(models.Model):
    """What somebody said about an order. Never changed."""

    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="comments")
    author = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    text = models.TextField(max_length=2000)
    at = models.DateTimeField(auto_now_add=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"comment on {self.order_id}"
