"""Balances, glassware and what else a preparation needs and that comes back clean."""

from django.db import models

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
