"""What a count found, from a file: the opening stock of bottles that have a code already."""

from collections.abc import Mapping, Sequence
from typing import Final

from inventory import codes
from inventory.amounts import as_text
from inventory.columns import COUNT_COLUMNS
from inventory.importers.kinds import Importer, Tick, Verdict
from inventory.importers.lot_rows import lots_by_code, why_no_such_code
from inventory.importers.marks import mark_of_bottles
from inventory.importers.naming import Refusals, unit_of
from inventory.models import Lot
from inventory.services import Counted, check_count, correct_stock_in_bulk
from prepdesk.accounts.models import User
from prepdesk.core.errors import InvalidInput
from prepdesk.core.tables import Row

_BY_KEY: Final = {column.key: column for column in COUNT_COLUMNS}


class CountImporter(Importer):
    """Opening stock and counts: the ledger is corrected to what was found."""

    kind = "counts"
    label = "Counts and opening stock"
    about = (
        "Corrects the ledger of every bottle named to what was counted. Where it agrees, or where nothing is "
        "written under Counted, nothing changes."
    )
    action = "import_stock"
    home = "inventory:files"
    columns = COUNT_COLUMNS

    def check(
        self, rows: Sequence[Row], *, actor: User, options: Mapping[str, bool], tick: Tick
    ) -> list[Verdict]:
        lots = lots_by_code(rows)
        named: dict[str, int] = {}
        verdicts = []
        for done, row in enumerate(rows, start=1):
            verdicts.append(_verdict(row, lots, named))
            tick(done)
        return verdicts

    def mark(self, rows: Sequence[Row]) -> str:
        return mark_of_bottles(lots_by_code(rows).values())

    def apply(
        self, verdicts: Sequence[Verdict], *, actor: User, key: str, source: str, tick: Tick
    ) -> dict[int, str]:
        counts = [
            Counted(
                **{**v.action, "reason": v.action["reason"] or f"Counted, from {source}"},
                idempotency_key=f"{key}-{v.number}",
            )
            for v in verdicts
        ]
        correct_stock_in_bulk(actor=actor, counts=counts, tick=tick)
        return {}


def _verdict(row: Row, lots: Mapping[str, Lot], named: dict[str, int]) -> Verdict:
    refusals = Refusals(row)
    code = codes.tidied(row.cells.get("code", ""))
    lot = lots.get(code)
    if lot is None:
        refusals.add(
            "code", why_no_such_code(code) if code else "Say which bottle, by the code on its label."
        )
        return _refused(row, refusals, code)
    title = f"{lot.code}, {lot.title or lot.substance.name}"
    if named.setdefault(code, row.number) != row.number:
        refusals.add("code", f"Row {named[code]} counts the same bottle. Keep one of them.")
    counted, reason = row.cells.get("counted", ""), row.cells.get("reason", "")
    if not counted and not refusals.by_column:
        return Verdict(row.number, "same", title, remarks=("Not counted.",))
    unit = unit_of(row.cells.get("unit", ""))
    found = 0
    try:
        found, _ = check_count(lot=lot, counted=counted, unit=unit, reason=reason or "Counted")
    except InvalidInput as refusal:
        refusals.add_all(refusal.errors)
    if refusals.by_column:
        return _refused(row, refusals, title)
    if found == lot.on_hand:
        return Verdict(row.number, "same", title)
    change = ("On hand", as_text(lot.on_hand, lot.unit), as_text(found, lot.unit))
    remarks = ("The bottle will be marked as empty.",) if found == 0 else ()
    action = {
        "lot_id": lot.pk,
        "counted": counted,
        "unit": unit,
        "expected_on_hand": lot.on_hand,
        "reason": reason,
    }
    return Verdict(row.number, "change", title, (change,), remarks=remarks, action=action)


def _refused(row: Row, refusals: Refusals, title: str) -> Verdict:
    return Verdict(row.number, "refuse", title, reasons=refusals.by_heading(_BY_KEY))
