"""Work that a page doesn't wait for. A task is a hint: the row it is about already says what is due."""

from celery import shared_task

from inventory.importers.work import work_on


@shared_task
def work_on_import(pk: int, attempt: int) -> None:
    """Check a file, or bring in what was confirmed of it."""
    work_on(pk, attempt)
