"""Papers of a bottle or a substance: what a maker's certificate and a safety data sheet say, as files."""

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory.models.lots import Lot
from inventory.models.substances import Substance


class Attachment(models.Model):
    """One file. It is never deleted; what no longer counts is withdrawn, with who, when and why."""

    class Kind(models.TextChoices):
        CERTIFICATE = "certificate", "Certificate of analysis"
        SAFETY = "safety", "Safety data sheet"
        OTHER = "other", "Other"

    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments")
    substance = models.ForeignKey(
        Substance, null=True, blank=True, on_delete=models.PROTECT, related_name="attachments"
    )
    kind = models.CharField(max_length=12, choices=Kind.choices)
    # What it was called where it came from, made harmless; the file itself has a name of our own.
    name = models.CharField(max_length=160)
    # By its first bytes, never by its name or by what the browser said.
    content_type = models.CharField(max_length=20)
    size = models.PositiveIntegerField()
    sha256 = models.CharField(max_length=64)
    stored_as = models.CharField(max_length=80, unique=True)
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField(auto_now_add=True)
    withdrawn_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    withdrawn_at = models.DateTimeField(null=True, blank=True)
    withdrawn_reason = models.CharField(max_length=300, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(lot=None, substance__isnull=False) | Q(lot__isnull=False, substance=None),
                name="attachment_of_one_thing",
            ),
            models.UniqueConstraint(
                fields=["lot", "sha256"], condition=Q(withdrawn_at=None), name="attachment_once_on_lot"
            ),
            models.UniqueConstraint(
                fields=["substance", "sha256"],
                condition=Q(withdrawn_at=None),
                name="attachment_once_on_substance",
            ),
        ]
        ordering = ["kind", "id"]

    def __str__(self) -> str:
        return self.name
