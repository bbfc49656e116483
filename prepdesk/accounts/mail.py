"""Notices by mail. The rows say what is due; everything here only looks at them again.

:func:`look_now` is the hint after a commit: it never waits for the mail server or the broker in the
request. A hint that is lost, and a mail server that is down, lose nothing, because
:func:`send_due` finds the rows at the next look. A process that dies between sending and writing
that down sends that mail twice, which is the better of the two mistakes.
"""

import logging
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta
from itertools import groupby
from smtplib import SMTPException
from time import sleep
from typing import Any, Final

from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.db import connection
from django.db.models import Q, QuerySet
from django.urls import reverse
from django.utils import timezone

from prepdesk.accounts.models import Notice, User

# Long enough for a sender that is at work on a notice; after that another one may try.
TRY_AGAIN_AFTER: Final = timedelta(minutes=10)
# Older news than this only stands on the page.
WORTH_SENDING_FOR: Final = timedelta(days=7)
LOOK_EVERY_S: Final = 300
_AT_ONCE: Final = 500
_SUBJECT_LENGTH: Final = 120

logger = logging.getLogger(__name__)
# One thread: a slow mail server makes later mail wait for its turn, never a request.
_sender = ThreadPoolExecutor(max_workers=1, thread_name_prefix="mail")


def look_now() -> None:
    """Have the due mail sent soon, off this request."""
    _sender.submit(_look)


def _look() -> None:
    try:
        if not (settings.REDIS_URL and _hinted_to_worker()):
            send_due()
    except Exception:
        # Whatever it was, the rows are still due; the next look finds them.
        logger.exception("Looking for notices to send by mail failed.")
    finally:
        connection.close()


def _hinted_to_worker() -> bool:
    from prepdesk.accounts.tasks import send_notices  # noqa: PLC0415 (the task imports this module)

    try:
        send_notices.apply_async(retry=False)
    except Exception as error:
        logger.warning("The broker did not take the hint to send mail: %s", error)
        return False
    return True


def keep_looking() -> None:
    """Send what is due every few minutes, for ever: where no worker runs, a thread does this."""
    while True:
        sleep(LOOK_EVERY_S)
        _look()


def send_due() -> int:
    """Send every notice that is due by mail, one mail a person; how many notices were sent.

    A mail server that does not answer ends it: nothing is marked, and the next look tries again.
    """
    sent = 0
    if not _due(timezone.now()).exists():
        return sent
    server = get_connection()
    try:
        server.open()
    except (SMTPException, OSError) as error:
        logger.warning("The mail server can't be reached, notices wait: %s", error)
        return sent
    try:
        rows = _due(timezone.now()).select_related("person").order_by("person_id", "pk")[:_AT_ONCE]
        for person, notices in groupby(list(rows), key=lambda notice: notice.person):
            sent += _send_to(person, _claimed(notices), server)
    finally:
        server.close()
    return sent


def _due(now: datetime) -> QuerySet[Notice]:
    rows = Notice.objects.filter(
        by_mail=True, mailed_at=None, at__gt=now - WORTH_SENDING_FOR, person__is_active=True
    )
    return rows.exclude(person__email="").filter(_not_in_hand(now))


def _not_in_hand(now: datetime) -> Q:
    return Q(mail_tried_at=None) | Q(mail_tried_at__lt=now - TRY_AGAIN_AFTER)


def _claimed(notices: Any) -> list[Notice]:
    """Those that no other sender has in hand; a conditional update decides between two."""
    now = timezone.now()
    return [
        notice
        for notice in notices
        if Notice.objects.filter(pk=notice.pk, mailed_at=None)
        .filter(_not_in_hand(now))
        .update(mail_tried_at=now)
    ]


def _send_to(person: User, notices: list[Notice], server: Any) -> int:
    if not notices:
        return 0
    message = EmailMessage(
        subject=subject_of(notices),
        body=body_of(person, notices),
        from_email=settings.DEFAULT_FROM_EMAIL,
        to=[person.email],
        connection=server,
    )
    try:
        message.send()
    except (SMTPException, OSError) as error:
        # One refused address must not keep the mail of the others.
        logger.warning("Mail to person %s was not taken, it is tried again: %s", person.pk, error)
        return 0
    return Notice.objects.filter(pk__in=[notice.pk for notice in notices]).update(mailed_at=timezone.now())


def subject_of(notices: list[Notice]) -> str:
    """One line, whatever the texts hold: a line break in a subject would begin another header."""
    if len(notices) == 1:
        said = " ".join(notices[0].text.split())
    else:
        labels = dict.fromkeys(notice.label.lower() for notice in notices)
        said = f"{len(notices)} notices: {', '.join(labels)}"
    said = said if len(said) <= _SUBJECT_LENGTH else f"{said[: _SUBJECT_LENGTH - 1]}…"
    return f"Prepdesk: {said}"


def body_of(person: User, notices: list[Notice]) -> str:
    """The notices of one person as plain text, each with where to look."""
    parts = [f"{notice.label}: {notice.text}\n{_address(notice.path)}" for notice in notices]
    last = (
        "These notices also stand on your page of notices. Which of them come by mail you choose "
        f"under your name.\n{_address(reverse('accounts:me'))}"
    )
    return "\n\n".join([f"For {person}", *parts, last]) + "\n"


def _address(path: str) -> str:
    # Without a known address of the site a path is still something a person can find.
    return f"{settings.SITE_URL}{path}"
