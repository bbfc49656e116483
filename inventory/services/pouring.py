"""Bottles are filled into smaller ones, and leftovers of one lot are brought together.

Nothing is made or lost by pouring: what leaves one bottle comes into others, in rows of the ledger that
share one pouring and add up to zero.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from django.utils import timezone

from inventory import ledger, states
from inventory.amounts import as_text
from inventory.models import Lot, LotParent, Place
from inventory.selectors import lot_roots, why_not_one_lot
from inventory.services.lots import follow_balance, give_code, note
from inventory.services.opening import begin_bottle
from inventory.services.sending import held_for, refuse_stale
from inventory.services.shelf_life import expiry_once_opened
from inventory.services.standing import check_standing, note_standing
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput

MOST_BOTTLES: Final = 50
# What a smaller bottle takes over from the one it is filled from.
_INHERITED: Final = (
    "substance_id",
    "kind",
    "lot_number",
    "grade",
    "assay_percent",
    "assay_tolerance_percent",
    "mass_percent",
    "density_g_per_ml",
    "concentration_mol_per_l",
    "relative_uncertainty_percent",
    "composition",
    "title",
    "unit",
    "received_on",
    "prepared_by_id",
    "checked_by_id",
)


# --- into smaller bottles -------------------------------------------------------------------------
@atomic_with_retries
def split_lot(
    *,
    actor: User,
    lot: Lot,
    amounts: Sequence[str],
    unit: str,
    place: Place | None,
    reason: str,
    idempotency_key: str,
    storage_reason: str = "",
    expected_on_hand: int | None = None,
) -> list[Lot]:
    """Fill smaller bottles from a lot; each is a lot of its own, with its code and its ancestry.

    They carry what the label of the first one says and expire no later than it does. Today they were
    opened, and so was the first one, if it wasn't before.

    Args:
        amounts: one for each new bottle, as typed, in ``unit``.
        place: where the new bottles stand.
        storage_reason: why they stand there, where a storage rule speaks against it.
        expected_on_hand: base units the page showed; anything else now is stale.

    Returns:
        The new bottles, in the order of ``amounts``.

    Raises:
        NotAllowed.
        InvalidInput: by field; also for a lot that isn't available, or when part of it is held.
        Conflict: when the stock changed since the page was shown, or the key was used for another lot.
    """
    policy.require(actor, "correct_stock")
    locked = ledger.lock_lots([lot.pk])[lot.pk]
    first = ledger.rows_of_pouring(idempotency_key)
    if first:
        return _filled_before(locked, [row.lot for row in first])
    refuse_stale(locked, expected_on_hand)
    poured, kept = check_split(lot=locked, amounts=amounts, unit=unit, reason=reason)
    against = check_filled_place(locked, place, storage_reason)
    if locked.opened_on is None:
        begin_bottle(locked, timezone.localdate(), actor=actor)
    bottles = [_new_bottle(locked, place) for _ in poured]
    LotParent.objects.bulk_create([LotParent(child=bottle, parent=locked) for bottle in bottles])
    rows = ledger.post_pouring(
        actor=actor,
        amounts={
            locked.pk: -sum(poured),
            **{bottle.pk: base for bottle, base in zip(bottles, poured, strict=True)},
        },
        reason=kept,
        idempotency_key=idempotency_key,
    )
    for bottle in bottles:
        note(bottle, "filled", actor=actor, reason=f"From {locked.code}. {kept}")
        note_standing(bottle, against, actor=actor)
    note(locked, "split", actor=actor, reason=f"Into {', '.join(b.code for b in bottles)}. {kept}")
    now = {row.lot_id: row.lot for row in rows}
    follow_balance(now[locked.pk], actor=actor, reason=kept)
    return [now[bottle.pk] for bottle in bottles]


def check_split(*, lot: Lot, amounts: Sequence[str], unit: str, reason: str) -> tuple[list[int], str]:
    """Read how a lot is to be filled into smaller bottles, without saving it.

    Returns:
        The base units of each new bottle, and the reason.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    poured = [reader.amount("amounts", text, unit, counted_in=lot.unit) for text in amounts]
    if not amounts:
        reader.refuse("amounts", "Say how much goes into each new bottle.")
    if len(amounts) > MOST_BOTTLES:
        reader.refuse("amounts", f"That is more than {MOST_BOTTLES} bottles at once; fill them in parts.")
    kept = reader.reason("reason", reason, ask="Say what the smaller bottles are for.")
    if lot.state != states.AVAILABLE:
        reader.refuse(
            "", f"{lot.code} is {states.LOT_STATES[lot.state].lower()}, so nothing is poured from it."
        )
    total = sum(poured)
    if total > lot.on_hand:
        there = as_text(lot.on_hand, lot.unit)
        reader.refuse("amounts", f"Together that is {as_text(total, lot.unit)}; the lot has only {there}.")
    elif total > lot.free:
        reader.refuse(
            "amounts", held_for(lot, f"only {as_text(lot.free, lot.unit)} are free", "fill the bottles")
        )
    reader.done()
    return poured, kept


def check_filled_place(lot: Lot, place: Place | None, storage_reason: str) -> str:
    """What is to be written down when bottles filled from a lot are put there; see ``check_standing``.

    Where the lot itself stands they may stand too.

    Raises:
        InvalidInput: fields ``place``, when it is out of use, and ``storage_reason``.
    """
    if place is not None and not place.in_use:
        raise InvalidInput({"place": f"{place.name} is no longer in use. Choose another place."})
    return "" if place is None or place.pk == lot.place_id else check_standing(lot, place, storage_reason)


def _new_bottle(parent: Lot, place: Place | None) -> Lot:
    inherited = {field: getattr(parent, field) for field in _INHERITED}
    bottle = Lot(**inherited, split_from=parent, place=place, opened_on=timezone.localdate())
    bottle.expires_on = parent.expires_on
    bottle.expires_on, _ = expiry_once_opened(bottle)
    give_code(bottle)
    return bottle


def _filled_before(lot: Lot, concerned: Iterable[Lot]) -> list[Lot]:
    bottles = [each for each in concerned if each.pk != lot.pk]
    if any(each.split_from_id != lot.pk for each in bottles):
        raise Conflict("This form was sent before, for another bottle. Nothing was poured; open it afresh.")
    return bottles


# --- leftovers together -----------------------------------------------------------------------------
@atomic_with_retries
def merge_lots(
    *,
    actor: User,
    into: Lot,
    leftovers: Iterable[Lot],
    reason: str,
    idempotency_key: str,
    expected: Mapping[int, int] | None = None,
) -> Lot:
    """Pour all that is left in some bottles of a lot into one of them; the others are empty then.

    The mixture is as old as its oldest part, so the earliest expiry and the earliest day of opening
    count for it.

    Args:
        expected: base units the page showed, by lot key; anything else now is stale.

    Raises:
        NotAllowed.
        InvalidInput: field ``leftovers``, in words, for what isn't the same lot, is held or stopped.
        Conflict: when the stock changed since the page was shown, or the key was used before.
    """
    policy.require(actor, "correct_stock")
    others = [lot.pk for lot in leftovers if lot.pk != into.pk]
    locked = ledger.lock_lots([into.pk, *others])
    target = locked.pop(into.pk)
    first = ledger.rows_of_pouring(idempotency_key)
    if first:
        if {row.lot_id for row in first} != {target.pk, *others}:
            raise Conflict(
                "This form was sent before, for other bottles. Nothing was poured; open it afresh."
            )
        return target
    for lot in (target, *locked.values()):
        refuse_stale(lot, (expected or {}).get(lot.pk))
    total, kept = check_merge(into=target, leftovers=list(locked.values()), reason=reason)
    _grow_older(target, locked.values(), actor=actor, reason=kept)
    LotParent.objects.bulk_create(
        [LotParent(child=target, parent=lot) for lot in locked.values()], ignore_conflicts=True
    )
    rows = ledger.post_pouring(
        actor=actor,
        amounts={target.pk: total, **{lot.pk: -lot.on_hand for lot in locked.values()}},
        reason=kept,
        idempotency_key=idempotency_key,
    )
    now = {row.lot_id: row.lot for row in rows}
    for pk in locked:
        follow_balance(now[pk], actor=actor, reason=f"Poured into {target.code}. {kept}"[:1200])
    return now[target.pk]


def check_merge(*, into: Lot, leftovers: Sequence[Lot], reason: str) -> tuple[int, str]:
    """Read which leftovers are to be poured together, without saving it.

    Returns:
        The base units that are poured, and the reason.

    Raises:
        InvalidInput: by field.
    """
    reader = Reader()
    if not leftovers:
        reader.refuse("leftovers", "Tick the bottles whose rest is poured into this one.")
    if len(leftovers) > MOST_BOTTLES:
        reader.refuse("leftovers", f"That is more than {MOST_BOTTLES} bottles at once.")
    kept = reader.reason("reason", reason, ask="Say why they are poured together.")
    today = timezone.localdate()
    roots = lot_roots(into.substance_id)
    for lot in (into, *leftovers):
        if lot.state != states.AVAILABLE:
            reader.refuse("leftovers", f"{lot.code} is {states.LOT_STATES[lot.state].lower()}.")
        elif lot.expires_on and lot.expires_on < today:
            reader.refuse("leftovers", f"{lot.code} is past its day, and all of it would be then.")
    for lot in leftovers:
        differs = why_not_one_lot(into, lot, roots)
        if differs:
            reader.refuse("leftovers", differs)
        elif lot.held:
            reader.refuse("leftovers", f"{lot.code}: {held_for(lot, 'all of it would move', 'pour')}")
        elif lot.on_hand == 0:
            reader.refuse("leftovers", f"{lot.code} is empty.")
    reader.done()
    return sum(lot.on_hand for lot in leftovers), kept


def _grow_older(into: Lot, leftovers: Iterable[Lot], *, actor: User, reason: str) -> None:
    """Give the bottle the earliest expiry and day of opening of all that is in it now."""
    leftovers = list(leftovers)
    told = [f"From {', '.join(lot.code for lot in leftovers)}"]
    for field, word in (("expires_on", "expires"), ("opened_on", "opened")):
        before = getattr(into, field)
        earliest = min(filter(None, (before, *(getattr(lot, field) for lot in leftovers))), default=None)
        if earliest != before:
            setattr(into, field, earliest)
            told.append(
                f"{word} {earliest:%d %B %Y} instead of {f'{before:%d %B %Y}' if before else 'no day'}"
            )
    into.save(update_fields=["expires_on", "opened_on"])
    note(into, "merge", actor=actor, reason=f"{'; '.join(told)}. {reason}")
