"""The department's waste streams, by the names its own rules give them."""

from django.db import IntegrityError, transaction

from inventory.models import WasteStream
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User


@atomic_with_retries
def add_waste_stream(
    *, actor: User, name: str, note: str = "", idempotency_key: str | None = None
) -> WasteStream:
    """Add a waste stream; from the first one on every disposal names the one it goes to.

    Args:
        note: what belongs in it, by the local rules.
        idempotency_key: the same key adds once; later calls return the first one.

    Raises:
        NotAllowed.
        InvalidInput: field ``name``, when it is empty or there already.
    """
    policy.require(actor, "correct_stock")
    first = added_waste_stream(idempotency_key)
    if first:
        return first
    row = check_waste_stream(name=name, note=note)
    row.idempotency_key = idempotency_key
    reader = Reader()
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError:
        first = added_waste_stream(idempotency_key)
        if first:
            return first
        reader.refuse("name", "A waste stream of this name was added at this very moment.")
    reader.done()
    return row


def added_waste_stream(idempotency_key: str | None) -> WasteStream | None:
    """The stream that an earlier sending of the same form added."""
    return WasteStream.objects.filter(idempotency_key=idempotency_key).first() if idempotency_key else None


def check_waste_stream(*, name: str, note: str) -> WasteStream:
    """Read what was typed about a waste stream, without saving it.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    kept = reader.words("name", " ".join(name.split()), 80)
    if not kept:
        reader.refuse("name", "Type what stands on the container, or what the local rules call it.")
    known = WasteStream.objects.filter(name__iexact=kept).first() if kept else None
    if known:
        reader.refuse("name", f"There is a “{known}” already{'' if known.in_use else ', out of use'}.")
    words = reader.words("note", note, 300)
    reader.done()
    return WasteStream(name=kept, note=words)


@atomic_with_retries
def set_waste_stream_in_use(*, actor: User, stream: WasteStream, in_use: bool) -> WasteStream:
    """Retire a waste stream, or take it up again; what went into it stays in the ledger.

    Raises:
        NotAllowed.
    """
    policy.require(actor, "correct_stock")
    stream.in_use = in_use
    stream.save(update_fields=["in_use"])
    return stream
