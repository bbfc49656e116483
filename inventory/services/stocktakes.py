"""A shelf is counted: begun, line by line, taken back, posted in one stroke.

A line keeps what was found and what the ledger said at that very moment, read under the lot's lock. What
is posted is the difference of the two, so that a draw between the count and the posting is not undone.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from django.db import IntegrityError, transaction
from django.utils import timezone

from inventory import ledger, states
from inventory.amounts import as_text
from inventory.models import Lot, Movement, Place, Stocktake, StocktakeLine
from inventory.selectors import active_holds_of, lines_of, not_seen, within
from inventory.services.lots import follow_balance, note
from inventory.services.transactions import atomic_with_retries
from inventory.services.typed import MAX_REASON, Reader
from prepdesk.access import policy
from prepdesk.accounts.models import User
from prepdesk.core.errors import Conflict, InvalidInput, NotInThisState

# Answers about a lot that was expected and not seen.
NOT_FOUND: Final = states.NOT_FOUND
LEFT_OPEN: Final = states.LEFT_OPEN


class CountedBefore(Conflict):
    """Somebody counted the lot in this stocktake already; ``line`` is theirs."""

    def __init__(self, line: StocktakeLine) -> None:
        when = timezone.localtime(line.at)
        super().__init__(
            f"{line.counted_by} counted {line.lot.code} at {when:%H:%M}: "
            f"{as_text(line.counted, line.lot.unit)}. Nothing was changed; count it again only if that is "
            "wrong."
        )
        self.line = line


@dataclass(frozen=True, slots=True)
class Found:
    """What somebody found of one lot, as typed."""

    lot: Lot
    counted: str
    unit: str


@atomic_with_retries
def begin_stocktake(
    *, actor: User, place: Place, blind: bool = False, note: str = "", idempotency_key: str
) -> Stocktake:
    """Begin to count a place with what is inside it. The same key begins once.

    Raises:
        NotAllowed, InvalidInput.
        NotInThisState: when the place is no longer in use.
    """
    policy.require(actor, "correct_stock")
    first = Stocktake.objects.filter(idempotency_key=idempotency_key).first()
    if first:
        return first
    if not place.in_use:
        raise NotInThisState(f"{place.name} is no longer in use; nothing stands there.")
    reader = Reader()
    kept = reader.words("note", note, 300)
    reader.done()
    try:
        with transaction.atomic():
            return Stocktake.objects.create(
                place=place, blind=blind, note=kept, started_by=actor, idempotency_key=idempotency_key
            )
    except IntegrityError:
        # The same form was sent twice at one moment, and the other one is in.
        return Stocktake.objects.get(idempotency_key=idempotency_key)


@atomic_with_retries
def count_lots(
    *,
    actor: User,
    stocktake: Stocktake,
    found: Iterable[Found],
    at: Place | None,
    idempotency_key: str,
    again: bool = False,
) -> list[StocktakeLine]:
    """Write down what was found of some lots, all or none.

    Args:
        found: amounts as typed, 0 for an empty bottle.
        at: the place where the person stands.
        again: replaces what another person counted before; their line stays readable.
        idempotency_key: the same key counts once.

    Raises:
        NotAllowed.
        NotInThisState: when the count is closed.
        InvalidInput: field ``counted_<key of the lot>``.
        CountedBefore: when another person counted one of the lots, and it isn't ``again``.
    """
    policy.require(actor, "correct_stock")
    _lock(stocktake)
    entries = list(found)
    if at is not None and at.pk not in within(stocktake.place_id):
        raise InvalidInput({"at": f"{at.name} is not part of this count."})
    lots = ledger.lock_lots(entry.lot.pk for entry in entries)
    reader = Reader()
    amounts: dict[int, tuple[int, str]] = {}
    for entry in entries:
        lot = lots[entry.lot.pk]
        base = reader.amount(_field(lot), entry.counted, entry.unit, counted_in=lot.unit, zero=True)
        amounts[lot.pk] = base, f"{entry.counted.strip()} {entry.unit}"
    reader.done()
    rows = []
    for pk, (base, typed) in amounts.items():
        row = StocktakeLine(
            stocktake=stocktake,
            lot=lots[pk],
            counted=base,
            expected=lots[pk].on_hand,
            typed=typed[:60],
            found_in=at,
            counted_by=actor,
            idempotency_key=f"{idempotency_key}#{pk}",
        )
        rows.append(_sent_before(row) or _instead(row, actor, again=again))
    return rows


def _sent_before(row: StocktakeLine) -> StocktakeLine | None:
    first = StocktakeLine.objects.filter(idempotency_key=row.idempotency_key).first()
    if first and (first.stocktake_id, first.counted) != (row.stocktake_id, row.counted):
        raise Conflict("This form was sent before, with another amount. Nothing was added; count it afresh.")
    return first


def _instead(row: StocktakeLine, actor: User, *, again: bool) -> StocktakeLine:
    """Save a line in place of the one that counts now."""
    before = lines_of(row.stocktake).filter(lot=row.lot).first()
    if before:
        if before.counted_by_id != actor.pk and not again:
            raise CountedBefore(before)
        _take_back(before, actor)
    row.save(force_insert=True)
    return row


@atomic_with_retries
def undo_line(*, actor: User, line: StocktakeLine) -> StocktakeLine:
    """Take a line back; the lot counts as not seen again. Taken back twice, it is taken back once.

    Raises:
        NotAllowed.
        NotInThisState: when the count is closed.
    """
    policy.require(actor, "correct_stock")
    _lock(line.stocktake)
    locked = StocktakeLine.objects.select_for_update(of=("self",)).get(pk=line.pk)
    if locked.undone_at is None:
        _take_back(locked, actor)
    return locked


def _take_back(line: StocktakeLine, actor: User) -> None:
    line.undone_by, line.undone_at = actor, timezone.now()
    line.save(update_fields=["undone_by", "undone_at"])


# --- closing --------------------------------------------------------------------------------------
def state_of_lines(stocktake: Stocktake) -> str:
    """Changes whenever a line is added or taken back, so that a page can say which lines it showed."""
    rows = stocktake.lines.order_by("id").values_list("pk", "undone_at")
    return f"{max((pk for pk, _ in rows), default=0)}-{sum(undone is not None for _, undone in rows)}"


@atomic_with_retries
def post_stocktake(
    *,
    actor: User,
    stocktake: Stocktake,
    seen: str,
    reason: str = "",
    reasons: Mapping[int, str] | None = None,
    answers: Mapping[int, str] | None = None,
    leave: Iterable[int] = (),
) -> Stocktake:
    """Correct the ledger by every difference, in one transaction, and close the count.

    Args:
        seen: :func:`state_of_lines` as the page showed them.
        reason: for every difference that has none of its own.
        reasons: by key of the line.
        answers: by key of a lot that nobody has seen: ``not_found`` counts as nothing left,
            ``left_open`` changes nothing.
        leave: keys of lines that are not posted but left open.

    Raises:
        NotAllowed.
        NotInThisState: when the count was closed before.
        Conflict: when somebody counted or took something back since the page was shown.
        InvalidInput: by field: ``reason``, ``reason_<line>``, ``answer_<lot>``.
    """
    policy.require(actor, "correct_stock")
    _lock(stocktake)
    if seen != state_of_lines(stocktake):
        raise Conflict(
            "Since the page was shown somebody counted or took something back. Nothing was posted. "
            "Look at the differences again."
        )
    lines = list(lines_of(stocktake))
    unseen = not_seen(stocktake)
    lots = ledger.lock_lots([line.lot_id for line in lines] + [lot.pk for lot in unseen])
    unseen = [lots[lot.pk] for lot in unseen if lots[lot.pk].on_hand > 0]
    left = set(leave)
    reader = Reader()
    said = answers or {}
    for lot in unseen:
        if said.get(lot.pk) not in (NOT_FOUND, LEFT_OPEN):
            reader.refuse(
                f"answer_{lot.pk}", f"{lot.code} was not seen. Say whether it is gone or left open."
            )
    posting = [line for line in lines if line.pk not in left]
    gone = [lot for lot in unseen if said.get(lot.pk) == NOT_FOUND]
    words = _read_reasons(reader, posting, reason, reasons or {}, gone)
    for line in posting:
        _check_room(reader, f"reason_{line.pk}", lots[line.lot_id], line.difference)
    for lot in gone:
        _check_room(reader, f"answer_{lot.pk}", lot, -lot.on_hand)
    reader.done()
    for line in posting:
        line.reason = words.get(line.pk, "")
        _post_line(line, lots[line.lot_id], actor)
    for line in lines:
        if line.pk in left:
            line.outcome = LEFT_OPEN
            line.save(update_fields=["outcome"])
    for lot in unseen:
        _close_unseen(stocktake, lot, said[lot.pk], words.get(0, ""), actor)
    return _close(stocktake, "post", actor, words.get(0, ""))


def _read_reasons(
    reader: Reader,
    posting: list[StocktakeLine],
    reason: str,
    reasons: Mapping[int, str],
    gone: list[Lot],
) -> dict[int, str]:
    """The reason of each line that differs, its own or the common one, which stands under 0."""
    common = reader.words("reason", reason, MAX_REASON)
    words = {0: common}
    lacking = False
    for line in posting:
        own = reader.words(f"reason_{line.pk}", reasons.get(line.pk, ""), MAX_REASON)
        words[line.pk] = own or common
        lacking = lacking or bool(line.difference and not words[line.pk])
    if (lacking or gone) and not common:
        reader.refuse("reason", "Say why they differ: one reason for all, or one beside each difference.")
    return words


def _check_room(reader: Reader, field: str, lot: Lot, change: int) -> None:
    """Note where a correction would take what is held, or more than is there by now."""
    left = lot.on_hand + change
    if left < 0:
        reader.refuse(
            field,
            f"Since {lot.code} was counted, more was drawn than the count left; by the ledger "
            f"{as_text(lot.on_hand, lot.unit)} are on hand now. Count it again.",
        )
    elif left < lot.held:
        purposes = sorted({hold.purpose or "an unnamed purpose" for hold in active_holds_of(lot)})
        reader.refuse(
            field,
            f"{as_text(lot.held, lot.unit)} of {lot.code} are held for {', '.join(purposes)}, and only "
            f"{as_text(left, lot.unit)} would be left. Plan that work again from other stock, or leave this "
            "line open.",
        )


def _post_line(line: StocktakeLine, lot: Lot, actor: User) -> None:
    if line.difference == 0:
        note(lot, "count", actor=actor, reason=f"{line.stocktake}{': ' + line.reason if line.reason else ''}")
    else:
        words = f"{line.stocktake}: {line.reason}"[:MAX_REASON]
        row = ledger.post_movement(
            actor=actor,
            lot_id=lot.pk,
            kind=Movement.Kind.CORRECTED,
            amount=line.difference,
            reason=words,
            idempotency_key=f"stocktake-{line.stocktake_id}-{line.pk}",
        )
        line.movement = row
        follow_balance(row.lot, actor=actor, reason=words)
    line.save(update_fields=["reason", "movement"])


def _close_unseen(stocktake: Stocktake, lot: Lot, answer: str, reason: str, actor: User) -> None:
    """Write down what is said of a lot that nobody has seen, and take it off the ledger if it is gone."""
    line = StocktakeLine.objects.create(
        stocktake=stocktake,
        lot=lot,
        outcome=answer,
        counted=0 if answer == NOT_FOUND else lot.on_hand,
        expected=lot.on_hand,
        counted_by=actor,
        reason=reason,
        idempotency_key=f"stocktake-{stocktake.pk}-unseen-{lot.pk}",
    )
    if answer == NOT_FOUND:
        _post_line(line, lot, actor)


@atomic_with_retries
def give_up_stocktake(*, actor: User, stocktake: Stocktake, reason: str) -> Stocktake:
    """Close a count without changing the ledger; its lines stay readable.

    Raises:
        NotAllowed, InvalidInput.
        NotInThisState: when it was closed before.
    """
    policy.require(actor, "correct_stock")
    reader = Reader()
    kept = reader.reason("reason", reason, ask="Say why the count is given up.")
    reader.done()
    _lock(stocktake)
    return _close(stocktake, "give_up", actor, kept)


def _close(stocktake: Stocktake, event: str, actor: User, reason: str) -> Stocktake:
    stocktake.state = states.STOCKTAKE_NEXT[stocktake.state, event]
    stocktake.closed_by, stocktake.closed_at, stocktake.closing_reason = actor, timezone.now(), reason
    stocktake.save(update_fields=["state", "closed_by", "closed_at", "closing_reason"])
    return stocktake


def _lock(stocktake: Stocktake) -> None:
    """Lock the count, so that lines and its closing come one after the other; refuse a closed one."""
    locked = (
        Stocktake.objects.select_for_update(of=("self",)).select_related("closed_by").get(pk=stocktake.pk)
    )
    if (locked.state, "post") not in states.STOCKTAKE_NEXT:
        when = timezone.localtime(locked.closed_at) if locked.closed_at else None
        raise NotInThisState(
            f"{locked} was closed by {locked.closed_by}{f' on {when:%d %B at %H:%M}' if when else ''}: "
            f"{states.STOCKTAKE_STATES[locked.state].lower()}. Begin a new count for the rest."
        )
    stocktake.state = locked.state


def _field(lot: Lot) -> str:
    return f"counted_{lot.pk}"
