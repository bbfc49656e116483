"""Where things stand in the invented department, one bottle that stands wrongly, and two counts.

Cabinets are judged as one, so what each place is matters; see ``prepdesk.calc.storage``.
"""

from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Final

from inventory.models import Lot, Place
from inventory.selectors import standing_in
from inventory.services import (
    Found,
    add_place,
    begin_stocktake,
    count_lots,
    move_lots,
    post_stocktake,
    state_of_lines,
)
from prepdesk.accounts.models import User

AsOf = Callable[[datetime], AbstractContextManager[None]]

# place -> (what it is, the place it stands in), besides the ones of the scenario.
SHELVES: Final = {
    "Flammables cabinet": ("cabinet", "Stockroom 014"),
    "Mineral acids tray": ("shelf", "Acid cabinet"),
    "Organic acids tray": ("shelf", "Acid cabinet"),
    "Upper shelf": ("shelf", "Cabinet 2, salts"),
    "Lower shelf": ("shelf", "Cabinet 2, salts"),
}
KINDS: Final = {
    "Stockroom 014": "room",
    "Prep room 012": "room",
    "Cabinet 1, salts": "cabinet",
    "Cabinet 2, salts": "cabinet",
    "Acid cabinet": "cabinet",
    "Nitric acid cabinet": "cabinet",
    "Base cabinet": "cabinet",
    "Oxidiser cabinet": "cabinet",
    "Glass cupboard": "cabinet",
    "Refrigerator": "cold",
    "Quarantine shelf": "shelf",
    "Ready shelf": "shelf",
}
# substance -> where it stands, where that is more exact than the scenario.
STANDS: Final = {
    "hydrochloric-acid": "Mineral acids tray",
    "sulfuric-acid": "Mineral acids tray",
    "phosphoric-acid": "Mineral acids tray",
    "acetic-acid": "Organic acids tray",
    "oxalic-acid-dihydrate": "Organic acids tray",
    "ammonium-chloride": "Upper shelf",
    "calcium-chloride-dihydrate": "Upper shelf",
    "calcium-carbonate": "Upper shelf",
    "magnesium-sulfate-heptahydrate": "Upper shelf",
    "zinc-sulfate-heptahydrate": "Lower shelf",
    "nickel-sulfate-hexahydrate": "Lower shelf",
    "cobalt-chloride-hexahydrate": "Lower shelf",
    "barium-chloride-dihydrate": "Lower shelf",
    "potassium-iodate": "Oxidiser cabinet",
    "ethanol": "Flammables cabinet",
}


def put_up_places(actor: User, inside: Mapping[str, str]) -> dict[str, Place]:
    """Every place of the department by its name; those that are there already stay as they are."""
    places: dict[str, Place] = {}
    for name, around in {**inside, **{name: where for name, (_, where) in SHELVES.items()}}.items():
        kind = SHELVES[name][0] if name in SHELVES else KINDS.get(name, "other")
        parent = places.get(around)
        there = Place.objects.filter(name=name, parent=parent).first()
        places[name] = there or add_place(actor=actor, name=name, parent=parent, kind=kind)
    return places


def finished_count(
    people: Mapping[str, User], places: Mapping[str, Place], *, now: datetime, as_of: AsOf
) -> None:
    """Five weeks ago the first cabinet was counted; one bottle held less than the ledger said."""
    cabinet = places["Cabinet 1, salts"]
    with as_of(now - timedelta(days=35)):
        take = begin_stocktake(
            actor=people["thorne"], place=cabinet, note="Before the term", idempotency_key="demo-count-1"
        )
        for number, lot in enumerate(standing_in({cabinet.pk})):
            amount = lot.on_hand_amount
            if lot.substance.key == "potassium-bromide":
                amount -= 4
            found = Found(lot, f"{amount.normalize():f}", lot.unit)
            count_lots(
                actor=people["thorne"],
                stocktake=take,
                found=[found],
                at=cabinet,
                idempotency_key=f"demo-count-1-{number}",
            )
        post_stocktake(
            actor=people["prep"],
            stocktake=take,
            seen=state_of_lines(take),
            reason="Weighed twice; a spill last term was not written down",
        )


def a_bottle_that_stands_wrongly(
    people: Mapping[str, User], places: Mapping[str, Place], *, now: datetime, as_of: AsOf
) -> None:
    """Yesterday the ethanol was put where it should not stand, with a reason: one thing to be found."""
    with as_of(now - timedelta(days=1)):
        move_lots(
            actor=people["thorne"],
            lots=Lot.objects.filter(place=places["Flammables cabinet"]),
            place=places["Oxidiser cabinet"],
            storage_reason="The door of the flammables cabinet is being repaired; until Friday",
        )


def interrupted_count(
    people: Mapping[str, User], places: Mapping[str, Place], *, now: datetime, as_of: AsOf
) -> None:
    """This morning somebody began with the upper shelf of the second cabinet, and was called away."""
    shelf = places["Upper shelf"]
    with as_of(now - timedelta(hours=2)):
        take = begin_stocktake(
            actor=people["thorne"],
            place=places["Cabinet 2, salts"],
            blind=True,
            note="The usual count in the middle of term",
            idempotency_key="demo-count-2",
        )
        for number, lot in enumerate(standing_in({shelf.pk})[:3]):
            amount = lot.on_hand_amount - (3 if number == 1 else 0)
            count_lots(
                actor=people["thorne"],
                stocktake=take,
                found=[Found(lot, f"{amount.normalize():f}", lot.unit)],
                at=shelf,
                idempotency_key=f"demo-count-2-{number}",
            )
