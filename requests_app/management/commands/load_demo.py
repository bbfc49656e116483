"""Load an invented department with its people, shelves and a live day of orders. Idempotent."""

from typing import Any

from django.conf import settings
from django.core.management import CommandError, call_command
from django.core.management.base import BaseCommand

from inventory.models import Substance
from requests_app.demo.build import build
from requests_app.demo.scenario import DEMO_LOGINS, DEMO_PASSWORD


class Command(BaseCommand):
    """Refuses outside DEBUG, because the demo people have a published password."""

    help = __doc__ or ""

    def handle(self, *args: Any, verbosity: int = 1, **options: Any) -> None:
        if not settings.DEBUG:
            raise CommandError(
                "The demo people have a password that everybody knows, so they exist only with DEBUG on. "
                "Nothing was loaded."
            )
        if not Substance.objects.exists():
            call_command("load_catalogue", verbosity=0)
        if not build():
            self.stdout.write("The demo scenario is here already; nothing was changed.")
            return
        if verbosity:
            names = ", ".join(username for username, _ in DEMO_LOGINS)
            self.stdout.write(f"The demo scenario is loaded. Sign in as {names} with {DEMO_PASSWORD}.")
