"""A set of unknowns of the invented department: some made, one at the bench, the rest in the queue."""

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Final

from prepdesk.accounts.models import User
from prepdesk.calc.typed import parse_number
from requests_app.models import Batch, Section
from requests_app.services.unknowns import UnknownsDraft, open_key, order_unknowns

# How far each of the samples is, in the order of their codes; the others stand in the queue.
_REACHES: Final = ("finish", "finish", "finish", "work")


def order_some_unknowns(
    *,
    people: dict[str, User],
    section: Section,
    due: datetime,
    work: Callable[[Batch, str, str], None],
    key: str,
) -> None:
    """Eight samples and two spares for one section, with a colleague as reader of the key.

    Args:
        work: takes a batch as far as a word of the demo says (batch, how far, a key of its own).
    """
    draft = UnknownsDraft(
        course_id=section.course_id,
        section_ids=(section.pk,),
        reader_ids=(people["quill"].pk,),
        title="Chloride by precipitation titration",
        substance_key="sodium-chloride",
        lowest=parse_number("0.0600"),
        highest=parse_number("0.1200"),
        unit="mol/L",
        count=8,
        spares=2,
        apart_percent=parse_number("3"),
        volume_per_sample=parse_number("500"),
        volume_unit="mL",
        due_at=due + timedelta(days=1),
        room="221",
        tolerance_percent=parse_number("0.5"),
        notes="One bottle of each; the students fetch them by code.",
    )
    made = order_unknowns(actor=people["instructor"], draft=draft, idempotency_key=f"{key}unknowns")
    for sample, reaches in zip(made.samples.select_related("order__batch"), _REACHES, strict=False):
        if sample.order.batch is not None:
            work(sample.order.batch, reaches, f"{key}unknown-{sample.position}")
    open_key(actor=people["quill"], unknowns=made)
