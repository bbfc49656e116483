"""Background work of the accounts: looking for notices to send. Losing one of these loses nothing."""

from celery import shared_task

from prepdesk.accounts import mail


@shared_task(soft_time_limit=120, time_limit=150)
def send_notices() -> None:
    """Send the notices that are due by mail."""
    mail.send_due()
