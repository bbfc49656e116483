"""Compare every certificate and safety data sheet with what was put there, and say every difference."""

import hashlib
from typing import Any

from django.core.files.storage import default_storage
from django.core.management.base import BaseCommand, CommandError

from inventory.models import Attachment


class Command(BaseCommand):
    help = (
        "Reads every file of bottles and substances, withdrawn ones too, and compares it with its checksum "
        "(SHA-256). Ends with 1 when one is missing or changed, as after a backup that left them out."
    )

    def handle(self, *args: Any, **options: Any) -> None:
        wrong = 0
        rows = Attachment.objects.order_by("pk")
        for row in rows.iterator():
            fault = self._fault(row)
            if fault:
                wrong += 1
                self.stderr.write(f"file {row.pk}, “{row.name}”: {fault}")
        if wrong:
            raise CommandError(f"{wrong} of {rows.count()} files are missing or changed.", returncode=1)
        self.stdout.write(f"All {rows.count()} files are as they were added.")

    def _fault(self, row: Attachment) -> str:
        if not default_storage.exists(row.stored_as):
            return "is missing"
        with default_storage.open(row.stored_as, "rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return "" if digest == row.sha256 else "is not what was added"
