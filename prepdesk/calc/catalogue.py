"""Which substance is meant: names, CAS numbers and formulas, without ever guessing a form.

A look-up that quietly turns "copper sulfate" into the anhydrous salt is 36 % off when the bottle holds
the pentahydrate. So a name that fits several forms asks, with the forms, their formulas and molar
masses in the question, and a name that means a solution of unknown strength is refused.
"""

import difflib
import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from types import MappingProxyType
from typing import Any, Final

from prepdesk.calc.atoms import molar_mass
from prepdesk.calc.errors import InputError
from prepdesk.calc.formula import Formula, parse_formula
from prepdesk.calc.identity import cas_from_text
from prepdesk.calc.model import Substance
from prepdesk.calc.tables import data_version, rows

__all__ = ["AmbiguousSubstance", "Catalogue", "UnknownSubstance", "data_version", "standard_catalogue"]

MAX_CHARACTERS: Final = 200
MAX_OFFERED: Final = 5


class _WithChoices(InputError):
    """An input error that can offer substances to choose from."""

    def __init__(self, field: str, code: str, text: str, choices: tuple[Substance, ...]) -> None:
        super().__init__(field, code, text)
        self.choices = choices

    def under(self, prefix: str) -> "_WithChoices":
        path = super().under(prefix).field
        return type(self)(path, self.code, self.text, self.choices)


class AmbiguousSubstance(_WithChoices):
    """A name that fits several forms; ``choices`` holds them."""


class UnknownSubstance(_WithChoices):
    """A name nobody knows here; ``choices`` holds up to five that look alike."""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """The substances a department knows, with every way to name them. Immutable.

    Attributes:
        substances: in the order they are listed.
        shared_names: a name that several families answer to, with the families' keys
            ("sodium phosphate").
        refused: a name that means no single substance, with the sentence that says why ("vinegar").
    """

    substances: tuple[Substance, ...]
    shared_names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    refused: Mapping[str, str] = field(default_factory=dict)

    def __iter__(self) -> Iterator[Substance]:
        return iter(self.substances)

    def __len__(self) -> int:
        return len(self.substances)

    def resolve(self, text: str, field: str = "") -> Substance:
        """The one substance a text means.

        Names, synonyms, CAS numbers, keys and formulas are read; case and blanks don't matter in names,
        case does in formulas (Co is cobalt, CO carbon monoxide).

        Args:
            text: what was typed.
            field: path used in the error.

        Returns:
            The substance, in exactly the form that was named.

        Raises:
            AmbiguousSubstance: code ``ambiguous_substance``; several forms fit.
            UnknownSubstance: code ``unknown_substance``; up to five near names are offered.
            InputError: ``required``, ``cas_check_digit`` (a digit is wrong), ``cas_turned_into_date``
                (a spreadsheet did it), ``not_one_substance`` (a mixture or a solution is named) or
                ``not_a_formula`` (it looks like a formula and can be read in two ways or in none).

        >>> standard_catalogue().resolve("CuSO4*5H2O").cas
        '7758-99-8'
        """
        typed = " ".join(text.split()) if isinstance(text, str) else ""
        if not typed:
            raise InputError(field, "required", "Type a name, a CAS number or a formula.")
        if len(typed) > MAX_CHARACTERS:
            raise InputError(field, "unknown_substance", f"Names have at most {MAX_CHARACTERS} characters.")
        cas = cas_from_text(typed, field)
        if cas:
            found = self._by_cas.get(cas, ())
            if not found:
                raise self._unknown(typed, field, (), "Add it to the catalogue first, or check the number.")
            return self._only(found, typed, field)
        name = _normal(typed)
        if name in self._refused_names:
            raise InputError(field, "not_one_substance", self._refused_names[name])
        found = self._by_name.get(name) or self._by_family_name.get(name) or self._by_formula_text(typed)
        if not found:
            _refuse_broken_formula(typed, field)
            raise self._unknown(typed, field, self._near(typed), "Type a name, a CAS number or a formula.")
        return self._only(found, typed, field)

    def by_key(self, key: str) -> Substance:
        """The substance with a key.

        Args:
            key: as ``copper-sulfate-pentahydrate``.

        Returns:
            The substance.

        Raises:
            UnknownSubstance: code ``unknown_substance``.

        >>> standard_catalogue().by_key("sodium-chloride").formula
        'NaCl'
        """
        found = self._by_key.get(key)
        if found is None:
            raise self._unknown(key, "", (), "The catalogue has no such key.")
        return found

    def forms_of(self, family: str) -> tuple[Substance, ...]:
        """The forms of one family: hydrates, the anhydrous substance.

        Args:
            family: key of the family, as ``copper-sulfate``.

        Returns:
            Its forms in the order of the catalogue; empty when nobody belongs to it.

        >>> [each.form for each in standard_catalogue().forms_of("copper-sulfate")]
        ['pentahydrate', 'anhydrous']
        """
        return tuple(each for each in self.substances if (each.family or each.key) == family)

    def search(self, text: str, limit: int = 12) -> tuple[Substance, ...]:
        """Substances that a few typed letters may mean, best first.

        Args:
            text: the beginning of a name, a part of it, a formula or a CAS number.
            limit: at most so many.

        Returns:
            Exact hits, then beginnings of names, of words in them, then formulas and parts of names;
            nothing for an empty text.

        >>> [each.form for each in standard_catalogue().search("cuso4", limit=2)]
        ['anhydrous', 'pentahydrate']
        """
        wanted = _normal(text)
        if not wanted:
            return ()
        ranked = []
        for position, each in enumerate(self.substances):
            rank = _rank(wanted, each)
            if rank is not None:
                ranked.append((rank, position, each))
        return tuple(each for _, _, each in sorted(ranked, key=lambda hit: hit[:2])[:limit])

    def with_added(self, substances: Iterable[Substance]) -> "Catalogue":
        """A catalogue that also knows a department's own substances.

        Args:
            substances: an own record under a known key takes the place of the standard one.

        Returns:
            A new catalogue; this one stays as it is.

        Raises:
            InputError: ``not_a_formula`` for a record whose formula can't be read.

        >>> own = Substance(key="barium-carbonate", name="barium carbonate", formula="BaCO3")
        >>> standard_catalogue().with_added([own]).resolve("BaCO3").key
        'barium-carbonate'
        """
        added = {each.key: each for each in substances}
        kept = tuple(added.pop(each.key, each) for each in self.substances)
        return Catalogue((*kept, *added.values()), self.shared_names, self.refused)

    # --- how names are found ----------------------------------------------------------------------
    @cached_property
    def _by_key(self) -> dict[str, Substance]:
        return {each.key: each for each in self.substances}

    @cached_property
    def _by_cas(self) -> dict[str, tuple[Substance, ...]]:
        return _index((each.cas, each) for each in self.substances if each.cas)

    @cached_property
    def _by_name(self) -> dict[str, tuple[Substance, ...]]:
        return _index(
            (_normal(name), each)
            for each in self.substances
            for name in (each.key, each.name, *each.synonyms)
            if _formula_or_none(name) is None
        )

    @cached_property
    def _by_family_name(self) -> dict[str, tuple[Substance, ...]]:
        pairs = [(_normal(each.family), each) for each in self.substances if each.family]
        for name, families in self.shared_names.items():
            pairs += [(_normal(name), each) for family in families for each in self.forms_of(family)]
        return _index(pairs)

    @cached_property
    def _by_formula(self) -> dict[str, tuple[Substance, ...]]:
        return _index(
            (formula.plain, each)
            for each in self.substances
            for spelling in (each.formula, *each.synonyms)
            if (formula := _formula_or_none(spelling)) is not None
        )

    @cached_property
    def _by_composition(self) -> dict[object, tuple[Substance, ...]]:
        return _index((_composition(parse_formula(each.formula)), each) for each in self.substances)

    @cached_property
    def _refused_names(self) -> dict[str, str]:
        return {_normal(name): text for name, text in self.refused.items()}

    def _by_formula_text(self, typed: str) -> tuple[Substance, ...]:
        formula = _formula_or_none(typed)
        if formula is None:
            return ()
        exact = self._by_formula.get(formula.plain)
        if exact:
            return exact
        # Atoms alone identify a salt, however it is spelled; of carbon compounds they only name isomers.
        return () if _has_isomers(formula) else self._by_composition.get(_composition(formula), ())

    def _only(self, found: tuple[Substance, ...], typed: str, field: str) -> Substance:
        if len(found) == 1:
            return found[0]
        forms = "; ".join(_with_molar_mass(each) for each in found)
        raise AmbiguousSubstance(
            field,
            "ambiguous_substance",
            f"“{typed}” fits {len(found)} substances: {forms}. Say which one is meant.",
            found,
        )

    def _unknown(self, typed: str, field: str, near: tuple[Substance, ...], hint: str) -> UnknownSubstance:
        offered = "; ".join(f"{each.name} ({parse_formula(each.formula).pretty})" for each in near)
        text = f"The catalogue has no “{typed}”. " + (f"Did you mean {offered}?" if near else hint)
        return UnknownSubstance(field, "unknown_substance", text, near)

    def _near(self, typed: str) -> tuple[Substance, ...]:
        """Up to five substances that look like what was typed: same atoms, same salt, like names."""
        found: dict[str, Substance] = {}
        formula = _formula_or_none(typed)
        if formula is not None:
            for each in self.substances:
                own = parse_formula(each.formula)
                if _composition(own) == _composition(formula) or own.base == formula.base:
                    found[each.key] = each
        names = {**self._by_family_name, **self._by_name}
        for name in difflib.get_close_matches(_normal(typed), names, n=MAX_OFFERED, cutoff=0.7):
            found.update((each.key, each) for each in names[name])
        found.update((each.key, each) for each in self.search(typed, MAX_OFFERED))
        return tuple(found.values())[:MAX_OFFERED]


@cache
def standard_catalogue() -> Catalogue:
    """The reagents of a teaching laboratory that come with the program.

    Returns:
        The catalogue, read once.

    Source: ``substances.toml``, row by row.

    >>> standard_catalogue().resolve("table salt").formula
    'NaCl'
    """
    return Catalogue(
        substances=tuple(_substance(row) for row in rows("substances.toml", "substance")),
        shared_names=MappingProxyType(
            {
                name: tuple(row["families"])
                for row in rows("substances.toml", "shared_name")
                for name in row["names"]
            }
        ),
        refused=MappingProxyType(
            {name: row["text"] for row in rows("substances.toml", "refused") for name in row["names"]}
        ),
    )


@cache
def _storage_sentences() -> dict[str, str]:
    return {row["code"]: row["text"] for row in rows("substances.toml", "storage")}


def _substance(row: Mapping[str, Any]) -> Substance:
    return Substance(
        key=row["key"],
        name=row["name"],
        formula=row["formula"],
        cas=row["cas"],
        family=row.get("family", row["key"]),
        form=row.get("form", ""),
        solute_formula=row.get("solute_formula", parse_formula(row["formula"]).base),
        state=row.get("state", "solid"),
        synonyms=tuple(row.get("synonyms", ())),
        grade=row.get("grade", ""),
        assay_percent=row.get("assay_percent"),
        density_g_per_ml=row.get("density_g_per_ml"),
        density_source=row.get("density_source", ""),
        hazards=tuple(row.get("hazards", ())),
        traits=tuple(row.get("traits", ())),
        storage=_storage_sentences()[row["storage"]],
        source=row["source"],
    )


# Capitals, digits and brackets, never two small letters in a row: meant as a formula, not as a name.
_LIKE_A_FORMULA: Final = re.compile(r"(?=.*[0-9₀-₉(])[A-Z\[(](?:[^a-z]|[a-z](?![a-z]))*")


def _refuse_broken_formula(typed: str, field: str) -> None:
    """Say what is wrong with a formula, instead of that no substance has such a name."""
    if _LIKE_A_FORMULA.fullmatch(typed):
        parse_formula(typed, field)


_DROPPED: Final = re.compile(r"[\s,()\[\]'’\-\u2010-\u2015]+")


def _normal(name: str) -> str:
    """A name without case, blanks, hyphens and brackets, in one spelling of sulfur and aluminium."""
    kept = _DROPPED.sub("", unicodedata.normalize("NFKC", name).casefold())
    return (
        kept.replace("sulph", "sulf")
        .replace("aluminum", "aluminium")
        .replace("cesium", "caesium")
        .replace("caaesium", "caesium")
    )


def _rank(wanted: str, substance: Substance) -> int | None:
    """How well a substance answers to some letters: smaller is better, None is not at all."""
    names = [_normal(name) for name in (substance.name, *substance.synonyms, substance.formula)]
    words = [_normal(word) for name in (substance.name, *substance.synonyms) for word in name.split()]
    if wanted in names or wanted in (_normal(substance.cas), _normal(substance.key)):
        return 0
    if names[0].startswith(wanted):
        return 1
    if any(name.startswith(wanted) for name in names):
        return 2
    if any(word.startswith(wanted) for word in words):
        return 3
    if any(wanted in name for name in names) or (substance.cas and substance.cas.startswith(wanted)):
        return 4
    return None


def _index(pairs: Iterable[tuple[Any, Substance]]) -> dict[Any, tuple[Substance, ...]]:
    """Group substances by a name; each stands once under it, in the order given."""
    grouped: dict[Any, dict[str, Substance]] = {}
    for name, substance in pairs:
        grouped.setdefault(name, {})[substance.key] = substance
    return {name: tuple(members.values()) for name, members in grouped.items()}


def _with_molar_mass(substance: Substance) -> str:
    shown = parse_formula(substance.formula).pretty
    return f"{substance.name} ({shown}, {molar_mass(substance.formula).g_per_mol:.2f} g/mol)"


def _formula_or_none(text: str) -> Formula | None:
    try:
        return parse_formula(text)
    except InputError:
        return None


def _composition(formula: Formula) -> object:
    return frozenset(formula.counts.items()), formula.charge


def _has_isomers(formula: Formula) -> bool:
    return "C" in formula.counts and "H" in formula.counts
