"""The ledger against the caches that follow from it, for the command that says every difference."""

from collections.abc import Iterable

from django.db.models import Count, F, Max, Min, Q, Sum

from inventory import states
from inventory.amounts import from_base
from inventory.models import Hold, Lot, Movement


def stock_differences() -> list[str]:
    """Everything in which the caches and holds do not follow from the ledger, in words."""
    return [
        *_balance_differences(),
        *_hold_differences(),
        *_reversal_differences(),
        *_pouring_differences(),
    ]


def _balance_differences() -> Iterable[str]:
    moved = dict(Movement.objects.order_by().values_list("lot_id").annotate(total=Sum("amount")))
    promised = dict(
        Hold.objects.filter(state=states.ACTIVE)
        .order_by()
        .values_list("lot_id")
        .annotate(total=Sum("amount"))
    )
    for pk, code, unit, on_hand, held in Lot.objects.order_by("pk").values_list(
        "pk", "code", "unit", "on_hand", "held"
    ):
        for what, cached, true in (
            ("on hand", on_hand, moved.get(pk, 0)),
            ("held", held, promised.get(pk, 0)),
        ):
            if cached != true:
                yield (
                    f"{code}: {what} is {from_base(cached, unit)} {unit}, "
                    f"but its rows make {from_base(true, unit)} {unit}"
                )


def _hold_differences() -> Iterable[str]:
    holds = Hold.objects.annotate(
        drawn=Sum("movements__amount"),
        first=Min("movements__lot_id"),
        last=Max("movements__lot_id"),
    )
    for hold in holds.select_related("lot").order_by("pk").iterator():
        name = f"{hold.lot.code}: hold {hold.pk}"
        if hold.state == states.DRAWN and hold.drawn is None:
            yield f"{name} is said to be drawn, but no movement says so"
        elif hold.state == states.DRAWN and hold.drawn > 0:
            yield f"{name} gave back more than was drawn of it"
        elif hold.state != states.DRAWN and hold.drawn is not None:
            yield f"{name} is {hold.get_state_display().lower()}, but movements were drawn of it"
        if hold.drawn is not None and {hold.first, hold.last} != {hold.lot_id}:
            yield f"{name} has a movement of another lot"


def _reversal_differences() -> Iterable[str]:
    wrong = Movement.objects.exclude(reverses=None).exclude(
        amount=-1 * F("reverses__amount"), lot=F("reverses__lot")
    )
    for row in wrong.select_related("lot").order_by("pk").iterator():
        yield f"{row.lot.code}: entry {row.pk} does not undo the entry it reverses"


def _pouring_differences() -> Iterable[str]:
    """A pouring that makes or loses something, or of which only a part was undone."""
    poured = Movement.objects.exclude(pouring="").order_by()
    sums = poured.values("pouring").annotate(
        total=Sum("amount"),
        first=Min("lot__code"),
        unit=Min("lot__unit"),
        units=Count("lot__unit", distinct=True),
        rows=Count("pk"),
        undone=Count("reversed_by"),
    )
    wrong = sums.exclude(Q(undone=0) | Q(undone=F("rows")), total=0, units=1)
    for row in wrong.order_by("first", "pouring").iterator():
        name = f"{row['first']}: a pouring from or into it"
        if row["total"] or row["units"] > 1:
            yield f"{name} makes {from_base(row['total'], row['unit'])} {row['unit']} out of nothing"
        else:
            yield f"{name} was undone in {row['undone']} of its {row['rows']} rows"
    stray = Movement.objects.filter(kind=Movement.Kind.REVERSED, pouring="").exclude(reverses__pouring="")
    for entry in stray.select_related("lot").order_by("pk").iterator():
        yield f"{entry.lot.code}: entry {entry.pk} undoes a part of a pouring by itself"
