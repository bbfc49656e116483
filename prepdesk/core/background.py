"""Work that a page doesn't wait for, begun where it can be: by a worker, or in a thread of this process.

What is to be done stands in a row before anybody is told to look at it. So a hint that gets lost is no harm:
the row says how far the work is, and whoever looks at it can have it gone on with.
"""

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any, Final

from django.conf import settings
from django.db import connection, transaction

# After so long without a sign of life the work on a row is taken to have stopped.
SILENCE: Final = timedelta(seconds=45)


def begin_work(work: Callable[[int, int], None], task: Any, pk: int, attempt: int) -> None:
    """Have the work on a row begun as soon as the transaction that asks for it is over.

    Args:
        work: does it, given the key of the row and which try this is.
        task: the Celery task that calls ``work``; used where there is Redis.
        pk, attempt: of the row.
    """
    if settings.REDIS_URL:
        transaction.on_commit(lambda: task.delay(pk, attempt), robust=True)
        return

    def in_thread() -> None:
        try:
            work(pk, attempt)
        finally:
            connection.close()

    name = f"{work.__name__}-{pk}"
    thread = threading.Thread(target=in_thread, name=name, daemon=True)
    transaction.on_commit(thread.start)
