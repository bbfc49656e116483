"""Bottles shown to a step: which one it takes, what a scanned one is against it, and how that stands."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.db.models.functions import Coalesce
from django.utils import timezone

from inventory import codes, misread
from inventory.models import ApparatusItem, Lot, Place
from inventory.selectors import calc_catalogue, lot_roots, path_to, why_not_one_lot
from inventory.states import AVAILABLE, LOT_STATES
from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.errors import CalcError
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.typed import parse_number
from requests_app import sample_codes
from requests_app.models import Batch, BottleScan, Portion, Sheet
from requests_app.selectors.rules import department_rules

Verdict = BottleScan.Verdict

SAID_AT_MOST: Final = 300
# Lots of one strength differ by less than this part of it; more is another strength (common practice).
_ANOTHER_STRENGTH: Final = 0.05
_BOTTLES: Final = (codes.LOT, codes.PORTION)

# How it stands with the bottle of a step.
NO_BOTTLE: Final = "none"
OFFERED: Final = "offered"
NEEDED: Final = "needed"
DONE: Final = "done"
REFUSED: Final = "refused"


# --- what a scanned bottle is ---------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class Judged:
    """What a scanned code is for a step.

    Attributes:
        verdict: one of :class:`BottleScan.Verdict`.
        said: what is wrong and what to do, as sentences.
        lot: the bottle that bears the code.
    """

    verdict: str
    said: str
    lot: Lot | None = None


def judge_scan(right: Lot, scanned: str, today: date) -> Judged:
    """What a scanned or typed code is for a step that takes from the bottle ``right``."""
    code = codes.tidied(scanned)
    if not codes.is_sound(code):
        return _no_code(right, scanned)
    lot = Lot.objects.select_related("substance", "place").filter(code=code).first()
    if lot is None:
        return Judged(Verdict.UNKNOWN, f"{_other_thing(code)} {_fetch(right)}")
    if lot.pk != right.pk:
        other = _other_bottle(right, lot)
        if other is not None:
            return other
    why_not = why_not_good(lot, today)
    if why_not is not None:
        return why_not
    if lot.pk != right.pk:
        return Judged(
            Verdict.RIGHT,
            f"{lot.code} is of the same lot as {right.code}, so the figures hold. What is taken is booked "
            f"from {right.code}.",
            lot,
        )
    return Judged(Verdict.RIGHT, f"{lot.code}, {name_of(lot)}.", lot)


def why_not_good(lot: Lot, today: date) -> Judged | None:
    """Why nothing may be taken from a bottle today, whichever step asks for it."""
    if lot.state != AVAILABLE:
        said = f"{lot.code}, {name_of(lot)}, is {LOT_STATES[lot.state].lower()}. Take nothing from it."
        if lot.state == "empty":
            said = (
                f"By the ledger {lot.code}, {name_of(lot)}, is empty. If something is in it, have it "
                "counted; if not, go on with “This bottle is empty”."
            )
        return Judged(Verdict.STOPPED, said, lot)
    if lot.expires_on is not None and lot.expires_on < today:
        day = f"{lot.expires_on.day} {lot.expires_on:%B %Y}"
        said = f"{lot.code}, {name_of(lot)}, expired on {day}. Do not open it; ask the manager, or have it"
        return Judged(Verdict.EXPIRED, f"{said} planned again without it.", lot)
    return None


def _no_code(right: Lot, scanned: str) -> Judged:
    shown = short(scanned.strip(), 24)
    garbled = misread.why_garbled(scanned)
    if garbled:
        return Judged(Verdict.GARBLED, f"“{shown}” was not read rightly. {garbled}")
    if sample_codes.is_sound(sample_codes.tidied(scanned)):
        return Judged(
            Verdict.UNKNOWN, f"“{shown}” is the code of a coded sample and of no bottle. {_fetch(right)}"
        )
    return Judged(
        Verdict.UNKNOWN, f"“{shown}”: {misread.why_foreign(scanned)} Scan our own label, {right.code}."
    )


def _other_thing(code: str) -> str:
    """What a sound code that is no lot's belongs to, as a sentence."""
    if code.startswith(codes.PLACE):
        place = Place.objects.filter(code=code).first()
        return f"{code} is a place{f', {place.name}' if place else ''}, and no bottle."
    if code.startswith(codes.APPARATUS):
        item = ApparatusItem.objects.filter(code=code).first()
        return f"{code} is apparatus{f', {item.type}' if item else ''}, and no bottle."
    if code.startswith(codes.PORTION):
        # Nothing of what is in it: it may be for a coded sample.
        found = Portion.objects.select_related("batch").filter(code=code).first()
        of = f" of {found.batch.reference}" if found else ""
        return f"{code} is a bottle poured for a section{of}, and none to weigh or measure from."
    return f"No bottle in the store has the code {code}."


def _other_bottle(right: Lot, lot: Lot) -> Judged | None:
    """What is said of another bottle than the right one; None where both are of one lot."""
    also = f" It is {LOT_STATES[lot.state].lower()}, too." if lot.state != AVAILABLE else ""
    if lot.substance_id != right.substance_id:
        said = f"{lot.code} is {_named(lot)}; this step takes {_named(right)}. Do not open it.{also}"
        return Judged(Verdict.OTHER_FORM, f"{said} {_fetch(right)}", lot)
    if _is_another_strength(right, lot):
        here, there = (_strength(one) or one.get_kind_display().lower() for one in (lot, right))
        said = f"{lot.code} is {_named(lot)}, {here}; this step takes {there}. Do not open it.{also}"
        return Judged(Verdict.OTHER_FORM, f"{said} {_fetch(right)}", lot)
    if not why_not_one_lot(right, lot, lot_roots(right.substance_id)):
        return None
    here, there = _strength(lot), _strength(right)
    differs = f": {here} here, {there} in {right.code}" if here and there and here != there else ""
    said = (
        f"{lot.code} is {name_of(lot)} too, but another lot{differs}. The sheet was reckoned for "
        f"{right.code}.{also} {_fetch(right)} If that is empty, go on with “This bottle is empty”."
    )
    return Judged(Verdict.OTHER_LOT, said, lot)


def _is_another_strength(right: Lot, lot: Lot) -> bool:
    if lot.kind != right.kind:
        return True
    if lot.kind == Lot.Kind.SOLUTION and bool(lot.composition) != bool(right.composition):
        return True
    if {one["substance"] for one in lot.composition} != {one["substance"] for one in right.composition}:
        return True
    for field in ("mass_percent", "concentration_mol_per_l"):
        here, there = getattr(lot, field), getattr(right, field)
        if bool(here) != bool(there):
            return True
        if here and abs(parse_number(here).value / parse_number(there).value - 1) > _ANOTHER_STRENGTH:
            return True
    return False


def _strength(lot: Lot) -> str:
    if lot.mass_percent:
        return f"{lot.mass_percent} % w/w"
    if lot.concentration_mol_per_l:
        return f"{lot.strength_shown} mol/L"
    return f"assay {lot.assay_percent} %" if lot.assay_percent else ""


def _named(lot: Lot) -> str:
    """A substance with its formula and molar mass, as far as the catalogue knows them."""
    name = name_of(lot)
    try:
        formula = calc_catalogue().by_key(lot.substance.key).formula
        return f"{name} ({parse_formula(formula).pretty}, {molar_mass(formula).g_per_mol:.2f} g/mol)"
    except CalcError:
        return f"{name} ({lot.substance.formula})" if lot.substance.formula else name


def name_of(lot: Lot) -> str:
    """What is in a bottle, short enough for a sentence at arm's length."""
    return short(lot.title or lot.substance.name, 60)


def _fetch(right: Lot) -> str:
    where = f" from {short(right.place.name, 40)}" if right.place else ""
    return f"Fetch {right.code}{where}."


def short(text: str, most: int) -> str:
    """A text of at most so many signs."""
    return text if len(text) <= most else f"{text[: most - 1]}…"


# --- how it stands at a step ----------------------------------------------------------------------
@dataclass(frozen=True, slots=True)
class ScanState:
    """How it stands with the bottle of a step.

    Attributes:
        state: ``none`` where the step takes from no bottle, ``offered`` where it may be scanned, ``needed``
            where it must, ``done``, or ``refused`` after a wrong one.
        right: the bottle to fetch.
        where: where it stands, from the room inwards.
        last: the newest scan at this step on this sheet.
        stops: the scan of a wrong bottle that nothing right followed.
        why_not: what is wrong with the right bottle today, empty where it is good.
    """

    state: str
    right: Lot | None = None
    where: str = ""
    last: BottleScan | None = None
    stops: BottleScan | None = None
    why_not: str = ""

    @property
    def is_done(self) -> bool:
        """The right bottle was shown."""
        return self.state == DONE

    @property
    def is_refused(self) -> bool:
        """A wrong bottle was shown, and no right one after it."""
        return self.state == REFUSED

    @property
    def is_needed(self) -> bool:
        """Nothing is recorded before the right bottle is shown."""
        return self.state in (NEEDED, REFUSED)


def scan_state(batch: Batch, sheet: Sheet, step: Mapping[str, Any]) -> ScanState:
    """How it stands with the bottle of a step on a sheet."""
    right = bottle_of(step)
    if right is None:
        return ScanState(NO_BOTTLE)
    by_step = _scans_by_step(batch, sheet)
    here = by_step.get(step["number"], [])
    shown = _newest_bottle(here)
    stops = shown if shown is not None and shown.verdict != Verdict.RIGHT else None
    if stops is not None:
        state = REFUSED
    elif shown is not None or _shown_before(sheet, step, by_step):
        state = DONE
    else:
        state = NEEDED if department_rules().scan_bottles else OFFERED
    why_not = why_not_good(right, timezone.localdate())
    return ScanState(
        state=state,
        right=right,
        where=" / ".join(place.name for place in path_to(right.place)) if right.place else "",
        last=here[-1] if here else None,
        stops=stops,
        why_not=why_not.said if why_not else "",
    )


def bottle_of(step: Mapping[str, Any]) -> Lot | None:
    """The bottle a step takes from, with its substance and place; None where it takes from none."""
    lot = step.get("lot")
    if not lot:
        return None
    return Lot.objects.select_related("substance", "place").filter(code=lot["code"]).first()


def _scans_by_step(batch: Batch, sheet: Sheet) -> dict[int, list[BottleScan]]:
    """The scans that count on a sheet, oldest first: its own, and those of what it goes on from.

    By when they were made: a device may send one after somebody else has scanned.
    """
    found: dict[int, list[BottleScan]] = {}
    scans = BottleScan.objects.filter(batch=batch).select_related("lot")
    for scan in scans.order_by(Coalesce("taken_at", "at"), "pk"):
        if scan.sheet_id == sheet.pk or scan.step_number <= sheet.kept.get(str(scan.sheet_id), 0):
            found.setdefault(scan.step_number, []).append(scan)
    return found


def _newest_bottle(scans: Iterable[BottleScan]) -> BottleScan | None:
    """The newest scan of them that was of a bottle: a garbled one, a shelf or a maker's number is none."""
    bottles = [scan for scan in scans if is_of_a_bottle(scan)]
    return bottles[-1] if bottles else None


def is_of_a_bottle(scan: BottleScan) -> bool:
    """Whether a scan tells that a bottle was at hand, right or wrong."""
    if scan.verdict == Verdict.UNKNOWN:
        code = codes.tidied(scan.code)
        return codes.is_sound(code) and code.startswith(_BOTTLES)
    return scan.verdict != Verdict.GARBLED


def _shown_before(sheet: Sheet, step: Mapping[str, Any], by_step: Mapping[int, list[BottleScan]]) -> bool:
    """Whether an earlier step that takes from the same bottle was shown it."""
    same = [
        earlier["number"]
        for earlier in sheet.plan["steps"]
        if earlier["number"] < step["number"]
        and (earlier.get("lot") or {}).get("code") == step["lot"]["code"]
    ]
    newest = (_newest_bottle(by_step.get(number, [])) for number in same)
    return any(scan is not None and scan.verdict == Verdict.RIGHT for scan in newest)
