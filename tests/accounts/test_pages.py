"""Signing in and out, and a person's own keys."""

import re

import pytest
from django.urls import reverse
from rest_framework.test import APIClient

from prepdesk.accounts.models import ApiToken
from prepdesk.accounts.tokens import issue_token

pytestmark = pytest.mark.django_db
ME = "/accounts/me/"


@pytest.fixture
def with_password(prep):
    prep.set_password("a-long-enough-word")
    prep.save()
    return prep


def test_signing_in_leads_to_where_one_wanted_to_go(client, with_password):
    answer = client.post(
        reverse("accounts:sign_in"), {"username": "pia", "password": "a-long-enough-word", "next": ME}
    )
    assert answer.status_code == 302
    assert answer["Location"] == ME


def test_a_wrong_password_is_said_at_the_top_and_the_name_stays(client, with_password):
    answer = client.post(reverse("accounts:sign_in"), {"username": "pia", "password": "wrong"})
    html = answer.content.decode()
    assert answer.status_code == 422
    assert "error-summary" in html
    assert 'value="pia"' in html
    assert "wrong" not in html.split("<form", 1)[1].split("</form>")[0]
    assert "<title>Error: Sign in" in html


def test_signing_in_never_leads_to_another_site(client, with_password):
    answer = client.post(
        reverse("accounts:sign_in"),
        {"username": "pia", "password": "a-long-enough-word", "next": "https://elsewhere.example/"},
    )
    assert answer["Location"] == "/"


def test_the_sign_in_page_gives_no_password_away(client, settings):
    settings.DEBUG = True
    assert "demo" not in client.get(reverse("accounts:sign_in")).content.decode().lower()


def test_signing_out_is_a_post(client, prep):
    client.force_login(prep)
    assert client.get(reverse("accounts:sign_out")).status_code == 405
    assert client.post(reverse("accounts:sign_out")).status_code == 302
    assert client.get(ME).status_code == 302


def test_every_page_says_who_is_signed_in_and_in_which_role(client, prep):
    client.force_login(prep)
    header = client.get(ME).content.decode().split("<main")[0]
    assert "Pia Brook" in header
    assert "Prep staff" in header


def test_a_key_is_shown_once_and_opens_the_api(client, prep):
    client.force_login(prep)
    html = client.post(ME, {"name": "spreadsheet"}).content.decode()
    key = re.search(r'<code class="key-once">([^<]+)</code>', html)[1]
    assert key not in client.get(ME).content.decode()
    assert not ApiToken.objects.filter(hash=key).exists()
    api = APIClient()
    api.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    assert api.get("/api/v1/schema/").status_code == 200


def test_a_reload_after_making_a_key_makes_no_second_one(client, prep):
    client.force_login(prep)
    client.post(ME, {"name": "spreadsheet"})
    answer = client.post(ME, {"name": "spreadsheet"})
    assert answer.status_code == 422
    assert "already have a key called" in answer.content.decode()
    assert ApiToken.objects.count() == 1


def test_a_key_needs_a_name(client, prep):
    client.force_login(prep)
    answer = client.post(ME, {"name": "  "})
    assert answer.status_code == 422
    assert ApiToken.objects.count() == 0


def test_an_ended_key_opens_nothing(client, prep):
    token, key = issue_token(actor=prep, name="old")
    client.force_login(prep)
    answer = client.post(reverse("accounts:end_token", args=[token.pk]), follow=True)
    assert "The key is ended" in answer.content.decode()
    api = APIClient()
    api.credentials(HTTP_AUTHORIZATION=f"Token {key}")
    assert api.get("/api/v1/schema/").status_code == 401


def test_another_persons_key_is_not_there(client, prep, second_prep):
    token, _ = issue_token(actor=second_prep, name="theirs")
    client.force_login(prep)
    assert "theirs" not in client.get(ME).content.decode()
    assert client.post(reverse("accounts:end_token", args=[token.pk])).status_code == 404
    assert ApiToken.objects.filter(pk=token.pk).exists()


def test_a_key_is_not_ended_by_following_a_link(client, prep):
    token, _ = issue_token(actor=prep, name="mine")
    client.force_login(prep)
    assert client.get(reverse("accounts:end_token", args=[token.pk])).status_code == 405
    assert ApiToken.objects.filter(pk=token.pk).exists()


def test_private_pages_are_not_kept_on_a_shared_device(client, prep):
    client.force_login(prep)
    assert client.get(ME)["Cache-Control"] == "no-store, private"
