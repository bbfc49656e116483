"""What is written about a bottle is put right, or it is put elsewhere; its history says what changed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.db.models import prefetch_related_objects

from inventory import ledger
from inventory.amounts import money_text
from inventory.models import Lot, LotEvent, Place
from inventory.selectors import Shelves
from inventory.services.facts import FACTS, read_facts
from inventory.services.lots import LONGEST, check_dates, note
from inventory.services.moves import event_of_move, write_move
from inventory.services.standing import check_standing_among
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User

_NAMES: Final = {
    "assay_percent": "assay",
    "assay_tolerance_percent": "tolerance of the assay",
    "mass_percent": "mass percent",
    "density_g_per_ml": "density",
    "concentration_mol_per_l": "concentration",
    "relative_uncertainty_percent": "uncertainty",
    "lot_number": "lot number",
    "grade": "grade",
    "expires_on": "expiry",
    "note": "note",
    "cost_minor": "cost",
}
# These may change without saying why: nothing is planned with them.
_LIGHT: Final = frozenset({"note", "cost_minor"})
_SHOWN: Final = 60


@atomic_with_retries
def correct_label(
    *,
    actor: User,
    lot: Lot,
    figures: Mapping[str, str],
    words: Mapping[str, str],
    expires_on: date | None,
    place: Place | None,
    cost: str | None = None,
    reason: str = "",
    storage_reason: str = "",
) -> Lot:
    """Put right what was copied wrongly from a label, or say where the bottle now stands.

    What sheets were planned from stays as it was on them; only new plans read the new figures.

    Args:
        figures: the facts of ``receive_lot``, as typed; those of a solution made here can't be changed.
        words: ``lot_number``, ``grade``, ``note``.
        cost: of the whole lot, as typed; ``None`` leaves what is there.
        reason: asked for as soon as more than place or note changes.
        storage_reason: why it stands there, where a storage rule speaks against the place.

    Raises:
        NotAllowed.
        InvalidInput: by field.
    """
    policy.require(actor, "receive_lot")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    new, kept = check_label(
        lot=locked, figures=figures, words=words, expires_on=expires_on, cost=cost, reason=reason
    )
    told = _told(locked, new, kept)
    write_move(locked, place, actor=actor, storage_reason=storage_reason)
    if told:
        note(locked, "label", actor=actor, reason=told)
    for field, value in new.items():
        setattr(locked, field, value)
    locked.save(update_fields=list(new))
    return locked


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says now and where the bottle stands; the fields are those of ``correct_label``."""

    lot_id: int
    figures: Mapping[str, str]
    words: Mapping[str, str]
    expires_on: date | None
    reason: str
    place: Place | None
    cost: str | None = None
    storage_reason: str = ""


@atomic_with_retries
def correct_labels_in_bulk(
    *, actor: User, labels: Sequence[Label], tick: Callable[[int], None] = lambda _done: None
) -> None:
    """Put many labels right, as :func:`correct_label` does one, all of them or none.

    Those that are put elsewhere are judged one after the other, each against what then stands there.

    Args:
        tick: told how many are done.

    Raises:
        NotAllowed.
        InvalidInput: of the first one that can't be.
    """
    policy.require(actor, "receive_lot")
    lots = ledger.lock_lots(label.lot_id for label in labels)
    events: list[LotEvent] = []
    going = [label for label in labels if lots[label.lot_id].place_id != _key(label.place)]
    shelves = Shelves() if going else None
    inside = _places_with_what_is_around() if going else {}
    prefetch_related_objects([lots[label.lot_id] for label in going], "substance")
    known = _against_already([label.lot_id for label in going])
    for done, label in enumerate(labels, start=1):
        lot = lots[label.lot_id]
        new, kept = check_label(
            lot=lot,
            figures=label.figures,
            words=label.words,
            expires_on=label.expires_on,
            cost=label.cost,
            reason=label.reason,
        )
        told = _told(lot, new, kept)
        changed = {field: value for field, value in new.items() if getattr(lot, field) != value}
        if shelves and lot.place_id != _key(label.place):
            against = check_standing_among(shelves, lot, label.place, label.storage_reason)
            lot.place, there = inside.get(lot.place_id or 0), inside.get(_key(label.place) or 0)
            events.append(event_of_move(lot, there, actor=actor))
            changed["place"] = there
            if against and (lot.pk, _key(label.place)) not in known:
                events.append(_event(lot, "against", actor, against, to_place=label.place))
        if told:
            events.append(_event(lot, "label", actor, told))
        if changed:
            Lot.objects.filter(pk=lot.pk).update(**changed)
        tick(done)
    LotEvent.objects.bulk_create(events, batch_size=500)


def _key(place: Place | None) -> int | None:
    return place.pk if place else None


def _places_with_what_is_around() -> dict[int, Place]:
    """Every place, so that its whole name asks nothing more."""
    rows = {place.pk: place for place in Place.objects.all()}
    for place in rows.values():
        place.parent = rows.get(place.parent_id or 0)
    return rows


def _against_already(lot_ids: Sequence[int]) -> set[tuple[int, int | None]]:
    """Which of these lots are known to stand against a rule, and where."""
    if not lot_ids:
        return set()
    return set(LotEvent.objects.filter(lot__in=lot_ids, event="against").values_list("lot_id", "to_place_id"))


def _event(lot: Lot, event: str, actor: User, reason: str, to_place: Place | None = None) -> LotEvent:
    state = {"from_state": lot.state, "to_state": lot.state}
    return LotEvent(lot=lot, event=event, actor=actor, reason=reason, to_place=to_place, **state)


def _told(lot: Lot, new: Mapping[str, Any], kept: str) -> str:
    """What changes on a label, from what to what and why; empty where nothing does."""
    changes = [
        f"{_NAMES[field]} “{_short(field, getattr(lot, field))}” to “{_short(field, value)}”"
        for field, value in new.items()
        if getattr(lot, field) != value
    ]
    return f"{'; '.join(changes)}. {kept}".strip() if changes else ""


def check_label(
    *,
    lot: Lot,
    figures: Mapping[str, str],
    words: Mapping[str, str],
    expires_on: date | None,
    cost: str | None = None,
    reason: str,
) -> tuple[dict[str, Any], str]:
    """Read a corrected label without saving it.

    Returns:
        The new values by field, and the reason.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    new: dict[str, Any] = {}
    if lot.prepared_by_id is None:
        new |= read_facts(reader, lot.kind, {field: figures.get(field, "") for field in FACTS})
    new |= {field: reader.words(field, words.get(field, ""), most) for field, most in LONGEST.items()}
    new["expires_on"] = expires_on
    if cost is not None:
        new["cost_minor"] = reader.money("cost", cost)
    if lot.received_on:
        check_dates(reader, lot.received_on, lot.opened_on, expires_on)
    kept = reader.words("reason", reason, MAX_REASON)
    if not kept and any(getattr(lot, field) != value for field, value in new.items() if field not in _LIGHT):
        reader.refuse("reason", "Say why it changes, for whoever compares it with an older sheet.")
    reader.done()
    return new, kept


def _short(field: str, value: object) -> str:
    if field == "cost_minor" and isinstance(value, int):
        return money_text(value)
    text = str(value or "")
    return text if len(text) <= _SHOWN else f"{text[: _SHOWN - 1]}…"
