"""Rooms, cabinets in them, shelves in those."""

from django.db import models
from django.db.models import Q


class Place(models.Model):
    """A room, a cabinet in it, a shelf in that."""

    class Kind(models.TextChoices):
        ROOM = "room", "Room"
        CABINET = "cabinet", "Cabinet"
        SHELF = "shelf", "Shelf"
        COLD = "cold", "Refrigerator or freezer"
        OTHER = "other", "Other"

    # What its label says for a scanner: P, a running number, a check character.
    code = models.CharField(max_length=16, null=True, blank=True, unique=True)
    kind = models.CharField(max_length=8, choices=Kind.choices, default=Kind.OTHER)
    name = models.CharField(max_length=80)
    note = models.CharField(max_length=300, blank=True)
    # A place that is no longer used stays, because histories name it.
    in_use = models.BooleanField(default=True)
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="children"
    )

    # What a form was sent with, so that a re-sent one lands on the place it added.
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["parent", "name"], name="place_once"),
            # Of two places with no parent SQL never says that their parents are equal.
            models.UniqueConstraint(fields=["name"], condition=Q(parent=None), name="room_once"),
        ]
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.parent} / {self.name}" if self.parent_id else self.name
