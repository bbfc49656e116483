"""The shelves: substances, lots, apparatus, and the ledger's rows.

Rows of :class:`Movement` are the truth about stock; ``Lot.on_hand`` and ``Lot.held`` are caches that
database constraints guard and only :mod:`inventory.ledger` changes. Amounts are whole base units
(micrograms, microlitres, pieces); see :mod:`inventory.amounts`.
"""

from decimal import Decimal

from django.conf import settings
from django.db import models
from django.db.models import F, Q

from inventory import states
from inventory.amounts import Unit, from_base, signed


class Place(models.Model):
    """A room, a cabinet in it, a shelf in that."""

    name = models.CharField(max_length=80)
    parent = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="children"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["parent", "name"], name="place_once"),
            # Of two places with no parent SQL never says that their parents are equal.
            models.UniqueConstraint(fields=["name"], condition=Q(parent=None), name="room_once"),
        ]
        ordering = ["name"]

    def __str__(self) -> str:
        return f"{self.parent} / {self.name}" if self.parent_id else self.name


class Substance(models.Model):
    """One form of one substance, as the stockroom lists it.

    The chemistry (what dissolves, traits, densities) stands in the calculation service's catalogue
    under the same ``key``; ``record`` holds the same facts for a substance the department added.
    """

    key = models.SlugField(max_length=80, unique=True)
    name = models.CharField(max_length=160)
    formula = models.CharField(max_length=80)
    cas = models.CharField("CAS number", max_length=12, blank=True)
    family = models.CharField(max_length=80, blank=True)
    form = models.CharField(max_length=40, blank=True)
    synonyms = models.JSONField(default=list, blank=True)
    grade = models.CharField(max_length=60, blank=True)
    restricted = models.BooleanField(default=False)
    record = models.JSONField(default=dict, blank=True)

    class Meta:
        ordering = ["name"]

    def __str__(self) -> str:
        return self.name


class Lot(models.Model):
    """One bottle, or several alike, received together."""

    class Kind(models.TextChoices):
        SOLID = "solid", "Solid"
        LIQUID = "liquid", "Liquid reagent"
        SOLUTION = "solution", "Solution"

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
    prepared_by = models.ForeignKey(
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
    idempotency_key = models.CharField(max_length=120, unique=True)

    class Meta:
        constraints = [models.CheckConstraint(condition=~Q(amount=0), name="movement_moves_something")]
        indexes = [
            models.Index(fields=["lot", "id"], name="movement_by_lot"),
            models.Index(fields=["at", "kind"], name="movement_by_time"),
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


class LotEvent(models.Model):
    """Who changed a lot's state, when and why."""

    lot = models.ForeignKey(Lot, on_delete=models.PROTECT, related_name="events")
    event = models.CharField(max_length=20)
    from_state = models.CharField(max_length=12)
    to_state = models.CharField(max_length=12)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField(auto_now_add=True)
    # Long enough for what changed on a label and why.
    reason = models.CharField(max_length=1200, blank=True)

    class Meta:
        ordering = ["id"]

    def __str__(self) -> str:
        return f"{self.event} of {self.lot_id}"


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
        return f"{self.get_type_display()}, {size}"
