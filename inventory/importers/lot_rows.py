"""One row of a file of bottles: what it would do, read as strictly as the page reads it."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from django.db import connection
from django.db.models import QuerySet
from django.utils import timezone

from inventory import codes
from inventory.amounts import as_text, money_text
from inventory.columns import LOT_COLUMNS
from inventory.importers.kinds import Verdict
from inventory.importers.naming import Places, Refusals, Substances, day_of, same_way, unit_of
from inventory.models import Lot, Place
from inventory.selectors import Shelves
from inventory.services import (
    FACTS,
    check_label,
    check_receipt,
)
from inventory.services.shelf_life import expiry_on_receipt
from inventory.services.typed import Reader
from prepdesk.calc.errors import InputError
from prepdesk.calc.typed import parse_number
from prepdesk.core.errors import InvalidInput
from prepdesk.core.tables import Row

_BY_KEY: Final = {column.key: column for column in LOT_COLUMNS}
_WORDS: Final = ("lot_number", "grade", "note")
_DAYS: Final = ("received_on", "opened_on", "expires_on")
_KINDS: Final = {
    **{value: value for value in Lot.Kind.values},
    **{str(label).casefold(): value for value, label in Lot.Kind.choices},
    "piece": Lot.Kind.ITEM.value,
}
# What a new row tells about itself in the preview, beside its title.
_TOLD: Final = (*FACTS, *_WORDS, "place", *_DAYS, "cost")
_CHUNK: Final = 500


def locked_where_possible(lots: QuerySet[Lot]) -> QuerySet[Lot]:
    """Inside a transaction what is looked at stays as it is until the end; outside it is only looked at."""
    return lots.select_for_update(no_key=True, of=("self",)) if connection.in_atomic_block else lots


def lots_by_code(rows: Sequence[Row]) -> dict[str, Lot]:
    """Every bottle that the rows name by a code."""
    wanted = sorted({codes.tidied(row.cells.get("code", "")) for row in rows} - {""})
    found: dict[str, Lot] = {}
    for begin in range(0, len(wanted), _CHUNK):
        lots = Lot.objects.filter(code__in=wanted[begin : begin + _CHUNK]).order_by("pk")
        for lot in locked_where_possible(lots.select_related("substance")):
            found[lot.code] = lot
    return found


def why_no_such_code(code: str) -> str:
    """What to tell about a code that no bottle has."""
    if codes.is_sound(code):
        return f"No bottle has the code “{code}”. Leave the cell empty for a bottle that comes in."
    return f"“{code[:20]}” is no code of this stockroom: a character is wrong. Compare it with the label."


@dataclass(frozen=True, slots=True)
class New:
    """A bottle that comes in, as the bulk service takes it; its place may have to be created."""

    receipt: dict[str, Any]
    new_place: str


@dataclass(frozen=True, slots=True)
class Changed:
    """A bottle that is there, and what is put right about it."""

    lot: Lot
    # What correct_label takes; empty where only the day of opening is new.
    label: dict[str, Any]
    place_id: int | None
    new_place: str
    opened_on: date | None


class Against:
    """Reads rows against the stockroom as it is; asks the database once for all of them."""

    def __init__(self, rows: Sequence[Row], *, create_places: bool) -> None:
        self.substances = Substances()
        self.places = Places(create=create_places)
        self.lots = lots_by_code(rows)
        self.named: dict[str, int] = {}
        self.alike: dict[tuple[tuple[str, str], ...], int] = {}
        self.there = self._same_lot_numbers(rows)
        self.place_objects = Place.objects.in_bulk()
        self.shelves = Shelves()
        self.today = timezone.localdate()

    def _same_lot_numbers(self, rows: Sequence[Row]) -> Counter[tuple[int, str]]:
        numbers = sorted({row.cells.get("lot_number", "") for row in rows} - {""})
        found: Counter[tuple[int, str]] = Counter()
        for begin in range(0, len(numbers), _CHUNK):
            part = Lot.objects.filter(lot_number__in=numbers[begin : begin + _CHUNK], on_hand__gt=0)
            found.update(part.values_list("substance_id", "lot_number"))
        return found

    def verdict(self, row: Row) -> Verdict:
        """What this row would do."""
        refusals = Refusals(row)
        code = codes.tidied(row.cells.get("code", ""))
        lot = self.lots.get(code)
        if code and lot is None:
            refusals.add("code", why_no_such_code(code))
        if code and self.named.setdefault(code, row.number) != row.number:
            refusals.add("code", f"Row {self.named[code]} names the same bottle. Keep one of them.")
        return self._changed(row, refusals, lot) if lot else self._new(row, refusals)

    # --- a bottle that comes in -------------------------------------------------------------------
    def _new(self, row: Row, refusals: Refusals) -> Verdict:
        substance = self.substances.named(refusals, row)
        place_id, new_place = self._place(row, refusals)
        days = {name: day_of(refusals, row, name) for name in _DAYS}
        typed: dict[str, Any] = {
            "kind": _kind(row),
            "amount": row.cells.get("amount", ""),
            "unit": unit_of(row.cells.get("unit", "")),
            "figures": _figures(row),
            "words": {name: row.cells.get(name, "") for name in _WORDS},
            "received_on": days["received_on"] or self.today,
            "opened_on": days["opened_on"],
            "expires_on": days["expires_on"],
            "cost": row.cells.get("cost", ""),
        }
        read: Lot | None = None
        try:
            read, base = check_receipt(**typed)
        except InvalidInput as refusal:
            refusals.add_all(refusal.errors)
        if substance is None or read is None:
            return self._refused(row, refusals)
        read.substance = substance
        remarks = self._standing(row, refusals, read, self._key(place_id, new_place))
        if refusals.by_column:
            return self._refused(row, refusals)
        action = New(
            {
                **typed,
                "storage_reason": row.cells.get("storage_reason", ""),
                "read": (read, base),
                "substance": substance,
                "place": self.place_objects.get(place_id) if place_id else None,
            },
            new_place,
        )
        told = tuple((_BY_KEY[name].heading, "", row.cells[name]) for name in _TOLD if row.cells.get(name))
        return Verdict(
            row.number,
            "create",
            f"{substance.name}, {as_text(base, read.unit)}",
            told,
            remarks=(*remarks, *self._remarks(row, read, new_place)),
            action=action,
        )

    def _key(self, place_id: int | None, new_place: str) -> int | None:
        """By what the shelves know a place, be it there or only to be created."""
        if not new_place:
            return place_id
        return self.shelves.expect(new_place.casefold(), self.places.around(new_place))

    def _standing(self, row: Row, refusals: Refusals, lot: Lot, place_id: int | None) -> tuple[str, ...]:
        """Whether it may stand there: against a storage rule only with a reason, which is written down."""
        rules = self.shelves.move(lot, place_id)
        if rules and not row.cells.get("storage_reason"):
            refusals.add(
                "place",
                f"It should not stand there. {rules} Choose another place, or say under Storage reason why "
                "it stands there all the same; your local rules and the safety data sheets decide.",
            )
        return (rules,) if rules else ()

    def _remarks(self, row: Row, read: Lot, new_place: str) -> tuple[str, ...]:
        remarks = []
        same = tuple(sorted((name, text) for name, text in row.cells.items() if text))
        first = self.alike.setdefault(same, row.number)
        if first != row.number:
            remarks.append(f"Says the same as row {first}. Fine if there are two bottles alike.")
        number = row.cells.get("lot_number", "")
        there = self.there.get((read.substance_id, number), 0)
        if number and there:
            remarks.append(f"{there} on the shelf already with this lot number.")
        _, because = expiry_on_receipt(read)
        if because:
            remarks.append(because)
        if new_place:
            remarks.append(f"The place “{new_place}” will be created.")
        return tuple(remarks)

    def _refused(self, row: Row, refusals: Refusals, title: str = "") -> Verdict:
        words = (row.cells.get(name, "") for name in ("code", "substance", "amount", "unit"))
        return Verdict(
            row.number, "refuse", title or " ".join(filter(None, words)), reasons=refusals.by_heading(_BY_KEY)
        )

    def _place(self, row: Row, refusals: Refusals) -> tuple[int | None, str]:
        text = row.cells.get("place", "")
        return self.places.named(refusals, text) if text else (None, "")

    # --- a bottle that is there ---------------------------------------------------------------------
    def _changed(self, row: Row, refusals: Refusals, lot: Lot) -> Verdict:
        title = f"{lot.code}, {lot.title or lot.substance.name}"
        self._refuse_another(row, refusals, lot)
        told: list[tuple[str, str, str]] = []
        figures = self._figures(row, refusals, lot, told)
        words = {name: row.cells.get(name, "") or getattr(lot, name) for name in _WORDS}
        for name in _WORDS:
            _tell(told, name, getattr(lot, name), words[name])
        expires = day_of(refusals, row, "expires_on") or lot.expires_on
        _tell(told, "expires_on", lot.expires_on, expires)
        where = self.places.names
        place_id, new_place = lot.place_id, ""
        if row.cells.get("place") and not same_way(row.cells["place"], where.get(lot.place_id or 0, "")):
            place_id, new_place = self._place(row, refusals)
        _tell(told, "place", where.get(lot.place_id or 0), new_place or where.get(place_id or 0))
        cost = self._cost(row, refusals, lot)
        if cost:
            _tell(told, "cost", "" if lot.cost_minor is None else money_text(lot.cost_minor), cost)
        key = self._key(place_id, new_place)
        rules = self._standing(row, refusals, lot, key) if key != lot.place_id else ()
        label: dict[str, Any] = {
            "figures": figures,
            "words": words,
            "expires_on": expires,
            "cost": cost or None,
            "storage_reason": row.cells.get("storage_reason", ""),
        }
        relabels = bool(told)
        opened = self._opening(row, refusals, lot)
        if opened:
            _tell(told, "opened_on", lot.opened_on, opened)
        try:
            check_label(
                lot=lot,
                figures=figures,
                words=words,
                expires_on=expires,
                cost=cost or None,
                reason="From a file",
            )
        except InvalidInput as refusal:
            refusals.add_all(refusal.errors)
        if refusals.by_column:
            return self._refused(row, refusals, title)
        if not told:
            return Verdict(row.number, "same", title)
        action = Changed(lot, label if relabels else {}, place_id, new_place, opened)
        remarks = (*rules, f"The place “{new_place}” will be created.") if new_place else rules
        return Verdict(row.number, "change", title, tuple(told), remarks=remarks, action=action)

    def _figures(
        self, row: Row, refusals: Refusals, lot: Lot, told: list[tuple[str, str, str]]
    ) -> dict[str, str]:
        """The figures of the label as they will be; a cell that is empty leaves what is there."""
        kept = {name: getattr(lot, name) for name in FACTS}
        for name, text in _figures(row).items():
            if text and not _same_number(text, kept[name]):
                _tell(told, name, kept[name], text)
                kept[name] = text
                if lot.prepared_by_id:
                    refusals.add(name, "The figures of a solution made here come from its preparation.")
        return kept

    def _refuse_another(self, row: Row, refusals: Refusals, lot: Lot) -> None:
        """What a bottle is doesn't change; a row that says otherwise means another bottle."""
        named = any(row.cells.get(name) for name in ("substance", "cas"))
        if named and not self.substances.may_be(row, lot.substance):
            substance = self.substances.named(refusals, row)
            if substance is not None and substance.pk != lot.substance_id:
                refusals.add("substance", f"{lot.code} holds {lot.substance.name}. Is it another bottle?")
        kind = _kind(row)
        if kind and kind != lot.kind:
            refusals.add("kind", f"{lot.code} is: {lot.get_kind_display().lower()}.")
        self._refuse_other_amount(row, refusals, lot)
        received = day_of(refusals, row, "received_on")
        if received and received != lot.received_on:
            refusals.add("received_on", f"By the ledger it came on {lot.received_on}. That day stays.")

    def _cost(self, row: Row, refusals: Refusals, lot: Lot) -> str:
        """What the bottle cost, where the row says something else than is known."""
        typed = row.cells.get("cost", "")
        reader = Reader()
        coins = reader.money("cost", typed)
        refusals.add_all(reader.errors)
        return "" if coins is None or coins == lot.cost_minor else typed

    def _refuse_other_amount(self, row: Row, refusals: Refusals, lot: Lot) -> None:
        if not row.cells.get("amount"):
            return
        same = Refusals(Row(row.number, {}))
        base = _amount(same, row, lot.unit)
        refusals.add_all(same.by_column)
        if not same.by_column and base != lot.on_hand:
            refusals.add(
                "amount",
                f"By the ledger {lot.code} has {as_text(lot.on_hand, lot.unit)}. A different amount is a "
                "count: use the file for counts.",
            )

    def _opening(self, row: Row, refusals: Refusals, lot: Lot) -> date | None:
        """The day on which it was opened, where the row says one that isn't known yet."""
        opened = day_of(refusals, row, "opened_on")
        if opened is None or opened == lot.opened_on:
            return None
        if lot.opened_on:
            refusals.add("opened_on", f"It was opened on {lot.opened_on}; the first day counts.")
        elif opened > self.today:
            refusals.add("opened_on", "That day is still to come.")
        elif lot.received_on and opened < lot.received_on:
            refusals.add("opened_on", f"It came on {lot.received_on}, after that day.")
        return opened


def _tell(told: list[tuple[str, str, str]], column: str, old: object, new: object) -> None:
    """Note a change as a person reads it, where there is one."""
    if (old or "") != (new or ""):
        told.append((_BY_KEY[column].heading, str(old or ""), str(new or "")))


def _amount(refusals: Refusals, row: Row, counted_in: str) -> int:
    reader = Reader()
    unit = unit_of(row.cells.get("unit", "")) or counted_in
    base = reader.amount("amount", row.cells["amount"], unit, counted_in=counted_in, zero=True)
    refusals.add_all(reader.errors)
    return base


def _kind(row: Row) -> str:
    typed = row.cells.get("kind", "").casefold()
    return _KINDS.get(typed, typed)


def _figures(row: Row) -> dict[str, str]:
    """The figures of a label; a cell that shows 99.50 % under a heading in per cent says 99.50."""
    return {
        name: row.cells.get(name, "").removesuffix("%").rstrip()
        if "percent" in name
        else row.cells.get(name, "")
        for name in FACTS
    }


def _same_number(one: str, other: str) -> bool:
    """Whether two figures say the same with the same digits: 99,50 and 99.50 do, 99.5 doesn't."""
    try:
        first, second = parse_number(one), parse_number(other)
    except InputError:
        return one == other
    return (first.value, first.last_digit) == (second.value, second.last_digit)
