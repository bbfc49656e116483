"""The bottles in which a solution leaves: one for each section of an order, from pouring to coming back."""

from django.conf import settings
from django.db import models

from inventory.models import Hold, Lot, WasteStream
from requests_app import states
from requests_app.models.batches import Batch
from requests_app.models.orders import Order
from requests_app.models.teaching import Section


class Portion(models.Model):
    """An aliquot: so much of a prepared lot for one section, in a bottle with a label of its own."""

    code = models.CharField(max_length=16, unique=True)
    order = models.ForeignKey(Order, on_delete=models.PROTECT, related_name="portions")
    # Empty for an order without sections.
    section = models.ForeignKey(Section, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    batch = models.ForeignKey(Batch, on_delete=models.PROTECT, related_name="portions")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="portions")
    hold = models.OneToOneField(Hold, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    # Base units of the lot.
    amount = models.BigIntegerField()
    state = models.CharField(max_length=10, choices=states.PORTION_STATES, default=states.POURED)
    room = models.CharField(max_length=40, blank=True)
    due_at = models.DateTimeField()
    # Whoever took it: a person of the house, or the name that was given.
    received_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    received_name = models.CharField(max_length=80, blank=True)
    delivered_at = models.DateTimeField(null=True, blank=True)
    # What came back, in base units, in which condition, and where it went.
    returned_amount = models.BigIntegerField(null=True, blank=True)
    condition = models.CharField(max_length=10, choices=states.CONDITIONS, blank=True)
    returned_to = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    waste_stream = models.ForeignKey(
        WasteStream, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [models.Index(fields=["state", "due_at"], name="portion_by_day")]
        ordering = ["due_at", "room", "id"]

    def __str__(self) -> str:
        return self.code


class PortionEvent(models.Model):
    """What happened to a bottle that left or is about to. Written with the state, never changed."""

    portion = models.ForeignKey(Portion, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    from_state = models.CharField(max_length=10, blank=True)
    to_state = models.CharField(max_length=10)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    note = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.portion_id}"
