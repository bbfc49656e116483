"""One transaction around a whole change, tried again when the database asks for it.

Two transactions that want each other's rows make the database stop one of them. Nothing of it was
saved, so it is simply run again, a bounded number of times with a random pause in between. Only the
outermost transaction can do that: a service called inside another one's transaction lets the error
pass, and the outer one runs everything again. So whoever opens a transaction around these services
opens it with :func:`in_transaction_with_retries` or :func:`atomic_with_retries`.
"""

import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import Final, ParamSpec, TypeVar

from django.db import OperationalError, connection, transaction

from prepdesk.core.errors import Conflict

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

P = ParamSpec("P")
T = TypeVar("T")

ATTEMPTS: Final = 5
# SQLite waits for its turn by itself; after that long a person should be told instead.
_PATIENCE_S: Final = 25.0
_PAUSE_S: Final = 0.02

# Serialisation failure, deadlock, lock not available: PostgreSQL's own codes for "run it again".
_SQLSTATES: Final = frozenset({"40001", "40P01", "55P03"})


def in_transaction_with_retries(work: Callable[[], T]) -> T:
    """Run ``work`` in a transaction, again if the database stopped it in favour of another one.

    ``work`` may run several times, so it changes nothing but the database.

    Raises:
        Conflict: when it was stopped every time; nothing was saved.
    """

    def atomically() -> T:
        with in_turn(), transaction.atomic():
            return work()

    return with_retries(atomically)


@contextmanager
def in_turn() -> Iterator[None]:
    """Queue for the one writer of an SQLite file; elsewhere, and inside a transaction, do nothing.

    SQLite itself lets writers that meet try again after pauses of up to 100 ms, so one that has bad
    luck waits for seconds while others pass. A lock on a file beside the database wakes the next one at
    once, and the system frees it when its process dies. It only keeps the queue in order: what is
    written outside of it is still kept apart by SQLite's own lock.
    """
    if fcntl is None or connection.in_atomic_block or not _is_file():
        yield
    else:
        with open(f"{connection.settings_dict['NAME']}.turn", "w") as queue:
            fcntl.flock(queue, fcntl.LOCK_EX)
            yield


def _is_file() -> bool:
    if connection.vendor != "sqlite" or str(connection.settings_dict["NAME"]).startswith("file:"):
        return False
    return not connection.is_in_memory_db()  # type: ignore[attr-defined]  # SQLite's own


def with_retries(work: Callable[[], T]) -> T:
    """Run one statement, or what opens its own transaction, again if the database stopped it.

    Inside a transaction it runs once, because only the outermost one can be run again.

    Raises:
        Conflict: when it was stopped every time; nothing was saved.
    """
    if connection.in_atomic_block:
        return work()
    began = time.monotonic()
    for attempt in range(1, ATTEMPTS + 1):
        try:
            return work()
        except OperationalError as error:
            if not _may_run_again(error):
                raise
            if attempt == ATTEMPTS or time.monotonic() - began > _PATIENCE_S:
                raise Conflict(
                    "Many people are changing the stock at this moment and this change did not get its "
                    "turn. Nothing was saved; please send it again."
                ) from error
            time.sleep(_PAUSE_S * 2**attempt * random.uniform(0.5, 1.5))  # noqa: S311 (only a pause)
    raise AssertionError("the loop returns or raises")


def atomic_with_retries(work: Callable[P, T]) -> Callable[P, T]:
    """Decorate a service so that each call is :func:`in_transaction_with_retries`."""

    @wraps(work)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> T:
        return in_transaction_with_retries(lambda: work(*args, **kwargs))

    return wrapped


def _may_run_again(error: OperationalError) -> bool:
    sqlstate = getattr(error.__cause__, "sqlstate", None)
    return sqlstate in _SQLSTATES or "is locked" in str(error)
