"""Recalls: which bottles were marked, and whom that reached."""

from django.conf import settings
from django.db import models

from inventory.models import Lot
from requests_app.models.batches import Batch
from requests_app.models.orders import Order


class Recall(models.Model):
    """One recall: why, which bottles were marked, and whom it reached at that moment."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # The lots that were marked by it, with the first one; and those that were not, on purpose.
    lots = models.ManyToManyField(Lot, related_name="recalls")
    left_out = models.ManyToManyField(Lot, related_name="+")
    batches = models.ManyToManyField(Batch, related_name="recalls")
    orders = models.ManyToManyField(Order, related_name="recalls")
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"recall of {self.lot}"
