"""The ledger's rows and what is promised of a lot."""

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory import states
from inventory.amounts import from_base, signed
from inventory.models.lots import Lot


class WasteStream(models.Model):
    """A named waste container or way of disposal, as the department's own rules list them."""

    name = models.CharField(max_length=80, unique=True)
    note = models.CharField(max_length=300, blank=True)
    in_use = models.BooleanField(default=True)
    # What a form was sent with, so that a re-sent one lands on the stream it added.
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Hold(models.Model):
    """Stock promised to somebody: it can't be promised again until it is drawn or released."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="holds")
    amount = models.BigIntegerField()
    state = models.CharField(max_length=8, choices=states.HOLD_STATES, default=states.ACTIVE)
    purpose = models.CharField(max_length=120, blank=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    closing_reason = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=Q(amount__gt=0), name="hold_more_than_nothing")]
        indexes = [models.Index(fields=["lot", "state"], name="hold_by_lot")]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{from_base(self.amount, self.lot.unit)} {self.lot.unit} of {self.lot.code}"

    @property
    def shown_amount(self) -> Decimal:
        """Amount held [unit of the lot]."""
        return from_base(self.amount, self.lot.unit)


class Movement(models.Model):
    """One change of stock. Never changed, never deleted; a mistake gets a reversing row."""

    class Kind(models.TextChoices):
        RECEIVED = "received", "Received"
        DRAWN = "drawn", "Drawn"
        RETURNED = "returned", "Returned"
        CORRECTED = "corrected", "Corrected after a count"
        DISPOSED = "disposed", "Disposed of"
        POURED = "poured", "Poured over"
        REVERSED = "reversed", "Reversed"

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="movements")
    kind = models.CharField(max_length=10, choices=Kind.choices)
    # Signed base units: what this row adds to the lot.
    amount = models.BigIntegerField()
    hold = models.ForeignKey(Hold, null=True, blank=True, on_delete=models.PROTECT, related_name="movements")
    reverses = models.OneToOneField(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="reversed_by"
    )
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    reason = models.CharField(max_length=300, blank=True)
    waste_stream = models.ForeignKey(
        WasteStream, null=True, blank=True, on_delete=models.PROTECT, related_name="movements"
    )
    # Shared by the rows of one pouring over: what left one bottle and what came into others.
    pouring = models.CharField(max_length=120, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(amount=0), name="movement_moves_something"),
            # What is poured leaves one bottle and comes into others, so it never stands alone; a row
            # that undoes such a row belongs to a pouring back.
            models.CheckConstraint(
                condition=(~Q(kind="poured") & Q(pouring=""))
                | (Q(kind__in=("poured", "reversed")) & ~Q(pouring="")),
                name="movement_poured_belongs_together",
            ),
        ]
        indexes = [
            models.Index(fields=["lot", "id"], name="movement_by_lot"),
            models.Index(fields=["at", "kind"], name="movement_by_time"),
            models.Index(fields=["pouring"], condition=~Q(pouring=""), name="movement_by_pouring"),
        ]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} {self.shown_amount} {self.lot.unit}"

    @property
    def shown_amount(self) -> Decimal:
        """Signed amount [unit of the lot]."""
        return from_base(self.amount, self.lot.unit)

    @property
    def signed_amount(self) -> str:
        """Amount with its sign, for people."""
        return signed(self.amount, self.lot.unit)

    @property
    def was_reversed(self) -> bool:
        """Whether a later row undoes this one."""
        return hasattr(self, "reversed_by")
