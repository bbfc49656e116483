"""Recompute the balances from the ledger and say every difference."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inventory.models import Hold, Lot, Movement
from inventory.selectors import stock_differences


class Command(BaseCommand):
    help = (
        "Recomputes what every lot has and what is held of it from the movements and holds, checks the "
        "movements of each hold and each reversal, and prints every difference. Ends with 1 on any."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        differences = stock_differences()
        for difference in differences:
            self.stderr.write(difference)
        checked = (
            f"{Lot.objects.count()} lots, {Movement.objects.count()} movements, {Hold.objects.count()} holds"
        )
        if differences:
            raise CommandError(f"{len(differences)} differences in {checked}.", returncode=1)
        self.stdout.write(f"No difference in {checked}.")
