"""Bottles from a file: those without a code come in, those with one are put right."""

from collections.abc import Mapping, Sequence

from inventory import codes
from inventory.columns import LOT_COLUMNS
from inventory.importers.kinds import Importer, Option, Tick, Verdict
from inventory.importers.lot_rows import Against, Changed, New, lots_by_code
from inventory.importers.marks import mark_of_stock
from inventory.models import Place
from inventory.services import (
    Label,
    Receipt,
    add_place,
    correct_labels_in_bulk,
    open_lot,
    receive_lots_in_bulk,
)
from prepdesk.accounts.models import User
from prepdesk.core.tables import Row


class LotImporter(Importer):
    """Bottles that come in, and what is written about those that are there."""

    kind = "lots"
    label = "Bottles"
    about = (
        "Receives every bottle that has no code yet, and gives it one. A row with a code puts right what is "
        "written about that bottle; its amount is changed by a count only."
    )
    action = "import_stock"
    home = "inventory:files"
    result_column = "code"
    result_route = "inventory:lot"
    columns = LOT_COLUMNS
    options = (
        Option(
            "create_places",
            "Create places that are not there",
            "Otherwise a row with an unknown place is refused, since it may be a slip of the keyboard.",
        ),
    )

    def check(
        self, rows: Sequence[Row], *, actor: User, options: Mapping[str, bool], tick: Tick
    ) -> list[Verdict]:
        against = Against(rows, create_places=bool(options.get("create_places")))
        # In the order in which it is done: what is moved away makes room for what comes in.
        order = sorted(rows, key=lambda row: not codes.tidied(row.cells.get("code", "")))
        verdicts = []
        for done, row in enumerate(order, start=1):
            verdicts.append(against.verdict(row))
            tick(done)
        return sorted(verdicts, key=lambda verdict: verdict.number)

    def mark(self, rows: Sequence[Row]) -> str:
        return mark_of_stock(lots_by_code(rows).values())

    def apply(
        self, verdicts: Sequence[Verdict], *, actor: User, key: str, source: str, tick: Tick
    ) -> dict[int, str]:
        ways = {v.action.new_place for v in verdicts if v.action.new_place}
        made = _created(ways, actor)
        changed = [v for v in verdicts if isinstance(v.action, Changed)]
        self._relabel(changed, made, actor, source, tick)
        new = [v for v in verdicts if isinstance(v.action, New)]
        receipts = [
            Receipt(
                **{**v.action.receipt, "place": made.get(v.action.new_place) or v.action.receipt["place"]},
                idempotency_key=f"{key}-{v.number}",
            )
            for v in new
        ]
        lots = receive_lots_in_bulk(
            actor=actor,
            receipts=receipts,
            reason=f"Received, from {source}",
            tick=lambda done: tick(len(changed) + done),
        )
        return {v.number: lot.code for v, lot in zip(new, lots, strict=True)}

    def _relabel(
        self, verdicts: Sequence[Verdict], made: Mapping[str, Place], actor: User, source: str, tick: Tick
    ) -> None:
        """Put right what is written about the bottles that are there, and where they stand."""
        inside = Place.objects.in_bulk([v.action.place_id for v in verdicts])
        labels = [
            Label(
                lot_id=v.action.lot.pk,
                reason=f"From {source}, row {v.number}",
                place=made.get(v.action.new_place) or inside.get(v.action.place_id),
                **v.action.label,
            )
            for v in verdicts
            if v.action.label
        ]
        correct_labels_in_bulk(actor=actor, labels=labels, tick=tick)
        # After the labels, because opening may bring the expiry forward.
        for v in verdicts:
            if v.action.opened_on:
                open_lot(actor=actor, lot=v.action.lot, on=v.action.opened_on)


def _created(ways: set[str], actor: User) -> dict[str, Place]:
    """Create the places of these ways, and those around them, where they are not there."""
    made: dict[str, Place] = {}
    for way in sorted(ways):
        parent: Place | None = None
        for part in way.split(" / "):
            parent = Place.objects.filter(parent=parent, name__iexact=part).first() or add_place(
                actor=actor, name=part, parent=parent
            )
        if parent is not None:
            made[way] = parent
    return made
