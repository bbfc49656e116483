"""Files that were brought in: what they held, what was found about each row, what became of it."""

from django.conf import settings
from django.db import models

from inventory import import_states as states


class ImportRun(models.Model):
    """One file on its way in, of whatever ``kind`` somebody registered an importer for.

    The file itself is not kept: its rows as text are, until they are brought in or dropped, so that
    they can be checked again when the stock changed meanwhile.
    """

    kind = models.CharField(max_length=40)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=200)
    sha256 = models.CharField(max_length=64)
    options = models.JSONField(default=dict, blank=True)
    # How it was read, in sentences; which columns it has; its rows as [number, cells, problems].
    notes = models.JSONField(default=list, blank=True)
    columns = models.JSONField(default=list, blank=True)
    parsed = models.JSONField(default=list, blank=True)
    state = models.CharField(max_length=10, choices=states.IMPORT_STATES, default=states.READING)
    total = models.PositiveIntegerField(default=0)
    done = models.PositiveIntegerField(default=0)
    creates = models.PositiveIntegerField(default=0)
    changes = models.PositiveIntegerField(default=0)
    same = models.PositiveIntegerField(default=0)
    refused = models.PositiveIntegerField(default=0)
    # Of what was found about every row, so that only what somebody saw is ever brought in.
    digest = models.CharField(max_length=64, blank=True)
    # What to tell whoever looks at it: why it failed, or that the stock changed meanwhile.
    message = models.CharField(max_length=600, blank=True)
    # Goes up with each try; whoever works for an older one stops.
    attempt = models.PositiveIntegerField(default=1)
    at = models.DateTimeField(auto_now_add=True)
    seen_alive_at = models.DateTimeField(null=True, blank=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    confirmed_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        indexes = [models.Index(fields=["kind", "state"], name="import_by_kind")]
        ordering = ["-id"]

    def __str__(self) -> str:
        return f"{self.name} ({self.kind})"

    @property
    def wanted(self) -> int:
        """How many rows would do something."""
        return self.creates + self.changes


class ImportRow(models.Model):
    """What was found about one row of a file."""

    class Outcome(models.TextChoices):
        CREATE = "create", "New"
        CHANGE = "change", "Change"
        SAME = "same", "Nothing to change"
        REFUSE = "refuse", "Refused"

    run = models.ForeignKey(ImportRun, on_delete=models.CASCADE, related_name="rows")
    number = models.PositiveIntegerField()
    outcome = models.CharField(max_length=6, choices=Outcome.choices)
    # What the row is about, in words.
    title = models.CharField(max_length=200, blank=True)
    cells = models.JSONField(default=dict, blank=True)
    # What a new thing is called since the file was brought in: the code of a bottle.
    result = models.CharField(max_length=120, blank=True)
    # [heading, old, new]; sentences by heading; sentences.
    changes = models.JSONField(default=list, blank=True)
    reasons = models.JSONField(default=dict, blank=True)
    remarks = models.JSONField(default=list, blank=True)

    class Meta:
        constraints = [models.UniqueConstraint(fields=["run", "number"], name="import_row_once")]
        indexes = [models.Index(fields=["run", "outcome", "number"], name="import_rows_to_show")]
        ordering = ["number"]

    def __str__(self) -> str:
        return f"Row {self.number} of {self.run_id}"
