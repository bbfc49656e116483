"""List the substances of the calculation service in the stockroom."""

from typing import Any

from django.core.management.base import BaseCommand

from inventory.services import load_catalogue


class Command(BaseCommand):
    help = (
        "Creates or updates one row per substance of the standard catalogue. What the department added is "
        "left as it is, and running it again changes nothing."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        created, updated = load_catalogue()
        self.stdout.write(f"{created} substances added, {updated} brought up to date.")
