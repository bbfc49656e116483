"""Balances, glassware and what else a preparation needs and that comes back clean."""

from datetime import date

from django.conf import settings
from django.db import models
from django.db.models import Q

from inventory import states
from inventory.models.places import Place


class ApparatusItem(models.Model):
    """Apparatus the department owns: so many of one kind, size and class."""

    class Type(models.TextChoices):
        BALANCE = "balance", "Balance"
        FLASK = "one-mark flask", "One-mark flask"
        PIPETTE = "one-mark pipette", "One-mark pipette"
        GRADUATED_PIPETTE = "graduated pipette", "Graduated pipette"
        BURETTE = "burette", "Burette"
        CYLINDER = "graduated cylinder", "Graduated cylinder"
        PISTON_PIPETTE = "piston pipette", "Piston pipette"
        BEAKER = "beaker", "Beaker"
        CONICAL_FLASK = "conical flask", "Conical flask"
        CARBOY = "carboy", "Carboy"
        HOT_PLATE = "hot plate", "Hot plate"
        STIRRER = "magnetic stirrer", "Magnetic stirrer"
        DESICCATOR = "desiccator", "Desiccator"
        DRYING_OVEN = "drying oven", "Drying oven"
        FUME_HOOD = "fume hood", "Fume hood"

    # Of these it matters only how many there are: nothing is measured with them.
    COUNTED_ONLY = frozenset({"hot plate", "magnetic stirrer", "desiccator", "drying oven", "fume hood"})

    type = models.CharField(max_length=20, choices=Type.choices)
    nominal_ml = models.CharField(max_length=40, blank=True)
    tolerance_ml = models.CharField(max_length=40, blank=True)
    division_ml = models.CharField(max_length=40, blank=True)
    readability_g = models.CharField(max_length=40, blank=True)
    capacity_g = models.CharField(max_length=40, blank=True)
    repeatability_g = models.CharField(max_length=40, blank=True)
    linearity_g = models.CharField(max_length=40, blank=True)
    apparatus_class = models.CharField(max_length=4, blank=True)
    standard = models.CharField(max_length=60, blank=True)
    # What its label says for a scanner: A, a running number, a check character.
    code = models.CharField(max_length=16, null=True, blank=True, unique=True)
    # What the room calls it ("the good balance"), where there is more than one of its kind.
    name = models.CharField(max_length=80, blank=True)
    last_calibrated_on = models.DateField(null=True, blank=True)
    # The last day on which it may be used without a new calibration; empty where none is kept.
    calibration_due_on = models.DateField(null=True, blank=True)
    count = models.PositiveIntegerField(default=1)
    in_service = models.BooleanField(default=True)
    place = models.ForeignKey(
        Place, null=True, blank=True, on_delete=models.PROTECT, related_name="apparatus"
    )
    note = models.CharField(max_length=200, blank=True)
    # What a form was sent with, so that a double click doesn't double the glassware.
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        ordering = ["type", "id"]

    def __str__(self) -> str:
        size = f"{self.nominal_ml} mL" if self.nominal_ml else f"{self.readability_g} g"
        shown = self.get_type_display()
        return f"{shown}, {size}" if self.nominal_ml or self.readability_g else shown

    @property
    def words(self) -> str:
        """What a sentence calls it: ``2000 mL one-mark flask``, ``0.0001 g balance “window”``."""
        size = f"{self.nominal_ml} mL " if self.nominal_ml else ""
        if self.type == self.Type.BALANCE and self.readability_g:
            size = f"{self.readability_g} g "
        return f"{size}{self.type}{f' “{self.name}”' if self.name else ''}"

    @property
    def there(self) -> int:
        """How many may be used: none while it is out of service."""
        return self.count if self.in_service else 0

    def is_past_calibration(self, day: date) -> bool:
        """Whether its calibration no longer covers this day; the due day itself is the last one covered."""
        return self.calibration_due_on is not None and self.calibration_due_on < day

    def may_be_used_on(self, day: date) -> bool:
        """Whether plans and bookings may count on it that day."""
        return self.there > 0 and not self.is_past_calibration(day)


class ApparatusEvent(models.Model):
    """What happened to a piece of apparatus, by whom and when. Written with the change, never altered."""

    item = models.ForeignKey(ApparatusItem, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=12, choices=states.APPARATUS_EVENTS)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # [{"fact": "Limit of error", "old": "0.15 mL", "new": "0.2 mL"}], as people read it.
    changes = models.JSONField(default=list, blank=True)
    reason = models.CharField(max_length=300, blank=True)
    # Of a calibration: the day, who did it, how it was found before anything was adjusted, until when.
    done_on = models.DateField(null=True, blank=True)
    done_by = models.CharField(max_length=120, blank=True)
    as_found = models.CharField(max_length=8, choices=states.AS_FOUND, blank=True)
    next_due_on = models.DateField(null=True, blank=True)
    idempotency_key = models.CharField(max_length=120, null=True, blank=True, unique=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(event="calibrate") | Q(done_on__isnull=False),
                name="calibration_has_its_day",
            )
        ]
        indexes = [models.Index(fields=["item", "id"], name="apparatus_event_by_item")]
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.item_id}"
