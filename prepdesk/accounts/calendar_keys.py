"""The secret address of a person's own calendar: shown once, kept as a hash, ended or renewed at will.

The address opens the calendar and nothing else, and needs no signing in, because the programs that read
calendars can't.
"""

import hashlib
import hmac
import secrets

from prepdesk.access import policy
from prepdesk.accounts.models import CalendarKey, User


def _hash(secret: str) -> str:
    # 256 random bits: a plain fast hash can't be searched backwards.
    return hashlib.sha256(secret.encode()).hexdigest()


def make_calendar_key(*, actor: User) -> str:
    """Give a person a new secret address; the one before ends at once. The secret can't be read again."""
    policy.require(actor, "read_own_calendar")
    secret = secrets.token_urlsafe(32)
    CalendarKey.objects.update_or_create(owner=actor, defaults={"hash": _hash(secret)})
    return secret


def end_calendar_key(*, actor: User) -> bool:
    """End a person's own secret address; false when there is none."""
    policy.require(actor, "read_own_calendar")
    deleted, _ = CalendarKey.objects.filter(owner=actor).delete()
    return bool(deleted)


def owner_of_calendar(secret: str) -> User | None:
    """Whose calendar a secret opens; None for one that is unknown or ended, or of a person who left."""
    wanted = _hash(secret)
    key = CalendarKey.objects.select_related("owner").filter(hash=wanted, owner__is_active=True).first()
    if key is None or not hmac.compare_digest(key.hash, wanted):
        return None
    return key.owner if policy.may(key.owner, "read_own_calendar") else None
