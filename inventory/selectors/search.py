"""Finding: substances that words fit, by themselves or through a lot or a place; and what a code means."""

from collections.abc import Iterable
from typing import Final

from django.db.models import Q, QuerySet

from inventory import codes
from inventory.models import ApparatusItem, Lot, Place, Substance
from inventory.selectors.calculation import calc_catalogue
from inventory.selectors.lots import lot_by_code
from inventory.selectors.places import place_by_code, places, within
from inventory.selectors.storage import kept_row
from prepdesk.access import policy
from prepdesk.accounts.models import User

_SUBSCRIPTS: Final = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
# Shorter pieces of a lot number would fit half the shelf.
_LOT_NUMBER_FROM: Final = 4


def what_the_code_says(actor: User, typed: str) -> Lot | Place | ApparatusItem | None:
    """The lot, place or piece of apparatus whose label was scanned or typed; ``None`` where there is none."""
    found = lot_by_code(actor, typed) or place_by_code(actor, typed)
    if found is None and policy.may(actor, "see_stock"):
        return ApparatusItem.objects.filter(code=codes.tidied(typed)).first()
    return found


def substances_that_fit(query: str, lots: QuerySet[Lot]) -> set[int]:
    """Keys of the substances that the words fit: by themselves, or through a lot or a place."""
    words = folded(query).split()
    by_themselves = {
        pk
        for pk, *texts, synonyms in Substance.objects.values_list("pk", "name", "cas", "formula", "synonyms")
        if _all_in(words, [*texts, *synonyms])
    }
    typed, code = query.strip(), codes.tidied(query)
    inside = [pk for pk, name in places() if _all_in(words, [name])]
    labelled = Place.objects.filter(code=code).first()
    if labelled:
        inside += within(labelled.pk)
    number = Q(lot_number__icontains=typed) if len(typed) >= _LOT_NUMBER_FROM else Q(lot_number__iexact=typed)
    through_lots = lots.filter(
        Q(code__startswith=code) | number | Q(title__icontains=typed) | Q(place__in=inside)
    )
    return by_themselves | set(through_lots.values_list("substance_id", flat=True))


def substances_of_group(group: str) -> set[int]:
    """Keys of the substances that are put away by one storage group; ``unknown`` for those without."""
    catalogue = calc_catalogue()
    return {
        row.pk for row in Substance.objects.all() if (kept_row(row, catalogue).group or "unknown") == group
    }


def folded(text: str) -> str:
    """Text as the search compares it: small letters, hydrate dots, subscripts and "sulphate" alike."""
    plain = text.translate(_SUBSCRIPTS).casefold()
    for sign in "·*•⋅":
        plain = plain.replace(sign, ".")
    return plain.replace("sulph", "sulf").replace("-", " ")


def _all_in(words: Iterable[str], texts: Iterable[str]) -> bool:
    whole = " ".join(folded(text) for text in texts)
    return all(word in whole for word in words)
