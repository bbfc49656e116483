"""Bottles: what is in them, where they came from, what happened to them besides their stock."""

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory import states
from inventory.amounts import Unit, from_base
from inventory.models.places import Place
from inventory.models.substances import Substance
from prepdesk.calc.digits import shown_figure


class Lot(models.Model):
    """One bottle, or several alike, received together."""

    class Kind(models.TextChoices):
        SOLID = "solid", "Solid"
        LIQUID = "liquid", "Liquid reagent"
        SOLUTION = "solution", "Solution"
        ITEM = "item", "Pieces"

    code = models.CharField(max_length=16, unique=True)
    substance = models.ForeignKey(Substance, on_delete=models.PROTECT, related_name="lots")
    kind = models.CharField(max_length=8, choices=Kind.choices)
    lot_number = models.CharField(max_length=60, blank=True)
    grade = models.CharField(max_length=60, blank=True)
    # Typed digits matter on a certificate, so these stay text; services check them on the way in.
    assay_percent = models.CharField(max_length=40, blank=True)
    assay_tolerance_percent = models.CharField(max_length=40, blank=True)
    mass_percent = models.CharField(max_length=40, blank=True)
    density_g_per_ml = models.CharField(max_length=40, blank=True)
    concentration_mol_per_l = models.CharField(max_length=40, blank=True)
    relative_uncertainty_percent = models.CharField(max_length=40, blank=True)
    # What a prepared solution contains: [{"substance", "value", "unit", "expanded_uncertainty_percent"}].
    composition = models.JSONField(default=list, blank=True)
    title = models.CharField(max_length=200, blank=True)
    unit = models.CharField(max_length=2, choices=Unit.choices)
    on_hand = models.BigIntegerField(default=0)
    held = models.BigIntegerField(default=0)
    received_on = models.DateField(null=True, blank=True)
    opened_on = models.DateField(null=True, blank=True)
    expires_on = models.DateField(null=True, blank=True)
    place = models.ForeignKey(Place, null=True, blank=True, on_delete=models.PROTECT, related_name="lots")
    state = models.CharField(max_length=12, choices=states.LOT_STATES, default=states.AVAILABLE)
    note = models.CharField(max_length=300, blank=True)
    # What the whole lot cost when it came, in the smallest coin of the department's currency.
    cost_minor = models.BigIntegerField(null=True, blank=True)
    # The bottle this one was filled from, where a lot was split into smaller ones.
    split_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="split_into"
    )
    prepared_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    checked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(held__gte=0), name="lot_held_not_negative"),
            models.CheckConstraint(condition=Q(held__lte=F("on_hand")), name="lot_held_within_on_hand"),
        ]
        indexes = [models.Index(fields=["substance", "state", "expires_on"], name="lot_to_offer")]
        ordering = ["code"]

    def __str__(self) -> str:
        return self.code

    @property
    def free(self) -> int:
        """Base units nobody holds."""
        return self.on_hand - self.held

    @property
    def strength_shown(self) -> str:
        """Concentration [mol/L] at the digits its uncertainty supports, empty where it has none.

        Only for people: plans count with what is stored.
        """
        stored = self.concentration_mol_per_l
        return shown_figure(stored, self.relative_uncertainty_percent) if stored else ""

    @property
    def on_hand_amount(self) -> Decimal:
        """On hand [unit]."""
        return from_base(self.on_hand, self.unit)

    @property
    def held_amount(self) -> Decimal:
        """Held [unit]."""
        return from_base(self.held, self.unit)

    @property
    def free_amount(self) -> Decimal:
        """Free [unit]."""
        return from_base(self.free, self.unit)


class LotParent(models.Model):
    """Which lot went into which prepared lot."""

    child = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="parent_links")
    parent = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="child_links")

    class Meta:
        constraints = [models.UniqueConstraint(fields=["child", "parent"], name="lot_parent_once")]

    def __str__(self) -> str:
        return f"{self.parent_id} in {self.child_id}"


class LotEvent(models.Model):
    """Who changed a lot's state, when and why."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    from_state = models.CharField(max_length=12)
    to_state = models.CharField(max_length=12)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    from_place = models.ForeignKey(Place, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    to_place = models.ForeignKey(Place, null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    # Long enough for what changed on a label and why.
    reason = models.CharField(max_length=1200, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.lot_id}"
