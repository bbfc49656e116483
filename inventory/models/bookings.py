"""Apparatus promised for a time, so that one flask is not planned twice for the same hour."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory import states
from inventory.models.apparatus import ApparatusItem


class Booking(models.Model):
    """So many of one item, from ``starts_at`` up to and not including ``ends_at``.

    Two bookings that touch at one moment don't overlap. Only what is ``booked`` counts; a booking whose
    time has passed needs no closing.
    """

    item = models.ForeignKey(ApparatusItem, on_delete=models.PROTECT, related_name="bookings")
    count = models.PositiveIntegerField(default=1)
    starts_at = models.DateTimeField()
    ends_at = models.DateTimeField()
    purpose = models.CharField(max_length=120)
    # Typed by a person on the item's page, who may cancel it there; else it belongs to a plan.
    by_hand = models.BooleanField(default=False)
    state = models.CharField(max_length=8, choices=states.BOOKING_STATES, default=states.BOOKED)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    closing_reason = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(count__gt=0), name="booking_of_something"),
            models.CheckConstraint(condition=Q(ends_at__gt=F("starts_at")), name="booking_ends_after_start"),
        ]
        indexes = [
            models.Index(fields=["item", "state", "ends_at"], name="booking_of_item"),
            models.Index(fields=["state", "ends_at"], name="booking_by_time"),
        ]
        ordering = ["starts_at", "id"]

    def __str__(self) -> str:
        return f"{self.count} of {self.item_id} for {self.purpose}"
