"""Requests whose person is known: every view but the open ones gets one of these."""

from django.http import HttpRequest

from prepdesk.accounts.models import User


class SignedInRequest(HttpRequest):
    """A request that passed the sign-in middleware, for the type checker."""

    user: User
