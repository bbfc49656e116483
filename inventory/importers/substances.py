"""Substances from a file: those the list doesn't have, and what the department decides about any."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from inventory.amounts import as_text, from_base
from inventory.columns import SUBSTANCE_COLUMNS
from inventory.importers.kinds import Importer, Tick, Verdict
from inventory.importers.naming import Refusals, Substances, unit_of
from inventory.models import Substance
from inventory.selectors import usual_unit
from inventory.services import (
    SubstanceChange,
    check_facts,
    check_substance,
    save_substances_in_bulk,
)
from prepdesk.accounts.models import User
from prepdesk.calc import model
from prepdesk.calc.catalogue import UnknownSubstance
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import parse_formula
from prepdesk.calc.storage import storage_groups
from prepdesk.core.errors import InvalidInput
from prepdesk.core.tables import Row

_BY_KEY: Final = {column.key: column for column in SUBSTANCE_COLUMNS}
_FACTS: Final = (
    "grade",
    "shelf_life_closed_days",
    "shelf_life_opened_days",
    "reorder_below",
    "reorder_unit",
    "storage_group",
)
_TOLD: Final = ("grade", "storage_group", "shelf_life_closed_days", "shelf_life_opened_days", "reorder_below")
# What a row can't change of a listed substance, because orders and sheets name it by that.
_FIXED: Final = ("form", "synonyms")
UNREVIEWED: Final = "No cautions are named, so every sheet will say that nobody has reviewed it."
# What the checks call otherwise than the columns.
_COLUMN_OF: Final = {"state": "physical_state", "another_form_of": "family", "reorder_unit": "reorder_unit"}


@dataclass(frozen=True, slots=True)
class _New:
    row: Substance


@dataclass(frozen=True, slots=True)
class _Changed:
    row: Substance
    facts: dict[str, str]


class SubstanceImporter(Importer):
    """The list of substances: new ones, and storage, shelf life and reorder level of any."""

    kind = "substances"
    label = "Substances"
    about = (
        "Adds what the list doesn't have, and sets storage group, shelf lives and reorder level. What a "
        "listed substance is (formula, CAS number) never changes by a file."
    )
    action = "import_stock"
    home = "inventory:files"
    result_column = "key"
    result_route = "inventory:substance"
    columns = SUBSTANCE_COLUMNS

    def check(
        self, rows: Sequence[Row], *, actor: User, options: Mapping[str, bool], tick: Tick
    ) -> list[Verdict]:
        against = _Against()
        verdicts = []
        for done, row in enumerate(rows, start=1):
            verdicts.append(against.verdict(row))
            tick(done)
        return verdicts

    def apply(
        self, verdicts: Sequence[Verdict], *, actor: User, key: str, source: str, tick: Tick
    ) -> dict[int, str]:
        new = [v.action.row for v in verdicts if isinstance(v.action, _New)]
        for row in new:
            # What a read row kept for itself while it was only looked at.
            row.record = {**row.record, "source": f"added by the department, from {source}"}
        changed = [
            SubstanceChange(v.action.row, v.action.facts, f"From {source}")
            for v in verdicts
            if isinstance(v.action, _Changed)
        ]
        save_substances_in_bulk(actor=actor, new=new, changed=changed)
        tick(len(verdicts))
        return {v.number: v.action.row.key for v in verdicts if isinstance(v.action, _New)}


class _Against:
    """Reads rows against the list as it is, and against the rows before them."""

    def __init__(self) -> None:
        self.known = Substances()
        self.families: dict[str, Substance] = {}
        for row in self.known.rows.values():
            self.families.setdefault(row.family or row.key, row)
        self.named: dict[int, int] = {}
        # Names, numbers and keys that rows of this very file have taken, with the row that did.
        self.taken: dict[str, int] = {}
        self.added: dict[str, Substance] = {}

    def verdict(self, row: Row) -> Verdict:
        """What this row would do."""
        refusals = Refusals(row)
        known, fits = self._meant(row, refusals)
        if known is not None:
            return self._changed(row, refusals, known, fits)
        if refusals.by_column:
            return _refused(row, refusals)
        return self._new(row, refusals)

    def _meant(self, row: Row, refusals: Refusals) -> tuple[Substance | None, model.Substance | None]:
        """The listed substance a row is about; none, without a refusal, when it would be a new one."""
        key, name = row.cells.get("key", ""), row.cells.get("name", "")
        try:
            fits = self.known.catalogue.by_key(key) if key else self.known.catalogue.resolve(name)
        except UnknownSubstance:
            if key:
                refusals.add("key", f"The list has no key “{key[:80]}”. Leave the cell empty for a new one.")
            return None, None
        except InputError as error:
            if not (row.cells.get("form") or row.cells.get("cas")):
                refusals.add("name", error.text)
                return None, None
            return self._by_form(row, refusals)
        found = self.known.rows.get(fits.key)
        if found is None:
            refusals.add("name", f"{fits.name} is not in the department's list. Load the catalogue first.")
        return found, fits

    def _by_form(self, row: Row, refusals: Refusals) -> tuple[Substance | None, model.Substance | None]:
        """A name that fits several forms, with the form or the number beside it."""
        cells = {"substance": row.cells.get("name", ""), **{k: row.cells.get(k, "") for k in ("form", "cas")}}
        asked = Refusals(Row(row.number, {}))
        found = self.known.named(asked, Row(row.number, cells))
        refusals.add_all({{"substance": "name"}.get(k, k): text for k, text in asked.by_column.items()})
        return found, self.known.catalogue.by_key(found.key) if found else None

    # --- a substance that is there ---------------------------------------------------------------------
    def _changed(
        self, row: Row, refusals: Refusals, known: Substance, fits: model.Substance | None
    ) -> Verdict:
        first = self.named.setdefault(known.pk, row.number)
        if first != row.number:
            refusals.add("name", f"Row {first} is about the same substance: {known.name}. Keep one of them.")
        _refuse_another(row, refusals, known, fits)
        unit = usual_unit(known, self.known.catalogue)
        typed = _typed_facts(row, known, unit)
        values = _read_facts(refusals, known, typed, unit)
        values = {name: value for name, value in values.items() if getattr(known, name) != value}
        if refusals.by_column:
            return _refused(row, refusals, known.name)
        if not values:
            return Verdict(row.number, "same", known.name)
        changes = tuple(
            (_BY_KEY[name].heading, _shown(name, getattr(known, name), unit), _shown(name, value, unit))
            for name, value in values.items()
        )
        return Verdict(row.number, "change", known.name, changes, action=_Changed(known, typed))

    # --- a new one ------------------------------------------------------------------------------------
    def _new(self, row: Row, refusals: Refusals) -> Verdict:
        cells = row.cells
        family = self._family(row, refusals)
        state = cells.get("physical_state", "").casefold()
        read: Substance | None = None
        try:
            read = check_substance(
                name=cells.get("name", ""),
                formula=cells.get("formula", ""),
                cas=cells.get("cas", ""),
                form=cells.get("form", ""),
                synonyms=_parted(cells.get("synonyms", "")),
                state=state,
                another_form_of=family,
                hazards=_parted(cells.get("hazards", "")),
                catalogue=self.known.catalogue,
            )
        except InvalidInput as refusal:
            refusals.add_all({_COLUMN_OF.get(name, name): text for name, text in refusal.errors.items()})
        if read is None:
            return _refused(row, refusals)
        self._refuse_taken(row, refusals, read)
        unit = usual_unit(read, self.known.catalogue)
        for name, value in _read_facts(refusals, read, _typed_facts(row, read, unit), unit).items():
            setattr(read, name, value)
        if refusals.by_column:
            return _refused(row, refusals)
        self.added[read.key] = self.added[read.name.casefold()] = read
        told = tuple(
            (_BY_KEY[name].heading, "", cells[name])
            for name in ("formula", "cas", "form", "family", "synonyms", "hazards", *_TOLD)
            if cells.get(name)
        )
        remarks = () if read.record["hazards"] else (UNREVIEWED,)
        return Verdict(row.number, "create", read.name, told, remarks=remarks, action=_New(read))

    def _family(self, row: Row, refusals: Refusals) -> Substance | None:
        typed = row.cells.get("family", "")
        if not typed:
            return None
        found = self.families.get(typed) or self.added.get(typed) or self.added.get(typed.casefold())
        if found:
            return found
        try:
            return self.known.rows.get(self.known.catalogue.resolve(typed).key)
        except InputError:
            refusals.add("family", f"The list has no substance “{typed[:80]}” of which this could be a form.")
            return None

    def _refuse_taken(self, row: Row, refusals: Refusals, read: Substance) -> None:
        """Within one file, too, a name or number means one substance."""
        for column, texts in (
            ("name", [read.name, read.key]),
            ("cas", [read.cas]),
            ("synonyms", read.synonyms),
        ):
            for text in filter(None, texts):
                first = self.taken.setdefault(text.casefold(), row.number)
                if first != row.number:
                    refusals.add(column, f"Row {first} of this file uses “{text}” already.")


def _refuse_another(row: Row, refusals: Refusals, known: Substance, fits: model.Substance | None) -> None:
    """What a substance is doesn't change; a row that says otherwise means another one."""
    formula, cas, state = (row.cells.get(name, "") for name in ("formula", "cas", "physical_state"))
    if formula and formula != known.formula:
        try:
            same = parse_formula(formula).plain == parse_formula(known.formula).plain
        except InputError as error:
            refusals.add("formula", error.text)
            same = True
        if not same:
            refusals.add("formula", f"{known.name} is {known.formula}. Another formula is another substance.")
    if cas and cas != known.cas:
        refusals.add("cas", f"{known.name} is listed with {known.cas or 'no CAS number'}; that stays.")
    if state and fits and state.casefold() != fits.state:
        refusals.add("physical_state", f"{known.name} is listed as a {fits.state}.")
    for name in _FIXED:
        text = row.cells.get(name, "")
        if text and (_parted(text) if name == "synonyms" else text) != getattr(known, name):
            refusals.add(name, f"The {name} of a listed substance is not changed by a file.")
    hazards = set(_parted(row.cells.get("hazards", "")))
    if hazards and fits and hazards != set(fits.hazards):
        refusals.add("hazards", f"The cautions of {known.name} are not changed by a file.")
    family = row.cells.get("family", "")
    if family and family not in (known.family or known.key, known.key, known.name):
        refusals.add("family", f"{known.name} belongs to {known.family or known.key}; that stays.")


def _typed_facts(row: Row, known: Substance, unit: str) -> dict[str, str]:
    """The facts as typed, with what is known where the row says nothing."""
    below = known.reorder_below
    there = {
        "grade": known.grade,
        "shelf_life_closed_days": str(known.shelf_life_closed_days or ""),
        "shelf_life_opened_days": str(known.shelf_life_opened_days or ""),
        "reorder_below": "" if below is None else f"{from_base(below, unit).normalize():f}",
        "reorder_unit": "",
        "storage_group": known.storage_group,
    }
    typed = {name: row.cells.get(name, "") or there[name] for name in _FACTS}
    # An amount without its unit is never completed by a guess.
    typed["reorder_unit"] = unit_of(typed["reorder_unit"]) if row.cells.get("reorder_below") else unit
    typed["storage_group"] = _groups().get(typed["storage_group"].casefold(), typed["storage_group"])
    return typed


def _read_facts(refusals: Refusals, known: Substance, typed: Mapping[str, str], unit: str) -> dict[str, Any]:
    try:
        return dict(check_facts(substance=known, reason="", counted_in=unit, **typed).values)
    except InvalidInput as refusal:
        refusals.add_all(refusal.errors)
        return {}


def _groups() -> dict[str, str]:
    """Codes of the storage groups by code and by name, as they are compared."""
    return {name.casefold(): each.code for each in storage_groups() for name in (each.code, each.name)}


def _parted(text: str) -> list[str]:
    # Commas belong to many names (1,2-ethanediol), so semicolons or lines part them.
    return [" ".join(each.split()) for each in text.replace(";", "\n").splitlines() if each.strip()]


def _shown(name: str, value: Any, unit: str) -> str:
    if value is None or value == "":
        return ""
    return as_text(value, unit) if name == "reorder_below" else str(value)


def _refused(row: Row, refusals: Refusals, title: str = "") -> Verdict:
    return Verdict(
        row.number, "refuse", title or row.cells.get("name", ""), reasons=refusals.by_heading(_BY_KEY)
    )
