"""How far the work on a run is, and whether anybody still works on it."""

import logging
import time
from collections.abc import Callable
from datetime import datetime
from typing import Final

from django.core.cache import cache
from django.utils import timezone

from inventory import import_states as states
from inventory.models import ImportRun
from prepdesk.core.background import SILENCE

log = logging.getLogger(__name__)
_EVERY_S: Final = 0.4
_KEPT_S: Final = 3_600
# So long nothing is told after the cache did not answer: each try may cost a second of the transaction.
_DEAF_S: Final = 10.0


class Stopped(Exception):
    """The run was dropped, or is worked on by another try."""


def writes_progress(run: ImportRun) -> Callable[[int], None]:
    """Tell through the run's own row, between transactions.

    The function it gives raises :class:`Stopped` when the run is no longer this try's.
    """
    last = time.monotonic()

    def tick(done: int) -> None:
        nonlocal last
        if time.monotonic() - last < _EVERY_S:
            return
        last = time.monotonic()
        mine = ImportRun.objects.filter(pk=run.pk, state=run.state, attempt=run.attempt)
        if not mine.update(done=done, seen_alive_at=timezone.now()):
            raise Stopped

    return tick


def tells_progress(run: ImportRun, before: int) -> Callable[[int], None]:
    """Tell through the cache, from inside a transaction whose rows nobody else sees."""
    last = 0.0

    def tick(done: int) -> None:
        nonlocal last
        if time.monotonic() - last < _EVERY_S:
            return
        last = time.monotonic()
        try:
            cache.set(_key(run), (before + done, timezone.now()), _KEPT_S)
        except Exception as error:
            # A cache that is down must not stop the work it only tells about.
            log.warning("Progress of import %s could not be told: %r", run.pk, error)
            last += _DEAF_S

    return tick


def forget_progress(run: ImportRun) -> None:
    """The work ended; its row says how."""
    try:
        cache.delete(_key(run))
    except Exception as error:
        log.warning("Progress of import %s could not be cleared: %r", run.pk, error)


def progress_of(run: ImportRun) -> tuple[int, int] | None:
    """How many of how many steps are done; ``None`` when nobody can tell."""
    if run.state == states.READING:
        return run.done, run.total
    told = _told(run)
    return (told[0], run.total + run.wanted) if told else None


def has_stopped(run: ImportRun) -> bool:
    """Whether work on a run gave no sign of life for so long that it must have ended."""
    if run.state not in (states.READING, states.IMPORTING):
        return False
    told = _told(run)
    signs = [run.at, run.seen_alive_at or run.at, told[1] if told else run.at]
    return timezone.now() - max(signs) > SILENCE


def _told(run: ImportRun) -> tuple[int, datetime] | None:
    try:
        found = cache.get(_key(run))
    except Exception:
        return None
    return found if isinstance(found, tuple) else None


def _key(run: ImportRun) -> str:
    return f"import-progress-{run.pk}-{run.attempt}"
