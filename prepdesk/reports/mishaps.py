"""What went wrong at the bench and what it cost: wasted and spilled, line by line and by kind."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from django.utils import timezone

from inventory.amounts import money_text
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.reports.selectors import Period
from requests_app.concealing import may_read_batch
from requests_app.models import Mishap

CSV_HEADER = (
    "day",
    "what",
    "batch",
    "solution",
    "step",
    "lost",
    "cost",
    "waste stream",
    "what happened",
    "by",
)
HIDDEN = "an unknown"


@dataclass(frozen=True, slots=True)
class WentWrong:
    """One thing that went wrong.

    Attributes:
        lost: what was lost of each bottle, in words; of an unknown only that it is one.
        cost_minor: of all of it, in the smallest coin; None where a bottle has no price, and of an unknown,
            whose cost is a figure of it.
        has_loss: whether anything was lost of a bottle at all.
    """

    at: datetime
    kind: str
    label: str
    batch: str
    title: str
    step: int | None
    lost: str
    cost_minor: int | None
    has_loss: bool
    stream: str
    text: str
    by: str

    @property
    def cost(self) -> str:
        """The cost as it is written; says where nobody knows it."""
        if self.cost_minor is not None:
            return money_text(self.cost_minor)
        return "not known" if self.has_loss else ""

    @property
    def cells(self) -> tuple[str | int | None, ...]:
        """The row of a table for spreadsheets, in the order of ``CSV_HEADER``."""
        return (
            timezone.localtime(self.at).date().isoformat(),
            self.label,
            self.batch,
            self.title,
            self.step,
            self.lost,
            self.cost,
            self.stream,
            self.text,
            self.by,
        )


@dataclass(frozen=True, slots=True)
class KindOfMishap:
    """All of one kind in a period: how many, their cost as far as it is known, and how many it isn't of."""

    label: str
    count: int
    cost: str
    unknown: int


def went_wrong(*, actor: User, period: Period) -> list[WentWrong]:
    """Everything that went wrong in a period, oldest first.

    Raises:
        NotAllowed: when the actor may not see the review.
    """
    policy.require(actor, "see_review")
    start, end = period.bounds
    rows = Mishap.objects.filter(at__gte=start, at__lt=end).select_related("batch", "waste_stream", "actor")
    return [_line(actor, row) for row in rows.order_by("at", "pk")]


def by_kind(rows: list[WentWrong]) -> list[KindOfMishap]:
    """The same summed up, in the sequence of the kinds."""
    of: dict[str, list[WentWrong]] = defaultdict(list)
    for row in rows:
        of[row.kind].append(row)
    return [
        KindOfMishap(
            label=str(label),
            count=len(of[kind]),
            cost=money_text(sum(row.cost_minor or 0 for row in of[kind])),
            unknown=sum(row.has_loss and row.cost_minor is None for row in of[kind]),
        )
        for kind, label in Mishap.Kind.choices
        if kind in of
    ]


def _line(actor: User, row: Mishap) -> WentWrong:
    readable = may_read_batch(actor, row.batch)
    lost = "; ".join(f"{one['amount']} {one['unit']} {one['substance']}, {one['code']}" for one in row.lost)
    return WentWrong(
        at=row.at,
        kind=row.kind,
        label=row.get_kind_display(),
        batch=row.batch.reference,
        title=row.batch.title,
        step=row.step_number,
        lost=lost if readable else HIDDEN,
        cost_minor=row.cost_minor if readable else None,
        has_loss=bool(row.lost),
        stream=row.waste_stream.name if row.waste_stream else "",
        text=row.text if readable else "",
        by=str(row.actor),
    )
