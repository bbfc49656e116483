"""What a watcher of the process is told."""

import pytest
from django.db import DatabaseError

from prepdesk.core import health


@pytest.mark.django_db
def test_a_process_that_is_up_and_ready_says_so_to_anybody(client):
    assert client.get("/healthz").json() == {"status": "up"}
    answer = client.get("/readyz")
    assert answer.status_code == 200
    assert answer.json()["checks"]["database"] is True


@pytest.mark.django_db
def test_a_dead_database_is_not_ready_but_up(client, monkeypatch):
    class DeadConnection:
        def cursor(self):
            raise DatabaseError

    monkeypatch.setattr(health, "connection", DeadConnection())
    assert client.get("/healthz").status_code == 200
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"]["database"] is False


@pytest.mark.redis
@pytest.mark.django_db
def test_a_living_broker_is_ready(client):
    assert client.get("/readyz").json()["checks"] == {"database": True, "broker": True}


@pytest.mark.django_db
def test_a_dead_broker_is_named_within_a_second(client, settings):
    settings.REDIS_URL = "redis://127.0.0.1:1/0"
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"] == {"database": True, "broker": False}
