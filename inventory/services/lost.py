"""Apparatus that others counted on is there no more: whoever booked it is told, and so is whoever listens.

What is made with the apparatus the inventory doesn't know, so the order side registers a listener when it
is ready, as importers are registered. A listener runs in the transaction of the change, under the lock
of the item: a notice then exists exactly when the change does. A sweep would come later and could tell
of a change that was taken back. Nothing is lost by the mere passing of days: a booking and a plan are
refused for a day that the calibration doesn't cover.
"""

from collections import defaultdict
from collections.abc import Callable
from typing import Final

from django.urls import reverse
from django.utils import timezone

from inventory import states
from inventory.models import ApparatusEvent, ApparatusItem, Booking
from inventory.selectors import overbooked, reasons_not_to_use
from prepdesk.accounts import kinds
from prepdesk.accounts.models import User
from prepdesk.accounts.notices import tell
from prepdesk.core.times import hours_words

# Called with the person, the locked item as it is now, and the event that says what happened to it.
Listener = Callable[[User, ApparatusItem, ApparatusEvent], None]
_LISTENERS: Final[list[Listener]] = []


def listen_to_lost_apparatus(listener: Listener) -> None:
    """Call this whenever fewer can be used than before; registered once, when an app is ready."""
    if listener not in _LISTENERS:
        _LISTENERS.append(listener)


def tell_what_is_lost(*, actor: User, item: ApparatusItem, event: ApparatusEvent) -> None:
    """Tell whoever booked the item by hand that the booking can't be kept, then the listeners.

    Runs in the transaction of the change. Nobody is told of what they did themselves.
    """
    lost: dict[int, list[str]] = defaultdict(list)
    people: dict[int, User] = {}
    for booking, why in faults_of(item):
        if booking.by_hand and booking.actor_id != actor.pk:
            people[booking.actor_id] = booking.actor
            lost[booking.actor_id].append(
                f"{hours_words(booking.starts_at, booking.ends_at)} for {booking.purpose}: {why}"
            )
    for person, said in lost.items():
        tell(
            people=[people[person]],
            kind=kinds.APPARATUS_LOST,
            text=f"You can't count on what you booked, {'; '.join(said)} Book something else.",
            path=_page_of(item),
            key=f"apparatus-event-{event.pk}",
        )
    for listener in _LISTENERS:
        listener(actor, item, event)


def faults_of(item: ApparatusItem) -> list[tuple[Booking, str]]:
    """The bookings ahead of an item that can't be kept as it is now, each with why, as a sentence."""
    ahead = list(
        Booking.objects.filter(item=item, state=states.BOOKED, ends_at__gt=timezone.now())
        .select_related("actor")
        .order_by("starts_at", "pk")
    )
    for booking in ahead:
        # The item as it was just changed, not as another query would find it.
        booking.item = item
    too_many = overbooked(ahead) if item.in_service and item.count else set()
    found = []
    for booking in ahead:
        why = reasons_not_to_use([item], timezone.localdate(booking.ends_at)).get(item.pk)
        if why is not None:
            found.append((booking, f"the {item.words} {why}."))
        elif booking.pk in too_many:
            found.append((booking, f"more of the {item.words} are booked than there are."))
    return found


def _page_of(item: ApparatusItem) -> str:
    return (
        reverse("inventory:apparatus_item", args=[item.code]) if item.code else reverse("inventory:apparatus")
    )
