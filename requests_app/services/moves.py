"""The only place where an order's or a batch's state changes, always together with its history."""

from collections.abc import Sequence
from uuid import uuid4

from django.db.models import CharField, F, Value
from django.db.models.functions import Cast, Concat

from prepdesk.accounts.models import User
from prepdesk.core.errors import NotInThisState
from requests_app import states
from requests_app.models import Batch, BatchEvent, Order, OrderEvent

# References begin here, so that the first order of a new department reads R-2601.
_FIRST_REFERENCE = 2600
_NOTE_LENGTH = 300


def move(*, actor: User, row: Order | Batch, event: str, note: str = "") -> None:
    """Let ``event`` happen to a locked row: its next state and the history line, in one go.

    Raises:
        NotInThisState: when the table has no such move.
    """
    table = states.ORDER_NEXT if isinstance(row, Order) else states.BATCH_NEXT
    before = row.state
    try:
        row.state = table[before, event]
    except KeyError:
        raise NotInThisState(
            f"{row.reference} is “{row.get_state_display()}” and can't be {states.EVENT_WORDS[event]}."
        ) from None
    if isinstance(row, Batch):
        row.version += 1
    row.save()
    note_event(actor=actor, row=row, event=event, from_state=before, note=note)


def note_event(
    *, actor: User, row: Order | Batch, event: str, from_state: str | None = None, note: str = ""
) -> None:
    """Write a history line; without ``from_state`` the state stays as it is."""
    before = row.state if from_state is None else from_state
    details = {
        "event": event,
        "from_state": before,
        "to_state": row.state,
        "actor": actor,
        "note": note[:_NOTE_LENGTH],
    }
    if isinstance(row, Order):
        OrderEvent.objects.create(order=row, **details)
    else:
        BatchEvent.objects.create(batch=row, **details)


def unborn_reference() -> str:
    """A reference that holds the place until the row has its number."""
    return f"new-{uuid4().hex[:12]}"


def give_reference(row: Order | Batch, letter: str) -> None:
    """Give a new row its reference, from the number the database gave it: no two can meet."""
    row.reference = f"{letter}-{_FIRST_REFERENCE + row.pk}"
    row.save(update_fields=["reference"])


def give_references(rows: Sequence[Order], letter: str) -> None:
    """Give many new rows their references in one statement, as :func:`give_reference` does to one."""
    number = Cast(F("pk") + _FIRST_REFERENCE, CharField())
    Order.objects.filter(pk__in=[row.pk for row in rows]).update(
        reference=Concat(Value(f"{letter}-"), number)
    )
    for row in rows:
        row.reference = f"{letter}-{_FIRST_REFERENCE + row.pk}"
