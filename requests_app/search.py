"""Finding a substance while somebody types: by name, formula or CAS number, with what is on the shelf."""

from typing import Any, Final

from django.db.models import F, Q, Sum
from django.utils import timezone

from inventory import states
from inventory.amounts import from_base
from inventory.models import Lot
from inventory.selectors import calc_catalogue, lots_visible_to
from prepdesk.accounts.models import User
from prepdesk.calc.formula import parse_formula

MOST: Final = 12


def substance_options(*, actor: User, query: str) -> list[dict[str, Any]]:
    """What the typed letters may mean, best first, each in one form only.

    Returns:
        ``value`` is put into the field, ``label`` shown, ``detail`` says what is free today.
    """
    found = calc_catalogue().search(query, MOST)
    free = _free_amounts(actor, [substance.key for substance in found])
    return [
        {
            "value": substance.name,
            "label": f"{substance.name}, {parse_formula(substance.formula).pretty}",
            "detail": ", ".join(filter(None, (substance.cas, free.get(substance.key, "none on the shelf")))),
        }
        for substance in found
    ]


def _free_amounts(actor: User, keys: list[str]) -> dict[str, str]:
    """``1.2 kg solid free, 500 mL solution free`` for each of the substances that has any."""
    today = timezone.localdate()
    rows = (
        lots_visible_to(actor)
        .filter(
            Q(expires_on=None) | Q(expires_on__gte=today), state=states.AVAILABLE, substance__key__in=keys
        )
        .order_by()
        .values("substance__key", "kind", "unit")
        .annotate(loose=Sum(F("on_hand") - F("held")))
        .filter(loose__gt=0)
        .order_by("kind")
    )
    found: dict[str, list[str]] = {}
    for row in rows:
        amount = f"{from_base(row['loose'], row['unit']):.3g}"
        words = f"{float(amount):g} {row['unit']} {Lot.Kind(row['kind']).label.lower()} free"
        found.setdefault(row["substance__key"], []).append(words)
    return {key: ", ".join(words) for key, words in found.items()}
