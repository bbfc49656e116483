"""A lot as the pages show it: with its words, and whether it is past its day."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

from django.utils import timezone

from inventory import states
from inventory.forms import FIGURES_OF_KIND
from inventory.models import Lot
from inventory.selectors import SOON, places

_FIGURE_WORDS = {
    "assay_percent": ("Assay", "%"),
    "assay_tolerance_percent": ("Tolerance of the assay", "%"),
    "mass_percent": ("Mass percent", "% w/w"),
    "density_g_per_ml": ("Density at 20 °C", "g/mL"),
    "concentration_mol_per_l": ("Concentration", "mol/L"),
    "relative_uncertainty_percent": ("Uncertainty (k = 2)", "%"),
}


@dataclass(frozen=True, slots=True)
class ShownLot:
    """One lot with what its row or page says about it."""

    lot: Lot
    expired: bool
    soon: bool
    place: str

    @property
    def state(self) -> str:
        """Value for the state tag: an available bottle past its day is shown as expired, one with nothing
        in it as empty."""
        if self.lot.state != states.AVAILABLE:
            return self.lot.state
        if self.lot.on_hand == 0:
            return states.EMPTY
        return "expired" if self.expired else states.AVAILABLE

    @property
    def state_label(self) -> str:
        """The word for it."""
        return "Expired" if self.state == "expired" else states.LOT_STATES[self.state]

    @property
    def free(self) -> Decimal:
        """What may be promised [unit of the lot]; nothing of a bottle that is stopped or past its day."""
        usable = self.lot.state == states.AVAILABLE and not self.expired
        return self.lot.free_amount if usable else Decimal(0)

    @property
    def figures(self) -> list[tuple[str, str, str]]:
        """What the label says: name, value, unit; a concentration only as far as it is known."""
        return [
            (*_FIGURE_WORDS[field][:1], self._figure(field), _FIGURE_WORDS[field][1])
            for field in FIGURES_OF_KIND[self.lot.kind]
            if getattr(self.lot, field)
        ]

    def _figure(self, field: str) -> str:
        if field == "concentration_mol_per_l":
            return self.lot.strength_shown
        return str(getattr(self.lot, field))

    @property
    def name(self) -> str:
        """What the label says is in it."""
        return self.lot.title or self.lot.substance.name


def shown_lots(lots: Iterable[Lot]) -> list[ShownLot]:
    """Lots with their words, for a table."""
    where, today = dict(places()), timezone.localdate()
    return [_shown(lot, where, today) for lot in lots]


def shown_lot(lot: Lot) -> ShownLot:
    """One lot with its words."""
    return shown_lots([lot])[0]


def _shown(lot: Lot, where: Mapping[int, str], day: date) -> ShownLot:
    expiry = lot.expires_on
    return ShownLot(
        lot=lot,
        expired=expiry is not None and expiry < day,
        soon=expiry is not None and day <= expiry < day + SOON,
        # By its key: asking the place itself would ask the database for every place around it.
        place=where.get(lot.place_id or 0, ""),
    )
