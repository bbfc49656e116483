"""The stock side of finishing a batch: what was really taken, and the solution that stands there now.

Both run inside the transaction of :func:`requests_app.services.closing.finish_batch`.
"""

from collections.abc import Iterable
from datetime import date
from decimal import Decimal
from typing import Final

from django.utils import timezone

from inventory.amounts import from_base, to_base
from inventory.models import Hold, Lot, Substance
from inventory.services import draw_holds, hold_stock, leave_nothing, receive_prepared_lot
from inventory.states import AVAILABLE, DRAWN
from prepdesk.accounts.models import User
from prepdesk.calc.settle import Settlement, added_unit
from prepdesk.calc.typed import TypedNumber, parse_number
from prepdesk.core.errors import NotInThisState
from requests_app import sheets
from requests_app.concealing import holds_unknown, purpose_of
from requests_app.models import Batch, BatchHold, Order, Sheet, UnknownSample
from requests_app.selectors import BenchStep, active_holds, readings_of
from requests_app.services.mishaps import taken_base
from requests_app.shelf_life import expiry_of

_ML_PER_UNIT: Final = {"L": Decimal(1000), "mL": Decimal(1), "uL": Decimal("0.001")}


def draw_used(*, actor: User, batch: Batch, sheet: Sheet, steps: list[BenchStep]) -> list[int]:
    """Draw what was really taken from each lot.

    Returns:
        The keys of all lots that gave something, also of those that ran out before and are drawn already.
    """
    _hold_what_is_missing(actor, batch, sheet, steps)
    holds = active_holds(batch)
    used = drawn_amounts(sheet.plan, readings_of(steps), holds)
    draw_holds(
        actor=actor,
        amounts=used,
        reason=purpose_of(batch)[:300],
        idempotency_key=f"finish-{batch.pk}",
    )
    leave_nothing(
        actor=actor,
        lots=[hold.lot_id for hold in holds],
        reason=f"{batch.reference} took less; the bottle is empty.",
        idempotency_key=f"finish-{batch.pk}-empty",
    )
    return sorted({*lots_drawn_before(batch), *(hold.lot_id for hold in holds if used[hold.pk])})


def _hold_what_is_missing(actor: User, batch: Batch, sheet: Sheet, steps: list[BenchStep]) -> None:
    """Hold what was weighed from a bottle of which nothing is held any more, because all of it was spilled.

    What went into a solution leaves its bottle and stands in its ancestry, or the stock is corrected first.
    """
    known = {*lots_drawn_before(batch), *(hold.lot_id for hold in active_holds(batch))}
    read = readings_of(steps)
    for lot_id in sorted({sheets.lot_of(one.step) or 0 for one in steps if one.step["number"] in read}):
        if not lot_id or lot_id in known:
            continue
        lot = Lot.objects.get(pk=lot_id)
        if lot.state != AVAILABLE:
            raise NotInThisState(
                f"By the ledger all of {lot.code} was spilled or is gone, and still it was weighed from. "
                "Count what is in the bottle and release it, then close the work."
            )
        mine = [one.step for one in steps if sheets.lot_of(one.step) == lot_id and one.step.get("quantity")]
        planned = {step["number"]: parse_number(step["quantity"]["value"]) for step in mine}
        values = {number: read.get(number, value) for number, value in planned.items()}
        holds = hold_stock(
            actor=actor,
            draws={lot_id: taken_base(sheet.plan, lot_id, values)},
            purpose=purpose_of(batch)[:120],
            idempotency_key=f"finish-{batch.pk}-{lot_id}",
        )
        BatchHold.objects.create(batch=batch, sheet=sheet, hold=holds[lot_id], component=mine[0]["component"])


def lots_drawn_before(batch: Batch) -> list[int]:
    """Keys of the lots that gave what they had while the batch was made, before it is closed."""
    drawn = batch.batch_holds.filter(hold__state=DRAWN).exclude(hold__movements=None)
    return list(drawn.values_list("hold__lot_id", flat=True).distinct())


def drawn_amounts(plan: sheets.Plan, records: dict[int, TypedNumber], holds: list[Hold]) -> dict[int, int]:
    """Base units really taken, by hold: as read where a reading was taken, as planned elsewhere.

    Args:
        plan: whose steps name the lots.
        records: the reading that counts, by step number.
        holds: one for each lot, with the lot loaded.
    """
    used: dict[int, int] = {}
    for hold in holds:
        steps = [
            step for step in plan["steps"] if step.get("quantity") and sheets.lot_of(step) == hold.lot_id
        ]
        if not any(step["number"] in records for step in steps):
            used[hold.pk] = hold.amount
            continue
        asked = sum((Decimal(step["quantity"]["value"]) for step in steps), Decimal(0))
        taken = sum(
            (
                records[step["number"]].value
                if step["number"] in records
                else Decimal(step["quantity"]["value"])
                for step in steps
            ),
            Decimal(0),
        )
        if steps[0]["quantity"]["unit"] == hold.lot.unit:
            used[hold.pk] = to_base(taken, hold.lot.unit)
        else:
            # A liquid that is weighed: its volume follows in proportion.
            used[hold.pk] = to_base(from_base(hold.amount, hold.lot.unit) * taken / asked, hold.lot.unit)
    return used


def _expiry(substances: Iterable[Substance], parents: list[int]) -> date:
    """The last day of a new solution: what is made from another solution keeps no longer than that one."""
    own = expiry_of([one.family or one.key for one in substances], timezone.localdate())
    solutions = Lot.objects.filter(pk__in=parents, kind=Lot.Kind.SOLUTION, expires_on__isnull=False)
    return min([own, *(day for day in solutions.values_list("expires_on", flat=True) if day)])


def shelve_solution(
    *,
    actor: User,
    batch: Batch,
    sheet: Sheet,
    settlement: Settlement,
    added: TypedNumber | None,
    parents: list[int],
    checked_by: User | None = None,
) -> None:
    """Put the finished solution on the shelf, with whoever signed its readings as the second person."""
    components = sheet.plan["components"]
    substances = Substance.objects.in_bulk([one["key"] for one in components], field_name="key")
    # What the apparatus makes may be more than was asked. Without a density it is known by mass alone;
    # then the volume asked for stands for it.
    makes = sheet.plan["makes"]
    volume = makes if makes["unit"] in _ML_PER_UNIT else sheet.plan["volume"]
    volume_ml = Decimal(volume["value"]) * _ML_PER_UNIT[volume["unit"]]
    if added is not None and added_unit(sheet.plan) == "mL":
        volume_ml += added.value
    # Past its line it was made up to more than the sheet says.
    volume_ml += Decimal(str(settlement.over_ml))
    concentrations = settlement.concentrations
    secret = holds_unknown(batch)
    alone = len(components) == 1 and concentrations[0].mol_per_l is not None and not secret
    lot = receive_prepared_lot(
        actor=actor,
        title=batch.title,
        substance=substances[components[0]["key"]],
        composition=() if secret else [one.as_dict() for one in concentrations],
        concentration_mol_per_l=concentrations[0].mol_per_l_text if alone else "",
        relative_uncertainty_percent=concentrations[0].expanded_uncertainty_percent_text if alone else "",
        volume_base=to_base(volume_ml, "mL"),
        parents=parents,
        expires_on=_expiry(substances.values(), parents),
        idempotency_key=f"prepared-{batch.pk}",
        is_unknown=secret,
        checked_by=checked_by,
    )
    if secret:
        _write_into_key(batch, settlement)
    batch.prepared_lot = lot


def _write_into_key(batch: Batch, settlement: Settlement) -> None:
    """What was really made of an unknown stands with its code, for the key, and not on the shelf."""
    made = settlement.concentrations[0]
    UnknownSample.objects.filter(order__batch=batch).update(
        actual_mol_per_l=made.mol_per_l, actual_expanded_percent=made.expanded_uncertainty_percent
    )


def strike_from_key(orders: Iterable[Order]) -> None:
    """A sample that is given up is not what its code stands for any more; it is made again."""
    samples = UnknownSample.objects.filter(order__in=[order.pk for order in orders])
    samples.update(actual_mol_per_l=None, actual_expanded_percent=None)
