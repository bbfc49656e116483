"""Two answers for whoever watches the process."""

import redis
from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, connection
from django.http import HttpRequest, JsonResponse
from django.views.decorators.http import require_GET


@login_not_required
@require_GET
def process_up(request: HttpRequest) -> JsonResponse:
    """The process answers; nothing else is asked."""
    return JsonResponse({"status": "up"})


@login_not_required
@require_GET
def ready(request: HttpRequest) -> JsonResponse:
    """The database answers and, where one is configured, the broker too."""
    checks = {"database": _database_answers()}
    if settings.REDIS_URL:
        checks["broker"] = _broker_answers()
    ok = all(checks.values())
    return JsonResponse(
        {"status": "ready" if ok else "not ready", "checks": checks}, status=200 if ok else 503
    )


def _database_answers() -> bool:
    try:
        with connection.cursor() as cursor:
            cursor.execute("SELECT 1")
    except DatabaseError:
        return False
    return True


def _broker_answers() -> bool:
    client = redis.Redis.from_url(settings.REDIS_URL, socket_timeout=0.5, socket_connect_timeout=0.5)
    try:
        return bool(client.ping())
    except (redis.RedisError, OSError):
        return False
    finally:
        client.close()
