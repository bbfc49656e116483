"""What a part of a bottle cost: its share of what the whole lot cost when it came."""

from collections.abc import Mapping
from decimal import ROUND_HALF_EVEN, Decimal

from django.db.models import Q, Sum

from inventory.models import Lot, Movement


def cost_shares(amounts: Mapping[int, int]) -> dict[int, int | None]:
    """The cost of so much of each lot, in the smallest coin of the department's currency.

    Args:
        amounts: base units by lot key.

    Returns:
        By lot key; None where the bottle has no price, or holds what was poured in from others, whose price
        nobody can tell apart.
    """
    came = Q(kind=Movement.Kind.RECEIVED) | Q(
        kind=Movement.Kind.REVERSED, reverses__kind=Movement.Kind.RECEIVED
    )
    rows = (
        Movement.objects.filter(lot__in=amounts)
        .order_by()
        .values("lot")
        .annotate(
            received=Sum("amount", filter=came, default=0),
            poured_in=Sum("amount", filter=Q(kind=Movement.Kind.POURED, amount__gt=0), default=0),
        )
    )
    whole = {row["lot"]: row for row in rows}
    prices = dict(Lot.objects.filter(pk__in=amounts).values_list("pk", "cost_minor"))
    shares: dict[int, int | None] = {}
    for pk, amount in amounts.items():
        price, row = prices.get(pk), whole.get(pk)
        if price is None or row is None or row["received"] <= 0 or row["poured_in"]:
            shares[pk] = None
            continue
        share = Decimal(price) * amount / row["received"]
        shares[pk] = int(share.quantize(Decimal(1), ROUND_HALF_EVEN))
    return shares
