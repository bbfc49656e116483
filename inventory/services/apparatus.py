"""Balances, glassware and what else the department owns: added, changed, counted, in service or not.

Every change is written into the item's history in the same transaction, old and new.
"""

from collections.abc import Mapping
from datetime import date
from typing import Any, Final, cast

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory import codes
from inventory.models import ApparatusItem, Place
from inventory.selectors import calc_apparatus, places
from inventory.services.lost import tell_what_is_lost
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Figure, Reader
from inventory.services.upkeep import MOST, covers_less, locked_item, note_event
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.calc.apparatus import tolerance_ml
from prepdesk.calc.errors import InputError
from prepdesk.calc.model import ApparatusType
from prepdesk.calc.typed import parse_number

_SIZES: Final = {
    "nominal_ml": Figure("A size", "mL", "100000"),
    "tolerance_ml": Figure("A limit of error", "mL", "1000"),
    "division_ml": Figure("A division", "mL", "1000"),
    "readability_g": Figure("A readability", "g", "100"),
    "capacity_g": Figure("A capacity", "g", "1000000"),
    "repeatability_g": Figure("A repeatability", "g", "100"),
    "linearity_g": Figure("A linearity", "g", "100"),
}
_OF_BALANCES: Final = frozenset({"readability_g", "capacity_g", "repeatability_g", "linearity_g"})
CLASSES: Final = ("", "A", "AS", "B")


@atomic_with_retries
def add_apparatus(
    *,
    actor: User,
    type: str,  # noqa: A002 (the trade's word for it)
    nominal_ml: str = "",
    tolerance_ml: str = "",
    division_ml: str = "",
    readability_g: str = "",
    capacity_g: str = "",
    repeatability_g: str = "",
    linearity_g: str = "",
    apparatus_class: str = "",
    standard: str = "",
    name: str = "",
    count: int = 1,
    calibration_due_on: date | None = None,
    last_calibrated_on: date | None = None,
    place: Place | None = None,
    note: str = "",
    idempotency_key: str | None = None,
) -> ApparatusItem:
    """Add so many of one kind of apparatus.

    Sizes are as typed [mL or g]. Without a limit of error the tabulated one of class and standard
    counts; where there is neither, measuring ware is refused, because nothing could be planned with it.

    Args:
        name: what the room calls it, where there is more than one of its kind.
        calibration_due_on: the last day on which it may be used without a new calibration.
        idempotency_key: the same key adds once; later calls return the first item.

    Raises:
        NotAllowed, InvalidInput.
    """
    policy.require(actor, "manage_apparatus")
    sizes = {
        "nominal_ml": nominal_ml,
        "tolerance_ml": tolerance_ml,
        "division_ml": division_ml,
        "readability_g": readability_g,
        "capacity_g": capacity_g,
        "repeatability_g": repeatability_g,
        "linearity_g": linearity_g,
    }
    words = {"standard": standard, "note": note, "name": name}
    item = check_apparatus(
        kind=type,
        sizes=sizes,
        apparatus_class=apparatus_class,
        words=words,
        count=count,
        last_calibrated_on=last_calibrated_on,
        calibration_due_on=calibration_due_on,
    )
    item.place = place
    item.idempotency_key = idempotency_key
    try:
        with transaction.atomic():
            item.save(force_insert=True)
    except IntegrityError:
        return ApparatusItem.objects.get(idempotency_key=idempotency_key)
    # From the number the database gave it, so that no two can meet.
    item.code = codes.code_of(item.pk, codes.APPARATUS)
    item.save(update_fields=["code"])
    note_event(item, "add", actor=actor, reason=f"{item.count} × {item}")
    return item


def check_apparatus(
    *,
    kind: str,
    sizes: Mapping[str, str],
    apparatus_class: str,
    words: Mapping[str, str],
    count: int,
    last_calibrated_on: date | None = None,
    calibration_due_on: date | None = None,
) -> ApparatusItem:
    """Read what was typed about apparatus, without saving anything.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    reader = Reader()
    if kind not in ApparatusItem.Type.values:
        reader.refuse("type", "Choose what it is.")
    kept = reader.figures(_SIZES, sizes)
    _check_sizes(reader, kind, kept)
    if apparatus_class not in CLASSES:
        reader.refuse("apparatus_class", "The class is the mark on the glass: A, AS or B.")
    if not 1 <= count <= MOST:
        reader.refuse("count", "Say how many there are, at least 1.")
    _check_days(reader, last_calibrated_on, calibration_due_on)
    item = ApparatusItem(
        type=kind,
        apparatus_class=apparatus_class,
        standard=reader.words("standard", words.get("standard", ""), 60),
        count=count,
        note=reader.words("note", words.get("note", ""), 200),
        name=reader.words("name", " ".join(words.get("name", "").split()), 80),
        last_calibrated_on=last_calibrated_on,
        calibration_due_on=calibration_due_on,
        **kept,
    )
    reader.done()
    if kind not in ApparatusItem.COUNTED_ONLY and calc_apparatus(item) is None:
        _ask_for_tolerance(reader, item)
    reader.done()
    return item


def _ask_for_tolerance(reader: Reader, item: ApparatusItem) -> None:
    """Measuring ware whose limit of error nobody knows can't be planned with, so it isn't taken."""
    why = "Type the limit of error that is marked on it"
    if item.standard:
        division = item.division_ml and float(parse_number(item.division_ml).value)
        try:
            tolerance_ml(
                cast(ApparatusType, item.type),
                float(parse_number(item.nominal_ml).value),
                item.apparatus_class,
                item.standard,
                division or None,
            )
        except InputError as error:
            why = f"{error.text} Else type the limit of error that is marked on it"
    reader.refuse(
        "tolerance_ml", f"{why}{'' if item.standard else ', or choose the standard its class mark means'}."
    )


def _check_sizes(reader: Reader, kind: str, sizes: dict[str, str]) -> None:
    balance = kind == ApparatusItem.Type.BALANCE
    counted = kind in ApparatusItem.COUNTED_ONLY
    if balance and not sizes["readability_g"]:
        reader.refuse("readability_g", "Say to what the balance reads, as on its plate: 0.01 g.")
    if not balance and not counted and not sizes["nominal_ml"]:
        reader.refuse("nominal_ml", "Say its size, as marked on it.")
    for field, text in sizes.items():
        what = _SIZES[field].what
        if text and counted:
            reader.refuse(field, f"{what} is not kept for this; say it in the note.")
        elif text and (field in _OF_BALANCES) is not balance:
            reader.refuse(field, f"{what} belongs to {'glassware' if balance else 'a balance'}.")


def _check_days(reader: Reader, last: date | None, due: date | None) -> None:
    if last is not None and last > timezone.localdate():
        reader.refuse("last_calibrated_on", "That day is still to come.")
    if last is not None and due is not None and due <= last:
        reader.refuse("calibration_due_on", "The next calibration must lie after the last one.")


# --- changes --------------------------------------------------------------------------------------
# What stands in a history for each fact, with its unit.
_FACT_WORDS: Final = {
    **{field: (figure.what.partition(" ")[2].capitalize(), figure.unit) for field, figure in _SIZES.items()},
    "nominal_ml": ("Size", "mL"),
    "apparatus_class": ("Class", ""),
    "standard": ("Standard", ""),
    "name": ("Name", ""),
    "place_id": ("Place", ""),
    "note": ("Note", ""),
    "last_calibrated_on": ("Last calibrated", ""),
    "calibration_due_on": ("Calibration due", ""),
}


@atomic_with_retries
def change_apparatus(
    *,
    actor: User,
    item: ApparatusItem,
    sizes: Mapping[str, str],
    apparatus_class: str,
    words: Mapping[str, str],
    last_calibrated_on: date | None,
    calibration_due_on: date | None,
    place: Place | None,
    reason: str = "",
) -> ApparatusItem:
    """Put the facts of an item right; the history keeps what they were. Its type and count stay.

    Raises:
        NotAllowed, InvalidInput: by field; a fact that plans count with needs a reason.
    """
    policy.require(actor, "manage_apparatus")
    locked = locked_item(item)
    typed = check_change(
        item=locked,
        sizes=sizes,
        apparatus_class=apparatus_class,
        words=words,
        last_calibrated_on=last_calibrated_on,
        calibration_due_on=calibration_due_on,
        reason=reason,
    )
    typed.place = place
    where = dict(places())
    covered = locked.calibration_due_on
    changes = []
    for field, (what, unit) in _FACT_WORDS.items():
        old, new = getattr(locked, field), getattr(typed, field)
        if old != new:
            setattr(locked, field, new)
            changes.append(
                {"fact": what, "old": _shown(field, old, unit, where), "new": _shown(field, new, unit, where)}
            )
    if changes:
        locked.save()
        event = note_event(locked, "change", actor=actor, reason=reason.strip(), changes=changes)
        if covers_less(covered, locked):
            tell_what_is_lost(actor=actor, item=locked, event=event)
    return locked


# What a plan is computed from, or what keeps an item out of it.
_COUNTED_WITH: Final = (*_SIZES, "apparatus_class", "standard", "last_calibrated_on", "calibration_due_on")


def check_change(
    *,
    item: ApparatusItem,
    sizes: Mapping[str, str],
    apparatus_class: str,
    words: Mapping[str, str],
    last_calibrated_on: date | None,
    calibration_due_on: date | None,
    reason: str,
) -> ApparatusItem:
    """Read changed facts without saving them; the answer is an unsaved row with the new ones.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    typed = check_apparatus(
        kind=item.type,
        sizes=sizes,
        apparatus_class=apparatus_class,
        words=words,
        count=max(item.count, 1),
        last_calibrated_on=last_calibrated_on,
        calibration_due_on=calibration_due_on,
    )
    reader = Reader()
    reader.words("reason", reason, MAX_REASON)
    if any(getattr(item, field) != getattr(typed, field) for field in _COUNTED_WITH) and not reason.strip():
        reader.refuse("reason", "Plans count with what you changed. Say why it changes.")
    reader.done()
    return typed


def _shown(field: str, value: Any, unit: str, where: Mapping[int, str]) -> str:
    if field == "place_id":
        return where.get(value or 0, "")
    return f"{value} {unit}".strip() if value else ""
