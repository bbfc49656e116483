"""Work that a page doesn't wait for. A task is a hint: the row it is about already says what is due."""

from celery import shared_task

from requests_app.services.term_work import work_on_run


@shared_task
def work_on_term(pk: int, attempt: int) -> None:
    """Order a term, or go on with it."""
    work_on_run(pk, attempt)
