"""Apparatus of the invented department beyond its glass: calibrations, hoods, plates, what happened.

Intervals of calibration are the invented department's own; what to keep is for each department to decide.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Final

from django.utils import timezone

from inventory.models import ApparatusItem, Place
from inventory.services import (
    add_apparatus,
    book_apparatus,
    change_count,
    record_calibration,
    set_in_service,
)
from prepdesk.accounts.models import User

# (type, how many, place, name)
EQUIPMENT: Final = (
    ("fume hood", 2, "Prep room 012", ""),
    ("hot plate", 6, "Prep room 012", ""),
    ("magnetic stirrer", 8, "Prep room 012", ""),
    ("desiccator", 4, "Balance bench", ""),
    ("drying oven", 1, "Prep room 012", "oven by the window"),
)
# readability of the balance -> days from now on which it was calibrated and is due, as found, note
CALIBRATIONS: Final = {
    "0.1": (-120, 245, "within", ""),
    "0.01": (-350, 15, "outside", "1.2 divisions out at half load; adjusted"),
    # Past its day, so today's plans weigh on another one.
    "0.001": (-368, -3, "within", ""),
    "0.0001": (-45, 320, "within", ""),
}


def equip(*, actor: User, places: Mapping[str, Place], now: datetime, key: str) -> None:
    """Hoods, plates and ovens, and the last calibration of each balance; weeks before today."""
    for kind, count, place, name in EQUIPMENT:
        add_apparatus(actor=actor, type=kind, count=count, place=places[place], name=name)
    today = timezone.localdate(now)
    for readability, (done, due, as_found, note) in CALIBRATIONS.items():
        record_calibration(
            actor=actor,
            item=ApparatusItem.objects.get(type="balance", readability_g=readability),
            done_on=today + timedelta(days=done),
            done_by=f"Calibration service, certificate K-{4000 - done}",
            as_found=as_found,
            next_due_on=today + timedelta(days=due),
            note=note,
            idempotency_key=f"{key}calibration-{readability}",
        )


def live_with_it(*, actor: User, instructor: User, lesson: datetime, key: str) -> None:
    """What happened lately: a flask broke, the oven stands still, a class has booked the hot plates."""
    flask = ApparatusItem.objects.get(type="one-mark flask", nominal_ml="100", apparatus_class="A")
    change_count(
        actor=actor,
        item=flask,
        count=flask.count - 1,
        reason="One broke at the sink",
        idempotency_key=f"{key}broke",
    )
    oven = ApparatusItem.objects.get(type="drying oven")
    # Whoever booked it finds a notice that it can't be counted on.
    book_apparatus(
        actor=instructor,
        wanted=[(oven.pk, 1, lesson, lesson + timedelta(hours=1))],
        purpose="CH 240 B, drying crucibles",
        idempotency_key=f"{key}oven",
        by_hand=True,
    )
    set_in_service(actor=actor, item=oven, in_service=False, reason="The thermostat does not hold 105 °C")
    plates = ApparatusItem.objects.get(type="hot plate")
    book_apparatus(
        actor=instructor,
        wanted=[(plates.pk, 5, lesson, lesson + timedelta(hours=3))],
        purpose="CH 240 B, room 305",
        idempotency_key=f"{key}lesson",
        by_hand=True,
    )
