"""Orders over HTTP: read, changed and commented on by a program with a token."""

import json

import pytest
from django.test import Client

from prepdesk.accounts.tokens import issue_token
from requests_app import states
from requests_app.models import OrderComment, OrderRevision
from requests_app.services.claiming import claim_batch
from tests.requests_app.test_changes import one

__all__ = ["one"]

pytestmark = pytest.mark.django_db


@pytest.fixture
def call(instructor):
    """Ask as a program of the instructor."""
    _, token = issue_token(actor=instructor, name="course site")
    client = Client(raise_request_exception=False, headers={"Authorization": f"Token {token}"})

    def ask(method, address, body=None):
        text = body if isinstance(body, str) else json.dumps(body)
        return (
            getattr(client, method)(address, text, content_type="application/json")
            if body
            else getattr(client, method)(address)
        )

    return ask


def address(order, more=""):
    return f"/api/v1/orders/{order.reference}/{more}"


def change(revision=1, key="k", **changes):
    return {"revision": revision, "key": key, "reason": "more came", "changes": changes}


def test_an_order_is_changed_and_answers_with_its_words(salt, one, call):
    order = one()
    answer = call("patch", address(order), change(groups_per_section=15, notes="brown bottles"))
    assert answer.status_code == 200, answer.content
    said = answer.json()
    assert (said["revision"], said["groups_per_section"], said["volume"]) == (
        2,
        15,
        {"value": "412.5", "unit": "mL"},
    )
    assert said["revisions"][0]["changes"]["groups_per_section"] == ["12 groups", "15 groups"]
    assert said["revisions"][0]["words"][0].startswith("Section B: 12 groups → 15; 330 mL → 412.5 mL")
    assert call("get", address(order)).json() == said
    # The same key once more changes nothing.
    assert call("patch", address(order), change(groups_per_section=15)).json()["revision"] == 2


def test_a_stale_revision_is_409_with_what_changed(salt, one, call):
    order = one()
    call("patch", address(order), change(groups_per_section=15))
    answer = call("patch", address(order), change(key="other", groups_per_section=9))
    assert answer.status_code == 409
    (error,) = answer.json()["errors"]
    assert error["code"] == "stale"
    assert "12 groups → 15" in error["text"]


def test_a_concentration_is_changed_by_its_digits_and_not_once_it_is_begun(salt, one, call, prep):
    order = one()
    assert call("patch", address(order), change(targets=["1.00"])).json()["title"].startswith("1.00 mol/L")
    order.refresh_from_db()
    claim_batch(actor=prep, batch=order.batch)
    answer = call("patch", address(order), change(2, "other", targets=["0.50"]))
    assert (answer.status_code, answer.json()["errors"][0]["code"]) == (409, "not_in_this_state")


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (change(volume_per_group=25), "changes.volume_per_group"),
        (change(volume_per_group="two"), "changes.volume_per_group"),
        (change(groups_per_section="15"), "changes.groups_per_section"),
        (change(targets=["1", "2"]), "changes.targets"),
        (change(due_at="2026-12-01T09:00"), "changes.due_at"),
        (change(groups_per_section=0), "groups_per_section"),
        (change(course_id="1"), "course_id"),
        ({"revision": 1, "changes": {"room": "1"}}, "key"),
        ({"key": "k", "changes": {"room": "1"}}, "revision"),
        ({"revision": 1, "key": "k", "changes": []}, "changes"),
        ([1], ""),
    ],
)
def test_what_can_not_be_read_is_400_with_its_field(salt, one, call, body, field):
    order = one()
    answer = call("patch", address(order), body)
    assert answer.status_code == 400, answer.content
    assert [error["field"] for error in answer.json()["errors"]] == [field]
    assert not OrderRevision.objects.exists()


def test_a_comment_is_said_once(salt, one, call):
    order = one()
    for _ in range(2):
        answer = call("post", address(order, "comments/"), {"text": "Brown bottles", "key": "k"})
        assert (answer.status_code, answer.json()["text"]) == (201, "Brown bottles")
    assert OrderComment.objects.count() == 1
    assert call("post", address(order, "comments/"), {"text": " ", "key": "l"}).status_code == 400


def test_another_persons_order_is_not_there(salt, one, colleague):
    order = one()
    _, token = issue_token(actor=colleague, name="other site")
    client = Client(headers={"Authorization": f"Token {token}"})
    for answer in (
        client.get(address(order)),
        client.patch(address(order), json.dumps(change(room="1")), content_type="application/json"),
        client.post(address(order, "comments/"), "{}", content_type="application/json"),
    ):
        assert answer.status_code == 404
    assert order.state == states.QUEUED
