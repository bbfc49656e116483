"""Certificates and safety data sheets are added to a bottle or a substance, and withdrawn from it."""

import hashlib
import uuid
from typing import Any, BinaryIO, Final

from django.core.files.base import ContentFile
from django.core.files.storage import default_storage
from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory import ledger
from inventory.models import Attachment, Lot, Substance, SubstanceEvent
from inventory.services.files import EXTENSIONS, harmless_name, kind_of
from inventory.services.lots import note
from inventory.services.sending import kept_reason
from inventory.services.transactions import atomic_with_retries, in_transaction_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, NotInThisState

MOST_BYTES: Final = 10 * 1024 * 1024
_ONLY: Final = "Only PDF, PNG and JPEG files are taken, each whole and with nothing else in it."


def add_attachment(
    *, actor: User, of: Lot | Substance, kind: str, upload: Any, idempotency_key: str
) -> Attachment:
    """Keep a file with a bottle or a substance.

    Args:
        kind: of :class:`Attachment.Kind`.
        upload: the uploaded file: ``name``, ``size`` and ``read``.
        idempotency_key: the same key adds once; later calls return the first one.

    Raises:
        NotAllowed.
        InvalidInput: fields ``kind`` and ``upload``; also for a file that is here already.
        Conflict: when the key was used for something else.
    """
    policy.require(actor, "receive_lot")
    first = _added(idempotency_key, of)
    if first:
        return first
    row, data = check_attachment(of=of, kind=kind, upload=upload)
    row.added_by = actor
    row.idempotency_key = idempotency_key
    # The file is there before any row speaks of it, and outside the transaction, which may run again.
    row.stored_as = default_storage.save(_own_name(row.content_type), ContentFile(data))
    try:
        kept = in_transaction_with_retries(lambda: _write(row, of, actor))
    except BaseException:
        default_storage.delete(row.stored_as)
        raise
    if kept.stored_as != row.stored_as:
        default_storage.delete(row.stored_as)
    return kept


def check_attachment(*, of: Lot | Substance, kind: str, upload: Any) -> tuple[Attachment, bytes]:
    """Look at a file without keeping it.

    Returns:
        The row as it would be, without who and where, and the bytes.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    if kind not in Attachment.Kind.values:
        reader.refuse("kind", "Say what it is.")
    data, content_type = b"", None
    if upload is None:
        reader.refuse("upload", "Choose a file.")
    elif upload.size > MOST_BYTES:
        reader.refuse("upload", f"The file has {_megabytes(upload.size)}; {_megabytes(MOST_BYTES)} fit.")
    else:
        upload.seek(0)
        data = upload.read(MOST_BYTES + 1)
        content_type = kind_of(data)
        if not data:
            reader.refuse("upload", "The file is empty.")
        elif content_type is None:
            reader.refuse("upload", f"This is something else inside, whatever it is called. {_ONLY}")
    digest = hashlib.sha256(data).hexdigest()
    same = Attachment.objects.filter(**_owner(of), sha256=digest, withdrawn_at=None).first()
    if data and same:
        reader.refuse(
            "upload", f"This very file is here already, as “{same.name}” of {same.added_at:%d %B %Y}."
        )
    reader.done()
    assert content_type is not None
    row = Attachment(
        **_owner(of),
        kind=kind,
        name=harmless_name(str(upload.name or ""), content_type),
        content_type=content_type,
        size=len(data),
        sha256=digest,
    )
    return row, data


def _write(row: Attachment, of: Lot | Substance, actor: User) -> Attachment:
    row.pk = None
    try:
        with transaction.atomic():
            row.save(force_insert=True)
    except IntegrityError as error:
        first = _added(row.idempotency_key, of)
        if first:
            return first
        raise Conflict("This very file was added at this moment. Look at the page again.") from error
    _tell(row, "attach", f"{row.get_kind_display()}: “{row.name}”", actor)
    return row


@atomic_with_retries
def withdraw_attachment(*, actor: User, attachment: Attachment, reason: str) -> Attachment:
    """Say that a file no longer counts. It stays readable in the history of what it belongs to.

    Raises:
        NotAllowed.
        InvalidInput: field ``reason``.
        NotInThisState: when it was withdrawn before by somebody else.
    """
    policy.require(actor, "receive_lot")
    kept = kept_reason(reason)
    row = Attachment.objects.select_for_update(of=("self",)).get(pk=attachment.pk)
    if row.withdrawn_at is not None:
        if row.withdrawn_by_id == actor.pk and row.withdrawn_reason == kept:
            return row
        raise NotInThisState(f"“{row.name}” was withdrawn before; look at the history.")
    row.withdrawn_at = timezone.now()
    row.withdrawn_by = actor
    row.withdrawn_reason = kept
    row.save(update_fields=["withdrawn_at", "withdrawn_by", "withdrawn_reason"])
    _tell(row, "withdraw", f"“{row.name}”. {kept}", actor)
    return row


def opened_file(attachment: Attachment) -> BinaryIO:
    """The file itself, for reading; whoever asks closes it.

    Raises:
        NotInThisState: when it is not where it was put.
    """
    try:
        return default_storage.open(attachment.stored_as, "rb")  # type: ignore[return-value]  # a binary file
    except FileNotFoundError as error:
        raise NotInThisState(
            f"“{attachment.name}” is not in the store of files any more. Whoever keeps the server can put it "
            "back from a backup."
        ) from error


def _owner(of: Lot | Substance) -> dict[str, Lot | Substance]:
    return {"lot": of} if isinstance(of, Lot) else {"substance": of}


def was_attached(idempotency_key: str) -> bool:
    """Whether an earlier sending of the same form added its file already."""
    return Attachment.objects.filter(idempotency_key=idempotency_key).exists()


def _added(idempotency_key: str, of: Lot | Substance) -> Attachment | None:
    first = Attachment.objects.filter(idempotency_key=idempotency_key).first()
    if first and of.pk != (first.lot_id if isinstance(of, Lot) else first.substance_id):
        raise Conflict(f"This form was sent before and added “{first.name}”. Open the page afresh.")
    return first


def _tell(row: Attachment, event: str, words: str, actor: User) -> None:
    """Write into the history of the bottle or the substance what happened to its file."""
    if row.lot_id is not None:
        note(ledger.lock_lots([row.lot_id])[row.lot_id], event, actor=actor, reason=words)
    elif row.substance_id is not None:
        SubstanceEvent.objects.create(substance_id=row.substance_id, event=event, actor=actor, reason=words)


def _own_name(content_type: str) -> str:
    # Names of our own, in folders by their first letters: no name that somebody chose reaches the disk.
    name = uuid.uuid4().hex
    return f"papers/{name[:2]}/{name}{EXTENSIONS[content_type][0]}"


def _megabytes(size: int) -> str:
    return f"{size / 1024 / 1024:.1f} MB".replace(".0 ", " ")
