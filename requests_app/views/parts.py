"""What the pages of a batch share: its sheet, who is in it, what may be done with it now."""

from dataclasses import dataclass
from typing import Any, Final

from django.http import Http404

from inventory.models import Lot
from prepdesk.access import policy
from prepdesk.accounts.models import User
from requests_app import states
from requests_app.concealing import may_make
from requests_app.models import Batch, Sheet
from requests_app.selectors import BenchStep

# Events of the batch table that a person sets off on the batch's own page.
_OWN_EVENTS: Final = ("claim", "start", "put_back", "finish", "hand_over")


@dataclass(frozen=True, slots=True)
class Identity:
    """One solute of a sheet with the bottles it comes from."""

    component: dict[str, Any]
    lots: tuple[tuple[Lot, str], ...]


def sheet_of(batch: Batch, revision: int | None = None) -> Sheet:
    """The newest sheet of a batch loaded with everything, or the one of that revision.

    Raises:
        Http404: no such revision.
    """
    sheets = sorted(batch.sheets.all(), key=lambda sheet: -sheet.revision)
    found = next((sheet for sheet in sheets if revision in (None, sheet.revision)), None)
    if found is None:
        raise Http404
    return found


def identities(batch: Batch, sheet: Sheet) -> list[Identity]:
    """Who is in the solution: every component with its lots, each with what its label certifies."""
    lots = {link.hold.lot_id: link.hold.lot for link in batch.batch_holds.all()}
    drawn: dict[int, dict[int, Lot]] = {}
    for draw in sheet.plan["draws"]:
        lot = lots.get(int(draw["lot"]["id"])) if draw["lot"] else None
        if lot is not None:
            drawn.setdefault(draw["component"], {})[lot.pk] = lot
    return [
        Identity(component, tuple((lot, certified(lot)) for lot in drawn.get(position, {}).values()))
        for position, component in enumerate(sheet.plan["components"])
    ]


def cautions_of_the_whole(plan: dict[str, Any]) -> list[dict[str, str]]:
    """The cautions of a plan that no step says in the same words; those stand at their step."""
    said = {caution["text"] for step in plan["steps"] for caution in step.get("cautions") or ()}
    return [caution for caution in plan["cautions"] if caution["text"] not in said]


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One line of the sheet for paper.

    Attributes:
        bench_step: the step with its records.
        cautions: those that are said here for the first time on the page.
        lot: its code, where the sentence of the step does not name it.
    """

    bench_step: BenchStep
    cautions: tuple[str, ...]
    lot: str


def sheet_lines(steps: list[BenchStep]) -> list[SheetLine]:
    """The lines of the sheet: a caution stands where it first matters and is not repeated below."""
    said: set[str] = set()
    lines = []
    for one in steps:
        texts = [caution["text"] for caution in one.step.get("cautions") or ()]
        fresh = tuple(text for text in texts if text not in said)
        said.update(texts)
        code = (one.step.get("lot") or {}).get("code", "")
        lines.append(SheetLine(one, fresh, "" if code in one.step["text"] else code))
    return lines


def certified(lot: Lot) -> str:
    """What the label of a lot says about its content: ``assay 99.5 ± 0.2 %``."""
    parts = []
    if lot.assay_percent:
        tolerance = f" ± {lot.assay_tolerance_percent}" if lot.assay_tolerance_percent else ""
        parts.append(f"assay {lot.assay_percent}{tolerance} %")
    if lot.mass_percent:
        parts.append(f"{lot.mass_percent} % w/w")
    if lot.density_g_per_ml:
        parts.append(f"{lot.density_g_per_ml} g/mL")
    if lot.concentration_mol_per_l:
        spread = f" ± {lot.relative_uncertainty_percent} %" if lot.relative_uncertainty_percent else ""
        parts.append(f"{lot.strength_shown} mol/L{spread}")
    if lot.grade:
        parts.append(lot.grade)
    return ", ".join(parts)


def open_events(actor: User, batch: Batch, steps: list[BenchStep]) -> set[str]:
    """The events of the state table that this person may set off now; buttons are drawn from it."""
    possible = {event for event in _OWN_EVENTS if (batch.state, event) in states.BATCH_NEXT}
    if not policy.may(actor, "work_batch"):
        possible -= {"claim", "start", "put_back", "finish"}
    if not policy.may(actor, "hand_over_batch"):
        possible.discard("hand_over")
    if not holds(actor, batch):
        possible -= {"start", "finish"}
        # A manager may take any batch off somebody, without seeing what is in it.
        if actor.role != policy.MANAGER:
            possible.discard("put_back")
    if any(not one.is_done for one in steps):
        possible.discard("finish")
    return possible


def holds(actor: User, batch: Batch) -> bool:
    """Whether the batch is in this person's hands: theirs, or anybody's for a manager; an unknown is its
    maker's alone."""
    return batch.claimed_by_id == actor.pk or (actor.role == policy.MANAGER and may_make(actor, batch))


def current_step(steps: list[BenchStep]) -> BenchStep | None:
    """The first step without a record, or None when all are done."""
    return next((one for one in steps if one.is_current), None)
