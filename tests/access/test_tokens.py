"""Tokens for programs: shown once, kept as a hash, ended by their owner only."""

from datetime import timedelta

import pytest
import yaml
from django.utils import timezone

from prepdesk.accounts.models import ApiToken
from prepdesk.accounts.tokens import issue_token, revoke_token

pytestmark = pytest.mark.django_db
SCHEMA = "/api/v1/schema/"


def ask(client, key):
    return client.get(SCHEMA, headers={"Authorization": f"Token {key}"})


def test_a_token_lets_a_program_in_and_its_use_is_noted(client, instructor):
    token, key = issue_token(actor=instructor, name="course site")
    assert ask(client, key).status_code == 200
    token.refresh_from_db()
    assert token.last_used_at is not None


def test_only_the_hash_is_kept(instructor):
    token, key = issue_token(actor=instructor, name="course site")
    assert key not in str(ApiToken.objects.filter(pk=token.pk).values().get())


@pytest.mark.parametrize("key", ["", "wrong", "wrong with blanks", "é"])
def test_a_wrong_key_is_told_in_the_shape_of_every_error(client, db, key):
    answer = ask(client, key)
    assert answer.status_code == 401
    assert yaml.safe_load(answer.content)["errors"][0]["code"] == "authentication_failed"
    assert answer.headers["WWW-Authenticate"] == "Token"


def test_an_expired_token_and_that_of_a_person_who_left_are_refused(client, instructor, colleague):
    token, key = issue_token(actor=instructor, name="old")
    ApiToken.objects.filter(pk=token.pk).update(expires_at=timezone.now() - timedelta(seconds=1))
    assert ask(client, key).status_code == 401
    _, key = issue_token(actor=colleague, name="left")
    colleague.is_active = False
    colleague.save()
    assert ask(client, key).status_code == 401


def test_nobody_ends_the_token_of_somebody_else(instructor, colleague):
    token, _ = issue_token(actor=instructor, name="mine")
    assert not revoke_token(actor=colleague, token_id=token.pk)
    assert revoke_token(actor=instructor, token_id=token.pk)
    assert not ApiToken.objects.exists()
