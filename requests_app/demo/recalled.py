"""Weeks of steady use, so that a substance has a pace; and a bottle that its maker called back."""

from datetime import datetime, timedelta
from typing import Final

from django.db.models import F

from inventory.models import Lot
from prepdesk.accounts.models import Notice, User
from requests_app.demo.days import DemoOrder
from requests_app.services.recalls import recall_lot


def _brine(days: int, volume: str, target: str = "0.50", sections: str = "A B") -> DemoOrder:
    salt = (("sodium-chloride", target, "mol/L"),)
    return DemoOrder("instructor", "CH 101", sections, salt, volume, 12, "210", (days, 10))


# Before everything else: the ledger is written in the order in which things happened.
WEEKS: Final = (
    _brine(-75, "40"),
    _brine(-68, "25", "1.0"),
    _brine(-61, "60"),
    _brine(-54, "30"),
    _brine(-47, "50"),
)

# What the bottle went into before the letter came: one solution is with its class, one stands ready.
MADE_OF_IT: Final = (
    DemoOrder(
        "instructor", "CH 221", "A", (("potassium-thiocyanate", "0.10", "mol/L"),), "40", 8, "214", (-5, 13)
    ),
    DemoOrder(
        "fell", "CH 240", "B", (("potassium-thiocyanate", "0.20", "mol/L"),), "25", 9, "305", 3.5, "finish"
    ),
)
_READ_AFTER: Final = timedelta(days=1)


def call_back(*, actor: User, key: str) -> None:
    """The thiocyanate is recalled, and with it what was made of it and still stands here."""
    lot = Lot.objects.get(substance__key="potassium-thiocyanate", kind="solid")
    recall_lot(
        actor=actor,
        lot=lot,
        reason="The maker’s letter: chloride above the limit on the certificate. Not for titrations.",
        idempotency_key=f"{key}recall",
    )


def read_the_old_ones(now: datetime) -> None:
    """Yesterday's notices were read when they came."""
    Notice.objects.filter(at__lt=now - _READ_AFTER).update(read_at=F("at"))
