"""Bottles come in and change their state."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, Final

from django.db import transaction
from django.utils import timezone

from inventory import codes, ledger, states
from inventory.amounts import Unit
from inventory.models import Lot, LotEvent, LotParent, Movement, Place, Substance
from inventory.services.facts import read_facts
from inventory.services.shelf_life import expiry_on_receipt
from inventory.services.standing import check_standing, note_standing
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import AMOUNT_UNITS, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, NotInThisState

UNIT_OF_KIND: Final[dict[str, str]] = {
    Lot.Kind.SOLID.value: Unit.GRAM.value,
    Lot.Kind.LIQUID.value: Unit.MILLILITRE.value,
    Lot.Kind.SOLUTION.value: Unit.MILLILITRE.value,
    Lot.Kind.ITEM.value: Unit.PIECE.value,
}
UNKNOWN_NOTE: Final = "An unknown: what is in it is not for the label."
LONGEST: Final = {"lot_number": 60, "grade": 60, "note": 300}


# --- coming in ----------------------------------------------------------------------------------
@atomic_with_retries
def receive_lot(
    *,
    actor: User,
    substance: Substance,
    kind: str,
    amount: str,
    unit: str,
    idempotency_key: str,
    assay_percent: str = "",
    assay_tolerance_percent: str = "",
    mass_percent: str = "",
    density_g_per_ml: str = "",
    concentration_mol_per_l: str = "",
    relative_uncertainty_percent: str = "",
    lot_number: str = "",
    grade: str = "",
    place: Place | None = None,
    storage_reason: str = "",
    received_on: date | None = None,
    opened_on: date | None = None,
    expires_on: date | None = None,
    no_expiry: bool = False,
    cost: str = "",
    note: str = "",
) -> Lot:
    """Put a bottle, or several alike, on the shelf, and give it its code.

    Where the label gives no expiry, the shelf life the department keeps for the substance gives one;
    the history of the lot says so.

    Args:
        kind: ``solid``, ``liquid``, ``solution`` or ``item``; solids are counted in g, pieces whole, the
            others in mL.
        amount: as typed, in ``unit`` (kg, g, mg, L, mL, uL, pc).
        assay_percent: and the other figures: as typed from certificate or label, empty where unknown.
        storage_reason: why it stands there, where a storage rule speaks against the place.
        received_on: today where it isn't said.
        no_expiry: it doesn't expire, whatever the shelf life of the substance.
        cost: of all of it, as typed, in the department's currency with at most two decimals.
        idempotency_key: the same key receives once.

    Raises:
        NotAllowed: for those who may not receive.
        InvalidInput: by field; ``storage_reason`` where it should not stand there and no reason is given.
        Conflict: when the key was used for another bottle.
    """
    policy.require(actor, "receive_lot")
    figures = {
        "assay_percent": assay_percent,
        "assay_tolerance_percent": assay_tolerance_percent,
        "mass_percent": mass_percent,
        "density_g_per_ml": density_g_per_ml,
        "concentration_mol_per_l": concentration_mol_per_l,
        "relative_uncertainty_percent": relative_uncertainty_percent,
    }
    came = received_on or timezone.localdate()
    words = {"lot_number": lot_number, "grade": grade, "note": note}
    lot, base = check_receipt(
        kind=kind,
        amount=amount,
        unit=unit,
        figures=figures,
        words=words,
        received_on=came,
        opened_on=opened_on,
        expires_on=expires_on,
        cost=cost,
    )
    lot.substance = substance
    lot.place = place
    told = ""
    if not no_expiry:
        lot.expires_on, told = expiry_on_receipt(lot)
    # Sent again it stands there already, and what it was told then holds.
    against = "" if ledger.posted(idempotency_key) else check_standing(lot, place, storage_reason)
    received = _put_on_shelf(
        lot, base, actor=actor, reason="Received", idempotency_key=idempotency_key, expiry_told=told
    )
    note_standing(received, against, actor=actor)
    return received


def check_receipt(
    *,
    kind: str,
    amount: str,
    unit: str,
    figures: Mapping[str, str],
    words: Mapping[str, str],
    received_on: date,
    opened_on: date | None,
    expires_on: date | None,
    cost: str = "",
) -> tuple[Lot, int]:
    """Read what was typed about a bottle that comes in, without saving anything.

    Returns:
        The lot, still without substance, place and code, and its base units.

    Raises:
        InvalidInput: naming everything that is wrong, by field.
    """
    reader = Reader()
    facts = read_facts(reader, kind, figures)
    # Without a kind the amount is at least read, so that one sending names every mistake.
    counted_in = UNIT_OF_KIND.get(kind) or AMOUNT_UNITS.get(unit, ("g",))[0]
    base = reader.amount("amount", amount, unit, counted_in=counted_in)
    if kind not in UNIT_OF_KIND:
        reader.refuse("kind", "Say what it is: a solid, a liquid reagent, a solution or pieces.")
    check_dates(reader, received_on, opened_on, expires_on)
    kept = {field: reader.words(field, words.get(field, ""), most) for field, most in LONGEST.items()}
    cost_minor = reader.money("cost", cost)
    reader.done()
    lot = Lot(
        kind=kind,
        cost_minor=cost_minor,
        unit=counted_in,
        received_on=received_on,
        opened_on=opened_on,
        expires_on=expires_on,
        **facts,
        **kept,
    )
    return lot, base


@atomic_with_retries
def receive_prepared_lot(
    *,
    actor: User,
    title: str,
    substance: Substance,
    composition: Sequence[dict[str, Any]],
    concentration_mol_per_l: str,
    relative_uncertainty_percent: str,
    volume_base: int,
    parents: Iterable[int],
    expires_on: date | None,
    idempotency_key: str,
    place: Place | None = None,
    is_unknown: bool = False,
    checked_by: User | None = None,
) -> Lot:
    """Put a solution made here on the shelf, with what it contains and what it was made of.

    Its stock is free as soon as it is there: whoever makes it for somebody holds it in the same
    transaction, or the next plan may draw from it.

    Args:
        title: what the label says, as "0.100 mol/L sodium chloride".
        substance: the solute; of several, the first.
        composition: one entry per solute: ``substance``, ``value``, ``unit``,
            ``expanded_uncertainty_percent``. With more than one it is never offered as a stock solution.
        concentration_mol_per_l: as a decimal, empty where it has no single one.
        relative_uncertainty_percent: of it, k = 2.
        volume_base: microlitres.
        parents: keys of the lots it was made of.
        idempotency_key: the same key receives once.
        is_unknown: what is in it is nobody's business here; composition and concentration stay empty, and
            no plan draws from it.
        checked_by: the second person who signed its readings, who is never the one who made it.

    Raises:
        NotAllowed, InvalidInput, Conflict: as :func:`receive_lot`.
    """
    policy.require(actor, "work_batch")
    reader = Reader()
    figures = {
        "concentration_mol_per_l": concentration_mol_per_l,
        "relative_uncertainty_percent": relative_uncertainty_percent,
    }
    facts = read_facts(reader, Lot.Kind.SOLUTION, figures)
    if volume_base <= 0:
        reader.refuse("volume", "A prepared solution must have a volume.")
    if is_unknown:
        if composition or concentration_mol_per_l:
            reader.refuse("composition", "The content of an unknown does not stand on the shelf.")
    elif not composition or not all({"substance", "value", "unit"} <= set(entry) for entry in composition):
        reader.refuse("composition", "Say for every solute what it is and how much of it is in there.")
    came = timezone.localdate()
    check_dates(reader, came, None, expires_on)
    lot = Lot(
        substance=substance,
        kind=Lot.Kind.SOLUTION,
        title=reader.words("title", title, 200),
        composition=list(composition),
        note=UNKNOWN_NOTE if is_unknown else "",
        unit=Unit.MILLILITRE,
        received_on=came,
        expires_on=expires_on,
        place=place,
        prepared_by=actor,
        checked_by=checked_by,
        **facts,
    )
    reader.done()
    return _put_on_shelf(
        lot,
        volume_base,
        actor=actor,
        reason="Prepared here",
        idempotency_key=idempotency_key,
        parents=sorted(set(parents)),
    )


def check_dates(reader: Reader, came: date, opened: date | None, expires: date | None) -> None:
    """Note dates that can't be."""
    if came > timezone.localdate():
        reader.refuse("received_on", "That day is still to come. A bottle is received when it is here.")
    if expires and expires < came:
        reader.refuse(
            "expires_on", "It would have expired before it came. Check both dates, or send it back."
        )
    if opened and opened > timezone.localdate():
        reader.refuse("opened_on", "That day is still to come.")


def _put_on_shelf(
    lot: Lot,
    amount: int,
    *,
    actor: User,
    reason: str,
    idempotency_key: str,
    parents: Iterable[int] = (),
    expiry_told: str = "",
) -> Lot:
    first = ledger.posted(idempotency_key)
    if first is None:
        try:
            with transaction.atomic():
                give_code(lot)
                if expiry_told:
                    note(lot, "expiry", actor=actor, reason=expiry_told)
                links = [LotParent(child=lot, parent_id=parent) for parent in parents]
                LotParent.objects.bulk_create(links)
                return ledger.post_movement(
                    actor=actor,
                    lot_id=lot.pk,
                    kind=Movement.Kind.RECEIVED,
                    amount=amount,
                    reason=reason,
                    idempotency_key=idempotency_key,
                ).lot
        except Conflict:
            # Somebody used the key at this very moment, and the new row went with the savepoint.
            first = ledger.posted(idempotency_key)
            if first is None:
                raise
    there = first.lot
    told = (lot.substance_id, lot.kind, lot.lot_number, lot.title, amount)
    if told != (there.substance_id, there.kind, there.lot_number, there.title, first.amount):
        raise Conflict(
            f"This form was sent before and recorded as lot {there.code}. Nothing was added; "
            "open the page afresh to receive another bottle."
        )
    return there


def give_code(lot: Lot) -> None:
    """Save a new lot with the code that its label will carry."""
    # The key comes from the database's own sequence, which never gives a number twice, whoever
    # asks at the same moment and whatever is rolled back; so the code is made of it.
    lot.code = uuid.uuid4().hex[:16]
    lot.save(force_insert=True)
    lot.code = codes.code_of(lot.pk)
    lot.save(update_fields=["code"])


# --- states -------------------------------------------------------------------------------------
@atomic_with_retries
def change_lot_state(*, actor: User, lot: Lot, event: str, reason: str = "") -> Lot:
    """Move a lot by an event of ``states.LOT_NEXT`` and write down who did it and why.

    Sent twice by the same person with the same words, it is done once.

    Raises:
        NotAllowed: for those who may not.
        NotInThisState: when the lot can't do that now; also when a lot that still holds something,
            by the ledger, is said to be empty.
        InvalidInput: when the reason is missing.
    """
    policy.require(actor, "change_lot_state")
    reader = Reader()
    if event in states.LOT_EVENTS_WITH_REASON:
        kept = reader.reason("reason", reason, ask="Say why, for whoever finds this bottle next.")
    else:
        kept = reader.words("reason", reason, 300)
    reader.done()
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    last = locked.events.last()
    if last and (last.event, last.to_state, last.actor_id, last.reason) == (
        event,
        locked.state,
        actor.pk,
        kept,
    ):
        return locked
    if event == "mark_empty" and locked.on_hand:
        raise NotInThisState(
            f"By the ledger {locked.code} still has {locked.on_hand_amount.normalize():f} {locked.unit}. "
            "Correct it after a count, or write off what is disposed of; it is then marked as empty."
        )
    if event == "reopen" and not locked.on_hand:
        raise NotInThisState(
            f"By the ledger nothing is left in {locked.code}. Correct it after a count; it is then reopened."
        )
    move_state(locked, event, actor=actor, reason=kept)
    return locked


def move_state(lot: Lot, event: str, *, actor: User, reason: str) -> None:
    """The one place that writes a lot's state, and its history with it. The lot is locked.

    Raises:
        NotInThisState: when the table does not have the move.
    """
    before = lot.state
    after = states.LOT_NEXT.get((before, event))
    if after is None:
        raise NotInThisState(
            f"{lot.code} is {states.LOT_STATES[before].lower()}, so this is not possible: "
            f"{states.LOT_EVENTS.get(event, event).lower()}."
        )
    lot.state = after
    lot.save(update_fields=["state"])
    _write_event(lot, event, before, actor=actor, reason=reason)


def follow_balance(lot: Lot, *, actor: User, reason: str) -> None:
    """After a count, disposal or reversal: nothing left means empty, something left means it isn't.

    The lot is locked and its balance fresh.
    """
    if lot.on_hand == 0 and lot.state != states.EMPTY:
        move_state(lot, "mark_empty", actor=actor, reason=reason)
    elif lot.on_hand > 0 and lot.state == states.EMPTY:
        move_state(lot, "reopen", actor=actor, reason=reason)


def note(
    lot: Lot,
    event: str,
    *,
    actor: User,
    reason: str,
    from_place: Place | None = None,
    to_place: Place | None = None,
) -> None:
    """Write down one of ``states.LOT_NOTES``, which leave a lot's state as it is."""
    _write_event(lot, event, lot.state, actor=actor, reason=reason, from_place=from_place, to_place=to_place)


def _write_event(
    lot: Lot,
    event: str,
    before: str,
    *,
    actor: User,
    reason: str,
    from_place: Place | None = None,
    to_place: Place | None = None,
) -> None:
    LotEvent.objects.create(
        lot=lot,
        event=event,
        from_state=before,
        to_state=lot.state,
        actor=actor,
        reason=reason,
        from_place=from_place,
        to_place=to_place,
    )
