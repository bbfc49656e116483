"""``manage.py send_notices``: send by mail what is due, as the worker and the hints do."""

from typing import Any

from django.core.management.base import BaseCommand

from prepdesk.accounts.mail import send_due


class Command(BaseCommand):
    help = "Send the notices that are due by mail and say how many were sent."

    def handle(self, *args: Any, **options: Any) -> None:
        sent = send_due()
        self.stdout.write(f"{sent} notice{'' if sent == 1 else 's'} sent.")
