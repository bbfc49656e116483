"""What went wrong with a batch, as its page shows it, and as what it is made again."""

import re
from dataclasses import dataclass
from typing import Any, Final

from inventory.amounts import money_text
from requests_app import states
from requests_app.models import Batch, BatchEvent, Mishap

_REFERENCE: Final = re.compile(r"\bB-\d+\b")


@dataclass(frozen=True, slots=True)
class MishapLine:
    """One line of the table of what went wrong.

    Attributes:
        lost: what was lost of each bottle: ``code``, ``substance``, ``amount``, ``unit``, ``cost_minor``.
        cost: of all of it, as it is written; says where a bottle has no price; empty where nothing was lost.
    """

    mishap: Mishap
    lost: tuple[dict[str, Any], ...]
    cost: str


def mishap_lines(batch: Batch) -> list[MishapLine]:
    """What went wrong with a batch that was loaded with everything, oldest first."""
    return [
        MishapLine(one, tuple(one.lost), cost_words(one)) for one in sorted(batch.mishaps.all(), key=_number)
    ]


def cost_words(mishap: Mishap) -> str:
    """What a mishap cost, or why nobody can say."""
    if mishap.cost_minor is not None:
        return money_text(mishap.cost_minor)
    without = sorted({row["code"] for row in mishap.lost if row["cost_minor"] is None})
    return f"{', '.join(without)} {'has' if len(without) == 1 else 'have'} no price" if without else ""


def made_again_as(batch: Batch) -> list[Batch]:
    """The batches in which the orders of one that was given up are made; as they were planned then."""
    if batch.state != states.CANCELLED:
        return []
    # Read afresh: of an unknown the notes of the loaded ones are taken away, and these hold no figure.
    notes = BatchEvent.objects.filter(batch=batch, event="plan", from_state=states.CANCELLED)
    named = {found for note in notes.values_list("note", flat=True) for found in _REFERENCE.findall(note)}
    return list(Batch.objects.filter(reference__in=named).order_by("pk"))


def _number(mishap: Mishap) -> int:
    return mishap.pk
