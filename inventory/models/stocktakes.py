"""Stocktakes: what somebody found on the shelves, compared with the ledger of that very moment."""

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory import states
from inventory.amounts import from_base, signed
from inventory.models.lots import Lot
from inventory.models.places import Place
from inventory.models.stock import Movement


class Stocktake(models.Model):
    """A count of one place and of what is inside it; several people may count at once."""

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="stocktakes")
    state = models.CharField(max_length=8, choices=states.STOCKTAKE_STATES, default=states.COUNTING)
    # Whoever counts sees what the ledger expects only after the count.
    blind = models.BooleanField(default=False)
    note = models.CharField(max_length=300, blank=True)
    started_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    started_at = models.DateTimeField(auto_now_add=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    closed_at = models.DateTimeField(null=True, blank=True)
    closing_reason = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"Count {self.pk}"


class StocktakeLine(models.Model):
    """What was found of one lot. A line that is undone or counted again stays readable."""

    stocktake = models.ForeignKey(Stocktake, on_delete=models.PROTECT, related_name="lines")
    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="stocktake_lines")
    outcome = models.CharField(max_length=10, choices=states.LINE_OUTCOMES, default=states.COUNTED)
    # Base units found, and what the ledger said at that moment: a draw afterwards changes neither.
    counted = models.BigIntegerField()
    expected = models.BigIntegerField()
    typed = models.CharField(max_length=60, blank=True)
    # Where the person stood who counted it.
    found_in = models.ForeignKey(Place, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    counted_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    undone_at = models.DateTimeField(null=True, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    movement = models.OneToOneField(
        Movement, null=True, blank=True, on_delete=models.PROTECT, related_name="stocktake_line"
    )
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["stocktake", "lot"], condition=Q(undone_at=None), name="stocktake_lot_once"
            ),
            models.CheckConstraint(condition=Q(counted__gte=0), name="stocktake_counted_not_negative"),
        ]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.counted_amount} {self.lot.unit} of {self.lot.code}"

    @property
    def difference(self) -> int:
        """Base units found beyond what the ledger said then."""
        return self.counted - self.expected

    @property
    def counted_amount(self) -> Decimal:
        """Found [unit of the lot]."""
        return from_base(self.counted, self.lot.unit)

    @property
    def expected_amount(self) -> Decimal:
        """By the ledger when it was counted [unit of the lot]."""
        return from_base(self.expected, self.lot.unit)

    @property
    def signed_difference(self) -> str:
        """The difference with its sign, for people."""
        return signed(self.difference, self.lot.unit)
