"""What the words of a row name: a substance in one form, a place, a day. Never guessed."""

import difflib
from collections.abc import Mapping
from datetime import date
from typing import Final

from inventory import codes
from inventory.models import Place, Substance
from inventory.selectors import calc_catalogue, places
from inventory.services import AMOUNT_UNITS
from prepdesk.calc import model
from prepdesk.calc.catalogue import AmbiguousSubstance
from prepdesk.calc.errors import InputError
from prepdesk.core.tables import Column, Row, read_day

_UNITS: Final = {
    **{unit: unit for unit in AMOUNT_UNITS},
    **dict.fromkeys(("µL", "μL", "µl", "μl", "ul"), "uL"),
    **dict.fromkeys(("pieces", "piece", "pcs"), "pc"),
    "ml": "mL",
    "l": "L",
}


class Refusals:
    """Collects why a row is refused, the first reason for each column."""

    def __init__(self, row: Row) -> None:
        self.by_column: dict[str, str] = dict(row.problems)

    def add(self, column: str, text: str) -> None:
        self.by_column.setdefault(column, text)

    def add_all(self, errors: Mapping[str, str]) -> None:
        for column, text in errors.items():
            self.add(column, text)

    def by_heading(self, columns: Mapping[str, Column]) -> dict[str, str]:
        """The reasons under the headings of the file; those of no column stand under ""."""
        return {
            columns[column].heading if column in columns else "": text
            for column, text in self.by_column.items()
        }


def unit_of(text: str) -> str:
    """A unit in the spelling of the forms; what isn't known stays as it is, to be refused by name."""
    return _UNITS.get(text.strip(), text.strip())


def day_of(refusals: Refusals, row: Row, column: str) -> date | None:
    """The day in a cell; ``None`` where it is empty or refused."""
    text = row.cells.get(column, "")
    if not text or column in refusals.by_column:
        return None
    try:
        return read_day(text)
    except InputError as error:
        refusals.add(column, error.text)
        return None


class Substances:
    """Which substance a row means; every substance is read once."""

    def __init__(self) -> None:
        self.catalogue = calc_catalogue()
        self.rows = {row.key: row for row in Substance.objects.all()}
        self._found: dict[tuple[str, str, str], Substance | tuple[str, str]] = {}

    def named(self, refusals: Refusals, row: Row) -> Substance | None:
        """The substance of a row by name and, where the name leaves it open, by form or CAS number."""
        asked = (row.cells.get("substance", ""), row.cells.get("form", ""), row.cells.get("cas", ""))
        if asked not in self._found:
            self._found[asked] = self._resolved(*asked)
        found = self._found[asked]
        if isinstance(found, Substance):
            return found
        if not {"substance", "form", "cas"} & refusals.by_column.keys():
            refusals.add(*found)
        return None

    def may_be(self, row: Row, substance: Substance) -> bool:
        """Whether the words of a row, however open they leave the form, include this substance."""
        try:
            return self.catalogue.resolve(row.cells.get("substance", "")).key == substance.key
        except AmbiguousSubstance as error:
            named = [each for each in error.choices if each.key == substance.key]
            form, cas = row.cells.get("form", ""), row.cells.get("cas", "")
            return bool(named) and _fits(named[0], form, cas)
        except InputError:
            return False

    def _resolved(self, name: str, form: str, cas: str) -> Substance | tuple[str, str]:
        field = "substance" if name else "cas"
        try:
            meant = self.catalogue.resolve(name or cas)
        except AmbiguousSubstance as error:
            fitting = [each for each in error.choices if _fits(each, form, cas)] if form or cas else []
            if len(fitting) != 1:
                return field, error.text
            meant = fitting[0]
        except InputError as error:
            return field, error.text
        if form and not _same_words(form, meant.form):
            its = meant.form or "has no form of its own"
            return "form", f"The row says “{form}”, but {meant.name} is: {its}. Which one is in the bottle?"
        if name and cas:
            try:
                other = self.catalogue.resolve(cas)
            except InputError as error:
                # A number that the list doesn't have is a contradiction as well, if the list has another.
                if meant.cas or error.code != "unknown_substance":
                    return "cas", error.text
                other = meant
            if other.key != meant.key:
                return "cas", f"{cas} is {other.name}, and the row says {meant.name}. Which one is it?"
        known = self.rows.get(meant.key)
        return known or (field, f"{meant.name} is not in the department's list. Load the catalogue first.")


def _fits(substance: model.Substance, form: str, cas: str) -> bool:
    return (not form or _same_words(form, substance.form)) and (not cas or substance.cas == cas.strip())


def _same_words(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())


class Places:
    """Which place a row means, by its whole way from the room inwards or by the code on its label."""

    def __init__(self, *, create: bool) -> None:
        self.create = create
        self.names = dict(places())
        # A place that was given up is still named beside old bottles; nothing new is put there.
        usable = dict(places(in_use=True))
        self._by_way: dict[str, list[int]] = {}
        for pk, name in usable.items():
            self._by_way.setdefault(_way(name), []).append(pk)
        self._usable = tuple(usable.values())
        self._by_code = dict(Place.objects.filter(in_use=True).exclude(code=None).values_list("code", "pk"))

    def named(self, refusals: Refusals, text: str) -> tuple[int | None, str]:
        """The key of the place, or the way to one that is to be created."""
        found = self._by_way.get(_way(text), [])
        if len(found) == 1:
            return found[0], ""
        if len(found) > 1:
            refusals.add("place", f"There are {len(found)} places called “{text}”. Give one another name.")
            return None, ""
        by_code = self._by_code.get(codes.tidied(text))
        if by_code:
            return by_code, ""
        parts = [" ".join(part.split()) for part in text.split("/")]
        if self.create and all(0 < len(part) <= 80 for part in parts) and "\0" not in text:
            return None, " / ".join(parts)
        refusals.add("place", self._missing(text))
        return None, ""

    def around(self, way: str) -> int | None:
        """The innermost place that is there already on the way to one that is to be created."""
        parts = _way(way).split("/")
        for end in range(len(parts) - 1, 0, -1):
            found = self._by_way.get("/".join(parts[:end]))
            if found:
                return found[0]
        return None

    def _missing(self, text: str) -> str:
        last = _way(text).split("/")[-1]
        inside = [name for name in self._usable if _way(name).split("/")[-1] == last]
        near = inside[:3] or difflib.get_close_matches(text, self._usable, n=3, cutoff=0.6)
        offered = f" Did you mean {' or '.join(f'“{name}”' for name in near)}?" if near else ""
        return (
            f"There is no place “{text[:80]}”.{offered} If it is new, create it first, or tick that missing "
            "places are to be created."
        )


def same_way(one: str, other: str) -> bool:
    """Whether two whole names of places are the same."""
    return _way(one) == _way(other)


def _way(name: str) -> str:
    return "/".join(" ".join(part.split()) for part in name.casefold().split("/"))
