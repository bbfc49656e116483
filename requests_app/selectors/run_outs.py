"""A bottle is empty in the middle of the work: which other bottle may give the rest, and how much of it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.utils import timezone

from inventory.amounts import from_base, to_base
from inventory.models import Hold, Lot
from inventory.selectors import calc_catalogue, calc_lots, calc_shelf
from inventory.states import ACTIVE, AVAILABLE
from prepdesk.calc.catalogue import Catalogue
from prepdesk.calc.errors import InputError
from prepdesk.calc.going_on import CannotGoOn, GoneOn, go_on_from
from prepdesk.calc.model import Shelf, ShelfLot
from prepdesk.calc.planner.instead import counts_the_same
from prepdesk.calc.typed import TypedNumber
from requests_app.models import Batch, BatchHold, Sheet
from requests_app.selectors.work import BenchStep, active_holds, readings_of
from requests_app.sheets import local_date


@dataclass(frozen=True, slots=True)
class OtherBottle:
    """A bottle that stands there, with what it would give.

    Attributes:
        lot: with substance and place loaded.
        free: what nobody else holds of it [unit of the lot].
        gone_on: the sheet with it; None where nobody said yet what the first bottle gave.
        refusal: why it does not serve, empty where it does.
        same_form: whether it holds the same form as the empty one.
    """

    lot: Lot
    free: Decimal
    gone_on: GoneOn | None
    refusal: str
    same_form: bool


@dataclass(frozen=True, slots=True)
class RunOutShelf:
    """What there is to go on from, read once: the bottles, the labels of the sheet's own ones, apparatus."""

    sheet: Sheet
    shelf: Shelf
    own: tuple[ShelfLot, ...]
    catalogue: Catalogue

    def other(self, lot_id: int) -> ShelfLot | None:
        """The bottle with that key, if it may be drawn from."""
        return next((one for one in self.shelf.lots if one.id == str(lot_id)), None)

    def gone_on(self, steps: Sequence[BenchStep], number: int, gave: TypedNumber, other: ShelfLot) -> GoneOn:
        """The sheet that goes on from another bottle.

        Raises:
            CannotGoOn: in words for a person.
        """
        return go_on_from(
            self.sheet.plan,
            {key: one for key, one in readings_of(steps).items() if key < number},
            step_number=number,
            gave=gave,
            other=other,
            lots=self.own,
            catalogue=self.catalogue,
            apparatus=self.shelf.apparatus,
        )


def run_out_shelf(batch: Batch, sheet: Sheet) -> RunOutShelf:
    """The shelf of a batch at the bench: bottles good on the day of use, and apparatus in service."""
    shelf = calc_shelf(on=timezone.localdate(), needed_until=local_date(max(batch.due_at, timezone.now())))
    keys = {int(one["lot"]["id"]) for one in sheet.plan["draws"] if one["lot"]}
    keys |= {int(one["lot"]["id"]) for one in sheet.plan["steps"] if one.get("lot")}
    return RunOutShelf(sheet, shelf, calc_lots(keys), calc_catalogue())


def bottles_to_go_on_from(
    batch: Batch, sheet: Sheet, steps: Sequence[BenchStep], step: Mapping[str, Any], gave: TypedNumber | None
) -> list[OtherBottle]:
    """Bottles of the same substance that stand there, available and in date: those that serve first.

    Args:
        step: at which the bottle ran out.
        gave: what it gave; None where nobody said yet, then nothing is worked out.
    """
    there = run_out_shelf(batch, sheet)
    empty = int(step["lot"]["id"])
    asked = sheet.plan["components"][step["component"]]["key"]
    held = next((one for one in there.own if one.id == str(empty)), None)
    candidates = {
        int(one.id): one
        for one in there.shelf.lots
        if one.id != str(empty)
        and _counts_the_same(there.catalogue, asked, one.substance_key)
        and (held is None or one.kind == held.kind)
    }
    lots = Lot.objects.filter(pk__in=candidates).select_related("substance", "place").in_bulk()
    found = []
    for key, other in candidates.items():
        gone_on, refusal = None, ""
        if gave is not None:
            try:
                gone_on = there.gone_on(steps, step["number"], gave, other)
            except CannotGoOn as refused:
                refusal = refused.text
        same = held is not None and held.substance_key == other.substance_key
        found.append(
            OtherBottle(lots[key], from_base(lots[key].free, lots[key].unit), gone_on, refusal, same)
        )
    return sorted(
        found,
        key=lambda one: (
            bool(one.refusal),
            not one.same_form,
            str(one.lot.expires_on or "9999"),
            one.lot.opened_on is None,
            one.lot.pk,
        ),
    )


def _counts_the_same(catalogue: Catalogue, one: str, other: str) -> bool:
    try:
        return counts_the_same(catalogue.by_key(one), catalogue.by_key(other))
    except InputError:
        return False


def why_not_this(there: RunOutShelf, lot: Lot) -> str:
    """Why a bottle with a code of ours may not be drawn from; empty where it may."""
    if there.other(lot.pk) is not None:
        return ""
    if lot.state != AVAILABLE:
        return f"{lot.code} is {lot.get_state_display().lower()}. Take another bottle."
    if lot.expires_on is not None and lot.expires_on < timezone.localdate():
        return f"{lot.code} expired on {lot.expires_on:%-d %B %Y}. Take another bottle."
    if lot.free <= 0:
        return f"All that is left of {lot.code} is held for others. Take another bottle."
    return (
        f"{lot.code} can't be drawn from for this solution: it expires before its day or is no single solute."
    )


def taken_of(hold: Hold, steps: Sequence[BenchStep], number: int, gave: TypedNumber) -> int:
    """Base units that a held bottle gave, at the step where it ran out and before.

    Args:
        hold: with its lot loaded.
        number: of that step.
        gave: what it gave there.
    """
    read = readings_of(steps)
    asked = taken = Decimal(0)
    unit = hold.lot.unit
    for one in steps:
        step = one.step
        if not step.get("lot") or int(step["lot"]["id"]) != hold.lot_id:
            continue
        figure = Decimal((step.get("planned") or step["quantity"])["value"])
        asked += figure
        if step["number"] == number:
            taken += gave.value
        elif step["number"] < number:
            taken += read[step["number"]].value if step["number"] in read else figure
        unit = step["quantity"]["unit"]
    if unit == hold.lot.unit:
        return to_base(taken, unit)
    # A liquid that is weighed: its volume follows in proportion.
    return to_base(from_base(hold.amount, hold.lot.unit) * taken / asked, hold.lot.unit)


@dataclass(frozen=True, slots=True)
class Emptied:
    """What becomes of a bottle that is found empty.

    Attributes:
        lot: the bottle.
        drawn: what it gave this batch [unit of the lot].
        more: what by the ledger is there besides and is written off [unit of the lot].
        others: references of other batches that count on it.
    """

    lot: Lot
    drawn: Decimal
    more: Decimal
    others: tuple[str, ...]


def emptied_by(
    batch: Batch, steps: Sequence[BenchStep], step: Mapping[str, Any], gave: TypedNumber
) -> Emptied:
    """What a run-out would write into the ledger of the empty bottle."""
    lot = Lot.objects.select_related("substance").get(pk=int(step["lot"]["id"]))
    mine = [hold for hold in active_holds(batch) if hold.lot_id == lot.pk]
    drawn = sum(taken_of(hold, steps, step["number"], gave) for hold in mine)
    links = BatchHold.objects.filter(hold__lot=lot, hold__state=ACTIVE).exclude(batch=batch)
    more = lot.free + sum(hold.amount for hold in mine) - drawn
    return Emptied(
        lot=lot,
        drawn=from_base(drawn, lot.unit),
        more=from_base(max(more, 0), lot.unit),
        others=tuple(links.order_by("batch_id").values_list("batch__reference", flat=True).distinct()),
    )
