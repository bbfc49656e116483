"""Tokens for programs: shown once, kept as a hash, each with an owner and an end."""

import hashlib
import secrets
from datetime import timedelta

from django.db.models import QuerySet
from django.utils import timezone
from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from prepdesk.access import policy
from prepdesk.accounts.models import ApiToken, User

LIFETIME = timedelta(days=180)


def _hash(key: str) -> str:
    # The key carries 256 random bits, so a plain fast hash can't be searched backwards.
    return hashlib.sha256(key.encode()).hexdigest()


def issue_token(*, actor: User, name: str) -> tuple[ApiToken, str]:
    """Make a token for ``actor`` and return it with its key, which can't be read again."""
    policy.require(actor, "manage_own_tokens")
    key = secrets.token_urlsafe(32)
    token = ApiToken.objects.create(
        owner=actor, name=name, hash=_hash(key), expires_at=timezone.now() + LIFETIME
    )
    return token, key


def revoke_token(*, actor: User, token_id: int) -> bool:
    """End one of the actor's own tokens; false when there is none of that number."""
    policy.require(actor, "manage_own_tokens")
    deleted, _ = ApiToken.objects.filter(owner=actor, pk=token_id).delete()
    return bool(deleted)


def live_tokens_of(owner: User) -> QuerySet[ApiToken]:
    """The keys of one person that still open something, newest first."""
    return ApiToken.objects.filter(owner=owner, expires_at__gt=timezone.now()).order_by("-created_at", "-id")


class TokenAuthentication(BaseAuthentication):
    """``Authorization: Token <key>``."""

    keyword = "Token"

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        parts = get_authorization_header(request).split()
        if not parts or parts[0].lower() != self.keyword.lower().encode():
            return None
        if len(parts) != 2:
            raise AuthenticationFailed("Send the header as “Authorization: Token <key>”.")
        now = timezone.now()
        token = (
            ApiToken.objects.select_related("owner")
            .filter(hash=_hash(parts[1].decode("latin-1")), expires_at__gt=now, owner__is_active=True)
            .first()
        )
        if token is None:
            raise AuthenticationFailed("This token is unknown, ended or expired.")
        if token.last_used_at is None or now - token.last_used_at > timedelta(minutes=1):
            ApiToken.objects.filter(pk=token.pk).update(last_used_at=now)
        return token.owner, token

    def authenticate_header(self, request: Request) -> str:
        return self.keyword
