"""Reading what a second person must look at: why, what was asked, what was answered."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from inventory.models import Lot, Substance
from inventory.selectors import calc_catalogue, kept_lot
from prepdesk.accounts.models import User
from prepdesk.calc.errors import InputError
from requests_app import states
from requests_app.concealing import holds_unknown
from requests_app.models import Batch, SecondCheck, Sheet, StepRecord
from requests_app.second_look import Bottle, Point, added_in, covers, points_of, steps_not_alone
from requests_app.selectors.rules import department_rules
from requests_app.selectors.work import batches_visible_to

_BEFORE_CLOSING = (states.QUEUED, states.CLAIMED, states.IN_WORK)


@dataclass(frozen=True, slots=True)
class SecondLook:
    """Where a batch stands with its second person.

    Attributes:
        points: why one must look before the work is closed; empty where none is needed.
        not_alone: numbers of the steps at which one stands by.
        checks: all that was asked, the newest first.
        asked, signed: what counts for the present readings; the newest of several alone.
        void: a signature that the present readings have left behind, where nothing newer counts.
        sent_back: the newest answer, where it was sent back and not asked again.
    """

    points: tuple[Point, ...] = ()
    not_alone: frozenset[int] = frozenset()
    checks: tuple[SecondCheck, ...] = ()
    asked: SecondCheck | None = None
    signed: SecondCheck | None = None
    void: SecondCheck | None = None
    sent_back: SecondCheck | None = None

    @property
    def is_missing(self) -> bool:
        """Whether the work can't be closed yet for want of a signature."""
        return bool(self.points) and self.signed is None

    @property
    def added_text(self) -> str:
        """The solvent added after making up that what counts is about, empty where none was."""
        counting = self.asked or self.signed
        return added_in(counting) if counting else ""


def second_look(batch: Batch, sheet: Sheet, records: Iterable[StepRecord]) -> SecondLook:
    """Where a batch stands; before it is closed also what is needed, by the rules of now.

    Args:
        records: every record of the batch, also of older sheets.
    """
    points: tuple[Point, ...] = ()
    alone: frozenset[int] = frozenset()
    if batch.state in _BEFORE_CLOSING:
        points, alone = _needed(batch, sheet)
    checks = list(batch.checks.select_related("asked_by", "answered_by").order_by("-pk"))
    newest = max((record.pk for record in records), default=None)
    counting = next(
        (
            one
            for one in checks
            if one.state in (states.ASKED, states.SIGNED)
            and covers(one, sheet_id=sheet.pk, newest_record_id=newest)
        ),
        None,
    )
    last = checks[0] if checks else None
    return SecondLook(
        points=points,
        not_alone=alone,
        checks=tuple(checks),
        asked=counting if counting and counting.state == states.ASKED else None,
        signed=counting if counting and counting.state == states.SIGNED else None,
        void=None if counting else next((one for one in checks if one.state == states.SIGNED), None),
        sent_back=last if last is not None and last.state == states.SENT_BACK else None,
    )


def needed_points(batch: Batch, sheet: Sheet) -> tuple[Point, ...]:
    """Why a second person must look before this batch is closed, by the rules of now."""
    return _needed(batch, sheet)[0]


def _needed(batch: Batch, sheet: Sheet) -> tuple[tuple[Point, ...], frozenset[int]]:
    rules = department_rules()
    if not (rules.check_restricted or rules.check_strong_acids or rules.check_standards):
        return (), frozenset()
    bottles = _bottles_of(sheet.plan)
    alone = steps_not_alone(sheet.plan, bottles) if rules.check_strong_acids else frozenset()
    if holds_unknown(batch):
        # Its figures are for its maker and its orderer, so nobody is asked to look at them.
        return (), alone
    keys = [one["key"] for one in sheet.plan["components"]]
    restricted = Substance.objects.filter(key__in=keys, restricted=True).order_by("name")
    return points_of(sheet.plan, rules, bottles, restricted.values_list("name", flat=True)), alone


def _bottles_of(plan: Mapping[str, Any]) -> list[Bottle]:
    keys = {int(draw["lot"]["id"]) for draw in plan["draws"] if draw["lot"]}
    lots = Lot.objects.select_related("substance").in_bulk(keys)
    catalogue = calc_catalogue()
    found = []
    for _, lot in sorted(lots.items()):
        try:
            hazards = frozenset(catalogue.by_key(lot.substance.key).hazards)
        except InputError:
            hazards = frozenset()
        kept = kept_lot(lot, catalogue)
        found.append(
            Bottle(
                lot_id=lot.pk,
                name=lot.substance.name,
                code=lot.code,
                restricted=lot.substance.restricted,
                hazards=hazards,
                groups=kept.belongs,
                is_reagent=lot.kind in (Lot.Kind.SOLID, Lot.Kind.LIQUID) and not kept.dilute,
            )
        )
    return found


# --- lists ----------------------------------------------------------------------------------------
def waits_for_second_person() -> Exists:
    """A condition on batches: a second person was asked and has not answered yet."""
    return Exists(SecondCheck.objects.filter(batch=OuterRef("pk"), state=states.ASKED))


def checks_waiting(actor: User) -> QuerySet[SecondCheck]:
    """What waits for a second person, the longest first, in one query: ``batch`` and ``asked_by`` are loaded.

    ``took_part`` says of each whether this person worked on it, so that somebody else must look.
    """
    recorded = StepRecord.objects.filter(batch=OuterRef("batch"), actor=actor)
    asked = SecondCheck.objects.filter(pk=OuterRef("pk"), asked_by=actor)
    holds = Batch.objects.filter(pk=OuterRef("batch"), claimed_by=actor)
    return (
        SecondCheck.objects.filter(state=states.ASKED, batch__in=batches_visible_to(actor))
        .select_related("batch__claimed_by", "asked_by")
        .annotate(took_part=Exists(recorded) | Exists(asked) | Exists(holds))
        .order_by("asked_at", "pk")
    )
