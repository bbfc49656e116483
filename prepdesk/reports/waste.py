"""What went to waste and where, entry by entry: what a department shows whoever collects it."""

from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from django.db.models import F
from django.db.models.functions import Lower
from django.utils import timezone

from inventory.amounts import from_base
from inventory.models import Movement
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.reports.selectors import Period

CSV_HEADER = ("day", "waste stream", "substance", "formula", "lot", "amount", "unit", "reason", "by")


@dataclass(frozen=True, slots=True)
class Wasted:
    """One disposal that stands: which bottle, how much [unit], into which stream, by whom and why."""

    at: datetime
    stream: str
    substance: str
    key: str
    formula: str
    lot: str
    amount: Decimal
    unit: str
    reason: str
    by: str

    @property
    def cells(self) -> tuple[str | Decimal, ...]:
        """The row of a table for spreadsheets, in the order of ``CSV_HEADER``."""
        day = timezone.localtime(self.at).date().isoformat()
        return (
            day,
            self.stream,
            self.substance,
            self.formula,
            self.lot,
            self.amount,
            self.unit,
            self.reason,
            self.by,
        )


def wasted(*, actor: User, period: Period) -> list[Wasted]:
    """Every disposal of a period that was not reversed since, by waste stream and then by day.

    Raises:
        NotAllowed: when the actor may not see the review.
    """
    policy.require(actor, "see_review")
    start, end = period.bounds
    rows = (
        Movement.objects.filter(
            at__gte=start, at__lt=end, kind=Movement.Kind.DISPOSED, reversed_by__isnull=True
        )
        .select_related("lot__substance", "waste_stream", "actor")
        .order_by(Lower("waste_stream__name").asc(nulls_first=True), F("at"), "pk")
    )
    return [
        Wasted(
            at=row.at,
            stream=row.waste_stream.name if row.waste_stream else "",
            substance=row.lot.title or row.lot.substance.name,
            key=row.lot.substance.key,
            formula=row.lot.substance.formula,
            lot=row.lot.code,
            amount=from_base(-row.amount, row.lot.unit),
            unit=row.lot.unit,
            reason=row.reason,
            by=str(row.actor),
        )
        for row in rows
    ]
