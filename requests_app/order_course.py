"""The way of one order as a line: which states it went through, when, and who did it."""

from dataclasses import dataclass
from typing import Final

from requests_app import states
from requests_app.models import Order, OrderEvent

# The states on the way, in order; one that waits has come no further than being sent.
_WAY: Final = (
    (states.QUEUED, "In the queue"),
    (states.IN_WORK, "Claimed"),
    (states.READY, "Ready"),
    (states.HANDED_OVER, "Handed over"),
)


@dataclass(frozen=True, slots=True)
class Stage:
    """One station of the way.

    Attributes:
        label: what it is called.
        event: the line of the history that brought the order there; None while it is still to come.
        is_now: whether the order stands here.
    """

    label: str
    event: OrderEvent | None
    is_now: bool = False


def course_of(order: Order) -> list[Stage]:
    """The stations of an order with the events that reached them, the later ones still open."""
    events = list(order.events.all())
    newest_to = {event.to_state: event for event in events if event.from_state != event.to_state}
    way = [state for state, _ in _WAY]
    reached = way.index(order.state) if order.state in way else -1
    stages = [Stage("Sent", events[0] if events else None, is_now=order.state == states.WAITING)]
    approved = next((event for event in reversed(events) if event.event == "approve"), None)
    asks = order.state == states.APPROVAL
    if asks or approved is not None:
        stages.append(Stage("For approval" if asks else "Approved", None if asks else approved, is_now=asks))
    if order.state == states.CANCELLED:
        went = [(state, label) for state, label in _WAY if state in newest_to]
        stages += [Stage(label, newest_to[state]) for state, label in went]
        return [*stages, Stage("Cancelled", newest_to.get(states.CANCELLED), is_now=True)]
    for position, (state, label) in enumerate(_WAY):
        event = newest_to.get(state) if position <= reached else None
        stages.append(Stage(label, event, is_now=order.state == state))
    return stages
