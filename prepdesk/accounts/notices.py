"""Telling people what happened: rows that stand until they are read, and that mail only repeats.

The rows are written in the transaction of what they tell about, so a notice exists exactly when the
event does. Mail is sent after the commit, from the rows; see :mod:`prepdesk.accounts.mail`.
"""

from collections.abc import Iterable
from typing import Final

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import F, QuerySet
from django.utils import timezone

from prepdesk.access import policy
from prepdesk.accounts import mail
from prepdesk.accounts.kinds import KINDS, kinds_for
from prepdesk.accounts.models import Notice, User
from prepdesk.core.errors import InvalidInput

TEXT_LENGTH: Final = 400


def tell(*, people: Iterable[User], kind: str, text: str, path: str, key: str) -> None:
    """Tell each of these people once, in the caller's transaction.

    Args:
        people: told once however often they are named; people who left are not told, nor those who chose
            to do without this kind.
        kind: a key of :data:`prepdesk.accounts.kinds.KINDS`.
        text: one or two sentences for a person; never a secret, since it may go by mail.
        path: where to look, beginning with a single slash.
        key: the event; the same key tells the same person once, however often it is called.

    Raises:
        KeyError, ValueError: for a kind or a path that can't be, which is a programming error.
    """
    usual = KINDS[kind]
    if not path.startswith("/") or path.startswith("//"):
        raise ValueError(f"“{path}” leads out of the site.")
    said = " ".join(text.split())
    said = said if len(said) <= TEXT_LENGTH else f"{said[: TEXT_LENGTH - 1]}…"
    # In key order: two events that tell the same people then never wait for each other in a ring.
    wanted = (person for person in people if person.is_active and wants(person, kind))
    told = sorted({person.pk: person for person in wanted}.values(), key=lambda p: p.pk)
    rows = [
        Notice(
            person=person,
            kind=kind,
            text=said,
            path=path,
            key=key,
            by_mail=_wants_mail(person, kind, usual.by_mail),
        )
        for person in told
    ]
    Notice.objects.bulk_create(rows, ignore_conflicts=True)
    if any(row.by_mail for row in rows):
        transaction.on_commit(mail.look_now, robust=True)


def wants(person: User, kind: str) -> bool:
    """Whether a person is told of this kind at all."""
    return not KINDS[kind].may_be_off or bool(person.page_choices.get(kind, True))


def _wants_mail(person: User, kind: str, usual: bool) -> bool:
    return settings.MAIL_IS_ON and bool(person.email) and bool(person.mail_choices.get(kind, usual))


def notices_of(actor: User) -> QuerySet[Notice]:
    """A person's own notices: what is not read yet on top, the newest first."""
    return Notice.objects.filter(person=actor).order_by(F("read_at").desc(nulls_first=True), "-pk")


def unread_count(actor: User) -> int:
    """How many notices a person has not read."""
    return Notice.objects.filter(person=actor, read_at=None).count()


def mark_read(*, actor: User, notice_id: int) -> Notice | None:
    """Mark one of the actor's own notices as read; ``None`` when there is none of that number."""
    policy.require(actor, "read_own_notices")
    Notice.objects.filter(person=actor, pk=notice_id, read_at=None).update(read_at=timezone.now())
    return Notice.objects.filter(person=actor, pk=notice_id).first()


def mark_all_read(*, actor: User, up_to: int) -> int:
    """Mark what a page showed as read, and nothing that came after it; how many there were.

    Args:
        up_to: key of the newest notice on the page.
    """
    policy.require(actor, "read_own_notices")
    unread = Notice.objects.filter(person=actor, pk__lte=up_to, read_at=None)
    return unread.update(read_at=timezone.now())


def choose_mail(*, actor: User, email: str, kinds: Iterable[str], told: Iterable[str] | None = None) -> User:
    """Set of which kinds of notices a person is told, which come by mail as well, and where that goes.

    Args:
        told: the kinds that stand on the page of notices; None leaves that as it is. What may not be
            switched off stands there in any case.

    Raises:
        InvalidInput: field ``email``, for what is no address or is missing where mail is wanted.
    """
    policy.require(actor, "read_own_notices")
    wanted, address = set(kinds), email.strip()
    if address:
        try:
            validate_email(address)
        except ValidationError:
            raise InvalidInput(
                {"email": "That is no mail address. It has the form name@place.example."}
            ) from None
    actor.email = address
    actor.mail_choices = {
        **actor.mail_choices,
        **{name: name in wanted for name, _ in kinds_for(actor.role)},
    }
    if told is not None:
        on = set(told)
        actor.page_choices = {
            **actor.page_choices,
            **{name: name in on for name, kind in kinds_for(actor.role) if kind.may_be_off},
        }
    actor.save(update_fields=["email", "mail_choices", "page_choices"])
    return actor


def mail_kinds_of(person: User) -> list[str]:
    """The kinds that come to a person by mail, chosen or usual."""
    return [name for name, kind in kinds_for(person.role) if person.mail_choices.get(name, kind.by_mail)]


def told_kinds_of(person: User) -> list[str]:
    """The kinds that stand on a person's page of notices."""
    return [name for name, _ in kinds_for(person.role) if wants(person, name)]
